//! Answers questions from the folded floor.

use bus::{BusError, Question};
use chrono::{DateTime, Utc};
use facts::{BatchId, WheelId};
use ripening::answer::{self, DueQuery};
use serde::{Deserialize, Serialize};
use site::Site;

use crate::Fold;

/// The questions that a scheduler answers.
pub const QUESTIONS: &[&str] = &[
    "standing", "due", "floor", "census", "wheel", "batch", "label",
];

/// How many rows of a census one answer holds: the broker carries 1 MB a message.
const CENSUS_ROWS: usize = 1_000;

/// Where the scheduler stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// Number of the last message folded.
    pub seq: u64,
    /// The instant of the latest refresh; none before the first.
    pub now: Option<DateTime<Utc>>,
    /// Whether it has caught up with the log.
    pub live: bool,
}

/// Which part of a census.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CensusQuery {
    /// Only wheels after this one.
    pub after: Option<WheelId>,
}

pub(crate) async fn answer(fold: &Fold, site: &Site, question: Question) {
    let name = question.name.clone();
    if let Err(error) = respond(fold, site, question).await {
        tracing::warn!(question = name, %error, "a question got no answer");
    }
}

async fn respond(fold: &Fold, site: &Site, question: Question) -> Result<(), BusError> {
    if question.name == "standing" {
        let standing = Standing {
            seq: fold.seq(),
            now: fold.now(),
            live: fold.is_live(),
        };
        return question.answer(&standing).await;
    }
    let Some(floor) = fold.floor() else {
        return question.still_reading(fold.seq(), fold.end()).await;
    };
    match question.name.as_str() {
        "due" => match question.read::<DueQuery>() {
            Ok(query) => question.answer(&answer::due(floor, &query)).await,
            Err(error) => question.refuse(&error.to_string()).await,
        },
        "floor" => {
            let rooms: Vec<_> = site
                .rooms
                .iter()
                .map(|room| (room.id, room.name.clone()))
                .collect();
            question.answer(&answer::floor(floor, &rooms)).await
        }
        "census" => match question.read::<CensusQuery>() {
            Ok(query) => {
                let mut rows = answer::census(floor);
                rows.retain(|row| query.after.is_none_or(|after| row.wheel > after));
                rows.truncate(CENSUS_ROWS);
                question.answer(&rows).await
            }
            Err(error) => question.refuse(&error.to_string()).await,
        },
        "wheel" => match question.read::<WheelId>() {
            Ok(id) => match answer::wheel(floor, id) {
                Some(life) => question.answer(&life).await,
                None => {
                    question
                        .refuse(&format!(
                            "no fact speaks of wheel {id}: check the serial on its card"
                        ))
                        .await
                }
            },
            Err(error) => question.refuse(&error.to_string()).await,
        },
        "label" => match question.read::<WheelId>() {
            Ok(id) => match fold.label_now(floor, id) {
                Some(label) => question.answer(&label).await,
                None => {
                    question
                        .refuse(&format!(
                            "wheel {id} was never portioned here: check the serial"
                        ))
                        .await
                }
            },
            Err(error) => question.refuse(&error.to_string()).await,
        },
        "batch" => match question.read::<BatchId>() {
            Ok(id) => match answer::batch(floor, id) {
                Some(batch) => question.answer(&batch).await,
                None => {
                    question
                        .refuse(&format!("no fact speaks of batch {id}: check the number"))
                        .await
                }
            },
            Err(error) => question.refuse(&error.to_string()).await,
        },
        other => {
            let sentence = format!("{other:?} is not a question for the scheduler");
            question.refuse(&sentence).await
        }
    }
}
