//! A recall as it is reported: what is left of it in JSON, where reasons, flags and cautions are
//! words. Whoever asks for a recall reads this, and so does whoever made it, so that both show
//! the same.

use chrono::{DateTime, Utc};
use facts::{BatchId, Carrier, HoldId, OrderId, PersonId, RoomId, Scope, WheelId};
use serde::{Deserialize, Serialize};

use crate::{
    BatchBalance, CustomerLine, Level, LotBalance, LotLine, Total, WheelBalance, Whereabouts,
};

/// A recall, as [`crate::Recall`] is written in JSON.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Report {
    /// What was asked about.
    pub about: Scope,
    /// Seen from this instant.
    pub at: DateTime<Utc>,
    /// Lots that went into it.
    pub back: Vec<LotLine>,
    /// Badges of those who had it in their hands.
    pub people: Vec<PersonId>,
    /// Every wheel, the certain ones first.
    pub wheels: Vec<ReportedWheel>,
    /// Sums.
    pub totals: Vec<Total>,
    /// Who has to be told, the worst first.
    pub customers: Vec<CustomerLine>,
    /// Balance of every lot that was asked about or pooled from it.
    pub lots: Vec<LotBalance>,
    /// Balance of every batch that is certainly affected.
    pub makes: Vec<BatchBalance>,
    /// Balance of the certain wheels.
    pub balance: WheelBalance,
    /// What a person has to look at.
    pub flags: Vec<String>,
    /// What to mind when acting on it.
    pub cautions: Vec<String>,
}

/// One wheel of it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct ReportedWheel {
    /// The wheel.
    pub wheel: WheelId,
    /// How likely it is that it is affected.
    pub level: Level,
    /// Why, the most telling reason first.
    pub because: Vec<ReportedReason>,
    /// Its batch.
    pub batch: Option<BatchId>,
    /// Where it is.
    pub whereabouts: Whereabouts,
    /// The room it is in.
    #[serde(default)]
    pub room: Option<RoomId>,
    /// What it stands on or in.
    #[serde(default)]
    pub carrier: Option<Carrier>,
    /// The order it went to.
    #[serde(default)]
    pub order: Option<OrderId>,
    /// Latest weight, in grams.
    pub weight_g: u32,
    /// Holds that keep it.
    pub holds: Vec<HoldId>,
}

/// Why a wheel is in it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReportedReason {
    /// In words.
    pub words: String,
}

impl Report {
    /// Wheels of one level.
    pub fn at_level(&self, level: Level) -> impl Iterator<Item = &ReportedWheel> {
        self.wheels.iter().filter(move |wheel| wheel.level == level)
    }
}
