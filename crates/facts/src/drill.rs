//! Rehearsals.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::Scope;

/// A recall was rehearsed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct TraceDrilled {
    /// What was traced.
    pub about: Scope,
    /// How long it took from the question to the whole answer, in milliseconds.
    pub took_ms: u64,
    /// Wheels found, of every level.
    pub wheels: u32,
    /// Of them, those that the suspect went into for certain.
    pub certain: u32,
    /// Customers to be told.
    pub customers: u32,
    /// What the mass balance cannot explain, in grams: more went out than came in below 0.
    pub unexplained_g: i64,
    /// What the person who held the drill noted.
    pub note: Option<String>,
}
