//! What a person may do, by role and by how well it is known who they are.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a person is here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Works on the floor.
    Operator,
    /// An operator who also irons and grades.
    Ironer,
    /// An ironer who also releases holds, corrects records and lets people and devices in.
    Manager,
    /// Looks, and changes nothing.
    Inspector,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 4] = [Self::Operator, Self::Ironer, Self::Manager, Self::Inspector];

    /// As it is written.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Operator => "operator",
            Self::Ironer => "ironer",
            Self::Manager => "manager",
            Self::Inspector => "inspector",
        }
    }

    /// Whether they may record anything.
    #[must_use]
    pub const fn records(self) -> bool {
        !matches!(self, Self::Inspector)
    }
}
