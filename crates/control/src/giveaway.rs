//! Curd above the aim, and what it is worth.

use serde::{Deserialize, Serialize};

use crate::{Aim, Portion};

/// Curd above and below the aim. What is above is given away where wheels are sold by the
/// piece or with a fixed weight; where they are sold by weight it is only curd that another
/// wheel could have had.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Giveaway {
    /// All that lies above the aim, in kilograms.
    pub over_kg: f64,
    /// All that lies below it, in kilograms.
    pub short_kg: f64,
    /// What the curd above the aim is worth, in the money of the price; if one was given.
    pub cost: Option<f64>,
}

impl Giveaway {
    /// Of portions, at a price for a kilogram of curd.
    #[must_use]
    pub fn of(portions: &[Portion], aim: Aim, price_per_kg: Option<f64>) -> Self {
        let off = || portions.iter().map(|p| (p.grams() - aim.grams()) / 1000.0);
        let over_kg = off().map(|kg| kg.max(0.0)).sum();
        Self {
            over_kg,
            short_kg: off().map(|kg| (-kg).max(0.0)).sum(),
            cost: price_per_kg.map(|price| price * over_kg),
        }
    }

    /// What a mean on the aim would have saved, in kilograms: the rest comes from the spread.
    /// Below 0 when the portions are light.
    #[must_use]
    pub fn net_kg(&self) -> f64 {
        self.over_kg - self.short_kg
    }
}
