//! Which facts count as never having happened.

use std::collections::{BTreeMap, BTreeSet};

use facts::{FactId, stored_struct};

/// One voiding: the fact that voids, and why.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Voiding {
    /// The `fact.voided` fact.
    pub by: FactId,
    /// The fact it voids.
    pub target: FactId,
    /// Why, in a person's words.
    pub reason: String,
}

/// All voidings. A voiding can itself be voided; then its target counts again.
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

    /// Whether a fact counts as never having happened.
    #[must_use]
    pub fn is_void(&self, fact: FactId) -> bool {
        !self.by_target.is_empty() && self.voided_on(fact, &mut Vec::new())
    }

    /// Why a fact is void, if it is.
    #[must_use]
    pub fn reason(&self, fact: FactId) -> Option<&str> {
        if !self.is_void(fact) {
            return None;
        }
        let voidings = self.by_target.get(&fact)?;
        voidings
            .iter()
            .find(|v| !self.is_void(v.by))
            .map(|v| v.reason.as_str())
    }

    /// Every voiding, for storing.
    pub fn iter(&self) -> impl Iterator<Item = &Voiding> {
        self.by_target.values().flatten()
    }

    /// A voiding takes effect unless it is void itself. In a ring of voidings none does.
    fn voided_on(&self, fact: FactId, path: &mut Vec<FactId>) -> bool {
        let Some(voidings) = self.by_target.get(&fact) else {
            return false;
        };
        if path.contains(&fact) {
            return true;
        }
        path.push(fact);
        let void = voidings.iter().any(|v| !self.voided_on(v.by, path));
        path.pop();
        void
    }
}

stored_struct!(Voiding { by, target, reason });

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
        }
    }

    #[test]
    fn a_voided_voiding_lets_its_target_count_again() {
        let mut voids = Voids::default();
        voids.add(voiding(2, 1));
        assert!(voids.is_void(id(1)));
        assert_eq!(voids.reason(id(1)), Some("2 says so"));
        assert_eq!(voids.add(voiding(3, 2)), [id(2), id(1)]);
        assert!(!voids.is_void(id(1)) && voids.is_void(id(2)));
    }

    #[test]
    fn a_ring_of_voidings_ends() {
        let mut voids = Voids::default();
        voids.add(voiding(1, 2));
        voids.add(voiding(2, 1));
        let _ = (
            voids.is_void(id(1)),
            voids.is_void(id(2)),
            voids.reason(id(1)),
        );
    }
}
