//! A room's recent air.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use facts::RoomClimateRead;
use quantity::{Celsius, Percent};
use recipe::Stage;
use serde::{Deserialize, Serialize};

use crate::{Moment, Voids};

/// How much of the past is kept here; the log keeps all of it.
const KEPT: TimeDelta = TimeDelta::hours(48);

/// An excursion shorter than this is a door held open.
const WORTH_TELLING: TimeDelta = TimeDelta::minutes(30);

/// One reading of a room's air.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Air temperature.
    pub temperature: Celsius,
    /// Relative humidity.
    pub humidity: Option<Percent>,
}

/// A room's recent readings.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Room {
    readings: BTreeMap<Moment, Reading>,
}

/// A room out of its range.
#[derive(Debug, Clone, PartialEq)]
pub struct Excursion {
    /// Since when.
    pub since: DateTime<Utc>,
    /// The latest reading.
    pub until: DateTime<Utc>,
    /// What is out, in words.
    pub words: String,
}

impl Room {
    /// Takes a reading; one that is older than what is kept leaves no trace.
    pub fn read(&mut self, moment: Moment, read: &RoomClimateRead) {
        let reading = Reading {
            temperature: read.temperature_c,
            humidity: read.humidity_pct,
        };
        self.readings.insert(moment, reading);
        // What is kept depends on the readings alone, not on the order they came in.
        if let Some(latest) = self.readings.keys().next_back().map(|m| m.at) {
            while let Some(oldest) = self.readings.first_entry()
                && latest - oldest.key().at > KEPT
            {
                oldest.remove();
            }
        }
    }

    /// The latest reading.
    #[must_use]
    pub fn latest(&self, voids: &Voids) -> Option<(Moment, Reading)> {
        let mut valid = self.readings.iter().filter(|(m, _)| !voids.is_void(m.fact));
        valid.next_back().map(|(m, r)| (*m, *r))
    }

    /// The run of readings outside the stage's range that lasts until now, if it has
    /// lasted long enough to tell someone.
    #[must_use]
    pub fn excursion(&self, stage: &Stage, voids: &Voids) -> Option<Excursion> {
        let valid = self.readings.iter().filter(|(m, _)| !voids.is_void(m.fact));
        let run: Vec<_> = valid.rev().take_while(|(_, r)| !within(stage, r)).collect();
        let (since, until) = (run.last()?.0.at, run.first()?.0.at);
        (until - since >= WORTH_TELLING).then(|| Excursion {
            since,
            until,
            words: out_of_range(stage, run[0].1),
        })
    }
}

fn within(stage: &Stage, reading: &Reading) -> bool {
    stage.temperature_c.holds(reading.temperature.get())
        && reading
            .humidity
            .is_none_or(|h| stage.humidity_pct.holds(h.get()))
}

fn out_of_range(stage: &Stage, reading: &Reading) -> String {
    let mut out = Vec::new();
    let warm = stage.temperature_c;
    if !warm.holds(reading.temperature.get()) {
        out.push(format!(
            "{} (should be {} to {} °C)",
            reading.temperature, warm.least, warm.most
        ));
    }
    let damp = stage.humidity_pct;
    if let Some(humidity) = reading.humidity.filter(|h| !damp.holds(h.get())) {
        let rh = humidity.get();
        out.push(format!(
            "{rh:.0} % humidity (should be {} to {} %)",
            damp.least, damp.most
        ));
    }
    out.join(", ")
}
