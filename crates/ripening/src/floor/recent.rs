//! What the facts folded last speak of. Nearly every fact that is taken back was stated a
//! short while before: it is looked up here, and only what is older is searched for.

use std::collections::{HashMap, VecDeque};

use facts::{BatchId, FactId};

use crate::wheels::Slot;

/// Facts remembered: a month of a dairy with a few thousand wheels, some megabytes.
const REMEMBERED: usize = 20_000;

/// What a fact speaks of.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Mentions {
    /// Wheels.
    pub wheels: Vec<Slot>,
    /// Batches whose make it belongs to, or that it forecasts: one, unless one id is used for
    /// two facts.
    pub batches: Vec<BatchId>,
}

/// The facts folded last.
#[derive(Debug, Default)]
pub(super) struct Recent {
    of: HashMap<FactId, Mentions>,
    oldest_first: VecDeque<FactId>,
}

impl Recent {
    /// Remembers what a fact speaks of.
    pub(super) fn remember(&mut self, fact: FactId, mentions: Mentions) {
        if let Some(known) = self.of.get_mut(&fact) {
            // It came twice; or its id is that of another, whose wheels count as well.
            let new = |slot: &Slot| !known.wheels.contains(slot);
            let wheels: Vec<Slot> = mentions.wheels.into_iter().filter(new).collect();
            known.wheels.extend(wheels);
            if known.batches != mentions.batches {
                known.batches.extend(mentions.batches);
            }
            return;
        }
        self.of.insert(fact, mentions);
        self.oldest_first.push_back(fact);
        if self.oldest_first.len() > REMEMBERED
            && let Some(oldest) = self.oldest_first.pop_front()
        {
            self.of.remove(&oldest);
        }
    }

    /// What a fact speaks of; none when it was folded too long ago to be remembered, or never.
    pub(super) fn of(&self, fact: FactId) -> Option<&Mentions> {
        self.of.get(&fact)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_facts_folded_last_are_remembered_and_no_more() {
        let mut recent = Recent::default();
        let id = |n: usize| -> FactId {
            let text = format!("00000000-0000-7000-8000-{n:012x}");
            text.parse().unwrap()
        };
        for n in 0..REMEMBERED + 3 {
            recent.remember(id(n), Mentions::default());
            recent.remember(id(n), Mentions::default());
        }
        assert!(recent.of(id(2)).is_none());
        assert!(recent.of(id(3)).is_some());
        assert_eq!(recent.of.len(), REMEMBERED);
        assert_eq!(recent.oldest_first.len(), REMEMBERED);
    }
}
