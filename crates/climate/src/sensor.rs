//! Which readings can be believed. Doubtful ones are kept in the facts and named here;
//! they are only left out of what is reckoned from them.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use facts::SensorId;
use quantity::{Celsius, Percent};
use serde::Serialize;

use crate::readings::{Reading, Source};
use crate::room_air::hour_of;

/// What a calibration found: is added to every reading of a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Offset {
    /// °C.
    pub temperature_c: f64,
    /// Percentage points.
    pub humidity_pct: f64,
}

/// From when on a reading is doubted. Common practice, no source: a site may set its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Temperatures that a room of a dairy can have, °C.
    pub temperature_c: (f64, f64),
    /// Humidities that it can have, %.
    pub humidity_pct: (f64, f64),
    /// A single reading this far from those before and after it is a spike, °C.
    pub spike_c: f64,
    /// The same in percentage points of humidity.
    pub spike_pct: f64,
    /// Air is never exactly the same for so long.
    pub stuck_for: TimeDelta,
    /// Silence longer than this is told.
    pub gap: TimeDelta,
    /// Two sensors of one room may differ by this much, °C.
    pub differ_c: f64,
    /// The same in percentage points of humidity.
    pub differ_pct: f64,
    /// They must differ for so many hours on end.
    pub differ_hours: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            temperature_c: (-10.0, 40.0),
            humidity_pct: (20.0, 100.0),
            spike_c: 4.0,
            spike_pct: 15.0,
            stuck_for: TimeDelta::hours(24),
            gap: TimeDelta::hours(3),
            differ_c: 1.0,
            differ_pct: 5.0,
            differ_hours: 6,
        }
    }
}

/// Why readings are doubted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// No room of a dairy is like that: 85 °C is what some sensors say when they start.
    Impossible,
    /// Away and back again within a reading or two.
    Spike,
    /// Exactly the same for too long.
    Stuck,
    /// Nothing was read.
    Gap,
    /// Another sensor in the room says otherwise.
    Disagrees,
}

/// Readings that are doubted.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The sensor.
    pub source: Source,
    /// Why.
    pub doubt: Doubt,
    /// The first moment of it.
    pub from: DateTime<Utc>,
    /// The last.
    pub until: DateTime<Utc>,
    /// What is odd and what to do.
    pub words: String,
}

/// A room's readings after a look at them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Inspected {
    /// Calibrated readings that can be believed, by source, oldest first.
    pub good: BTreeMap<Source, Vec<Reading>>,
    /// What is doubted, by time.
    pub findings: Vec<Finding>,
}

/// Fewest readings of one value that can be called stuck.
const STUCK_READINGS: usize = 10;

/// Readings that a possible spike is compared with, on each side.
const NEIGHBOURS: usize = 3;

/// Neighbours farther away than this say nothing about a spike.
const NEAR: TimeDelta = TimeDelta::hours(6);

/// Looks at one room's readings, by source and oldest first, up to `now`.
#[must_use]
pub fn inspect(
    room: &BTreeMap<Source, Vec<Reading>>,
    offsets: &BTreeMap<SensorId, Offset>,
    limits: &Limits,
    now: DateTime<Utc>,
) -> Inspected {
    let mut inspected = Inspected::default();
    for (source, readings) in room {
        let offset = match source {
            Source::Sensor(id) => offsets.get(id).copied().unwrap_or_default(),
            Source::Station(_) => Offset::default(),
        };
        let mut look = Look {
            source: *source,
            limits,
            findings: &mut inspected.findings,
        };
        let seen: Vec<Reading> = readings.iter().filter(|r| r.at <= now).copied().collect();
        look.gaps(&seen, now);
        let possible = look.possible(&seen, offset);
        let moving = look.unstuck(&possible);
        let steady = look.without_spikes(&moving);
        inspected.good.insert(*source, steady);
    }
    disagreement(&mut inspected, limits);
    inspected
        .findings
        .sort_by_key(|f| (f.from, f.source, f.doubt));
    inspected
}

struct Look<'l> {
    source: Source,
    limits: &'l Limits,
    findings: &'l mut Vec<Finding>,
}

impl Look<'_> {
    fn find(&mut self, doubt: Doubt, from: DateTime<Utc>, until: DateTime<Utc>, words: String) {
        self.findings.push(Finding {
            source: self.source,
            doubt,
            from,
            until,
            words,
        });
    }

    fn gaps(&mut self, readings: &[Reading], now: DateTime<Utc>) {
        let ends = readings.iter().skip(1).map(|r| r.at).chain([now]);
        for (reading, end) in readings.iter().zip(ends) {
            let silent = end - reading.at;
            if silent > self.limits.gap {
                let words = format!(
                    "{} said nothing for {}: what the room was like is guessed at; look for a \
                     lost connection or an empty battery",
                    self.source,
                    span(silent)
                );
                self.find(Doubt::Gap, reading.at, end, words);
            }
        }
    }

    /// Calibrates, and leaves out what no room can be like.
    fn possible(&mut self, readings: &[Reading], offset: Offset) -> Vec<Reading> {
        let mut good = Vec::with_capacity(readings.len());
        for reading in readings {
            let (coldest, warmest) = self.limits.temperature_c;
            let said = reading.temperature.get();
            let calibrated = Celsius::new(said + offset.temperature_c).ok();
            let Some(temperature) = calibrated.filter(|t| (coldest..=warmest).contains(&t.get()))
            else {
                let words = format!(
                    "{} says {said:.1} °C, which no maturing room has: left out; check the \
                     sensor",
                    self.source
                );
                self.find(Doubt::Impossible, reading.at, reading.at, words);
                continue;
            };
            let (driest, dampest) = self.limits.humidity_pct;
            let humidity = reading.humidity.and_then(|said| {
                // A sensor in a wet room says a little more than 100 after calibration.
                let value = (said.get() + offset.humidity_pct).min(100.0);
                Percent::new(value)
                    .ok()
                    .filter(|h| (driest..=dampest).contains(&h.get()))
            });
            if let (Some(said), None) = (reading.humidity, humidity) {
                let words = format!(
                    "{} says {:.0} % humidity, which no maturing room has: left out; check the \
                     sensor",
                    self.source,
                    said.get()
                );
                self.find(Doubt::Impossible, reading.at, reading.at, words);
            }
            good.push(Reading {
                temperature,
                humidity,
                ..*reading
            });
        }
        good
    }

    /// Leaves out runs of exactly the same value, but for their first reading.
    fn unstuck(&mut self, readings: &[Reading]) -> Vec<Reading> {
        let mut good = Vec::with_capacity(readings.len());
        let same =
            |a: &Reading, b: &Reading| a.temperature == b.temperature && a.humidity == b.humidity;
        for run in readings.chunk_by(same) {
            let (Some(first), Some(last)) = (run.first(), run.last()) else {
                continue;
            };
            if run.len() < STUCK_READINGS || last.at - first.at < self.limits.stuck_for {
                good.extend_from_slice(run);
                continue;
            }
            let words = format!(
                "{} said exactly {:.1} °C for {}: taken as stuck and left out; check it against \
                 another thermometer",
                self.source,
                first.temperature.get(),
                span(last.at - first.at)
            );
            self.find(Doubt::Stuck, first.at, last.at, words);
            good.push(*first);
        }
        good
    }

    fn without_spikes(&mut self, readings: &[Reading]) -> Vec<Reading> {
        let temperatures: Vec<_> = readings
            .iter()
            .map(|r| (r.at, r.temperature.get()))
            .collect();
        let away = spikes(&temperatures, self.limits.spike_c);
        let mut good = Vec::with_capacity(readings.len());
        for (reading, away) in readings.iter().zip(away) {
            match away {
                Away::No => good.push(*reading),
                Away::AndBack(from) => {
                    let words = format!(
                        "{} jumped from {from:.1} to {:.1} °C and back: left out",
                        self.source,
                        reading.temperature.get()
                    );
                    self.find(Doubt::Spike, reading.at, reading.at, words);
                }
                Away::Unconfirmed => {} // the next reading will tell
            }
        }
        let humidities: Vec<_> = good
            .iter()
            .filter_map(|r| Some((r.at, r.humidity?.get())))
            .collect();
        let mut away = spikes(&humidities, self.limits.spike_pct).into_iter();
        for reading in good.iter_mut().filter(|r| r.humidity.is_some()) {
            if let Some(Away::AndBack(from)) = away.next() {
                let words = format!(
                    "{} jumped from {from:.0} % humidity and back: left out",
                    self.source
                );
                self.find(Doubt::Spike, reading.at, reading.at, words);
                reading.humidity = None;
            }
        }
        good
    }
}

/// How a reading lies between its neighbours.
enum Away {
    No,
    /// From where it jumped.
    AndBack(f64),
    /// The last reading of all, far from those before it.
    Unconfirmed,
}

fn spikes(values: &[(DateTime<Utc>, f64)], limit: f64) -> Vec<Away> {
    let mut before: Vec<(DateTime<Utc>, f64)> = Vec::new();
    let mut verdicts = Vec::with_capacity(values.len());
    for (index, (at, value)) in values.iter().enumerate() {
        before.retain(|(then, _)| *at - *then <= NEAR);
        let earlier: Vec<f64> = before
            .iter()
            .rev()
            .take(NEIGHBOURS)
            .map(|(_, v)| *v)
            .collect();
        let later: Vec<f64> = values[index + 1..]
            .iter()
            .take(NEIGHBOURS)
            .take_while(|(then, _)| *then - *at <= NEAR)
            .map(|(_, v)| *v)
            .collect();
        let verdict = match (median(&earlier), median(&later)) {
            (Some(from), _) if (value - from).abs() <= limit => Away::No,
            (Some(from), Some(to)) if (to - from).abs() <= limit => Away::AndBack(from),
            (Some(_), None) => Away::Unconfirmed,
            _ => Away::No, // a new level, or nothing to compare with
        };
        if matches!(verdict, Away::No) {
            let stepped = median(&earlier).is_some_and(|from| (value - from).abs() > limit);
            if stepped {
                before.clear();
            }
            before.push((*at, *value));
        }
        verdicts.push(verdict);
    }
    verdicts
}

/// The middle value, or the mean of the two in the middle.
pub(crate) fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    let upper = *sorted.get(middle)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    sorted
        .get(middle.checked_sub(1)?)
        .map(|lower| (lower + upper) / 2.0)
}

/// Compares sources hour by hour. With three or more, the odd one out is left out as long
/// as it differs; of two nobody can say which is right.
fn disagreement(inspected: &mut Inspected, limits: &Limits) {
    if inspected.good.len() < 2 {
        return;
    }
    let mut hours: BTreeMap<i64, BTreeMap<Source, (f64, Option<f64>)>> = BTreeMap::new();
    for (source, readings) in &inspected.good {
        for run in readings.chunk_by(|a, b| hour_of(a.at) == hour_of(b.at)) {
            let Some(first) = run.first() else { continue };
            let of = |values: Vec<f64>| median(&values);
            let Some(t) = of(run.iter().map(|r| r.temperature.get()).collect()) else {
                continue;
            };
            let h = of(run.iter().filter_map(|r| Some(r.humidity?.get())).collect());
            hours
                .entry(hour_of(first.at))
                .or_default()
                .insert(*source, (t, h));
        }
    }
    let mut odd: BTreeMap<Source, Vec<i64>> = BTreeMap::new();
    for (hour, said) in &hours {
        for source in odd_ones(said, limits) {
            odd.entry(source).or_default().push(*hour);
        }
    }
    let sources = inspected.good.len();
    for (source, hours) in odd {
        let mut doubted = BTreeSet::new();
        for run in hours.chunk_by(|a, b| b - a == 1) {
            let (Some(first), Some(last)) = (run.first(), run.last()) else {
                continue;
            };
            if run.len() < limits.differ_hours {
                continue;
            }
            doubted.extend(run.iter().copied());
            let start = |hour: i64| DateTime::from_timestamp(hour * 3600, 0).unwrap_or_default();
            let what = if sources > 2 {
                "it is left out"
            } else {
                "their mean is used"
            };
            inspected.findings.push(Finding {
                source,
                doubt: Doubt::Disagrees,
                from: start(*first),
                until: start(last + 1),
                words: format!(
                    "{source} differed from the room's other sensors for {} h: {what}; check \
                     both against a calibrated thermometer",
                    run.len()
                ),
            });
        }
        if sources > 2
            && let Some(readings) = inspected.good.get_mut(&source)
        {
            readings.retain(|r| !doubted.contains(&hour_of(r.at)));
        }
    }
}

fn odd_ones(said: &BTreeMap<Source, (f64, Option<f64>)>, limits: &Limits) -> Vec<Source> {
    let temperatures: Vec<f64> = said.values().map(|(t, _)| *t).collect();
    let humidities: Vec<f64> = said.values().filter_map(|(_, h)| *h).collect();
    let (middle_t, middle_h) = (median(&temperatures), median(&humidities));
    // Two differ by twice what either is away from their middle.
    let by = if said.len() == 2 { 2.0 } else { 1.0 };
    let far = |value: Option<f64>, middle: Option<f64>, limit: f64| {
        value
            .zip(middle)
            .is_some_and(|(v, m)| (v - m).abs() * by > limit)
    };
    said.iter()
        .filter(|(_, (t, h))| {
            far(Some(*t), middle_t, limits.differ_c) || far(*h, middle_h, limits.differ_pct)
        })
        .map(|(source, _)| *source)
        .collect()
}

/// `5 h` or `3 days`.
pub(crate) fn span(time: TimeDelta) -> String {
    let hours = time.num_hours();
    if hours < 72 {
        format!("{hours} h")
    } else {
        format!("{} days", time.num_days())
    }
}
