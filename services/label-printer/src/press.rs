//! One label at a time, from job to paper to fact.

use std::mem::{Discriminant, discriminant};
use std::time::Duration;

use anyhow::Context as _;
use bus::retry::Backoff;
use bus::{Clock, Outbox};
use facts::{Draft, Event, StationId, WheelLabelled};
use labels::{Dpi, LabelJob, WheelLabel};

use crate::NAME;
use crate::journal::{Journal, Noted, Seen, Step, next};
use crate::printer::{Printer, Trouble};

/// How often a printer may take a label and know nothing of it afterwards, before we
/// believe that it prints without keeping count. It bounds the labels of one wheel.
const FORGOTTEN: u32 = 3;

/// A printer with its journal, and the outbox for what it printed.
#[derive(Debug)]
pub struct Press<P> {
    printer: P,
    dpi: Dpi,
    journal: Journal,
    /// Where the facts go.
    outbox: Outbox,
    station: StationId,
    clock: Clock,
    /// What a person has been told is wrong with the printer.
    told: Option<Discriminant<Trouble>>,
}

/// One label on its way.
#[derive(Debug)]
pub struct Passage<'a> {
    job: &'a LabelJob,
    /// The print job's name, by which the printer is asked: wheel and cause.
    name: String,
    png: Vec<u8>,
    seen: Seen,
    /// An earlier run began it.
    resumed: bool,
    /// An earlier run may have printed it.
    in_doubt: bool,
    /// How often the printer has said yes to it in this run.
    taken: u32,
    between_tries: Backoff,
    between_looks: Backoff,
}

impl<P: Printer> Press<P> {
    /// A press that keeps its journal beside the outbox and states its facts there.
    ///
    /// # Errors
    /// When our own disk cannot be read.
    pub fn new(printer: P, dpi: Dpi, outbox: Outbox, clock: Clock) -> anyhow::Result<Self> {
        Ok(Self {
            printer,
            dpi,
            journal: Journal::new(outbox.tree("printed")?),
            outbox,
            station: StationId::new(NAME)?,
            clock,
            told: None,
        })
    }

    /// Prints the label unless it was printed before, and records it. Waits for as long
    /// as the printer needs; dropped half-way, it goes on there the next time.
    ///
    /// # Errors
    /// When the label cannot be drawn or our own disk cannot be written. Trouble with
    /// the printer is no error: it is told and tried again.
    pub async fn print(&mut self, job: &LabelJob) -> anyhow::Result<()> {
        let mut passage = self.take(job)?;
        while self.step(&mut passage).await? {}
        Ok(())
    }

    /// Draws the label and looks up how far it has come.
    ///
    /// # Errors
    /// As [`Press::print`].
    pub fn take<'a>(&self, job: &'a LabelJob) -> anyhow::Result<Passage<'a>> {
        let png = WheelLabel::new(job, self.dpi)
            .and_then(|label| label.png())
            .with_context(|| format!("drawing the label of wheel {}", job.wheel))?;
        let noted = self.journal.noted(job.cause)?;
        Ok(Passage {
            job,
            name: format!("{}-{}", job.wheel, job.cause),
            png,
            seen: Seen::NotAsked,
            resumed: noted.is_some(),
            in_doubt: noted == Some(Noted::Started),
            taken: 0,
            between_tries: Backoff::new(Duration::from_millis(500), Duration::from_secs(15)),
            between_looks: Backoff::new(Duration::from_millis(50), Duration::from_secs(2)),
        })
    }

    /// Does the one next step. `false` when nothing is left to do.
    ///
    /// # Errors
    /// As [`Press::print`].
    pub async fn step(&mut self, passage: &mut Passage<'_>) -> anyhow::Result<bool> {
        let cause = passage.job.cause;
        let step = next(self.journal.noted(cause)?, passage.seen);
        let answer = match step {
            Step::Finish => return Ok(false),
            Step::Note(noted) => {
                self.journal.note(cause, noted)?;
                return Ok(true);
            }
            Step::Record => {
                self.record(passage)?;
                self.journal.note(cause, Noted::Recorded)?;
                return Ok(true);
            }
            Step::Ask => self.printer.find(&passage.name).await,
            Step::Send => self.send(passage).await,
            Step::Watch(number) => {
                passage.between_looks.wait().await;
                self.printer.watch(number).await
            }
        };
        let trouble = match answer {
            Ok(seen) => {
                passage.seen = seen;
                if seen != Seen::Failed {
                    self.all_is_well();
                    return Ok(true);
                }
                Trouble::GaveUp
            }
            Err(trouble) => {
                // A job that is being watched is still there. Anything else may or may
                // not have arrived: the next step asks again.
                if !matches!(step, Step::Watch(_)) {
                    passage.seen = Seen::NotAsked;
                }
                trouble
            }
        };
        self.tell(&trouble);
        passage.between_tries.wait().await;
        Ok(true)
    }

    async fn send(&self, passage: &mut Passage<'_>) -> Result<Seen, Trouble> {
        let (wheel, printer) = (passage.job.wheel, self.printer.name());
        if passage.taken == FORGOTTEN {
            tracing::warn!(
                %wheel, printer,
                "the printer took this wheel's label {FORGOTTEN} times and knows of none: it \
                 counts as printed. Keep one label, destroy the others; if none came out, \
                 check the printer"
            );
            return Ok(Seen::Printed);
        }
        if passage.in_doubt || passage.taken > 0 {
            tracing::warn!(
                %wheel, printer,
                "this wheel's label is sent again, because the printer does not know whether \
                 it was printed: if two come out, destroy one"
            );
            passage.in_doubt = false;
        }
        let seen = self
            .printer
            .send(&passage.name, passage.png.clone())
            .await?;
        passage.taken += 1;
        Ok(seen)
    }

    /// States that the label is on paper. The fact and the note that follows are two
    /// writes: a run that starts between them looks whether the fact is there.
    fn record(&self, passage: &Passage<'_>) -> anyhow::Result<()> {
        let job = passage.job;
        if passage.resumed && self.is_stated(job)? {
            return Ok(());
        }
        let now = self.clock.now();
        let draft = Draft {
            occurred_at: now,
            person: None,
            event: Event::WheelLabelled(WheelLabelled {
                wheel: job.wheel,
                cause: job.cause,
                printer: self.printer.name().to_owned(),
            }),
        };
        self.outbox.record(&self.station, vec![draft], now)?;
        tracing::info!(wheel = %job.wheel, fact_id = %job.cause, "label printed");
        Ok(())
    }

    fn is_stated(&self, job: &LabelJob) -> anyhow::Result<bool> {
        let of_this_cause = |event: &Event| match event {
            Event::WheelLabelled(labelled) => labelled.cause == job.cause,
            _ => false,
        };
        let kept = self.outbox.kept()?;
        Ok(kept.iter().any(|fact| of_this_cause(&fact.event)))
    }

    /// One warning a situation, however often it is tried.
    fn tell(&mut self, trouble: &Trouble) {
        let situation = Some(discriminant(trouble));
        if *trouble == Trouble::Busy || self.told == situation {
            tracing::debug!(printer = self.printer.name(), %trouble, "label waits");
            return;
        }
        self.told = situation;
        tracing::warn!(
            "the label printer {} {trouble}. Labels wait, none is lost",
            self.printer.name()
        );
    }

    fn all_is_well(&mut self) {
        if self.told.take().is_some() {
            tracing::info!("the label printer {} works again", self.printer.name());
        }
    }
}
