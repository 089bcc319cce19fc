//! The equation itself.

use serde::{Deserialize, Serialize};

use crate::{Duration, frequency_multiplier};

/// The load constant: what 75 % of women and 99 % of men can lift under ideal
/// conditions, kg.
const LOAD_CONSTANT_KG: f64 = 23.0;

/// How well the hands hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Coupling {
    /// Handles, or a part that the hand goes right round.
    Good,
    /// Fingers bend under it by about a right angle.
    Fair,
    /// Slippery, sagging, bulky: a bare wheel of cheese.
    Poor,
}

/// One lift as it is done: where the hands are and how often.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lift {
    /// H: from the middle between the ankles out to the hands, cm.
    pub reach_cm: f64,
    /// V: from the floor up to the hands where the lift starts, cm.
    pub height_cm: f64,
    /// D: how far up or down the load travels, cm.
    pub travel_cm: f64,
    /// A: how far the body twists, degrees.
    pub twist_deg: f64,
    /// How well the hands hold.
    pub coupling: Coupling,
    /// How often, lifts per minute.
    pub lifts_per_minute: f64,
    /// For how long.
    pub duration: Duration,
}

/// A figure that no lift can have.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{what} is {value} {unit}: measure it again, it must be a number from {least} to {most}")]
pub struct LiftError {
    what: &'static str,
    value: f64,
    unit: &'static str,
    least: f64,
    most: f64,
}

/// Why no weight at all is recommended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// Hands farther out than 63 cm.
    TooFarOut,
    /// Hands higher than 175 cm.
    TooHigh,
    /// Lifted or lowered by more than 175 cm.
    TooLongAWay,
    /// Twisted by more than 135°.
    TooTwisted,
    /// More lifts a minute than the table allows for so long a time and such a height.
    TooOften,
}

impl Why {
    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::TooFarOut => "the hands reach out farther than 63 cm",
            Self::TooHigh => "the hands are higher than 175 cm",
            Self::TooLongAWay => "the load travels more than 175 cm",
            Self::TooTwisted => "the body twists more than 135°",
            Self::TooOften => "too many lifts a minute for so long a time",
        }
    }
}

/// What the equation says about one lift.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// HM, from 0 to 1.
    pub horizontal: f64,
    /// VM, from 0 to 1.
    pub vertical: f64,
    /// DM, from 0 to 1.
    pub distance: f64,
    /// AM, from 0 to 1.
    pub asymmetry: f64,
    /// FM, from 0 to 1.
    pub frequency: f64,
    /// CM, from 0.9 to 1.
    pub coupling: f64,
    /// Recommended weight limit, kg.
    pub recommended_kg: f64,
    /// Why the limit is nothing, if it is.
    pub none: Option<Why>,
}

impl Limit {
    /// The lifting index of a load in kg: above 1 some are at risk, above 3 many are.
    /// `None` when no weight at all is recommended.
    #[must_use]
    pub fn index(&self, load_kg: f64) -> Option<f64> {
        (self.recommended_kg > 0.0).then(|| load_kg / self.recommended_kg)
    }
}

impl Lift {
    /// The recommended weight limit, RWL = 23 kg · HM · VM · DM · AM · FM · CM.
    ///
    /// # Errors
    /// [`LiftError`] names the figure that no lift can have. A lift that can be made but
    /// should not be is not an error: its limit is 0, with the reason.
    pub fn limit(&self) -> Result<Limit, LiftError> {
        let within = |what, value: f64, unit, most: f64| {
            if (0.0..=most).contains(&value) {
                Ok(())
            } else {
                let least = 0.0;
                Err(LiftError {
                    what,
                    value,
                    unit,
                    least,
                    most,
                })
            }
        };
        within("reach_cm", self.reach_cm, "cm", 150.0)?;
        within("height_cm", self.height_cm, "cm", 300.0)?;
        within("travel_cm", self.travel_cm, "cm", 300.0)?;
        within("twist_deg", self.twist_deg, "°", 180.0)?;
        within("lifts_per_minute", self.lifts_per_minute, "a minute", 60.0)?;

        let frequency = frequency_multiplier(self.lifts_per_minute, self.duration, self.height_cm);
        let none = [
            (self.reach_cm > 63.0, Why::TooFarOut),
            (self.height_cm > 175.0, Why::TooHigh),
            (self.travel_cm > 175.0, Why::TooLongAWay),
            (self.twist_deg > 135.0, Why::TooTwisted),
            (frequency == 0.0, Why::TooOften),
        ];
        let none = none.into_iter().find_map(|(is, why)| is.then_some(why));
        let unless = |too_much: bool, multiplier: f64| if too_much { 0.0 } else { multiplier };
        let low = self.height_cm < 75.0;
        let mut limit = Limit {
            horizontal: unless(self.reach_cm > 63.0, 25.0 / self.reach_cm.max(25.0)),
            vertical: unless(
                self.height_cm > 175.0,
                1.0 - 0.003 * (self.height_cm - 75.0).abs(),
            ),
            distance: unless(
                self.travel_cm > 175.0,
                0.82 + 4.5 / self.travel_cm.max(25.0),
            ),
            asymmetry: unless(self.twist_deg > 135.0, 1.0 - 0.0032 * self.twist_deg),
            frequency,
            coupling: match self.coupling {
                Coupling::Good => 1.0,
                Coupling::Fair if low => 0.95,
                Coupling::Fair => 1.0,
                Coupling::Poor => 0.9,
            },
            recommended_kg: 0.0,
            none,
        };
        limit.recommended_kg = LOAD_CONSTANT_KG
            * limit.horizontal
            * limit.vertical
            * limit.distance
            * limit.asymmetry
            * limit.frequency
            * limit.coupling;
        Ok(limit)
    }
}
