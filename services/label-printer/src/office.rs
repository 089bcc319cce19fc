//! Whom the printer asks, and who asks the printer: the scheduler, and people.

use std::sync::Arc;

use bus::{Bus, BusError, Question, Refusal, Shutdown};
use chrono::{DateTime, Utc};
use facts::{BatchId, FactId, LabelAnswered, LabelWantedAgain, PersonId, SiteId, Sscc, WheelId};
use labels::{Label, LabelJob};
use names::{Kind, UnknownName};
use serde::{Deserialize, Serialize};
use tokio::sync::Notify;

use crate::aside::{Aside, SetAside};
use crate::bell::Open;
use crate::journal::{Journal, Noted};
use crate::press::{Books, about, called, of};

/// Who knows whether a label is still wanted.
pub trait Office {
    /// Why a label is no longer wanted; nothing while it is, or when nobody can say.
    fn unwanted(&self, job: &LabelJob) -> impl Future<Output = Option<String>> + Send;
}

/// The scheduler, over the bus.
#[derive(Debug, Clone)]
pub struct Scheduler {
    bus: Bus,
    site: SiteId,
}

/// As much as we need of the scheduler's answers.
#[derive(Deserialize)]
struct Life {
    wheel: Row,
}

#[derive(Deserialize)]
struct Row {
    batch: Option<BatchId>,
    discarded: bool,
}

#[derive(Deserialize)]
struct LabelNow {
    label: Label,
    labelled: bool,
}

#[derive(Deserialize)]
struct Standing {
    live: bool,
}

impl Scheduler {
    /// The scheduler of a site.
    #[must_use]
    pub const fn new(bus: Bus, site: SiteId) -> Self {
        Self { bus, site }
    }
}

impl Office for Scheduler {
    async fn unwanted(&self, job: &LabelJob) -> Option<String> {
        let Label::Wheel(label) = &job.label else {
            return None;
        };
        // While it folds again it does not know every wheel yet.
        let standing: Standing = self.bus.ask(&self.site, "standing", &()).await.ok()?;
        if !standing.live {
            return None;
        }
        let life: Life = self.bus.ask(&self.site, "wheel", &label.wheel).await.ok()?;
        if life.wheel.batch.is_none() {
            Some("its portioning was taken back before the label was printed".to_owned())
        } else if life.wheel.discarded {
            Some("it was thrown away before the label was printed".to_owned())
        } else {
            None
        }
    }
}

/// The questions that a label printer answers.
pub const QUESTIONS: &[&str] = &["label.queue", "label.answer", "label.reprint"];

/// `label.answer`: a person says whether a label came out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Answered {
    /// The wheel or case on the label, or the id of the fact that asked for it.
    pub label: String,
    /// Whether it came out.
    pub printed: bool,
    /// Who says so.
    pub person: Option<PersonId>,
}

/// `label.reprint`: a person wants a label again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WantedAgain {
    /// The wheel, or the case's 18 digits.
    pub label: String,
    /// Why.
    pub reason: String,
    /// Who wants it.
    pub person: PersonId,
}

/// The answer to `label.queue`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Queue {
    /// The printers, with what is wrong with them.
    pub printers: Vec<PrinterLine>,
    /// Labels that a person is asked about.
    pub in_doubt: Vec<InDoubt>,
}

/// One printer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PrinterLine {
    /// What people call it.
    pub name: String,
    /// The kinds of label that it prints.
    pub prints: Vec<labels::Kind>,
    /// What people were told is wrong with it.
    pub trouble: Option<Open>,
}

/// One label that a person is asked about.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InDoubt {
    /// What it is of.
    pub label: String,
    /// The fact that asked for it.
    pub cause: FactId,
    /// The printer it was sent to.
    pub printer: String,
    /// Since when.
    pub since: DateTime<Utc>,
}

/// Answers people.
pub(crate) struct Counter {
    pub bus: Bus,
    pub site: SiteId,
    pub books: Books,
    pub printers: Vec<(String, Vec<labels::Kind>)>,
    /// Rings when a label is to be printed again.
    pub again: Arc<Notify>,
}

impl Counter {
    /// Answers until asked to stop.
    ///
    /// # Errors
    /// When our own disk cannot be written.
    pub async fn serve(&self, shutdown: &Shutdown) -> anyhow::Result<()> {
        let mut questions = tokio::select! {
            questions = self.bus.questions(&self.site, QUESTIONS) => questions?,
            () = shutdown.requested() => return Ok(()),
        };
        loop {
            let question = tokio::select! {
                question = questions.next() => question,
                () = shutdown.requested() => None,
            };
            let Some(question) = question else {
                return Ok(());
            };
            let name = question.name.clone();
            if let Err(error) = self.answer(question).await? {
                tracing::warn!(question = name, %error, "a question got no answer");
            }
        }
    }

    async fn answer(&self, question: Question) -> anyhow::Result<Result<(), BusError>> {
        let answer = match question.name.as_str() {
            "label.queue" => return Ok(question.answer(&self.queue()?).await),
            "label.answer" => match question.read::<Answered>() {
                Ok(answered) => self.answered(&answered)?,
                Err(error) => Err(error.into()),
            },
            "label.reprint" => match question.read::<WantedAgain>() {
                Ok(wanted) => self.reprint(&wanted).await?,
                Err(error) => Err(error.into()),
            },
            other => Err(format!("{other:?} is not a question for the label printer").into()),
        };
        Ok(question.reply(answer).await)
    }

    fn queue(&self) -> anyhow::Result<Queue> {
        let printers = self.printers.iter().map(|(name, prints)| {
            Ok(PrinterLine {
                name: name.clone(),
                prints: prints.clone(),
                trouble: self.books.bell.open(name)?,
            })
        });
        let all = self.books.aside.all()?;
        let in_doubt = all
            .into_iter()
            .filter(|label| !label.again)
            .map(|label| InDoubt {
                label: label.job.label.of(),
                cause: label.job.cause,
                printer: label.printer,
                since: label.since,
            });
        Ok(Queue {
            printers: printers.collect::<anyhow::Result<_>>()?,
            in_doubt: in_doubt.collect(),
        })
    }

    /// Takes a person's answer: a fact, and what follows from it, in one write.
    fn answered(&self, answered: &Answered) -> anyhow::Result<Result<String, Refusal>> {
        let waiting = self.books.aside.all()?;
        let meant = |label: &&SetAside| {
            !label.again
                && (label.job.label.of().eq_ignore_ascii_case(&answered.label)
                    || label.job.cause.to_string() == answered.label)
        };
        let meant: Vec<&SetAside> = waiting.iter().filter(meant).collect();
        let [label] = meant[..] else {
            return Ok(Err(if meant.is_empty() {
                let waiting = waiting.iter().filter(|label| !label.again);
                let codes = waiting.map(|label| label.job.label.of());
                UnknownName::among(Kind::Label, &answered.label, codes).into()
            } else {
                let causes: Vec<_> = meant.iter().map(|l| l.job.cause.to_string()).collect();
                let words = format!(
                    "{} labels of {} wait for an answer: name the one meant by its id, {}",
                    meant.len(),
                    answered.label,
                    causes.join(" or ")
                );
                words.into()
            }));
        };
        let job = &label.job;
        let said = of(&job.label).map(|of| {
            LabelAnswered {
                of,
                cause: job.cause,
                printed: answered.printed,
            }
            .into()
        });
        let what = called(&job.label);
        let sentence = if answered.printed {
            let said = said.into_iter().collect();
            self.books
                .close_printed(job, &label.printer, answered.person, said)?;
            format!("the label of {what} counts as printed")
        } else {
            let attempt = match self.books.journal.noted(&job.name())? {
                Some(Noted::Aside { attempt }) => attempt,
                _ => 0,
            };
            let again = SetAside {
                again: true,
                ..label.clone()
            };
            let notes = vec![
                Journal::entry(&job.name(), &Noted::Free { attempt })?,
                Aside::entry(&again)?,
            ];
            self.books
                .record(answered.person, said.into_iter().collect(), notes)?;
            self.again.notify_waiters();
            format!("the label of {what} is printed now")
        };
        self.books.bell.clear(&about(job), &sentence)?;
        Ok(Ok(sentence))
    }

    /// States that a person wants a label again, and keeps it to be printed, in one write.
    async fn reprint(&self, wanted: &WantedAgain) -> anyhow::Result<Result<String, Refusal>> {
        let reason = wanted.reason.trim();
        if reason.is_empty() {
            return Ok(Err(
                "say why the label is printed again: --because TEXT".into()
            ));
        }
        let (label, copy) = match self.label_of(&wanted.label).await? {
            Ok(found) => found,
            Err(refusal) => return Ok(Err(refusal)),
        };
        let kind = label.kind();
        let printer = self
            .printers
            .iter()
            .find(|(_, prints)| prints.contains(&kind));
        let (Some((printer, _)), Some(of)) = (printer, of(&label)) else {
            let words = format!("no printer in the site file prints {kind} labels");
            return Ok(Err(words.into()));
        };
        let event = LabelWantedAgain {
            of,
            reason: reason.to_owned(),
        };
        let now = self.books.now();
        self.books
            .record_one(wanted.person, event.into(), |cause| {
                let again = SetAside {
                    job: LabelJob { cause, copy, label },
                    printer: printer.clone(),
                    since: now,
                    again: true,
                };
                Ok(vec![Aside::entry(&again)?])
            })?;
        self.again.notify_waiters();
        let says = if copy { " and says COPY" } else { "" };
        Ok(Ok(format!(
            "the label of {of} is printed by {printer:?}{says}"
        )))
    }

    /// What a label says now, and whether it was printed before.
    async fn label_of(&self, label: &str) -> anyhow::Result<Result<(Label, bool), Refusal>> {
        if label.len() == 18 && label.bytes().all(|b| b.is_ascii_digit()) {
            let case = match label.parse::<Sscc>() {
                Ok(case) => case,
                Err(error) => return Ok(Err(error.to_string().into())),
            };
            return Ok(match self.books.case(case)? {
                Some(label) => Ok((label, true)),
                None => {
                    let printed = self.books.cases()?;
                    Err(UnknownName::among(Kind::Case, case, printed).into())
                }
            });
        }
        let wheel = match WheelId::new(label) {
            Ok(wheel) => wheel,
            Err(error) => return Ok(Err(error.to_string().into())),
        };
        let now: Result<LabelNow, _> = self.bus.ask(&self.site, "label", &wheel).await;
        Ok(match now {
            Ok(now) => Ok((now.label, now.labelled)),
            Err(error) => Err(error.into()),
        })
    }
}
