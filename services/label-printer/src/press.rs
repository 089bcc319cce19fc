//! One label at a time, from job to paper to fact.

use std::time::Duration;

use bus::retry::Backoff;
use bus::{Clock, Note, Outbox};
use facts::{
    CaseLabelled, Draft, Event, FactId, LabelDropped, LabelOf, PersonId, Sscc, StationId,
    WheelLabelled,
};
use labels::{Dpi, Drawing, Label, LabelError, LabelJob, Templates};

use crate::aside::{Aside, SetAside};
use crate::bell::Bell;
use crate::journal::{Journal, Noted, Seen, Step, next};
use crate::office::Office;
use crate::printer::{Printer, Trouble};

/// A printer with its journal, and the outbox for what became of its labels.
#[derive(Debug)]
pub struct Press<P, O> {
    printer: P,
    office: O,
    /// What people call the printer.
    name: String,
    dpi: Dpi,
    templates: Templates,
    books: Books,
}

/// What every press of a worker writes into.
#[derive(Debug, Clone)]
pub struct Books {
    /// How far each label has come.
    pub journal: Journal,
    /// Labels that a person is asked about.
    pub aside: Aside,
    /// Where people are told.
    pub bell: Bell,
    outbox: Outbox,
    station: StationId,
    clock: Clock,
}

/// One label on its way.
#[derive(Debug)]
pub struct Passage<'a> {
    job: &'a LabelJob,
    drawing: Drawing,
    seen: Seen,
    /// The newest job that the printer remembered when last asked.
    newest: Option<String>,
    /// Troubles of one kind, one after the other.
    troubles: (&'static str, u32),
    between_tries: Backoff,
    between_looks: Backoff,
}

impl Books {
    /// Books kept in a worker's outbox.
    #[must_use]
    pub fn new(outbox: Outbox, station: StationId, clock: Clock) -> Self {
        Self {
            journal: Journal::new(outbox.clone()),
            aside: Aside::new(outbox.clone()),
            bell: Bell::new(outbox.clone(), station, clock.clone()),
            outbox,
            station,
            clock,
        }
    }

    /// States facts and keeps notes in one write.
    ///
    /// # Errors
    /// When our own disk cannot be written.
    pub(crate) fn record(
        &self,
        person: Option<PersonId>,
        events: Vec<Event>,
        notes: Vec<Note>,
    ) -> anyhow::Result<()> {
        let now = self.clock.now();
        let draft = |event| Draft {
            occurred_at: now,
            claimed_at: None,
            person,
            event,
        };
        let drafts = events.into_iter().map(draft).collect();
        self.outbox
            .record_with(&self.station, drafts, now, |_| notes)?;
        Ok(())
    }

    /// States one fact and keeps notes that name it, in one write.
    ///
    /// # Errors
    /// When our own disk cannot be written.
    pub(crate) fn record_one(
        &self,
        person: PersonId,
        event: Event,
        notes: impl FnOnce(FactId) -> anyhow::Result<Vec<Note>>,
    ) -> anyhow::Result<()> {
        let now = self.clock.now();
        let draft = Draft {
            occurred_at: now,
            claimed_at: None,
            person: Some(person),
            event,
        };
        let mut kept = Ok(());
        self.outbox
            .record_with(&self.station, vec![draft], now, |facts| {
                let made = facts.first().map(|fact| notes(fact.id)).transpose();
                made.map_or_else(
                    |error| {
                        kept = Err(error);
                        Vec::new()
                    },
                    Option::unwrap_or_default,
                )
            })?;
        kept
    }

    /// What the label of a case said when it was printed last.
    ///
    /// # Errors
    /// When our own disk cannot be read.
    pub(crate) fn case(&self, case: Sscc) -> anyhow::Result<Option<Label>> {
        let kept = self.outbox.note(&case_key(case))?;
        Ok(kept
            .map(|label| serde_json::from_slice(&label))
            .transpose()?)
    }

    /// The cases whose labels were printed here.
    ///
    /// # Errors
    /// When our own disk cannot be read.
    pub(crate) fn cases(&self) -> anyhow::Result<Vec<String>> {
        let kept = self.outbox.notes(CASES.as_bytes());
        let mut cases = Vec::new();
        for note in kept {
            let key = String::from_utf8(note?.0)?;
            cases.extend(key.strip_prefix(CASES).map(str::to_owned));
        }
        Ok(cases)
    }

    pub(crate) fn now(&self) -> chrono::DateTime<chrono::Utc> {
        self.clock.now()
    }

    fn note(&self, job: &LabelJob, noted: &Noted) -> anyhow::Result<()> {
        self.record(None, Vec::new(), vec![Journal::entry(&job.name(), noted)?])
    }

    /// The label is on paper: states so and closes its books.
    ///
    /// # Errors
    /// When our own disk cannot be written.
    pub(crate) fn close_printed(
        &self,
        job: &LabelJob,
        printer: &str,
        person: Option<PersonId>,
        before: Vec<Event>,
    ) -> anyhow::Result<()> {
        let printed: Option<Event> = match &job.label {
            Label::Wheel(wheel) => Some(
                WheelLabelled {
                    wheel: wheel.wheel,
                    cause: job.cause,
                    printer: printer.to_owned(),
                }
                .into(),
            ),
            Label::Case(case) => Some(
                CaseLabelled {
                    case: case.case,
                    cause: job.cause,
                    printer: printer.to_owned(),
                }
                .into(),
            ),
            // Nothing on the floor hangs on a card.
            _ => None,
        };
        let events = before.into_iter().chain(printed).collect();
        // Of a case nobody else remembers what its label said.
        let kept = match &job.label {
            Label::Case(case) => vec![(case_key(case.case), Some(serde_json::to_vec(&job.label)?))],
            _ => Vec::new(),
        };
        self.close(job, person, events, kept)
    }

    /// The label will not be printed: states why and closes its books.
    ///
    /// # Errors
    /// When our own disk cannot be written.
    pub(crate) fn close_dropped(&self, job: &LabelJob, reason: &str) -> anyhow::Result<()> {
        tracing::warn!(label = job.name(), reason, "label not printed");
        let dropped = of(&job.label).map(|of| {
            Event::from(LabelDropped {
                of,
                cause: job.cause,
                reason: reason.to_owned(),
            })
        });
        self.close(job, None, dropped.into_iter().collect(), Vec::new())
    }

    fn close(
        &self,
        job: &LabelJob,
        person: Option<PersonId>,
        events: Vec<Event>,
        mut notes: Vec<Note>,
    ) -> anyhow::Result<()> {
        notes.push(Journal::entry(&job.name(), &Noted::Done)?);
        notes.push(Aside::forgotten(&job.name()));
        self.record(person, events, notes)
    }
}

/// What keys of cases begin with.
const CASES: &str = "case/";

fn case_key(case: Sscc) -> Vec<u8> {
    format!("{CASES}{case}").into_bytes()
}

/// What a label is of, for a fact; nothing for a card.
pub(crate) fn of(label: &Label) -> Option<LabelOf> {
    match label {
        Label::Wheel(wheel) => Some(LabelOf::Wheel(wheel.wheel)),
        Label::Case(case) => Some(LabelOf::Case(case.case)),
        _ => None,
    }
}

/// What an alert about one label is kept under.
pub(crate) fn about(job: &LabelJob) -> String {
    format!("label {}", job.cause)
}

/// What a label is called in an alert.
pub(crate) fn called(label: &Label) -> String {
    of(label).map_or_else(|| label.of(), |of| of.to_string())
}

impl<P: Printer, O: Office> Press<P, O> {
    /// A press for one printer.
    pub const fn new(
        printer: P,
        office: O,
        name: String,
        dpi: Dpi,
        templates: Templates,
        books: Books,
    ) -> Self {
        Self {
            printer,
            office,
            name,
            dpi,
            templates,
            books,
        }
    }

    /// Prints the label unless it was printed before, and records what became of it: printed,
    /// dropped, or set aside for a person. Waits for as long as the printer needs; dropped
    /// half-way, it goes on there the next time.
    ///
    /// # Errors
    /// When our own disk cannot be written. Trouble with the printer is no error: people are
    /// told, and it is tried again.
    pub async fn print(&mut self, job: &LabelJob) -> anyhow::Result<()> {
        if self.books.journal.noted(&job.name())? == Some(Noted::Done) {
            return Ok(());
        }
        match self.take(job) {
            Ok(mut passage) => while self.step(&mut passage).await? {},
            Err(error) => self.refuse(job, &error)?,
        }
        Ok(())
    }

    /// Draws the label.
    ///
    /// # Errors
    /// [`LabelError`] when it cannot be drawn.
    pub fn take<'a>(&self, job: &'a LabelJob) -> Result<Passage<'a>, LabelError> {
        Ok(Passage {
            job,
            drawing: self.templates.draw(job, self.dpi)?,
            seen: Seen::NotAsked,
            newest: None,
            troubles: ("", 0),
            between_tries: Backoff::new(Duration::from_millis(500), Duration::from_secs(15)),
            between_looks: Backoff::new(Duration::from_millis(50), Duration::from_secs(2)),
        })
    }

    /// Does the one next step. `false` when nothing is left to do.
    ///
    /// # Errors
    /// As [`Press::print`].
    pub async fn step(&mut self, passage: &mut Passage<'_>) -> anyhow::Result<bool> {
        let job = passage.job;
        let noted = self.books.journal.noted(&job.name())?;
        match next(noted.as_ref(), passage.seen) {
            Step::Finish => return Ok(false),
            Step::Begin(attempt) => {
                let before = passage.newest.take();
                self.books.note(job, &Noted::Started { attempt, before })?;
                // What the printer has already is watched; anything else has not been sent.
                if !matches!(passage.seen, Seen::Working(_)) {
                    passage.seen = Seen::Absent;
                }
            }
            Step::Note(noted) => {
                if noted != Noted::Printed {
                    passage.seen = Seen::NotAsked;
                }
                self.books.note(job, &noted)?;
            }
            Step::SetAside(attempt) => self.set_aside(job, attempt)?,
            Step::Record => {
                self.books
                    .close_printed(job, &self.name, None, Vec::new())?;
                tracing::info!(label = job.name(), printer = self.name, "label printed");
            }
            Step::Ask => {
                let (name, before) = attempt(job, noted.as_ref());
                match self.printer.find(&name, before.as_deref()).await {
                    Ok(found) => {
                        (passage.seen, passage.newest) = (found.seen, found.newest);
                        self.answers(passage)?;
                    }
                    Err(trouble) => self.trouble(passage, &trouble).await?,
                }
            }
            Step::Send => {
                if let Some(reason) = self.office.unwanted(job).await {
                    self.books.close_dropped(job, &reason)?;
                    return Ok(true);
                }
                let (name, _) = attempt(job, noted.as_ref());
                match self.printer.send(&name, &passage.drawing).await {
                    Ok(seen) => self.goes_on(passage, seen).await?,
                    Err(trouble) => {
                        if trouble.may_have_arrived() {
                            passage.seen = Seen::NotAsked;
                        }
                        self.trouble(passage, &trouble).await?;
                    }
                }
            }
            Step::Watch(number) => {
                passage.between_looks.wait().await;
                match self.printer.watch(number).await {
                    Ok(seen) => self.goes_on(passage, seen).await?,
                    Err(trouble) => self.trouble(passage, &trouble).await?,
                }
            }
        }
        Ok(true)
    }

    /// The printer has the label and says how it goes.
    async fn goes_on(&mut self, passage: &mut Passage<'_>, seen: Seen) -> anyhow::Result<()> {
        passage.seen = seen;
        if matches!(seen, Seen::GaveUp | Seen::Broken) {
            let why = "see the printer".to_owned();
            return self.trouble(passage, &Trouble::GaveUp(why)).await;
        }
        if matches!(seen, Seen::Working(_) | Seen::Printed) {
            passage.troubles = ("", 0);
            let gave_up = Trouble::GaveUp(String::new()).kind();
            let told = self.books.bell.open(&self.name)?;
            // That a label was taken does not yet mean that it is not given up again.
            if seen == Seen::Printed || told.is_some_and(|open| open.kind != gave_up) {
                self.works_again()?;
            }
        }
        Ok(())
    }

    /// The printer answers again; whether it prints is another matter.
    fn answers(&self, passage: &mut Passage<'_>) -> anyhow::Result<()> {
        let silent = "silent";
        if passage.troubles.0 == silent {
            passage.troubles = ("", 0);
        }
        if self
            .books
            .bell
            .open(&self.name)?
            .is_some_and(|open| open.kind == silent)
        {
            self.works_again()?;
        }
        Ok(())
    }

    fn works_again(&self) -> anyhow::Result<()> {
        let text = format!("the label printer {:?} works again", self.name);
        self.books.bell.clear(&self.name, &text)
    }

    /// Tells people when it is worth it, and waits a little.
    async fn trouble(
        &mut self,
        passage: &mut Passage<'_>,
        trouble: &Trouble,
    ) -> anyhow::Result<()> {
        let (kind, times) = &mut passage.troubles;
        if *kind != trouble.kind() {
            (*kind, *times) = (trouble.kind(), 0);
        }
        *times += 1;
        if *times >= trouble.worth_telling_after() {
            let text = format!(
                "the label printer {:?} {trouble}. Labels wait, none is lost",
                self.name
            );
            self.books.bell.raise(&self.name, trouble.kind(), &text)?;
        } else {
            tracing::debug!(printer = self.name, %trouble, "label waits");
        }
        passage.between_tries.wait().await;
        Ok(())
    }

    /// Nobody can tell whether it came out: a person is asked, and the others go on.
    fn set_aside(&self, job: &LabelJob, attempt: u32) -> anyhow::Result<()> {
        let set_aside = SetAside {
            job: job.clone(),
            printer: self.name.clone(),
            since: self.books.now(),
            again: false,
        };
        let notes = vec![
            Journal::entry(&job.name(), &Noted::Aside { attempt })?,
            Aside::entry(&set_aside)?,
        ];
        self.books.record(None, Vec::new(), notes)?;
        self.ask_a_person(&set_aside)
    }

    /// Asks about a label set aside, unless it was asked before.
    ///
    /// # Errors
    /// When our own disk cannot be written.
    pub fn ask_a_person(&self, set_aside: &SetAside) -> anyhow::Result<()> {
        let job = &set_aside.job;
        let what = called(&job.label);
        let text = format!(
            "did the label of {what} come out of {:?}? Nothing here can tell. Look at the \
             printer, then say it: wheelward label answer {} printed, or not-printed to print \
             it now",
            set_aside.printer,
            job.label.of(),
        );
        self.books.bell.raise(&about(job), "in-doubt", &text)
    }

    /// A label that cannot be drawn: people are told what to do, and the next one is printed.
    fn refuse(&self, job: &LabelJob, error: &LabelError) -> anyhow::Result<()> {
        let what = called(&job.label);
        let text = format!(
            "the label of {what} cannot be printed: {error}. Then print it: wheelward label \
             reprint {} --because corrected --badge YOURS",
            job.label.of()
        );
        self.books.bell.raise(&about(job), "refused", &text)?;
        self.books.close_dropped(job, &error.to_string())
    }
}

/// The job name of the attempt under way, or of the one to come, and what the printer
/// remembered before it.
fn attempt(job: &LabelJob, noted: Option<&Noted>) -> (String, Option<String>) {
    let (attempt, before) = match noted {
        Some(Noted::Started { attempt, before }) => (*attempt, before.clone()),
        Some(Noted::Free { attempt }) => (attempt + 1, None),
        _ => (1, None),
    };
    let name = match attempt {
        1 => job.name(),
        again => format!("{}-{again}", job.name()),
    };
    (name, before)
}
