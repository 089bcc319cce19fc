//! A tool's checks.

use std::collections::BTreeMap;

use facts::ToolCheck;
use serde::{Deserialize, Serialize};

use crate::{Moment, Voids};

/// A tool and its checks, in order.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Tool {
    checks: BTreeMap<Moment, ToolCheck>,
}

impl Tool {
    /// Takes a check. `false`: it was there already.
    pub fn check(&mut self, moment: Moment, check: ToolCheck) -> bool {
        self.checks.insert(moment, check).is_none()
    }

    /// The latest check, and when the tool last passed one.
    #[must_use]
    pub fn standing(&self, voids: &Voids) -> Option<(Moment, ToolCheck, Option<Moment>)> {
        let valid = || {
            self.checks
                .iter()
                .rev()
                .filter(|(m, _)| !voids.is_void(m.fact))
        };
        let (at, check) = valid().next()?;
        let last_good = valid().find(|(_, c)| c.passed()).map(|(m, _)| *m);
        Some((*at, *check, last_good))
    }
}
