//! The floor at a glance.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{Carrier, RoomId, WheelId};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use super::carrier;
use crate::{Counts, Floor, Level, Situation, Subject, Urgency};

/// How many stray wheels are named.
const NAMED: usize = 50;

/// The floor at a glance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FloorPicture {
    /// The instant of the answer.
    pub now: DateTime<Utc>,
    /// The same, local.
    pub now_local: String,
    /// The dairy day.
    pub day: DairyDay,
    /// Wheels on the floor.
    pub on_floor: usize,
    /// Of them, held.
    pub held: usize,
    /// Wheels that have left.
    pub dispatched: usize,
    /// Wheels thrown away.
    pub discarded: usize,
    /// Wheels that were scanned but never portioned here: counted nowhere else.
    #[serde(default)]
    pub never_portioned: usize,
    /// The first of them.
    #[serde(default)]
    pub strays: Vec<WheelId>,
    /// Places: the hoops, each room, and what stands in no room.
    pub places: Vec<PlaceLine>,
    /// How many wheels need what, by how late.
    pub actions: Vec<ActionLine>,
    /// Situations that stand, worst first; no more than [`MOST_ALERTS`].
    pub alerts: Vec<AlertLine>,
    /// How many stand, shown or not.
    #[serde(default)]
    pub alerts_in_all: usize,
    /// How much has been folded.
    pub counts: Counts,
    /// Facts that stations numbered and that never arrived.
    pub missing_facts: u64,
}

/// How many situations a picture of the floor shows. Nobody reads more, and each wheel of a
/// large floor may have one of its own.
pub const MOST_ALERTS: usize = 2_000;

/// One place of the floor.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PlaceLine {
    /// The room; none for hoops and for wheels between rooms.
    pub room: Option<RoomId>,
    /// Its name.
    pub name: String,
    /// Wheels there.
    pub wheels: usize,
    /// Stillages (or stacks) they stand on.
    pub carriers: usize,
    /// Wheels with something that may be done now.
    pub due: usize,
    /// Wheels with something overdue.
    pub overdue: usize,
    /// Wheels with something missed.
    pub missed: usize,
    /// Latest air temperature, °C.
    pub temperature_c: Option<f64>,
    /// Latest relative humidity, %.
    pub humidity_pct: Option<f64>,
}

/// How many wheels need one thing.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ActionLine {
    /// What to do.
    pub action: String,
    /// It may be done.
    pub due: usize,
    /// It should have been done.
    pub overdue: usize,
    /// Its window has closed.
    pub missed: usize,
}

/// A situation that stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlertLine {
    /// The kind of trouble.
    pub situation: Situation,
    /// Where.
    pub subject: Subject,
    /// How bad.
    pub level: Level,
    /// How many wheels.
    pub wheels: usize,
    /// In words.
    pub words: String,
    /// The name in every message about it; none while nobody was told.
    #[serde(default)]
    pub alert: Option<String>,
    /// Since when people have been told.
    #[serde(default)]
    pub since: Option<DateTime<Utc>>,
}

/// The floor at a glance. `room_name` names a room as its site file does; rooms that no
/// wheel stands in are shown when it knows them.
#[must_use]
pub fn floor(floor: &Floor, rooms: &[(RoomId, String)]) -> FloorPicture {
    let now = floor.now();
    let clock = &floor.practice().clock;
    let (dispatched, discarded) = floor.away().gone();
    let mut picture = FloorPicture {
        now,
        now_local: clock.local(now),
        day: clock.day_of(now),
        on_floor: 0,
        held: 0,
        dispatched,
        discarded,
        never_portioned: 0,
        strays: Vec::new(),
        places: Vec::new(),
        actions: Vec::new(),
        alerts: Vec::new(),
        alerts_in_all: 0,
        counts: floor.counts(),
        missing_facts: floor.stations().map(|(_, log)| log.missing_count()).sum(),
    };
    let mut places: BTreeMap<Option<RoomId>, PlaceLine> = rooms
        .iter()
        .map(|(id, name)| {
            (
                Some(*id),
                PlaceLine {
                    room: Some(*id),
                    name: name.clone(),
                    ..PlaceLine::default()
                },
            )
        })
        .collect();
    let mut hoops = PlaceLine {
        name: "in the hoop".to_owned(),
        ..PlaceLine::default()
    };
    let mut carriers: BTreeMap<(bool, Option<RoomId>), std::collections::BTreeSet<Carrier>> =
        BTreeMap::new();
    let mut actions: BTreeMap<String, ActionLine> = BTreeMap::new();
    for (id, wheel) in floor.wheels() {
        let state = wheel.state();
        if state.is_stray() {
            picture.never_portioned += 1;
            picture.strays.push(*id);
        }
        if state.born.is_none() {
            continue;
        }
        picture.dispatched += usize::from(state.dispatched.is_some());
        picture.discarded += usize::from(state.discarded.is_some());
        if !state.on_floor() {
            continue;
        }
        picture.on_floor += 1;
        picture.held += usize::from(!floor.holds(*id).is_empty());
        let room = state.room.map(|room| room.value);
        let draining = room.is_none() && state.in_hoop();
        let place = if draining {
            &mut hoops
        } else {
            places.entry(room).or_insert_with(|| PlaceLine {
                room,
                name: room.map_or("between rooms".to_owned(), |room| room.to_string()),
                ..PlaceLine::default()
            })
        };
        place.wheels += 1;
        let worst = wheel
            .actions()
            .iter()
            .filter(|a| a.because.blocked.is_none());
        match worst.map(|a| a.window.urgency(now)).max() {
            Some(Urgency::Missed) => place.missed += 1,
            Some(Urgency::Overdue) => place.overdue += 1,
            Some(Urgency::Due) => place.due += 1,
            Some(Urgency::Ahead) | None => {}
        }
        if let Some(carrier) = carrier(state) {
            carriers
                .entry((draining, room))
                .or_default()
                .insert(carrier);
        }
        for asked in wheel
            .actions()
            .iter()
            .filter(|a| a.because.blocked.is_none())
        {
            let words = asked.action.to_string();
            let line = match asked.window.urgency(now) {
                Urgency::Ahead => continue,
                _ => actions.entry(words.clone()).or_insert_with(|| ActionLine {
                    action: words,
                    ..ActionLine::default()
                }),
            };
            match asked.window.urgency(now) {
                Urgency::Due => line.due += 1,
                Urgency::Overdue => line.overdue += 1,
                Urgency::Missed => line.missed += 1,
                Urgency::Ahead => {}
            }
        }
    }
    picture.strays.sort_unstable();
    picture.strays.truncate(NAMED);
    hoops.carriers = carriers
        .get(&(true, None))
        .map_or(0, std::collections::BTreeSet::len);
    for (room, place) in &mut places {
        place.carriers = carriers
            .get(&(false, *room))
            .map_or(0, std::collections::BTreeSet::len);
    }
    for (id, room) in floor.rooms() {
        if let Some((_, temperature, humidity)) = room.latest(floor.voids())
            && let Some(place) = places.get_mut(&Some(*id))
        {
            place.temperature_c = Some(temperature.get());
            place.humidity_pct = humidity.map(quantity::Percent::get);
        }
    }
    picture.places = std::iter::once(hoops).chain(places.into_values()).collect();
    picture.actions = actions.into_values().collect();
    picture
        .actions
        .sort_by_key(|line| std::cmp::Reverse((line.missed, line.overdue, line.due)));
    let told: BTreeMap<_, _> = floor.open_alerts().map(|open| (open.key, open)).collect();
    picture.alerts = floor
        .situations()
        .map(|(situation, subject, level, wheels)| {
            let open = told.get(&(situation, subject));
            AlertLine {
                situation,
                subject,
                level,
                wheels,
                words: situation.words().to_owned(),
                alert: open.map(|open| open.name()),
                since: open.map(|open| open.since),
            }
        })
        .collect();
    picture
        .alerts
        .sort_by_key(|alert| std::cmp::Reverse((alert.level, alert.wheels)));
    picture.alerts_in_all = picture.alerts.len();
    picture.alerts.truncate(MOST_ALERTS);
    picture
}
