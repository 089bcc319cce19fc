//! What one wheel's label tells.

use facts::{BatchId, FactId, WheelId};
use quantity::{DairyDay, Grams};
use serde::{Deserialize, Serialize};

/// One label to print, once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LabelJob {
    /// The fact that asked for the label: the wheel's portioning. It names the print
    /// job, so that the same label is not printed twice.
    pub cause: FactId,
    /// The wheel.
    pub wheel: WheelId,
    /// Its batch.
    pub batch: BatchId,
    /// What the cheese is called.
    pub product: String,
    /// The day it was made.
    pub made: DairyDay,
    /// What it weighed when portioned, in grams.
    pub weight_g: Grams,
    /// Made with milk that was not pasteurised: the label must say so.
    pub raw_milk: bool,
    /// The dairy's name.
    pub site_name: String,
    /// The mark of the approved establishment, where local law asks for one.
    pub identification_mark: Option<String>,
}

impl LabelJob {
    /// The code in the symbol, as every station reads it: `W.<wheel>`.
    #[must_use]
    pub fn scan_code(&self) -> String {
        format!("W.{}", self.wheel)
    }
}
