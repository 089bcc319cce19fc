//! What is wrong with the portions, in words that a person can act on.

use chrono::{DateTime, Utc};
use facts::{BatchId, PersonId, stored_enum};
use quantity::DairyClock;
use serde::{Deserialize, Serialize};

use crate::Rules;
use crate::nelson::Test;

/// To which side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Lean {
    /// Heavier.
    High,
    /// Lighter.
    Low,
    /// It is not about a side.
    Neither,
}

/// What was found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "what")]
pub enum What {
    /// Portions lie off the aim.
    Off {
        /// By how much on average, in grams; heavy is positive.
        offset_g: f64,
        /// The test that told.
        test: Test,
    },
    /// They lie too far apart.
    Apart {
        /// From the lightest to the heaviest of a sample, in grams.
        range_g: f64,
        /// What a sample hardly ever exceeds, in grams.
        usual_g: f64,
    },
}

impl What {
    /// To which side.
    #[must_use]
    pub fn lean(&self) -> Lean {
        match self {
            Self::Off { offset_g, .. } if *offset_g > 0.0 => Lean::High,
            Self::Off { .. } => Lean::Low,
            Self::Apart { .. } => Lean::Neither,
        }
    }
}

/// Something that the person at the scale should know.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// What.
    #[serde(flatten)]
    pub what: What,
    /// When the portion was weighed that showed it.
    pub at: DateTime<Utc>,
    /// Its vat.
    pub batch: BatchId,
    /// Since when: the first portion that it holds for.
    pub since: DateTime<Utc>,
    /// How many portions since then, that one included.
    pub portions: usize,
    /// Who weighed all of them, if it was one person.
    pub person: Option<PersonId>,
}

impl Finding {
    /// What was found, in one sentence.
    #[must_use]
    pub fn says(&self, clock: &DairyClock) -> String {
        let day = |at: DateTime<Utc>| clock.day_of(at);
        let since = match day(self.since) == day(self.at) {
            true => local_time(clock, self.since),
            false => clock.floor_time(self.since),
        };
        let by = match self.person {
            Some(person) => format!(", all weighed by {person}"),
            None => String::new(),
        };
        let portions = self.portions;
        match self.what {
            What::Off { offset_g, .. } => format!(
                "portions run {:.0} g {} since {since} ({portions} portions{by})",
                offset_g.abs(),
                if offset_g > 0.0 { "heavy" } else { "light" },
            ),
            What::Apart { range_g, usual_g } => format!(
                "portions lie {range_g:.0} g apart since {since}, usual is at most {usual_g:.0} g \
                 ({portions} portions{by})"
            ),
        }
    }

    /// What to do about it, in one or two sentences.
    #[must_use]
    pub fn advice(&self, rules: &Rules) -> String {
        let aim = rules.aim.weight_g;
        match self.what {
            What::Off { offset_g, .. } => format!(
                "Check the scale's zero and the empty hoop's weight; then put about {:.0} g {} into each hoop: the aim is {aim}.",
                fives(offset_g.abs()),
                if offset_g > 0.0 { "less" } else { "more" },
            ),
            What::Apart { .. } => format!(
                "Weigh these {} again, and wait for the scale to stand still.",
                rules.size.get()
            ),
        }
    }
}

/// Whole steps of 5 g, and never more than what is off.
fn fives(grams: f64) -> f64 {
    ((grams / 5.0).floor() * 5.0).max(5.0)
}

pub(crate) fn local_time(clock: &DairyClock, at: DateTime<Utc>) -> String {
    clock.at_home(at).format("%H:%M").to_string()
}

stored_enum!(Lean {
    0 = High,
    1 = Low,
    2 = Neither,
});
