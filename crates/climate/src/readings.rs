//! The readings of each room, sensor by sensor, as the facts state them.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{Event, Fact, RoomId, SensorId, StationId};
use quantity::{Celsius, Percent, Ppm};

/// What measured: a sensor by its code, or the station that stated a reading without one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Source {
    /// A sensor.
    Sensor(SensorId),
    /// Whatever that station reads.
    Station(StationId),
}

impl std::fmt::Display for Source {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Sensor(id) => write!(f, "sensor {id}"),
            Self::Station(id) => write!(f, "the sensor at {id}"),
        }
    }
}

/// One reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When.
    pub at: DateTime<Utc>,
    /// Air temperature.
    pub temperature: Celsius,
    /// Relative humidity.
    pub humidity: Option<Percent>,
    /// Carbon dioxide.
    pub co2: Option<Ppm>,
    /// Ammonia.
    pub nh3: Option<Ppm>,
}

/// Readings by room and source, oldest first. `facts` are those that count
/// (`holds::counting`).
#[must_use]
pub fn readings(facts: &[&Fact]) -> BTreeMap<RoomId, BTreeMap<Source, Vec<Reading>>> {
    let mut rooms: BTreeMap<RoomId, BTreeMap<Source, Vec<Reading>>> = BTreeMap::new();
    for fact in facts {
        let Event::RoomClimateRead(read) = &fact.event else {
            continue;
        };
        let source = read
            .sensor
            .map_or(Source::Station(fact.station), Source::Sensor);
        let of_room = rooms.entry(read.room).or_default();
        of_room.entry(source).or_default().push(Reading {
            at: fact.occurred_at,
            temperature: read.temperature_c,
            humidity: read.humidity_pct,
            co2: read.co2_ppm,
            nh3: read.nh3_ppm,
        });
    }
    rooms
}
