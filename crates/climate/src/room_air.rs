//! A room's air, hour by hour.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use quantity::{Celsius, Percent};

use crate::readings::{Reading, Source};
use crate::sensor::median;

/// Hours without a reading that are filled from the hours beside them.
const BRIDGED: usize = 3;

/// One hour's air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hour {
    /// Mean temperature.
    pub temperature: Celsius,
    /// Mean relative humidity.
    pub humidity: Option<Percent>,
}

/// A room's air, hour by hour, with gaps where nothing was read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RoomAir {
    first: i64,
    hours: Vec<Option<Hour>>,
}

/// The hour of an instant, counted from 1970.
pub(crate) fn hour_of(at: DateTime<Utc>) -> i64 {
    at.timestamp().div_euclid(3600)
}

impl RoomAir {
    /// From readings that can be believed: the mean of each sensor's hour, and the middle of
    /// the sensors. Gaps of up to three hours are bridged in a straight line.
    #[must_use]
    pub fn of(good: &BTreeMap<Source, Vec<Reading>>) -> Self {
        let mut said: BTreeMap<i64, Vec<(f64, Option<f64>)>> = BTreeMap::new();
        for readings in good.values() {
            for run in readings.chunk_by(|a, b| hour_of(a.at) == hour_of(b.at)) {
                if let Some(first) = run.first() {
                    let t = mean(run.iter().map(|r| r.temperature.get()));
                    let h = mean(run.iter().filter_map(|r| Some(r.humidity?.get())));
                    if let Some(t) = t {
                        said.entry(hour_of(first.at)).or_default().push((t, h));
                    }
                }
            }
        }
        let (Some((&first, _)), Some((&last, _))) = (said.first_key_value(), said.last_key_value())
        else {
            return Self::default();
        };
        let length = usize::try_from(last - first + 1).unwrap_or(0);
        let mut hours = vec![None; length];
        for (hour, sensors) in said {
            let temperatures: Vec<f64> = sensors.iter().map(|(t, _)| *t).collect();
            let humidities: Vec<f64> = sensors.iter().filter_map(|(_, h)| *h).collect();
            let slot = usize::try_from(hour - first)
                .ok()
                .and_then(|i| hours.get_mut(i));
            if let Some(slot) = slot {
                *slot = hour_air(median(&temperatures), median(&humidities));
            }
        }
        bridge(&mut hours);
        Self { first, hours }
    }

    /// From hours on end, `first` counted from 1970. What was not measured at either end counts
    /// as not there.
    #[must_use]
    pub fn from_hours(first: i64, mut hours: Vec<Option<Hour>>) -> Self {
        let Some(begins) = hours.iter().position(Option::is_some) else {
            return Self::default();
        };
        let ends = hours.iter().rposition(Option::is_some).unwrap_or(begins);
        hours.truncate(ends + 1);
        hours.drain(..begins);
        let first = first + i64::try_from(begins).unwrap_or(0);
        Self { first, hours }
    }

    /// The instant at which the first hour begins.
    #[must_use]
    pub fn begins(&self) -> DateTime<Utc> {
        DateTime::from_timestamp(self.first * 3600, 0).unwrap_or_default()
    }

    /// The hours, from [`RoomAir::begins`] on.
    #[must_use]
    pub fn hours(&self) -> &[Option<Hour>] {
        &self.hours
    }

    /// The hour that an instant lies in, if it was measured.
    #[must_use]
    pub fn at(&self, at: DateTime<Utc>) -> Option<Hour> {
        let index = usize::try_from(hour_of(at) - self.first).ok()?;
        self.hours.get(index).copied().flatten()
    }

    /// The hours that begin within `from..until`, measured or not, each with its start.
    pub fn between(
        &self,
        from: DateTime<Utc>,
        until: DateTime<Utc>,
    ) -> impl Iterator<Item = (DateTime<Utc>, Option<Hour>)> {
        let (from, until) = (hour_of(from), hour_of(until));
        (from..until.max(from)).map(move |hour| {
            let start = DateTime::from_timestamp(hour * 3600, 0).unwrap_or_default();
            (start, self.at(start))
        })
    }

    /// Mean temperature in °C, mean humidity in % and how many hours were measured, over the
    /// hours that begin within `from..until`.
    #[must_use]
    pub fn mean(&self, from: DateTime<Utc>, until: DateTime<Utc>) -> Mean {
        let mut sum = Mean::default();
        let mut damp = 0_u32;
        let begins = from.max(self.begins());
        for (_, hour) in self.between(begins, until.max(begins)) {
            let Some(hour) = hour else { continue };
            sum.hours += 1;
            sum.temperature_c += hour.temperature.get();
            if let Some(humidity) = hour.humidity {
                damp += 1;
                sum.humidity_pct += humidity.get();
            }
        }
        sum.temperature_c /= f64::from(sum.hours.max(1));
        sum.humidity_pct /= f64::from(damp.max(1));
        sum.humid_hours = damp;
        sum
    }
}

/// A mean over measured hours; zero where there were none.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Mean {
    /// °C.
    pub temperature_c: f64,
    /// %.
    pub humidity_pct: f64,
    /// Hours with a temperature.
    pub hours: u32,
    /// Hours with a humidity.
    pub humid_hours: u32,
}

fn hour_air(temperature_c: Option<f64>, humidity_pct: Option<f64>) -> Option<Hour> {
    Some(Hour {
        temperature: Celsius::new(temperature_c?).ok()?,
        humidity: humidity_pct.and_then(|h| Percent::new(h).ok()),
    })
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0_u32), |(sum, n), value| (sum + value, n + 1));
    (count > 0).then(|| sum / f64::from(count))
}

fn bridge(hours: &mut [Option<Hour>]) {
    let measured: Vec<usize> = (0..hours.len()).filter(|i| hours[*i].is_some()).collect();
    for pair in measured.windows(2) {
        let [a, b] = pair else { continue };
        let gap = b - a - 1;
        if gap == 0 || gap > BRIDGED {
            continue;
        }
        let (Some(before), Some(after)) = (hours[*a], hours[*b]) else {
            continue;
        };
        for step in 1..=gap {
            let part = step as f64 / (gap + 1) as f64;
            let between = |x: f64, y: f64| x + (y - x) * part;
            let humidity = before.humidity.zip(after.humidity);
            hours[a + step] = hour_air(
                Some(between(before.temperature.get(), after.temperature.get())),
                humidity.map(|(x, y)| between(x.get(), y.get())),
            );
        }
    }
}
