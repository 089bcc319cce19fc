//! Labels: what was asked for again, what came out, and what did not.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{FactId, Sscc, WheelId};

/// What a label is of.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum LabelOf {
    /// A wheel.
    Wheel(WheelId),
    /// A case.
    Case(Sscc),
}

impl fmt::Display for LabelOf {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Wheel(wheel) => write!(f, "wheel {wheel}"),
            Self::Case(case) => write!(f, "case {case}"),
        }
    }
}

/// A named person wants a label again. It says COPY.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LabelWantedAgain {
    /// What it is of.
    pub of: LabelOf,
    /// Why.
    pub reason: String,
}

/// A case's label was printed. A wheel's is a `wheel.labelled`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct CaseLabelled {
    /// The case.
    pub case: Sscc,
    /// The fact that asked for the label: its packing, or a person's wish for another.
    pub cause: FactId,
    /// Where it was printed.
    pub printer: String,
}

/// Nobody could tell whether a label came out, and a named person looked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LabelAnswered {
    /// What it is of.
    pub of: LabelOf,
    /// The fact that asked for the label.
    pub cause: FactId,
    /// Whether it came out; if not, it is printed now.
    pub printed: bool,
}

/// A label was not printed and will not be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct LabelDropped {
    /// What it is of.
    pub of: LabelOf,
    /// The fact that asked for the label.
    pub cause: FactId,
    /// Why.
    pub reason: String,
}
