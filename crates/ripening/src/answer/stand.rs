//! What stands on one stillage, in one stack or hoop; and where everything stands.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use facts::{BatchId, Carrier, PositionId, RoomId, WheelId};
use quantity::calendar;
use serde::{Deserialize, Serialize};

use super::carrier;
use crate::{Floor, State, Urgency};

/// Nobody asks for a day further off.
const FURTHEST: i64 = 3_660;

/// A wheel that stands there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StandRow {
    /// The wheel.
    pub wheel: WheelId,
    /// Its batch.
    pub batch: Option<BatchId>,
    /// Its age in dairy days.
    pub age_days: Option<i64>,
    /// Its latest weight, grams.
    pub weight_g: Option<u32>,
    /// Its latest rind cover, %.
    pub rind_cover_pct: Option<f64>,
    /// Whether a hold keeps it.
    pub held: bool,
    /// What it needs next, and how late that is.
    pub next: Option<(String, Urgency)>,
}

/// Everything that a wheel stands on or in.
pub(super) fn stands(state: &State) -> impl Iterator<Item = Carrier> + use<> {
    let stack = state.stack.map(Carrier::Stack);
    let hoop = state.hoop.map(Carrier::Hoop);
    [carrier(state), stack, hoop].into_iter().flatten()
}

/// Whether a wheel stands on it now.
#[must_use]
pub fn stands_on(state: &State, wanted: Carrier) -> bool {
    let on_it = match wanted {
        Carrier::Stack(stack) => state.stack == Some(stack),
        _ => carrier(state) == Some(wanted) || state.hoop.map(Carrier::Hoop) == Some(wanted),
    };
    state.on_floor() && on_it
}

/// The wheels that stand on it, by their codes.
#[must_use]
pub fn stand(floor: &Floor, wanted: Carrier) -> Vec<StandRow> {
    let now = floor.now();
    let day = floor.practice().clock.day_of(now);
    let there = floor
        .wheels()
        .filter(|(_, wheel)| stands_on(wheel.state(), wanted));
    let mut rows: Vec<StandRow> = there
        .map(|(id, wheel)| {
            let state = wheel.state();
            let next = wheel.next_action(now);
            StandRow {
                wheel: *id,
                batch: state.batch,
                age_days: state.age_on(day).map(|age| age.0),
                weight_g: state.weight.map(|weight| weight.value.get()),
                rind_cover_pct: state.rind.map(|rind| rind.value.get()),
                held: !floor.holds(*id).is_empty(),
                next: next.map(|asked| (asked.action.to_string(), asked.window.urgency(now))),
            }
        })
        .collect();
    rows.sort_by_key(|row| row.wheel);
    rows
}

/// What stands in one place.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// The room; none where no fact names one.
    pub room: Option<RoomId>,
    /// Whether it still drains in hoops.
    pub hooped: bool,
    /// The stillage, stack or hoop; none for wheels that stand on none.
    pub carrier: Option<Carrier>,
    /// Its place in the room.
    pub position: Option<PositionId>,
    /// Batches of its wheels.
    pub batches: BTreeSet<BatchId>,
    /// How many wheels.
    pub wheels: usize,
    /// How many of them a hold keeps.
    pub held: usize,
    /// The latest of what they need, and how late it will be.
    pub worst: Option<(Urgency, String)>,
}

/// Where wheels stand.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Places {
    /// The places, by room, then what drains in hoops last, by carrier.
    pub places: Vec<Place>,
    /// Wheels that were never portioned here.
    pub strays: BTreeSet<WheelId>,
}

/// The instant so many days ago that [`places`] looks back to, for minus so many; none for a
/// day that is not over.
#[must_use]
pub fn days_ago(floor: &Floor, days: i64) -> Option<DateTime<Utc>> {
    let days = days.max(-FURTHEST);
    (days < 0).then(|| calendar::later(floor.now(), TimeDelta::days(days)))
}

type Found = BTreeMap<(Option<RoomId>, bool, Option<Carrier>), Place>;

/// Where wheels stand now, and how late what they need will be in so many days if nothing is
/// done until then; of a day that is over, where they stood.
#[must_use]
pub fn places(floor: &Floor, days: i64) -> Places {
    let days = days.clamp(-FURTHEST, FURTHEST);
    let then = calendar::later(floor.now(), TimeDelta::days(days));
    let found = if days < 0 {
        past(floor, then)
    } else {
        now_and_then(floor, then)
    };
    let strays = floor.wheels().filter(|(_, wheel)| wheel.state().is_stray());
    Places {
        places: found.into_values().collect(),
        strays: strays.map(|(id, _)| *id).collect(),
    }
}

fn now_and_then(floor: &Floor, then: DateTime<Utc>) -> Found {
    let mut found = Found::new();
    for (id, wheel) in floor.wheels() {
        let Some(place) = place(&mut found, wheel.state()) else {
            continue;
        };
        place.held += usize::from(!floor.holds(*id).is_empty());
        let worst = wheel
            .actions()
            .iter()
            .filter(|asked| asked.because.blocked.is_none())
            .map(|asked| (asked.window.urgency(then), asked))
            .filter(|(late, _)| *late > Urgency::Ahead)
            .max_by_key(|(late, asked)| (*late, asked.severity));
        if let Some((late, asked)) = worst
            && place.worst.as_ref().is_none_or(|(worst, _)| late > *worst)
        {
            place.worst = Some((late, asked.action.to_string()));
        }
    }
    found
}

/// As far as it is known today: what was corrected since counts as corrected.
fn past(floor: &Floor, then: DateTime<Utc>) -> Found {
    let clock = floor.practice().clock;
    let mut found = Found::new();
    for (id, _) in floor.wheels() {
        let mut notes = floor.life(*id);
        notes.retain(|note| note.moment.at <= then && !note.is_void(floor.voids()));
        let state = State::of(notes.iter(), |at| clock.day_of(at));
        if let Some(place) = place(&mut found, &state) {
            place.held += usize::from(!floor.held_at(*id, then).is_empty());
        }
    }
    found
}

/// What a wheel stands on, with the wheel counted; none when it is not on the floor.
fn place<'f>(found: &'f mut Found, state: &State) -> Option<&'f mut Place> {
    if !state.on_floor() || state.born.is_none() {
        return None;
    }
    let room = state.room.map(|room| room.value);
    let (hooped, carrier) = (state.in_hoop(), carrier(state));
    let place = found
        .entry((room, hooped, carrier))
        .or_insert_with(|| Place {
            room,
            hooped,
            carrier,
            ..Place::default()
        });
    place.wheels += 1;
    place.position = place.position.or(state.position);
    place.batches.extend(state.batch);
    Some(place)
}
