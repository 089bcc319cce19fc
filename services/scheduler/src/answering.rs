//! Answers questions from the folded floor.

use bus::{BusError, Question, Refusal};
use chrono::{DateTime, Utc};
use facts::{BatchId, WheelId};
use names::UnknownName;
use ripening::Floor;
use ripening::answer::{self, Due, DueQuery};
use serde::{Deserialize, Serialize};
use site::Site;

use crate::Fold;

/// The questions that a scheduler answers.
pub const QUESTIONS: &[&str] = &[
    "standing", "due", "floor", "census", "wheel", "batch", "label",
];

/// How many rows of a census one answer holds.
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

/// What is due; of a room that there is, where one is named.
fn due_of(floor: &Floor, site: &Site, query: DueQuery) -> Result<Due, UnknownName> {
    let own: Vec<_> = site.rooms.iter().map(|room| room.id).collect();
    let room = query.room.map(|id| answer::room_named(floor, &own, id));
    let query = DueQuery {
        room: room.transpose()?,
        ..query
    };
    Ok(answer::due(floor, &query))
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
        "due" => {
            let due = question.read::<DueQuery>().map_err(Refusal::from);
            let due = due.and_then(|query| Ok(due_of(floor, site, query)?));
            question.reply(due).await
        }
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
                let rows = answer::census_after(floor, query.after, CENSUS_ROWS);
                question.answer(&rows).await
            }
            Err(error) => question.refuse(&error.to_string()).await,
        },
        "wheel" => {
            let id = question.read::<WheelId>().map_err(Refusal::from);
            let life = id.and_then(|id| Ok(answer::wheel(floor, id)?));
            question.reply(life).await
        }
        "label" => {
            let id = question.read::<WheelId>().map_err(Refusal::from);
            let label = id.and_then(|id| {
                let (id, _) = answer::wheel_named(floor, id)?;
                let label = fold.label_now(floor, id);
                label.ok_or_else(|| {
                    format!("wheel {id} was never portioned here: it has no label").into()
                })
            });
            question.reply(label).await
        }
        "batch" => {
            let id = question.read::<BatchId>().map_err(Refusal::from);
            let batch = id.and_then(|id| Ok(answer::batch(floor, id)?));
            question.reply(batch).await
        }
        other => {
            let sentence = format!("{other:?} is not a question for the scheduler");
            question.refuse(&sentence).await
        }
    }
}
