//! Slow and obvious answers, to compare the real ones with.

use std::collections::{BTreeMap, BTreeSet};

use facts::{Event, Fact, FactId, HoldId, WheelId};

/// The facts that count, each once, in their order.
pub(crate) fn counting<'f>(facts: impl IntoIterator<Item = &'f Fact>) -> Vec<&'f Fact> {
    let once: BTreeMap<FactId, &Fact> = facts.into_iter().map(|fact| (fact.id, fact)).collect();
    let mut voiders: BTreeMap<FactId, Vec<FactId>> = BTreeMap::new();
    for fact in once.values() {
        if let Event::Voided(voided) = &fact.event {
            voiders.entry(voided.fact).or_default().push(fact.id);
        }
    }
    // Voidings here never form a ring: nobody can void what is not there yet.
    fn is_void(fact: FactId, voiders: &BTreeMap<FactId, Vec<FactId>>) -> bool {
        let by = voiders.get(&fact).into_iter().flatten();
        by.into_iter().any(|by| !is_void(*by, voiders))
    }
    let mut counting: Vec<_> = once
        .values()
        .copied()
        .filter(|fact| !is_void(fact.id, &voiders))
        .collect();
    counting.sort_by_key(|fact| fact.order());
    counting
}

/// The holds that keep each wheel, by the strict rule: only a named person's release ends one.
pub(crate) fn holds<'f>(
    facts: impl IntoIterator<Item = &'f Fact>,
) -> BTreeMap<WheelId, BTreeSet<HoldId>> {
    let mut held: BTreeMap<WheelId, BTreeSet<HoldId>> = BTreeMap::new();
    for fact in counting(facts) {
        match &fact.event {
            Event::WheelHeld(e) => {
                for wheel in &e.wheels {
                    held.entry(*wheel).or_default().insert(e.hold);
                }
            }
            Event::WheelReleased(e) if fact.person.is_some() => {
                for wheel in &e.wheels {
                    held.entry(*wheel).or_default().remove(&e.hold);
                }
            }
            _ => {}
        }
    }
    held.retain(|_, holds| !holds.is_empty());
    held
}
