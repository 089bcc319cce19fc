//! An allocation: which wheels go to which line, on which day, how sure that is and why.

use std::collections::HashMap;

use facts::{CustomerId, Grade, HoldId, LaneId, MarketId, OrderId, RecipeId, WheelId};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::model::Objective;
use crate::stock::{Kept, Source};
use crate::wanted::{Amount, LineKey, Window};

/// Which wheels go to which line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Allocation {
    /// The day it was made on.
    pub today: DairyDay,
    /// The last day that was looked at.
    pub until: DairyDay,
    /// Every open line, in the order of arrival.
    pub lines: Vec<LineOutcome>,
    /// Wheels that nobody was given.
    pub left: Vec<LeftOver>,
    /// Wheels that may not be promised.
    pub kept: Vec<KeptBack>,
    /// Its cost without what was already told to customers, rank after rank.
    pub objective: Objective,
    /// No allocation costs less. It is equal to the objective unless limits on mixing
    /// batches had to be kept: then the difference is what they may have cost too much.
    pub bound: Objective,
    /// How large the problem was.
    pub size: Size,
}

/// How large the problem was, and how much work its solution.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Size {
    /// Wheels.
    pub wheels: usize,
    /// Lots of interchangeable wheels.
    pub lots: usize,
    /// Lines.
    pub lines: usize,
    /// Arcs of the network.
    pub arcs: usize,
    /// Steps of the solver, and how often it was started.
    pub steps: usize,
    /// Solutions.
    pub solutions: usize,
}

/// What becomes of one line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineOutcome {
    /// Which.
    pub key: LineKey,
    /// Who ordered.
    pub customer: CustomerId,
    /// Where it goes.
    pub market: MarketId,
    /// The cheese.
    pub recipe: RecipeId,
    /// The least grade accepted.
    pub grade: Grade,
    /// What is still to come.
    pub amount: Amount,
    /// Right ages on arrival.
    pub window: Window,
    /// Whether the customer was told what comes.
    pub told: bool,
    /// The wheels.
    pub assigned: Vec<Assigned>,
    /// Wheels that are missing.
    pub short: usize,
    /// The probability that all of it comes, in time and as it was asked for; 0 to 1.
    pub certainty: f64,
    /// Why wheels are missing and what would help.
    pub shortage: Option<Shortage>,
    /// What cannot be met whatever is promised.
    pub trouble: Option<String>,
}

/// Wheels of one lot that go to one line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Assigned {
    /// Where they come from.
    pub source: Source,
    /// Their grade.
    pub grade: Grade,
    /// Whether it was found, not only expected.
    pub graded: bool,
    /// Their weight class among that day's.
    pub class: u16,
    /// A hold that must be released before they leave.
    pub awaits: Option<HoldId>,
    /// How many.
    pub count: usize,
    /// Which; empty where nobody can say yet.
    pub wheels: Vec<WheelId>,
    /// What they weigh together, g.
    pub grams: u64,
    /// The way they go.
    pub lane: LaneId,
    /// The day they leave.
    pub leave_on: DairyDay,
    /// The day they most likely arrive.
    pub arrive_on: DairyDay,
    /// Their age then, in dairy days.
    pub age_days: i64,
    /// Probability of being ready by the day they leave, 0 to 1.
    pub ready: f64,
    /// Probability of arriving by the day that was asked for, once they have left.
    pub on_time: f64,
    /// Probability of arriving within the window of ages, once they have left.
    pub in_window: f64,
    /// Whether the customer was told so: it stays.
    pub locked: bool,
    /// Why these.
    pub because: String,
}

/// Why wheels are missing and what would help.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shortage {
    /// In one sentence.
    pub words: String,
    /// Why, what matters most first.
    pub why: Vec<String>,
    /// What could be done instead: each stands alone.
    pub options: Vec<String>,
}

/// Wheels that nobody was given.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LeftOver {
    /// Where they come from.
    pub source: Source,
    /// Their recipe.
    pub recipe: RecipeId,
    /// Their grade, found or expected.
    pub grade: Grade,
    /// Whether it was found.
    pub graded: bool,
    /// The order they are reserved for, though it cannot use them.
    pub reserved: Option<OrderId>,
    /// How many.
    pub count: usize,
    /// What they weigh together, g.
    pub grams: u64,
    /// The last day on which they can leave and still be in their best weeks somewhere.
    pub last_day: DairyDay,
    /// Whether that day lies before the last day that was looked at.
    pub past_best: bool,
}

/// Wheels that may not be promised.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptBack {
    /// Where they come from.
    pub source: Source,
    /// Their recipe.
    pub recipe: RecipeId,
    /// Their grade, if they have one.
    pub grade: Option<Grade>,
    /// How many.
    pub count: usize,
    /// Why.
    pub kept: Kept,
}

/// Yesterday's allocation, as today's is compared with it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Yesterday {
    /// Wheels by line.
    pub(crate) wheels: HashMap<WheelId, LineKey>,
    /// How many wheels that nobody could name, by batch, grade, weight class and line.
    pub(crate) unnamed: HashMap<(Source, Grade, u16, LineKey), usize>,
}

impl Yesterday {
    /// What to compare with.
    #[must_use]
    pub fn of(allocation: &Allocation) -> Self {
        let mut yesterday = Self::default();
        for line in &allocation.lines {
            for assigned in &line.assigned {
                if assigned.wheels.is_empty() {
                    let key = (assigned.source, assigned.grade, assigned.class, line.key);
                    *yesterday.unnamed.entry(key).or_default() += assigned.count;
                }
                let wheels = assigned.wheels.iter().map(|wheel| (*wheel, line.key));
                yesterday.wheels.extend(wheels);
            }
        }
        yesterday
    }

    /// Whether there is nothing to compare with.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.wheels.is_empty() && self.unnamed.is_empty()
    }
}

impl LineOutcome {
    /// Wheels that are assigned.
    #[must_use]
    pub fn assigned_count(&self) -> usize {
        self.assigned.iter().map(|assigned| assigned.count).sum()
    }

    /// What they weigh together, g.
    #[must_use]
    pub fn grams(&self) -> u64 {
        self.assigned.iter().map(|assigned| assigned.grams).sum()
    }
}
