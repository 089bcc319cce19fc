//! Tools: checks and sanitising.

use quantity::Grams;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::ToolId;

/// What was checked on a tool.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum ToolCheck {
    /// Needles of a piercing machine, counted.
    Needles {
        /// How many the machine should have.
        expected: u32,
        /// How many are whole.
        counted: u32,
    },
    /// An iron looked over for chips and cracks.
    Iron {
        /// Whether it is whole.
        whole: bool,
    },
    /// A scale shown a check weight.
    CheckWeight {
        /// The weight put on.
        applied_g: Grams,
        /// What the scale showed.
        shown_g: Grams,
        /// The largest difference accepted, in grams.
        allowed_g: Grams,
    },
}

impl ToolCheck {
    /// Whether the tool may be used.
    #[must_use]
    pub fn passed(&self) -> bool {
        match *self {
            Self::Needles { expected, counted } => counted == expected,
            Self::Iron { whole } => whole,
            Self::CheckWeight {
                applied_g,
                shown_g,
                allowed_g,
            } => applied_g.get().abs_diff(shown_g.get()) <= allowed_g.get(),
        }
    }
}

/// A tool was checked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct ToolChecked {
    /// The tool.
    pub tool: ToolId,
    /// What was checked and found.
    pub check: ToolCheck,
}

/// A tool was sanitised.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct ToolSanitised {
    /// The tool.
    pub tool: ToolId,
    /// How, as the cleaning plan names it.
    pub method: String,
}
