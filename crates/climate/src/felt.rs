//! What a wheel has felt since it was made: it moves between rooms, and the rooms differ.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{RoomId, WheelId};

use crate::excursion::{Excursion, Kind};
use crate::room_air::RoomAir;
use crate::whereabouts::{Stay, Whereabouts};

/// What a wheel felt in one stay.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Felt {
    /// The room.
    pub room: RoomId,
    /// Since when.
    pub from: DateTime<Utc>,
    /// Until when; the moment of looking, if it is still there.
    pub until: DateTime<Utc>,
    /// Hours that were measured.
    pub measured_hours: u32,
    /// Mean temperature, °C; `None` when nothing was measured.
    pub temperature_c: Option<f64>,
    /// Mean relative humidity, %; `None` when nothing was measured.
    pub humidity_pct: Option<f64>,
}

impl Felt {
    /// Hours in the room.
    #[must_use]
    pub fn hours(&self) -> f64 {
        (self.until - self.from).num_minutes() as f64 / 60.0
    }
}

/// What a wheel has felt up to `now`, stay by stay.
#[must_use]
pub fn felt(path: &[Stay], rooms: &BTreeMap<RoomId, RoomAir>, now: DateTime<Utc>) -> Vec<Felt> {
    let stays = path.iter().filter(|stay| stay.from < now).map(|stay| {
        let until = stay.until.unwrap_or(now).min(now);
        let mean = rooms
            .get(&stay.room)
            .map(|air| air.mean(stay.from, until))
            .unwrap_or_default();
        Felt {
            room: stay.room,
            from: stay.from,
            until,
            measured_hours: mean.hours,
            temperature_c: (mean.hours > 0).then_some(mean.temperature_c),
            humidity_pct: (mean.humid_hours > 0).then_some(mean.humidity_pct),
        }
    });
    stays.collect()
}

/// Wheels that stood in the room during an excursion, all equally long.
#[derive(Debug, Clone, PartialEq)]
pub struct Suffered {
    /// In what way.
    pub kind: Kind,
    /// Since when they felt it.
    pub from: DateTime<Utc>,
    /// Until when.
    pub until: DateTime<Utc>,
    /// The wheels, in the order of serials.
    pub wheels: Vec<WheelId>,
}

/// Which wheels felt an excursion of a room, and for how long: the longest first.
#[must_use]
pub fn suffered(excursion: &Excursion, room: RoomId, whereabouts: &Whereabouts) -> Vec<Suffered> {
    let mut spans: BTreeMap<(DateTime<Utc>, DateTime<Utc>), Vec<WheelId>> = BTreeMap::new();
    for (wheel, path) in whereabouts.iter() {
        for stay in path.iter().filter(|stay| stay.room == room) {
            let from = stay.from.max(excursion.from);
            let until = stay.until.unwrap_or(excursion.until).min(excursion.until);
            if from < until {
                spans.entry((from, until)).or_default().push(wheel);
            }
        }
    }
    let mut all: Vec<Suffered> = spans
        .into_iter()
        .map(|((from, until), wheels)| Suffered {
            kind: excursion.kind,
            from,
            until,
            wheels,
        })
        .collect();
    all.sort_by_key(|s| (s.from - s.until, s.from));
    all
}
