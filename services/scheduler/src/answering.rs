//! Answers questions from the folded floor.

use bus::{BusError, Question, Refusal};
use chrono::{DateTime, Utc};
use control::survey::{self, NoStudy, StudiesQuery, Subject};
use control::{Size, Study};
use facts::wire::{self, Read};
use facts::{BatchId, Carrier, StationId, WheelId};
use names::UnknownName;
use projection::StoreError;
use projection::floor::KEPT_OF_A_RECIPE;
use ripening::answer::{self, About, Due, DueQuery, Portioned};
use ripening::{Floor, Needs, Target};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use site::Site;

use crate::ahead::{self, Ahead, RollCallQuery, RoomsQuery, WorkQuery};
use crate::{Fold, NameQuery};

/// The questions that a scheduler answers.
pub const QUESTIONS: &[&str] = &[
    "standing",
    "due",
    "floor",
    "census",
    "wheel",
    "batch",
    "label",
    HAPPENED,
    PORTIONED,
    PORTIONS,
    FIND,
    NAME,
    STAND,
    PLACES,
    SAID,
    CORRECTIONS,
    CORRECTED,
    FOLDED,
    DAY,
    ROOMS,
    WORK,
    ROLL_CALL,
    SHIFT,
    STUDIES,
];

/// The question for everything that happened to a wheel and counts.
pub const HAPPENED: &str = "happened";

/// The question for what a batch was portioned into; the answer is [`Portioned`].
pub const PORTIONED: &str = "portioned";

/// The question for every batch's portions; the answer is [`Portions`].
pub const PORTIONS: &str = "portions";

/// The question for whatever a code, a lot, a day or a customer's name finds.
pub const FIND: &str = "find";

/// The question for a code as it was first written: [`crate::NameQuery`].
pub const NAME: &str = "name";

/// The question for what stands on a stillage, in a stack or hoop.
pub const STAND: &str = "stand";

/// The question for where wheels stand, or stood, so many days from now.
pub const PLACES: &str = "places";

/// The question for what people said of these alerts.
pub const SAID: &str = "said";

/// The question for what was corrected.
pub const CORRECTIONS: &str = "corrections";

/// The question why a fact counts as never having happened, if it does.
pub const CORRECTED: &str = "corrected";

/// The question whether a station's fact has been folded: [`FoldedQuery`].
pub const FOLDED: &str = "folded";

/// The question for the day's plan; the answer is [`crate::Day`].
pub const DAY: &str = "day";

/// The question for how full the rooms will be; the answer is [`crate::RoomsAhead`].
pub const ROOMS: &str = "rooms-ahead";

/// The question for everything that a plan is made from: [`crate::WorkQuery`].
pub const WORK: &str = "work-ahead";

/// The question for what was missed: [`crate::RollCallQuery`].
pub const ROLL_CALL: &str = "roll-call";

/// The question for the message at the end of the shift.
pub const SHIFT: &str = "shift";

/// The question for portion weights, studied: [`StudiesQuery`].
pub const STUDIES: &str = "portion-studies";

/// How many batches' portions one answer holds.
const BATCHES: usize = 30;

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

/// Whether a station's fact of this number has been folded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FoldedQuery {
    /// The station.
    pub station: StationId,
    /// The fact's number.
    pub number: u64,
}

/// Every batch's portions, the newest first, and one batch's looked into.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Portions {
    /// The newest batches.
    pub batches: Vec<Portioned>,
    /// The batch that was asked for; else the newest that was portioned.
    pub shown: Option<BatchId>,
    /// The study of it.
    pub study: Option<Study>,
}

/// Answers a question.
///
/// # Errors
/// [`StoreError`] when what was put away of it cannot be looked up: whoever asked is told so.
pub(crate) async fn answer(
    fold: &mut Fold,
    site: &Site,
    ahead: &Ahead,
    question: Question,
) -> Result<(), StoreError> {
    let name = question.name.clone();
    if let Err(error) = bring_back(fold, &question) {
        let unusable = error;
        let error = &unusable;
        let sentence = format!("what was put away of it cannot be looked up: {error}");
        if let Err(error) = question.refuse(&sentence).await {
            tracing::warn!(question = name, %error, "a question got no answer");
        }
        return Err(unusable);
    }
    if let Err(error) = respond(fold, site, ahead, question).await {
        tracing::warn!(question = name, %error, "a question got no answer");
    }
    Ok(())
}

/// Brings back what was put away of what is asked for.
fn bring_back(fold: &mut Fold, question: &Question) -> Result<(), StoreError> {
    let Some(floor) = fold.floor() else {
        return Ok(());
    };
    let mut needs = Needs::default();
    let batch = |id: BatchId| floor.batch(id).is_none().then_some(id);
    match question.name.as_str() {
        "wheel" | "label" | HAPPENED => {
            let asked = question.read::<WheelId>();
            needs.wheels = asked.map_or_else(|_| Vec::new(), |id| floor.needs_wheels(&[id]));
        }
        "batch" | PORTIONED => needs.batches.extend(question.read().ok().and_then(batch)),
        PORTIONS => {
            if let Ok(Some(asked)) = question.read::<Option<BatchId>>() {
                studied(floor, asked, &mut needs);
            }
        }
        NAME | FIND => {
            let named = || question.read::<NameQuery>().map(|query| query.code);
            let asked = question.read::<String>().or_else(|_| named());
            let asked = asked.unwrap_or_default();
            let mut codes = vec![answer::bare(&asked).to_owned()];
            codes.extend(answer::date(&asked).map(|day| day.to_string()));
            // Of a customer of many years only so many orders are looked up.
            let orders = fold.heard().orders_of(&asked).rev().take(ORDERS_FOUND);
            codes.extend(orders.map(|order| order.to_string()));
            for code in codes {
                needs.batches.extend(fold.closed_by(&code)?);
            }
        }
        "census" => {
            let after = question.read::<CensusQuery>().unwrap_or_default().after;
            needs.wheels = fold.closed_wheels_after(after, CENSUS_ROWS)?;
        }
        PLACES => {
            let days = question.read::<i64>().unwrap_or_default();
            let then = answer::days_ago(floor, days);
            needs
                .batches
                .extend(then.into_iter().flat_map(|at| floor.away().at(at)));
        }
        STUDIES => match question
            .read::<StudiesQuery>()
            .map(|query| (query.of, query.days))
        {
            Ok((Subject::Batch(id), _)) => studied(floor, id, &mut needs),
            Ok((Subject::Person(_) | Subject::Everybody, days)) => {
                let from = survey::first_day(floor, days.min(ahead::MOST_AHEAD));
                let from = floor.practice().clock.start_of(from);
                let begun = floor.away().begun(from..DateTime::<Utc>::MAX_UTC);
                needs.batches.extend(begun);
                needs
                    .batches
                    .extend(floor.away_before(from, KEPT_OF_A_RECIPE));
            }
            Err(_) => {}
        },
        CORRECTIONS => match question.read::<About>() {
            Ok(About::Batch(id)) => needs.batches.extend(batch(id)),
            Ok(About::Everything) => needs.facts = answer::latest_corrected(floor),
            Ok(About::Stand(_)) | Err(_) => {}
        },
        _ => {}
    }
    fold.bring_back(&needs)
}

/// Orders of one customer, the last by their codes, whose closed wheels are found.
const ORDERS_FOUND: usize = 50;

/// What a batch's portions are studied beside: those of its day, and those before that limits
/// were learnt from.
fn studied(floor: &Floor, id: BatchId, needs: &mut Needs) {
    let clock = &floor.practice().clock;
    let away = floor.away();
    let begun = away.begun_at(id).map(|at| clock.day_of(at));
    let Some(day) = begun.or_else(|| control::day_of_batch(floor, id)) else {
        return needs
            .batches
            .extend(floor.batch(id).is_none().then_some(id));
    };
    let (start, end) = (clock.start_of(day), clock.end_of(day));
    needs.batches.extend(away.begun(start..end));
    needs
        .batches
        .extend(floor.away_before(start, KEPT_OF_A_RECIPE));
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

fn portions(floor: &Floor, asked: Option<BatchId>) -> Result<Portions, UnknownName> {
    let asked = asked.map(|batch| answer::batch_named(floor, batch));
    let asked = asked.transpose()?.map(|(batch, _)| batch);
    let ids = floor.batches().map(|(id, _)| *id);
    let mut batches = ids
        .map(|id| answer::portioned(floor, id))
        .collect::<Result<Vec<_>, _>>()?;
    batches.retain(|batch| batch.made.is_some());
    batches.sort_by_key(|batch| std::cmp::Reverse((batch.made, batch.batch)));
    batches.truncate(BATCHES);
    let newest = batches.iter().find(|batch| !batch.portions_g.is_empty());
    let shown = asked.or(newest.map(|batch| batch.batch));
    let study = shown.and_then(|batch| survey::vat(floor, batch, Size::USUAL, None));
    Ok(Portions {
        batches,
        shown,
        study,
    })
}

/// Answers with what a query asks for.
async fn reply<Q: DeserializeOwned, A: Serialize, E: Into<Refusal>>(
    question: Question,
    look: impl FnOnce(Q) -> Result<A, E>,
) -> Result<(), BusError> {
    let query = question.read::<Q>().map_err(Refusal::from);
    question
        .reply(query.and_then(|query| look(query).map_err(Into::into)))
        .await
}

/// Why a fact counts as never having happened, if it does. The fact comes as a line.
fn corrected(floor: &Floor, line: &str) -> Result<Option<String>, Refusal> {
    match wire::from_line(line) {
        Ok(Read::Fact(fact)) => {
            let reason = floor.voids().reason(Target::of(&fact));
            Ok(reason.map(str::to_owned))
        }
        Ok(Read::UnknownType(unknown)) => Err(format!("{} is not known here", unknown.ty).into()),
        Err(error) => Err(error.to_string().into()),
    }
}

async fn respond(
    fold: &Fold,
    site: &Site,
    ahead: &Ahead,
    question: Question,
) -> Result<(), BusError> {
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
        "due" => reply(question, |query| due_of(floor, site, query)).await,
        "floor" => {
            let rooms: Vec<_> = site
                .rooms
                .iter()
                .map(|room| (room.id, room.name.clone()))
                .collect();
            question.answer(&answer::floor(floor, &rooms)).await
        }
        "census" => {
            reply(question, |query: CensusQuery| {
                let rows = answer::census_after(floor, query.after, CENSUS_ROWS);
                Ok::<_, Refusal>(rows)
            })
            .await
        }
        "wheel" => reply(question, |id: WheelId| answer::wheel(floor, id)).await,
        "label" => {
            reply(question, |id: WheelId| {
                let (id, _) = answer::wheel_named(floor, id)?;
                let label = fold.label_now(floor, id);
                label.ok_or_else(|| -> Refusal {
                    format!("wheel {id} was never portioned here: it has no label").into()
                })
            })
            .await
        }
        "batch" => reply(question, |id: BatchId| answer::batch(floor, id)).await,
        HAPPENED => reply(question, |id: WheelId| answer::happened(floor, id)).await,
        PORTIONED => reply(question, |id: BatchId| answer::portioned(floor, id)).await,
        PORTIONS => reply(question, |batch| portions(floor, batch)).await,
        FIND => {
            let heard = fold.heard();
            reply(question, |asked: String| {
                Ok::<_, Refusal>(heard.find(floor, &asked))
            })
            .await
        }
        NAME => {
            let heard = fold.heard();
            reply(question, |query| heard.named(floor, site, &query)).await
        }
        STAND => {
            let heard = fold.heard();
            reply(question, |asked: Carrier| {
                let carrier = heard.carrier(asked)?;
                Ok::<_, UnknownName>((carrier, answer::stand(floor, carrier)))
            })
            .await
        }
        PLACES => {
            reply(question, |days: i64| {
                Ok::<_, Refusal>(answer::places(floor, days))
            })
            .await
        }
        SAID => {
            let heard = fold.heard();
            reply(question, |alerts: Vec<String>| {
                Ok::<_, Refusal>(heard.said(floor.voids(), &alerts))
            })
            .await
        }
        CORRECTIONS => reply(question, |about| answer::corrections(floor, about)).await,
        CORRECTED => reply(question, |line: String| corrected(floor, &line)).await,
        FOLDED => {
            reply(question, |query: FoldedQuery| {
                let stations = floor.stations();
                let mut same = stations.filter(|(station, _)| **station == query.station);
                Ok::<_, Refusal>(same.any(|(_, log)| log.has(query.number)))
            })
            .await
        }
        DAY => {
            ahead.day(site, floor, fold.seq(), question);
            Ok(())
        }
        ROOMS => {
            reply(question, |query: RoomsQuery| {
                ahead.rooms(site, floor, query)
            })
            .await
        }
        WORK => {
            reply(question, |query: WorkQuery| {
                let days = ahead::days(query.days)?;
                Ok::<_, String>(ahead::problem_of(site, floor, query.crew, days))
            })
            .await
        }
        ROLL_CALL => {
            reply(question, |query: RollCallQuery| {
                ahead::days(query.days)?;
                Ok::<_, String>(plan::roll_call(floor, query.days.into()))
            })
            .await
        }
        SHIFT => {
            let words = plan::shift_summary(floor, &site.name);
            question.answer(&words).await
        }
        STUDIES => {
            reply(question, |query: StudiesQuery| {
                ahead::days(query.days)?;
                survey::studies(floor, site.people.keys().copied(), &query).map_err(|none| {
                    match none {
                        NoStudy::Unknown(name) => name.into(),
                        none => Refusal::from(none.to_string()),
                    }
                })
            })
            .await
        }
        other => {
            let sentence = format!("{other:?} is not a question for the scheduler");
            question.refuse(&sentence).await
        }
    }
}
