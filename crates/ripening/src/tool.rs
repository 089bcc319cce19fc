//! A tool's checks.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{Fact, FactId, ToolCheck, stored_struct};
use holds::{Guard, Target};

use crate::{Moment, Voids};

/// A tool and its checks, in order.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tool {
    checks: BTreeMap<Moment, Checked>,
}

/// One check, and who takes it back.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Checked {
    check: ToolCheck,
    guard: Guard,
}

impl Checked {
    fn is_void(&self, moment: &Moment, voids: &Voids) -> bool {
        voids.takes_back(Target::kept(moment.fact, self.guard))
    }
}

impl Tool {
    /// Takes a check. `false`: it was there already.
    pub fn check(&mut self, fact: &Fact, check: ToolCheck) -> bool {
        let guard = Guard::of(fact);
        let checked = Checked { check, guard };
        self.checks.insert(Moment::of(fact), checked).is_none()
    }

    /// Whether the latest check between two instants, both included, was passed. `false`
    /// without one.
    #[must_use]
    pub fn good_between(&self, from: DateTime<Utc>, to: DateTime<Utc>, voids: &Voids) -> bool {
        let checks = self.checks.iter().rev();
        checks
            .skip_while(|(moment, _)| moment.at > to)
            .take_while(|(moment, _)| moment.at >= from)
            .find(|(moment, checked)| !checked.is_void(moment, voids))
            .is_some_and(|(_, checked)| checked.check.passed())
    }

    /// Who takes a fact back, if it is a check of this tool.
    #[must_use]
    pub fn guard_of(&self, fact: FactId) -> Option<Guard> {
        let mut checks = self.checks.iter();
        let found = checks.find(|(moment, _)| moment.fact == fact);
        found.map(|(_, checked)| checked.guard)
    }

    /// When a fact's check was made, if it is one of this tool's.
    #[must_use]
    pub fn check_of(&self, fact: FactId) -> Option<DateTime<Utc>> {
        let mut moments = self.checks.keys();
        moments.find(|moment| moment.fact == fact).map(|m| m.at)
    }

    /// The last good check before an instant.
    #[must_use]
    pub(crate) fn good_before(&self, at: DateTime<Utc>, voids: &Voids) -> Option<Moment> {
        let before = self
            .checks
            .iter()
            .rev()
            .filter(|(moment, _)| moment.at < at);
        let mut good = before.filter(|(m, c)| c.check.passed() && !c.is_void(m, voids));
        good.next().map(|(moment, _)| *moment)
    }

    /// The latest check, and when the tool last passed one.
    #[must_use]
    pub fn standing(&self, voids: &Voids) -> Option<(Moment, ToolCheck, Option<Moment>)> {
        let valid = || {
            self.checks
                .iter()
                .rev()
                .filter(|(moment, checked)| !checked.is_void(moment, voids))
        };
        let (at, checked) = valid().next()?;
        let last_good = valid().find(|(_, c)| c.check.passed()).map(|(m, _)| *m);
        Some((*at, checked.check, last_good))
    }
}

stored_struct!(Checked { check, guard });
stored_struct!(Tool { checks });
