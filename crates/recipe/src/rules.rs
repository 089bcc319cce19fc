//! What a recipe says, once it has been read and found consistent.

use facts::{Grade, HoldId, MarketId, RecipeId, RoomId};
use quantity::{Grams, Percent};
use serde::{Deserialize, Serialize};

use crate::sampling;

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
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
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
    /// What a wheel should weigh when it is finished, if the recipe says.
    pub finish: Option<Finish>,
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
    /// Holds that every wheel is born under (positive release).
    pub holds: Vec<Hold>,
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

/// What a finished wheel weighs: the loss that is expected on the way there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finish {
    /// Weight of a wheel portioned on target.
    pub weight_g: Grams,
    /// How far off the curve a weighing may be, either way.
    pub tolerance_g: Grams,
    /// The age at which it has that weight.
    pub age_days: i64,
}

/// A hold that every wheel of a recipe is born under.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hold {
    /// The hold, as it is named in a release.
    pub id: HoldId,
    /// What must be known before a person may release it.
    pub reason: String,
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
    /// When it is pierced once more, in dairy days after the first piercing.
    pub again: Option<Ages>,
    /// Whether the machine's needles must have been counted and found whole on the same
    /// dairy day.
    pub needle_check: bool,
}

/// How many wheels of a batch are ironed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IronPlan {
    /// So many, or all when the batch has fewer.
    Wheels(usize),
    /// As many as ISO 2859-1 draws from a lot of that size.
    Iso2859,
}

impl IronPlan {
    /// How many wheels of a batch of this size are ironed.
    #[must_use]
    pub fn of(self, batch: usize) -> usize {
        match self {
            Self::Wheels(wheels) => wheels.min(batch),
            Self::Iso2859 => sampling::sample(batch),
        }
    }
}

/// Drawing cores with the iron.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Iron {
    /// Age of the first core.
    pub from_age_days: i64,
    /// How many wheels of a batch are ironed.
    pub wheels_per_batch: IronPlan,
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
#[derive(Debug, Clone, PartialEq)]
pub struct Market {
    /// The market.
    pub id: MarketId,
    /// Days on the road.
    pub transit_days: i64,
    /// Ages on arrival that are right.
    pub arrive_age_days: Range<i64>,
    /// The age below which the law there forbids the sale, if any.
    pub legal_least_age_days: Option<i64>,
    /// Grades it takes; empty takes every grade but rejects.
    pub grades: Vec<Grade>,
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

    /// Whether wheels of a grade may go there.
    #[must_use]
    pub fn takes(&self, grade: Grade) -> bool {
        grade != Grade::Reject && (self.grades.is_empty() || self.grades.contains(&grade))
    }
}

impl Recipe {
    /// Ages at which a wheel should leave for at least one market: from the earliest
    /// opening to the last closing.
    #[must_use]
    pub fn dispatch_ages(&self) -> Range<i64> {
        self.ages_for(self.markets.iter())
            .unwrap_or(self.best_before())
    }

    /// The same for a wheel of this grade; `None` when no market takes it.
    #[must_use]
    pub fn dispatch_ages_for(&self, grade: Grade) -> Option<Range<i64>> {
        if self.markets.is_empty() {
            return (grade != Grade::Reject).then_some(self.best_before());
        }
        self.ages_for(self.markets.iter().filter(|market| market.takes(grade)))
    }

    fn ages_for<'m>(&self, markets: impl Iterator<Item = &'m Market>) -> Option<Range<i64>> {
        markets.map(Market::dispatch_ages).reduce(|a, b| Range {
            least: a.least.min(b.least),
            most: a.most.max(b.most),
        })
    }

    const fn best_before(&self) -> Range<i64> {
        Range {
            least: 0,
            most: self.best_before_days,
        }
    }

    /// A market by its code.
    #[must_use]
    pub fn market(&self, id: MarketId) -> Option<&Market> {
        self.markets.iter().find(|market| market.id == id)
    }

    /// What a wheel should weigh at an age, in grams, from the weight it was portioned
    /// at. A drying slab loses in proportion to the square root of time (Crank, *The
    /// Mathematics of Diffusion*, short times), scaled here so that a wheel portioned on
    /// target has its finish weight at its finish age. `None` without a finish weight.
    #[must_use]
    pub fn expected_weight_g(&self, portioned: Grams, age_days: i64) -> Option<f64> {
        let finish = self.finish?;
        let lost_at_finish =
            1.0 - f64::from(finish.weight_g.get()) / f64::from(self.portion.weight_g.get());
        let so_far = (age_days.max(0) as f64 / finish.age_days as f64).sqrt();
        Some(f64::from(portioned.get()) * (1.0 - lost_at_finish * so_far).max(0.0))
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
