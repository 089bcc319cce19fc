//! A tool's checks.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{FactId, ToolCheck, stored_struct};

use crate::stored::checks;
use crate::{Moment, Voids};

/// A tool and its checks, in order.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tool {
    checks: BTreeMap<Moment, ToolCheck>,
}

impl Tool {
    /// Takes a check. `false`: it was there already.
    pub fn check(&mut self, moment: Moment, check: ToolCheck) -> bool {
        self.checks.insert(moment, check).is_none()
    }

    /// Whether the latest check between two instants, both included, was passed. `false`
    /// without one.
    #[must_use]
    pub fn good_between(&self, from: DateTime<Utc>, to: DateTime<Utc>, voids: &Voids) -> bool {
        let checks = self.checks.iter().rev();
        checks
            .skip_while(|(moment, _)| moment.at > to)
            .take_while(|(moment, _)| moment.at >= from)
            .find(|(moment, check)| !voids.takes_back(moment.fact, !check.passed()))
            .is_some_and(|(_, check)| check.passed())
    }

    /// Whether a fact is a check of this tool that it did not pass.
    #[must_use]
    pub fn failed(&self, fact: FactId) -> bool {
        let mut checks = self.checks.iter();
        checks.any(|(moment, check)| moment.fact == fact && !check.passed())
    }

    /// When a fact's check was made, if it is one of this tool's.
    #[must_use]
    pub fn check_of(&self, fact: FactId) -> Option<DateTime<Utc>> {
        let mut moments = self.checks.keys();
        moments.find(|moment| moment.fact == fact).map(|m| m.at)
    }

    /// The latest check, and when the tool last passed one.
    #[must_use]
    pub fn standing(&self, voids: &Voids) -> Option<(Moment, ToolCheck, Option<Moment>)> {
        let valid = || {
            self.checks
                .iter()
                .rev()
                .filter(|(m, check)| !voids.takes_back(m.fact, !check.passed()))
        };
        let (at, check) = valid().next()?;
        let last_good = valid().find(|(_, c)| c.passed()).map(|(m, _)| *m);
        Some((*at, *check, last_good))
    }
}

stored_struct!(Tool { checks via checks });
