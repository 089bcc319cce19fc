//! What a recipe says, once it has been read and found consistent.

use facts::{MarketId, RecipeId, RoomId};
use quantity::{Grams, Percent};
use serde::Deserialize;

/// When something should happen, in whole dairy days of age (day 0 is the make day).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ages {
    /// Not before.
    pub earliest: i64,
    /// The day to aim at.
    pub due: i64,
    /// Not after.
    pub latest: i64,
}

/// A closed range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range<T> {
    /// The least value that is right.
    pub least: T,
    /// The greatest value that is right.
    pub most: T,
}

impl<T: PartialOrd> Range<T> {
    /// Whether a value is right.
    pub fn holds(&self, value: T) -> bool {
        self.least <= value && value <= self.most
    }
}

/// Whether the milk was heat-treated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Milk {
    /// Heat-treated.
    Pasteurised,
    /// Not heat-treated: the label must say so.
    Raw,
}

/// A cheese's rules.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// The recipe.
    pub id: RecipeId,
    /// Its version; a wheel keeps the version it was made under.
    pub version: u32,
    /// The product's name as printed.
    pub name: String,
    /// Raw or heat-treated milk.
    pub milk: Milk,
    /// Curd portions.
    pub portion: Portion,
    /// Draining in the hoop.
    pub drain: Drain,
    /// Rubbing up.
    pub rub_up: RubUp,
    /// What the rind should do.
    pub rind: Rind,
    /// The chain of rooms, in order; never empty.
    pub stages: Vec<Stage>,
    /// Piercing.
    pub pierce: Pierce,
    /// Drawing cores.
    pub iron: Iron,
    /// Grading.
    pub grading: Grading,
    /// Markets, each with its window of ages on arrival.
    pub markets: Vec<Market>,
    /// Best-before, in days from the make day.
    pub best_before_days: i64,
}

/// How much curd a wheel starts from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Portion {
    /// Target weight.
    pub weight_g: Grams,
    /// How far off the target a portion may be, either way.
    pub tolerance_g: Grams,
}

/// Draining in the hoop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drain {
    /// Days between turns while in the hoop.
    pub turn_every_days: i64,
    /// The age at which the hoop comes off.
    pub unhoop: Ages,
}

/// Rubbing up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RubUp {
    /// Dairy days after unhooping by which it must be done; 0 is the same day.
    pub within_days: i64,
}

/// What the rind should do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rind {
    /// Days after unhooping within which the first mould is expected.
    pub first_expected_days: Range<i64>,
    /// Days between looks.
    pub check_every_days: i64,
}

/// One room of the chain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stage {
    /// The room.
    pub room: RoomId,
    /// Air temperature that is right, °C.
    pub temperature_c: Range<f64>,
    /// Relative humidity that is right, %.
    pub humidity_pct: Range<f64>,
    /// Days between turns in this room.
    pub turn_every_days: i64,
    /// Rind cover at which a wheel may leave for the next room; `None`: by stay alone.
    pub leave_at_cover_pct: Option<Percent>,
    /// Shortest and longest stay in days.
    pub stay_days: Range<i64>,
}

/// Piercing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pierce {
    /// When.
    pub age: Ages,
    /// Rind cover a wheel needs first.
    pub least_cover_pct: Percent,
}

/// Drawing cores with the iron.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Iron {
    /// Age of the first core.
    pub from_age_days: i64,
    /// How many wheels of a batch are ironed.
    pub wheels_per_batch: usize,
    /// Days between cores of the same wheel.
    pub every_days: i64,
    /// Blue coverage at which a batch is ready.
    pub ready_at_coverage_pct: Percent,
}

/// Grading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grading {
    /// Days after the batch is found ready.
    pub within_days: i64,
}

/// A market and the ages at which its wheels should arrive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Market {
    /// The market.
    pub id: MarketId,
    /// Days on the road.
    pub transit_days: i64,
    /// Ages on arrival that are right.
    pub arrive_age_days: Range<i64>,
    /// The age below which the law there forbids the sale, if any.
    pub legal_least_age_days: Option<i64>,
}

impl Market {
    /// Ages at which a wheel should leave the dairy for this market. The legal
    /// minimum holds on arrival, where the sale is.
    #[must_use]
    pub fn dispatch_ages(&self) -> Range<i64> {
        let least = self
            .arrive_age_days
            .least
            .max(self.legal_least_age_days.unwrap_or(0));
        Range {
            least: least - self.transit_days,
            most: self.arrive_age_days.most - self.transit_days,
        }
    }
}

impl Recipe {
    /// Ages at which a wheel should leave for at least one market: from the earliest
    /// opening to the last closing.
    #[must_use]
    pub fn dispatch_ages(&self) -> Range<i64> {
        let windows = self.markets.iter().map(Market::dispatch_ages);
        windows
            .reduce(|a, b| Range {
                least: a.least.min(b.least),
                most: a.most.max(b.most),
            })
            .unwrap_or(Range {
                least: 0,
                most: self.best_before_days,
            })
    }

    /// The stage of a room, with its place in the chain.
    #[must_use]
    pub fn stage_of(&self, room: RoomId) -> Option<(usize, &Stage)> {
        self.stages
            .iter()
            .enumerate()
            .find(|(_, stage)| stage.room == room)
    }
}
