//! From what a sensor publishes to facts: which topic says what of which room, and how
//! often it is worth recording.
//!
//! A [`Probe`] is a sensor, or several that share a code: each value comes from a topic,
//! whose payload is a bare number or JSON. [`Gathering`] takes messages in the order in
//! which they come.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{Draft, Event, RoomClimateRead, RoomGasRead, RoomId, SensorId};
use quantity::{Celsius, Percent, Ppm, calendar};
use serde_json::Value;

use crate::gas::{self, Gas, Urgency};

/// A value older than this says nothing about the room now.
const FRESH: TimeDelta = TimeDelta::minutes(30);

/// A sensor's own time may be ahead by as much before it cannot be right.
const AHEAD: TimeDelta = TimeDelta::hours(1);

/// A reading that was kept by its sensor for longer than this is not taken any more.
const OLDEST: TimeDelta = TimeDelta::days(31);

/// Calibrated humidity up to this is a wet sensor at 100 %, no nonsense.
const WET_PCT: f64 = 105.0;

/// What a signal says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Says {
    /// Air temperature.
    Temperature,
    /// Relative humidity, %.
    Humidity,
    /// Carbon dioxide, ppm.
    CarbonDioxide,
    /// Ammonia, ppm.
    Ammonia,
}

impl Says {
    /// Every one, in the order of a site file.
    pub const ALL: [Self; 4] = [
        Self::Temperature,
        Self::Humidity,
        Self::CarbonDioxide,
        Self::Ammonia,
    ];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Temperature => "a temperature",
            Self::Humidity => "a humidity",
            Self::CarbonDioxide => "carbon dioxide",
            Self::Ammonia => "ammonia",
        }
    }
}

/// Where one value comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// What it says.
    pub says: Says,
    /// The MQTT topic, without wildcards.
    pub topic: String,
    /// The value's name in a JSON payload, inner names after dots; none when the payload
    /// is the number itself.
    pub field: Option<String>,
    /// Whether a temperature is in degrees Fahrenheit.
    pub fahrenheit: bool,
    /// What a calibration found: is added, in °C, percentage points or ppm.
    pub offset: f64,
}

/// A sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// Its code.
    pub sensor: SensorId,
    /// The room it hangs in.
    pub room: RoomId,
    /// What it says, each thing at most once.
    pub signals: Vec<Signal>,
    /// The name, in a JSON payload, of the time at which it was measured (RFC 3339). None:
    /// when it arrives.
    pub time: Option<String>,
}

/// A message that says nothing that can be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{sensor} should say {says} here: {why}")]
pub struct Unusable {
    /// The sensor that it should be from.
    pub sensor: SensorId,
    /// What it should say.
    pub says: &'static str,
    /// Why it cannot be used.
    pub why: String,
}

/// The latest values of one probe.
#[derive(Debug, Clone, Default)]
struct Held {
    values: [Option<(DateTime<Utc>, f64)>; 4],
    recorded: Option<(DateTime<Utc>, [Option<f64>; 4])>,
    /// How urgent its gases were when last recorded.
    urgency: Option<Urgency>,
}

/// Takes messages and says what is worth recording.
#[derive(Debug, Clone)]
pub struct Gathering {
    probes: Vec<(Probe, Held)>,
    every: TimeDelta,
}

impl Gathering {
    /// For these probes, each recorded at most once in `every`; when a gas passes one of its
    /// limits, either way, at once.
    #[must_use]
    pub fn new(probes: &[Probe], every: TimeDelta) -> Self {
        let held = |probe: &Probe| (probe.clone(), Held::default());
        Self {
            probes: probes.iter().map(held).collect(),
            every,
        }
    }

    /// Every topic that is listened to.
    #[must_use]
    pub fn topics(&self) -> BTreeSet<&str> {
        let signals = self.probes.iter().flat_map(|(probe, _)| &probe.signals);
        signals.map(|signal| signal.topic.as_str()).collect()
    }

    /// Takes one message: what to record, and what could not be used.
    pub fn take(
        &mut self,
        topic: &str,
        payload: &[u8],
        now: DateTime<Utc>,
    ) -> (Vec<Draft>, Vec<Unusable>) {
        let (mut drafts, mut unusable) = (Vec::new(), Vec::new());
        for (probe, held) in &mut self.probes {
            let mut at = None;
            for signal in probe.signals.iter().filter(|s| s.topic == topic) {
                match read(probe, signal, payload, now) {
                    Ok((when, value)) => {
                        held.values[signal.says as usize] = Some((when, value));
                        at = Some(when);
                    }
                    Err(why) => unusable.push(Unusable {
                        sensor: probe.sensor,
                        says: signal.says.words(),
                        why,
                    }),
                }
            }
            if let Some(at) = at {
                drafts.extend(held.draft(probe, at, self.every));
            }
        }
        (drafts, unusable)
    }
}

impl Held {
    fn draft(&mut self, probe: &Probe, at: DateTime<Utc>, every: TimeDelta) -> Option<Draft> {
        let fresh = self
            .values
            .map(|value| value.filter(|(then, _)| (at - *then).abs() <= FRESH));
        let values = fresh.map(|value| value.map(|(_, value)| value));
        let [celsius, pct, co2, nh3] = values;
        let of = |gas, ppm: Option<f64>| gas::caution(gas, ppm?).map(|caution| caution.urgency);
        let urgency = of(Gas::CarbonDioxide, co2).max(of(Gas::Ammonia, nh3));
        let due = match self.recorded {
            // The broker may give the same message twice.
            Some((then, said)) if then == at && said == values => false,
            Some((then, _)) => (at - then).abs() >= every || urgency != self.urgency,
            None => true,
        };
        if !due {
            return None;
        }
        let ppm = |value: Option<f64>| value.and_then(|value| Ppm::new(value).ok());
        let (co2_ppm, nh3_ppm) = (ppm(co2), ppm(nh3));
        let (room, sensor) = (probe.room, Some(probe.sensor));
        let event = match celsius.and_then(|celsius| Celsius::new(celsius).ok()) {
            Some(temperature_c) => Event::from(RoomClimateRead {
                room,
                sensor,
                temperature_c,
                humidity_pct: pct.and_then(|pct| Percent::new(pct).ok()),
                co2_ppm,
                nh3_ppm,
            }),
            None if co2_ppm.is_some() || nh3_ppm.is_some() => Event::from(RoomGasRead {
                room,
                sensor,
                co2_ppm,
                nh3_ppm,
            }),
            // Humidity alone: its temperature is still to come.
            None => return None,
        };
        self.recorded = Some((at, values));
        self.urgency = urgency;
        Some(Draft {
            occurred_at: at,
            claimed_at: None,
            person: None,
            event,
        })
    }
}

fn read(
    probe: &Probe,
    signal: &Signal,
    payload: &[u8],
    now: DateTime<Utc>,
) -> Result<(DateTime<Utc>, f64), String> {
    let text = std::str::from_utf8(payload).map_err(|_| "the payload is not text".to_owned())?;
    if signal.field.is_none() && probe.time.is_none() {
        return Ok((now, calibrated(signal, number(text)?)?));
    }
    let json: Value =
        serde_json::from_str(text).map_err(|error| format!("the payload is not JSON: {error}"))?;
    let value = match &signal.field {
        Some(field) => inner(&json, field)?,
        None => &json,
    };
    let value = match value {
        Value::Number(number) => number.as_f64().unwrap_or(f64::NAN),
        Value::String(text) => number(text)?,
        other => return Err(format!("{other} is no number")),
    };
    let at = match &probe.time {
        Some(field) => time(inner(&json, field)?, now)?,
        None => now,
    };
    Ok((at, calibrated(signal, value)?))
}

fn inner<'v>(json: &'v Value, field: &str) -> Result<&'v Value, String> {
    let found = field
        .split('.')
        .try_fold(json, |value, name| value.get(name));
    found.ok_or_else(|| format!("the payload has no {field:?}"))
}

fn number(text: &str) -> Result<f64, String> {
    let text = text.trim();
    text.parse().map_err(|_| {
        format!(
            "{:?} is no number",
            text.chars().take(60).collect::<String>()
        )
    })
}

fn time(value: &Value, now: DateTime<Utc>) -> Result<DateTime<Utc>, String> {
    let text = value.as_str().unwrap_or_default();
    let at: DateTime<Utc> = text
        .parse()
        .map_err(|_| format!("{value} is no time such as \"2026-03-02T07:30:00Z\""))?;
    if at > calendar::later(now, AHEAD) {
        return Err(format!(
            "its time {at} is ahead of ours: set its clock right"
        ));
    }
    if at < calendar::earlier(now, OLDEST) {
        return Err(format!("it was measured too long ago, at {at}"));
    }
    Ok(at)
}

fn calibrated(signal: &Signal, said: f64) -> Result<f64, String> {
    let celsius = if signal.fahrenheit {
        (said - 32.0) / 1.8
    } else {
        said
    };
    let value = celsius + signal.offset;
    // Binary fractions of decimal readings: cut to what a sensor can tell.
    let value = (value * 1_000.0).round() / 1_000.0;
    let possible = match signal.says {
        Says::Temperature => Celsius::new(value).map(Celsius::get),
        Says::Humidity if value > 100.0 && value <= WET_PCT => Ok(100.0),
        Says::Humidity => Percent::new(value).map(Percent::get),
        // A gas sensor's zero wanders below nothing.
        Says::CarbonDioxide | Says::Ammonia => {
            let floor = if value > -1_000.0 {
                value.max(0.0)
            } else {
                value
            };
            Ppm::new(floor).map(Ppm::get)
        }
    };
    possible.map_err(|error| error.to_string())
}
