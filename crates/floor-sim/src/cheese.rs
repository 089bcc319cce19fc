//! How Larkholm Blue behaves. Every figure is invented for the demonstration.

use crate::chance::Chance;

/// Curd aimed for in one hoop, grams.
const PORTION_G: f64 = 4200.0;
/// The scale's division, grams.
const DIVISION_G: f64 = 5.0;
/// Milk for one wheel, litres.
const MILK_A_WHEEL_L: f64 = 36.4;
/// Days from the make to leaving the hoop.
pub(crate) const DRAINS_DAYS: i64 = 5;
/// Rind cover at which a stillage leaves the hastening room, %.
pub(crate) const COVER_FOR_SECOND: i64 = 30;
/// Rind cover at which a stillage goes to the third room, %.
pub(crate) const COVER_FOR_THIRD: i64 = 70;
/// Days between two looks at a rind, from leaving the hoop to piercing.
pub(crate) const RIND_EVERY: i64 = 3;
/// Age from which a wheel may be pierced, days.
pub(crate) const PIERCE_AGE: i64 = 35;
/// Age from which a wheel is ironed, days.
pub(crate) const IRON_AGE: i64 = 56;
/// Blue coverage that every core of a batch shows when it is ready, %.
pub(crate) const READY_BLUE: i64 = 85;
/// Age at which a batch is graded whatever the iron shows, days.
pub(crate) const OLDEST_UNGRADED: i64 = 77;

/// One batch's character: no two makes are alike.
#[derive(Debug, Clone)]
pub(crate) struct Character {
    rind_half: f64,
    rind_rate: f64,
    blue_half: f64,
    blue_rate: f64,
}

impl Character {
    pub(crate) fn new(chance: &mut Chance) -> Self {
        Self {
            rind_half: chance.normal(10.0, 1.1).clamp(7.0, 14.0),
            rind_rate: chance.normal(0.5, 0.04).clamp(0.38, 0.65),
            blue_half: chance.normal(17.0, 2.0).clamp(11.0, 24.0),
            blue_rate: chance.normal(0.24, 0.02).clamp(0.17, 0.32),
        }
    }

    /// Rind cover in % this many days after leaving the hoop: a logistic curve.
    pub(crate) fn rind_cover(&self, days: i64) -> f64 {
        logistic(days as f64, self.rind_half, self.rind_rate)
    }

    /// Days after piercing at which the core has this blue coverage, %.
    pub(crate) fn days_to_blue(&self, share: f64) -> f64 {
        self.blue_half + (share / (100.0 - share)).ln() / self.blue_rate
    }

    /// Blue coverage of the core in % this many days after piercing: a logistic curve.
    pub(crate) fn blue(&self, days: i64) -> f64 {
        logistic(days as f64, self.blue_half, self.blue_rate)
    }
}

fn logistic(days: f64, half: f64, rate: f64) -> f64 {
    100.0 / (1.0 + (-rate * (days - half)).exp())
}

/// What an eye makes of a true percentage: a whole number, a few points off.
pub(crate) fn seen(truth: f64, deviation: f64, chance: &mut Chance) -> i64 {
    chance.normal(truth, deviation).round().clamp(0.0, 100.0) as i64
}

/// Curd put into one hoop, in grams: one mixer weighs closer than the other, and now and
/// then a portion is well off.
pub(crate) fn portion(mixer: &str, chance: &mut Chance) -> u32 {
    let (bias, deviation) = if mixer == "01" {
        (-5.0, 28.0)
    } else {
        (30.0, 52.0)
    };
    let slip = if chance.happens(0.004) {
        chance.normal(0.0, 350.0)
    } else {
        0.0
    };
    let grams = chance.normal(PORTION_G + bias, deviation) + slip;
    ((grams.clamp(2500.0, 6000.0) / DIVISION_G).round() * DIVISION_G) as u32
}

/// Milk in a vat that should give this many wheels, whole litres.
pub(crate) fn milk(wheels: usize, chance: &mut Chance) -> i64 {
    let litres = MILK_A_WHEEL_L * wheels as f64;
    chance.normal(litres, litres * 0.015).round() as i64
}

/// A wheel's grade as its card says.
pub(crate) fn grade(chance: &mut Chance) -> &'static str {
    match chance.between(0, 999) {
        0..4 => "REJECT",
        4..25 => "C",
        25..140 => "B",
        _ => "A",
    }
}
