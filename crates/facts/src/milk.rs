//! Milk, before it is cheese.

use quantity::{Celsius, Litres, Percent};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::LotId;

/// A milk lot came in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct MilkReceived {
    /// The milk lot.
    pub lot: LotId,
    /// Who delivered it.
    pub supplier: String,
    /// How much.
    pub volume_l: Litres,
    /// Temperature on arrival.
    pub temperature_c: Option<Celsius>,
    /// Fat, % by mass.
    pub fat_pct: Option<Percent>,
    /// Protein, % by mass.
    pub protein_pct: Option<Percent>,
}

/// A milk lot was screened, for example for antibiotics.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct MilkScreened {
    /// The milk lot.
    pub lot: LotId,
    /// What it was screened for.
    pub test: String,
    /// Whether it may be used.
    pub passed: bool,
}

/// A milk lot was heat-treated. A raw lot simply has no such fact.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct MilkPasteurised {
    /// The milk lot.
    pub lot: LotId,
    /// Lowest temperature during the holding time.
    pub temperature_c: Celsius,
    /// Holding time in seconds.
    pub held_s: f64,
}
