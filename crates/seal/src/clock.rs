//! Stations whose clock went back: a later fact of the same station that says it was
//! written down earlier.

use std::collections::HashMap;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{FactId, StationId};
use serde::Deserialize;

/// Less than this is a clock being put right.
const ALLOWED: TimeDelta = TimeDelta::minutes(2);

/// A station's clock went back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WentBack {
    /// The station.
    pub station: StationId,
    /// Its fact that says it was written down earlier than the one before.
    pub fact: FactId,
    /// What the one before said.
    pub from: DateTime<Utc>,
    /// What this one says.
    pub to: DateTime<Utc>,
}

/// What a record says about clocks.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Seen {
    /// When it was written down, if it is a numbered fact.
    pub recorded_at: Option<DateTime<Utc>>,
    /// Its station's clock went back before it.
    pub went_back: Option<WentBack>,
}

/// The attributes of a record that say when and where it was written down.
#[derive(Deserialize)]
struct Stamped<'a> {
    id: FactId,
    source: &'a str,
    recordedtime: DateTime<Utc>,
    sequence: &'a str,
}

/// The latest that each station said.
#[derive(Debug, Default)]
pub struct Clocks {
    latest: HashMap<StationId, (u64, DateTime<Utc>)>,
}

impl Clocks {
    /// Takes the next record of the log. Facts that were sent again are of an earlier number
    /// and say nothing about the clock; neither does what is no numbered fact. What a fact
    /// says happened is not read: it takes longer than everything else.
    pub fn saw(&mut self, line: &[u8]) -> Seen {
        let read = || {
            let stamped: Stamped<'_> = serde_json::from_slice(line).ok()?;
            let station = stamped.source.rsplit('/').next()?;
            Some((
                StationId::new(station).ok()?,
                stamped.sequence.parse::<u64>().ok()?,
                stamped.recordedtime,
                stamped.id,
            ))
        };
        let Some((station, number, recorded_at, fact)) = read() else {
            return Seen::default();
        };
        let latest = self.latest.entry(station).or_insert((number, recorded_at));
        let mut seen = Seen {
            recorded_at: Some(recorded_at),
            went_back: None,
        };
        if number > latest.0 {
            let (_, before) = std::mem::replace(latest, (number, recorded_at));
            seen.went_back = (before - recorded_at > ALLOWED).then_some(WentBack {
                station,
                fact,
                from: before,
                to: recorded_at,
            });
        }
        seen
    }
}
