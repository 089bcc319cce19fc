//! Answers questions about records.

use bus::{Bus, BusError, Question, Refusal};
use chrono::{DateTime, TimeDelta, Utc};
use facts::{ControlId, Scope};
use names::{Kind, Known, UnknownName};
use serde::{Deserialize, Serialize};
use trace::{NoRecall, Recall, Settings};

use crate::keeper::Keeper;
use crate::papers::{self, Desk, PapersQuery};

/// The questions that this worker answers.
pub const QUESTIONS: &[&str] = &["recall", "holds", "papers", "records", KNOWN, CHECK_NAMED];

/// The question whether the dairy's plan has a check; the answer is its code, as the plan
/// writes it.
pub const CHECK_NAMED: &str = "check-named";

/// The question whether there is what a hold would be over; the answer is [`InScope`].
pub const KNOWN: &str = "known";

/// Wheels in one answer, where not every wheel is wanted: a page is not the better for more.
const MOST_WHEELS: usize = 1_500;

const NO_PAPERS: &str = "the site file names no papers file: write `papers = \"…\"` under [safety], starting from deploy/demo/larkholm-papers.toml";

/// What is to be traced.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecallQuery {
    /// What.
    pub about: Scope,
    /// Whether contact is traced as well.
    pub sideways: bool,
    /// A wheel not seen for so many days is not accounted for.
    pub lost_after_days: u16,
    /// Whether every wheel is wanted, however many there are.
    #[serde(default)]
    pub every_wheel: bool,
}

/// What a hold would be over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct InScope {
    /// The same, as its code was first written.
    pub scope: Scope,
    /// How many wheels are in it now.
    pub wheels: usize,
}

/// A recall, as far as one message carries.
#[derive(Debug, Clone, Serialize)]
pub struct RecallAnswer {
    /// The recall; its last wheels may be left out.
    pub recall: Recall,
    /// How many wheels were left out. They are in the sums all the same.
    pub left_out: usize,
}

/// Where the records stand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RecordsStanding {
    /// Number of the last message written down.
    pub seq: u64,
    /// Records in the ledger.
    pub count: u64,
    /// The last of them that is sealed.
    pub sealed: u64,
    /// The site's public key.
    pub public_key: String,
    /// What was not as it was written down when the log was read again.
    pub findings: Vec<String>,
}

fn recall(
    keeper: &mut Keeper,
    site: &Known,
    query: &RecallQuery,
    now: DateTime<Utc>,
) -> Result<RecallAnswer, Refusal> {
    let settings = Settings {
        sideways: query.sideways,
        lost_after: TimeDelta::days(query.lost_after_days.into()),
        ..Settings::default()
    };
    let trace = keeper.trace();
    let recall = trace.recall_of(&query.about, site, &settings, now);
    let mut recall = believed(keeper, recall.map_err(untold))?;
    let most = if query.every_wheel {
        usize::MAX
    } else {
        MOST_WHEELS
    };
    let left_out = recall.wheels.len().saturating_sub(most);
    recall.wheels.truncate(most);
    Ok(RecallAnswer { recall, left_out })
}

fn check_named(keeper: &Keeper, id: ControlId) -> Result<ControlId, UnknownName> {
    let controls = keeper.plan().into_iter().flat_map(|plan| &plan.controls);
    let codes: Vec<ControlId> = controls.map(|control| control.id).collect();
    let found = codes.iter().find(|code| **code == id);
    found.copied().ok_or_else(|| {
        let codes = codes.iter().map(ControlId::as_str);
        UnknownName::among(Kind::Check, id, codes)
    })
}

fn untold(none: NoRecall) -> Refusal {
    match none {
        NoRecall::Unknown(name) => name.into(),
        other @ NoRecall::NotBegun { .. } => other.to_string().into(),
    }
}

/// An answer, unless something that it rests on did not read.
fn believed<T>(keeper: &Keeper, answer: Result<T, Refusal>) -> Result<T, Refusal> {
    match keeper.sound() {
        Ok(()) => answer,
        Err(error) => Err(error.to_string().into()),
    }
}

/// What keeps a paper from being written, for the person who asked.
fn refusal(error: anyhow::Error) -> Refusal {
    match error.downcast::<NoRecall>() {
        Ok(none) => untold(none),
        Err(error) => format!("{error:#}").into(),
    }
}

/// `site`: rooms and tools that the site file names.
pub(crate) async fn answer(
    keeper: &mut Keeper,
    desk: Option<&Desk>,
    (bus, site): (&Bus, &Known),
    now: DateTime<Utc>,
    question: Question,
) {
    let name = question.name.clone();
    if let Err(error) = respond(keeper, desk, (bus, site), now, question).await {
        tracing::warn!(question = name, %error, "a question got no answer");
    }
}

async fn respond(
    keeper: &mut Keeper,
    desk: Option<&Desk>,
    (bus, site): (&Bus, &Known),
    now: DateTime<Utc>,
    question: Question,
) -> Result<(), BusError> {
    match question.name.as_str() {
        "recall" => {
            let query = question.read::<RecallQuery>().map_err(Refusal::from);
            let answer = query.and_then(|query| recall(keeper, site, &query, now));
            question.reply(answer).await
        }
        KNOWN => {
            let scope = question.read::<Scope>().map_err(Refusal::from);
            let known = scope.and_then(|scope| {
                let trace = keeper.trace();
                let scope = trace.known(&scope, site)?;
                let wheels = trace.wheels_in(&scope);
                Ok(InScope { scope, wheels })
            });
            question.reply(believed(keeper, known)).await
        }
        "holds" => {
            let holds = keeper.standing_holds();
            question.reply(believed(keeper, Ok(holds))).await
        }
        CHECK_NAMED => {
            let id = question.read::<ControlId>().map_err(Refusal::from);
            let found = id.and_then(|id| Ok(check_named(keeper, id)?));
            question.reply(found).await
        }
        "papers" => match (question.read::<PapersQuery>(), desk) {
            (Ok(query), Some(desk)) => {
                let file = papers::write(keeper, desk, (bus, site), now, &query).await;
                let file = believed(keeper, file.map_err(refusal));
                question.reply(file).await
            }
            (Ok(_), None) => question.refuse(NO_PAPERS).await,
            (Err(error), _) => question.refuse(&error.to_string()).await,
        },
        "records" => {
            let standing = keeper.standing();
            question.answer(&standing).await
        }
        other => {
            let sentence = format!("{other:?} is not a question about records");
            question.refuse(&sentence).await
        }
    }
}
