//! Critical steps that were checked, what went wrong at them, and who decided what then.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{ControlId, FactId, PersonId, Scope};

/// A critical step of the dairy's own HACCP plan was checked by a person.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct ControlChecked {
    /// The critical step.
    pub control: ControlId,
    /// What was checked: a batch, a room, wheels.
    pub about: Option<Scope>,
    /// What was read, in the unit that the plan gives the limit in.
    pub value: Option<f64>,
    /// Where there is nothing to read: whether it was as the plan wants it.
    pub in_order: Option<bool>,
    /// What the person noted.
    pub note: Option<String>,
}

/// Something was not as the plan wants it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct DeviationFound {
    /// What is affected.
    pub about: Scope,
    /// The critical step, if it was at one.
    pub control: Option<ControlId>,
    /// What was found.
    pub found: String,
    /// What the plan wants.
    pub wanted: Option<String>,
}

/// What became of the food after a deviation. None of them releases it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum Consequence {
    /// The make goes on as it is.
    GoesOn,
    /// It is treated again.
    TreatedAgain,
    /// It is held.
    Held,
    /// It is thrown away.
    Discarded,
}

/// A named person decided what is done about a deviation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct DeviationDecided {
    /// The `deviation.found` fact.
    pub deviation: FactId,
    /// Who decided, by badge.
    pub decided_by: PersonId,
    /// The corrective action.
    pub action: String,
    /// What became of the food.
    pub consequence: Consequence,
}
