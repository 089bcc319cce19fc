//! The make: one vat, one batch.

use quantity::{Celsius, Grams, Litres, Ph};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{BatchId, LotId, RecipeId, VatId, WheelId};

/// Milk went into a vat: a batch began.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct VatStarted {
    /// The batch.
    pub batch: BatchId,
    /// The vat.
    pub vat: VatId,
    /// The recipe it is made by.
    pub recipe: RecipeId,
    /// The recipe's version: a wheel keeps the version it was made under.
    pub recipe_version: u32,
    /// Milk in the vat.
    pub milk_l: Litres,
    /// The milk lots in it.
    pub milk_lots: Vec<LotId>,
}

/// Milk of one lot ran into the vat: how much of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct VatFilled {
    /// The batch.
    pub batch: BatchId,
    /// The milk lot.
    pub lot: LotId,
    /// How much of it.
    pub volume_l: Litres,
}

/// Where reworked curd or cheese comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum ReworkSource {
    /// Curd left over from a batch.
    Batch(BatchId),
    /// A wheel, or trimmings of one.
    Wheel(WheelId),
}

/// Curd or cheese of an earlier make went into this one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct VatReworked {
    /// The batch it went into.
    pub batch: BatchId,
    /// Where it comes from.
    pub from: ReworkSource,
    /// How much of it.
    pub weight_g: Grams,
}

/// A batch goes on under another recipe or version, on purpose: its wheels ripen by that
/// one from then on. Without this fact they keep the version they were made under.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct VatRecipeChanged {
    /// The batch.
    pub batch: BatchId,
    /// The recipe it ripens by now.
    pub recipe: RecipeId,
    /// The recipe's version.
    pub recipe_version: u32,
    /// Why, in a person's words.
    pub reason: String,
}

/// What went into the vat besides milk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum Ingredient {
    /// Starter or blue culture.
    Culture,
    /// Rennet.
    Rennet,
    /// Salt.
    Salt,
}

/// Culture, rennet or salt was added.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct VatDosed {
    /// The batch.
    pub batch: BatchId,
    /// What was added.
    pub ingredient: Ingredient,
    /// Its lot.
    pub lot: LotId,
    /// How much, in grams or millilitres as the lot is labelled.
    pub amount: f64,
}

/// One reading from a vat.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum Reading {
    /// pH.
    Ph(Ph),
    /// Titratable acidity in degrees Dornic (0.1 g lactic acid per litre).
    AcidityDornic(f64),
    /// Temperature.
    TemperatureC(Celsius),
}

/// A vat was measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct VatMeasured {
    /// The batch.
    pub batch: BatchId,
    /// What was read.
    pub reading: Reading,
}

macro_rules! vat_steps {
    ($($(#[$doc:meta])* $name:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
        pub struct $name {
            /// The batch.
            pub batch: BatchId,
            /// What the cheesemaker noted.
            pub note: Option<String>,
        }
    )*};
}

vat_steps! {
    /// The curd was cut.
    VatCut;
    /// The curd was milled.
    VatMilled;
    /// The make is over: no more curd will be portioned from this vat.
    VatClosed;
}

/// Whey was drawn off.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct VatDrained {
    /// The batch.
    pub batch: BatchId,
    /// Whey drawn, if measured.
    pub whey_l: Option<Litres>,
}
