//! Milk, before it is cheese.

use quantity::{Celsius, Litres, Percent};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{Document, LotId};

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
    /// The supplier's own code for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supplier_lot: Option<String>,
    /// The paper or message it came with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub document: Option<Document>,
    /// What an imported message said besides, as the JSON it was: kept, and shown to a person.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extensions: Option<String>,
}

/// Milk of several lots was put together: a silo, a churn filled up. It is a lot of its own
/// from then on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct MilkPooled {
    /// The new lot.
    pub lot: LotId,
    /// What went into it.
    pub from: Vec<MilkPart>,
}

/// Milk of one lot, as a part of something.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct MilkPart {
    /// The milk lot.
    pub lot: LotId,
    /// How much of it.
    pub volume_l: Litres,
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

/// The heat treatment of a milk lot as it was logged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct MilkHeated {
    /// The milk lot.
    pub lot: LotId,
    /// How long every drop is held, in seconds, in a plant with a holding tube; nothing for
    /// a vat, where the readings themselves tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holding_tube_s: Option<f64>,
    /// Readings in the order in which they were taken.
    pub readings: Vec<HeatReading>,
}

/// One reading of a heat treatment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct HeatReading {
    /// Seconds after the first.
    pub after_s: f64,
    /// Temperature at the coldest place that is held.
    pub temperature_c: Celsius,
}
