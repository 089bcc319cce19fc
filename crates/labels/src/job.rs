//! One label to print, once.

use facts::FactId;
use serde::{Deserialize, Serialize};

use crate::Label;

/// One label to print, once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LabelJob {
    /// The fact that asked for the label: a wheel's portioning, a case's packing, or a
    /// person's wish for another. It is part of the print job's name, so that the same label
    /// is not printed twice.
    pub cause: FactId,
    /// Printed before: the label says COPY.
    #[serde(default)]
    pub copy: bool,
    /// What it tells.
    pub label: Label,
}

impl LabelJob {
    /// The print job's name, by which a printer is asked: what it is of, and its cause.
    #[must_use]
    pub fn name(&self) -> String {
        format!("{}-{}", self.label.of(), self.cause)
    }
}
