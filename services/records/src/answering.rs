//! Answers questions about records.

use bus::{Bus, BusError, Question};
use chrono::{DateTime, TimeDelta, Utc};
use facts::Scope;
use serde::{Deserialize, Serialize};
use trace::{Recall, Settings};

use crate::keeper::Keeper;
use crate::papers::{self, Desk, PapersQuery};
use crate::standing::{self, HeldQuery, HoldsQuery};

/// The questions that this worker answers.
pub(crate) const QUESTIONS: &[&str] = &["recall", "holds", "held", "papers", "records"];

/// Wheels in one answer: the broker carries 1 MB a message.
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

pub(crate) async fn answer(
    keeper: &mut Keeper,
    desk: Option<&Desk>,
    bus: &Bus,
    now: DateTime<Utc>,
    question: Question,
) {
    let name = question.name.clone();
    if let Err(error) = respond(keeper, desk, bus, now, question).await {
        tracing::warn!(question = name, %error, "a question got no answer");
    }
}

async fn respond(
    keeper: &mut Keeper,
    desk: Option<&Desk>,
    bus: &Bus,
    now: DateTime<Utc>,
    question: Question,
) -> Result<(), BusError> {
    match question.name.as_str() {
        "recall" => match question.read::<RecallQuery>() {
            Ok(query) => {
                let settings = Settings {
                    sideways: query.sideways,
                    lost_after: TimeDelta::days(query.lost_after_days.into()),
                    ..Settings::default()
                };
                let mut recall = keeper.trace().recall(&query.about, &settings, now);
                let left_out = recall.wheels.len().saturating_sub(MOST_WHEELS);
                recall.wheels.truncate(MOST_WHEELS);
                question.answer(&RecallAnswer { recall, left_out }).await
            }
            Err(error) => question.refuse(&error.to_string()).await,
        },
        "holds" => match question.read::<Option<HoldsQuery>>() {
            Ok(query) => {
                let standing = keeper.standing_holds();
                let query = query.unwrap_or_default();
                let page = standing::page(&standing, keeper.rule().rights(), query);
                question.answer(&page).await
            }
            Err(error) => question.refuse(&error.to_string()).await,
        },
        "held" => match question.read::<HeldQuery>() {
            Ok(query) => {
                let held = standing::held(&keeper.standing_holds(), query);
                question.answer(&held).await
            }
            Err(error) => question.refuse(&error.to_string()).await,
        },
        "papers" => match (question.read::<PapersQuery>(), desk) {
            (Ok(query), Some(desk)) => match papers::write(keeper, desk, bus, now, &query).await {
                Ok(file) => question.answer(&file).await,
                Err(error) => question.refuse(&format!("{error:#}")).await,
            },
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
