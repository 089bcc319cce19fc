//! What the dairy's safety file says.

use std::collections::BTreeSet;

use facts::{ControlId, PersonId, RoomId, ToolId};

use crate::heat::Pairs;

/// A dairy's safety file.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Badges of those who may end a hold.
    pub may_release: BTreeSet<PersonId>,
    /// What heat treatment milk is judged by.
    pub heat: Pairs,
    /// Critical steps.
    pub controls: Vec<Control>,
    /// Sampling plans.
    pub samplings: Vec<Sampling>,
}

impl Plan {
    /// A sampling plan by its name.
    #[must_use]
    pub fn sampling(&self, id: &str) -> Option<&Sampling> {
        self.samplings.iter().find(|sampling| sampling.id == id)
    }
}

/// A critical step of the dairy's own HACCP plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Control {
    /// Its code.
    pub id: ControlId,
    /// Its name.
    pub name: String,
    /// What is read.
    pub reads: Reads,
    /// What it must be.
    pub limit: Limit,
    /// How often.
    pub every: Every,
    /// What to do when it is not.
    pub when_wrong: String,
}

/// A step of the make before which a reading counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Step {
    /// Cutting.
    Cut,
    /// Drawing off the whey.
    Drained,
    /// Milling.
    Milled,
    /// The end of the make.
    Closed,
}

/// What a check reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reads {
    /// The vat's last pH, before a step if one is named.
    VatPh(Option<Step>),
    /// The vat's last acidity, °D.
    VatAcidity(Option<Step>),
    /// The vat's last temperature, °C.
    VatTemperature(Option<Step>),
    /// The heat treatment of a milk lot.
    MilkHeat,
    /// A screening of a milk lot.
    MilkScreen,
    /// The count of a machine's needles.
    Needles(ToolId),
    /// An iron looked over.
    Iron(ToolId),
    /// A scale's check weight.
    CheckWeight(ToolId),
    /// A room's air temperature, °C.
    RoomTemperature(RoomId),
    /// A room's relative humidity, %.
    RoomHumidity(RoomId),
    /// A room's ammonia, ppm.
    RoomAmmonia(RoomId),
    /// A room's carbon dioxide, ppm.
    RoomCarbonDioxide(RoomId),
    /// What a person reads or sees.
    ByHand,
}

impl Reads {
    /// The unit of the limit.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::VatPh(_) => "pH",
            Self::VatAcidity(_) => "°D",
            Self::VatTemperature(_) | Self::RoomTemperature(_) => "°C",
            Self::RoomHumidity(_) => "%",
            Self::RoomAmmonia(_) | Self::RoomCarbonDioxide(_) => "ppm",
            _ => "",
        }
    }
}

/// What a reading must be.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Limit {
    /// At least.
    pub least: Option<f64>,
    /// At most.
    pub most: Option<f64>,
}

impl Limit {
    /// Whether a reading is within. Not a number is not.
    #[must_use]
    pub fn takes(&self, value: f64) -> bool {
        !value.is_nan()
            && self.least.is_none_or(|least| value >= least)
            && self.most.is_none_or(|most| value <= most)
    }

    /// In words, with a unit.
    #[must_use]
    pub fn words(&self, unit: &str) -> String {
        let unit = if unit.is_empty() {
            String::new()
        } else {
            format!(" {unit}")
        };
        match (self.least, self.most) {
            (Some(least), Some(most)) => format!("{least} to {most}{unit}"),
            (Some(least), None) => format!("at least {least}{unit}"),
            (None, Some(most)) => format!("at most {most}{unit}"),
            (None, None) => "in order".to_owned(),
        }
    }
}

/// How often a check is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Every {
    /// Once a batch, within so many hours of its start.
    Batch {
        /// Hours.
        within_h: u32,
    },
    /// Once a milk lot, within so many hours of its coming in.
    MilkLot {
        /// Hours.
        within_h: u32,
    },
    /// Once a dairy day.
    Day,
    /// Once on every dairy day on which the tool was used.
    DayOfUse,
}

/// A sampling plan: so many units, of which so many may lie between two limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Sampling {
    /// Its name in facts.
    pub id: String,
    /// What is looked for.
    pub test: String,
    /// Units in a sample, n.
    pub n: u16,
    /// Units that may lie between m and M, c.
    pub c: u16,
    /// The limits.
    pub limits: Limits,
    /// Where it comes from.
    pub source: Option<String>,
}

/// The limits of a sampling plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limits {
    /// Nothing in so many grams.
    NotDetected {
        /// Grams.
        in_g: f64,
    },
    /// Colonies in a gram.
    Counts {
        /// m: satisfactory up to here.
        m: f64,
        /// M: unsatisfactory above.
        big_m: f64,
    },
}
