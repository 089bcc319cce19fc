//! Which facts count as never having happened.

use std::collections::{BTreeMap, BTreeSet};

use authority::workers::{self, OFFICE};
use facts::{Event, Fact, FactId, Voided, stored_struct};
use serde::{Deserialize, Serialize};

/// One voiding: the fact that voids, and why.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Voiding {
    /// The `fact.voided` fact.
    pub by: FactId,
    /// The fact it voids.
    pub target: FactId,
    /// Why, in a person's words.
    pub reason: String,
    /// Whether it is a manager's correction, which may take back anything. A station takes
    /// back only what keeps nobody safe.
    pub corrects: bool,
}

stored_struct!(Voiding {
    by,
    target,
    reason,
    corrects,
});

impl Voiding {
    /// What a `fact.voided` fact says.
    #[must_use]
    pub fn of(fact: &Fact, voided: &Voided) -> Self {
        Self {
            by: fact.id,
            target: voided.fact,
            reason: voided.reason.clone(),
            corrects: fact.station.as_str() == OFFICE,
        }
    }
}

/// All voidings. A voiding can itself be voided, by a correction; then its target counts again.
///
/// Which voidings count is for [`authority::workers`] to say, and depends on the fact they name:
/// whoever asks says whether that one keeps somebody safe. So the answer is the same in whatever
/// order facts arrive, and nothing has to be remembered of them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Voids {
    by_target: BTreeMap<FactId, BTreeSet<Voiding>>,
    by_voider: BTreeMap<FactId, FactId>,
}

impl Voids {
    /// Adds a voiding. Returns every fact whose standing may have changed.
    pub fn add(&mut self, voiding: Voiding) -> Vec<FactId> {
        let mut affected = vec![voiding.target];
        self.by_voider.insert(voiding.by, voiding.target);
        self.by_target
            .entry(voiding.target)
            .or_default()
            .insert(voiding);
        while let Some(next) = affected.last().and_then(|fact| self.by_voider.get(fact)) {
            if affected.contains(next) {
                break;
            }
            affected.push(*next);
        }
        affected
    }

    /// Whether a fact that keeps nobody safe counts as never having happened.
    #[must_use]
    pub fn is_void(&self, fact: FactId) -> bool {
        self.takes_back(fact, false)
    }

    /// Whether a fact that keeps somebody safe counts as never having happened: only a
    /// correction says so.
    #[must_use]
    pub fn is_corrected(&self, fact: FactId) -> bool {
        self.takes_back(fact, true)
    }

    /// Whether a fact counts as never having happened, whatever it says.
    #[must_use]
    pub fn has_voided(&self, fact: &Fact) -> bool {
        let voiding = matches!(fact.event, Event::Voided(_));
        self.takes_back(fact.id, voiding || workers::keeps_safe(&fact.event))
    }

    /// Whether a fact counts as never having happened, given whether it keeps somebody safe.
    #[must_use]
    pub fn takes_back(&self, fact: FactId, keeps_safe: bool) -> bool {
        !self.by_target.is_empty() && self.voided_on(fact, keeps_safe, &mut Vec::new())
    }

    /// Why a fact is void, if it is, given whether it keeps somebody safe.
    #[must_use]
    pub fn reason(&self, fact: FactId, keeps_safe: bool) -> Option<&str> {
        let voidings = self.by_target.get(&fact)?;
        voidings
            .iter()
            .filter(|v| v.corrects || !keeps_safe)
            .find(|v| !self.is_corrected(v.by))
            .map(|v| v.reason.as_str())
    }

    /// Every voiding, for storing.
    pub fn iter(&self) -> impl Iterator<Item = &Voiding> {
        self.by_target.values().flatten()
    }

    /// A voiding takes effect unless it is void itself, which only a correction makes it. In a
    /// ring of voidings none does.
    fn voided_on(&self, fact: FactId, keeps_safe: bool, path: &mut Vec<FactId>) -> bool {
        let Some(voidings) = self.by_target.get(&fact) else {
            return false;
        };
        if path.contains(&fact) {
            return true;
        }
        path.push(fact);
        let void = voidings
            .iter()
            .filter(|v| v.corrects || !keeps_safe)
            .any(|v| !self.voided_on(v.by, true, path));
        path.pop();
        void
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id(n: u128) -> FactId {
        FactId::from_uuid(format!("{n:032x}").parse().unwrap())
    }

    fn voiding(by: u128, target: u128) -> Voiding {
        Voiding {
            by: id(by),
            target: id(target),
            reason: format!("{by} says so"),
            corrects: true,
        }
    }

    #[test]
    fn a_voided_voiding_lets_its_target_count_again() {
        let mut voids = Voids::default();
        voids.add(voiding(2, 1));
        assert!(voids.is_void(id(1)));
        assert_eq!(voids.reason(id(1), false), Some("2 says so"));
        assert_eq!(voids.add(voiding(3, 2)), [id(2), id(1)]);
        assert!(!voids.is_void(id(1)) && voids.is_void(id(2)));
    }

    #[test]
    fn a_station_takes_back_nothing_that_keeps_somebody_safe_and_no_correction() {
        let by_station = |by, target| Voiding {
            corrects: false,
            ..voiding(by, target)
        };
        let mut voids = Voids::default();
        voids.add(by_station(2, 1));
        assert!(voids.is_void(id(1)) && !voids.is_corrected(id(1)));
        assert_eq!(voids.reason(id(1), true), None);
        voids.add(voiding(3, 1));
        voids.add(by_station(4, 3));
        assert!(voids.is_corrected(id(1)));
        assert_eq!(voids.reason(id(1), true), Some("3 says so"));
        voids.add(voiding(5, 3));
        assert!(voids.is_void(id(1)) && !voids.is_corrected(id(1)));
    }

    #[test]
    fn a_ring_of_voidings_ends() {
        let mut voids = Voids::default();
        voids.add(voiding(1, 2));
        voids.add(voiding(2, 1));
        let _ = (
            voids.is_void(id(1)),
            voids.is_void(id(2)),
            voids.reason(id(1), false),
        );
    }
}
