//! Lots of everything but milk: culture, rennet, salt, coating, packaging.

use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{Carrier, LotId, WheelId};

/// What a lot is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum LotKind {
    /// Starter or blue culture.
    Culture,
    /// Rennet.
    Rennet,
    /// Salt.
    Salt,
    /// What goes on the rind.
    Coating,
    /// What touches the cheese on its way out.
    Packaging,
    /// Anything else.
    Other,
}

/// The unit of an amount.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Grams.
    G,
    /// Kilograms.
    Kg,
    /// Millilitres.
    Ml,
    /// Litres.
    L,
    /// Pieces, sheets, doses.
    Piece,
}

impl Unit {
    /// As it is written.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::G => "g",
            Self::Kg => "kg",
            Self::Ml => "mL",
            Self::L => "L",
            Self::Piece => "pieces",
        }
    }
}

/// How much of a lot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct Amount {
    /// The number.
    pub value: f64,
    /// Its unit.
    pub unit: Unit,
}

/// The paper or message that goods came or went with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct Document {
    /// What it is, for example "delivery note".
    pub kind: String,
    /// Its number.
    pub number: String,
}

/// A lot came in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LotReceived {
    /// The lot, by the dairy's own code.
    pub lot: LotId,
    /// What it is of.
    pub kind: LotKind,
    /// The product, as its label says.
    pub product: String,
    /// Who delivered it.
    pub supplier: String,
    /// The supplier's own code for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supplier_lot: Option<String>,
    /// How much.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amount: Option<Amount>,
    /// The last day it may be used on.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        deserialize_with = "quantity::calendar::read::date_or_none"
    )]
    #[cfg_attr(
        feature = "testing",
        proptest(strategy = "crate::order::any_date_or_none()")
    )]
    pub use_by: Option<NaiveDate>,
    /// The paper or message it came with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub document: Option<Document>,
    /// What an imported message said besides, as the JSON it was: kept, and shown to a person.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extensions: Option<String>,
}

/// Something of a lot went onto wheels: coating, wrap, a box.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LotUsed {
    /// The lot.
    pub lot: LotId,
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// What was scanned, if not each wheel.
    pub via: Option<Carrier>,
    /// How much of it, in all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub amount: Option<Amount>,
}

/// Someone looked how much of a lot, of milk or of anything else, is left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LotCounted {
    /// The lot.
    pub lot: LotId,
    /// How much is left.
    pub left: Amount,
}
