//! When a room was out of its range: how far, how long, and both together.

use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;

use crate::room_air::{Hour, RoomAir};

/// What a room should be like, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ranges {
    /// °C.
    pub temperature_c: (f64, f64),
    /// %.
    pub humidity_pct: (f64, f64),
}

/// In what way a room was out of its range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Above the highest temperature.
    Warm,
    /// Below the lowest temperature.
    Cold,
    /// Above the highest humidity.
    Damp,
    /// Below the lowest humidity.
    Dry,
}

impl Kind {
    const ALL: [Self; 4] = [Self::Warm, Self::Cold, Self::Damp, Self::Dry];

    /// `°C` or `%`.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Warm | Self::Cold => "°C",
            Self::Damp | Self::Dry => "%",
        }
    }

    /// `too warm`, and so on.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Warm => "too warm",
            Self::Cold => "too cold",
            Self::Damp => "too damp",
            Self::Dry => "too dry",
        }
    }

    const fn limit(self, ranges: &Ranges) -> f64 {
        match self {
            Self::Warm => ranges.temperature_c.1,
            Self::Cold => ranges.temperature_c.0,
            Self::Damp => ranges.humidity_pct.1,
            Self::Dry => ranges.humidity_pct.0,
        }
    }

    /// How far an hour is beyond the limit; `None` when its value was not measured.
    fn beyond(self, hour: &Hour, ranges: &Ranges) -> Option<f64> {
        let limit = self.limit(ranges);
        Some(match self {
            Self::Warm => hour.temperature.get() - limit,
            Self::Cold => limit - hour.temperature.get(),
            Self::Damp => hour.humidity?.get() - limit,
            Self::Dry => limit - hour.humidity?.get(),
        })
    }
}

/// A time during which a room was out of its range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Excursion {
    /// In what way.
    pub kind: Kind,
    /// The first hour of it.
    pub from: DateTime<Utc>,
    /// The end of its last hour.
    pub until: DateTime<Utc>,
    /// The limit that was passed, °C or %.
    pub limit: f64,
    /// The farthest it went beyond the limit, °C or percentage points.
    pub worst: f64,
    /// How far times how long: °C·h or percentage points·h.
    pub integral: f64,
}

impl Excursion {
    /// How long it lasted, hours.
    #[must_use]
    pub fn hours(&self) -> f64 {
        (self.until - self.from).num_minutes() as f64 / 60.0
    }

    /// `too warm for 20 h, up to 18.4 °C (limit 13.5), 62 °C·h in all`
    #[must_use]
    pub fn words(&self) -> String {
        let unit = self.kind.unit();
        let (worst, direction) = match self.kind {
            Kind::Warm | Kind::Damp => (self.limit + self.worst, "up"),
            Kind::Cold | Kind::Dry => (self.limit - self.worst, "down"),
        };
        format!(
            "{} for {:.0} h, {direction} to {worst:.1} {unit} (limit {:.1}), {:.0} {unit}·h in all",
            self.kind.words(),
            self.hours(),
            self.limit,
            self.integral
        )
    }
}

/// Hours back in range, or unmeasured, that do not end an excursion.
const PAUSE: i64 = 2;

/// Every excursion of at least `least_hours` within `from..until`, by start. An hour that
/// was not measured is no part of one.
#[must_use]
pub fn excursions(
    air: &RoomAir,
    ranges: &Ranges,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    least_hours: u32,
) -> Vec<Excursion> {
    let mut found = Vec::new();
    let from = from.max(air.begins());
    for kind in Kind::ALL {
        let mut open: Option<Excursion> = None;
        for (start, hour) in air.between(from, until) {
            let beyond = hour.and_then(|hour| kind.beyond(&hour, ranges));
            let Some(beyond) = beyond.filter(|beyond| *beyond > 0.0) else {
                continue;
            };
            let ended = open.filter(|e| start - e.until > TimeDelta::hours(PAUSE));
            if let Some(ended) = ended {
                found.push(ended);
                open = None;
            }
            let running = open.get_or_insert(Excursion {
                kind,
                from: start,
                until: start,
                limit: kind.limit(ranges),
                worst: 0.0,
                integral: 0.0,
            });
            running.until = start + TimeDelta::hours(1);
            running.worst = running.worst.max(beyond);
            running.integral += beyond;
        }
        found.extend(open);
    }
    found.retain(|e| e.hours() >= f64::from(least_hours));
    found.sort_by_key(|e| (e.from, e.kind));
    found
}
