//! A person's account.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::PersonId;
use serde::{Deserialize, Serialize};

use super::Role;
use crate::words::Tongue;

/// How a person reads weights.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum WeightUnit {
    /// Kilograms.
    #[default]
    Kg,
    /// Pounds.
    Lb,
}

/// How a person reads temperatures.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum TemperatureUnit {
    /// Degrees Celsius.
    #[default]
    C,
    /// Degrees Fahrenheit.
    F,
}

/// Light or dark.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Theme {
    /// As the device has it.
    #[default]
    Device,
    /// For a dim, cold room.
    Dark,
    /// For a bright office.
    Light,
}

/// The hand that holds the tablet's lower corner.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Hand {
    /// Buttons lie under the right thumb.
    #[default]
    Right,
    /// Buttons lie under the left thumb.
    Left,
}

/// How a person wants the pages.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Wishes {
    /// Language.
    pub tongue: Option<Tongue>,
    /// Weights.
    pub weight: WeightUnit,
    /// Temperatures.
    pub temperature: TemperatureUnit,
    /// Light or dark.
    pub theme: Theme,
    /// Which thumb.
    pub hand: Hand,
}

/// Someone who may sign in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Account {
    /// Their badge: what facts carry.
    pub badge: PersonId,
    /// Their name as shown.
    pub name: String,
    /// What they are.
    pub role: Role,
    /// The PIN's hash, in the PHC string format.
    pub pin: String,
    /// How they want the pages.
    #[serde(default)]
    pub wishes: Wishes,
    /// Wrong PINs in a row, from browsers that are not known.
    #[serde(default)]
    pub failures: u32,
    /// No PIN from those is looked at before this instant.
    #[serde(default)]
    pub locked_until: Option<DateTime<Utc>>,
    /// Hashes of browsers and stations where they have signed in, with the wrong PINs in a row
    /// there.
    #[serde(default)]
    pub known: BTreeMap<String, u32>,
}
