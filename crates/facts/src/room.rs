//! Rooms: their climate and their cleaning.

use quantity::{Celsius, Percent, Ppm};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{RoomId, SensorId};

/// A room's air was measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct RoomClimateRead {
    /// The room.
    pub room: RoomId,
    /// The sensor.
    pub sensor: Option<SensorId>,
    /// Air temperature.
    pub temperature_c: Celsius,
    /// Relative humidity.
    pub humidity_pct: Option<Percent>,
    /// Carbon dioxide.
    pub co2_ppm: Option<Ppm>,
    /// Ammonia.
    pub nh3_ppm: Option<Ppm>,
}

/// Gases in a room's air were measured where no thermometer hangs beside, or while it says
/// nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct RoomGasRead {
    /// The room.
    pub room: RoomId,
    /// The sensor.
    pub sensor: Option<SensorId>,
    /// Carbon dioxide.
    pub co2_ppm: Option<Ppm>,
    /// Ammonia.
    pub nh3_ppm: Option<Ppm>,
}

/// A room was cleaned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct RoomCleaned {
    /// The room.
    pub room: RoomId,
    /// How, as the cleaning plan names it.
    pub method: String,
}
