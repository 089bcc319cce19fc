//! The facts that count.

use std::collections::BTreeMap;

use facts::{Event, Fact};
use ripening::{Voiding, Voids};

/// Facts once each, in their own order, without those voided and without the voidings.
#[must_use]
pub fn counting(facts: impl IntoIterator<Item = Fact>) -> Vec<Fact> {
    let mut once = BTreeMap::new();
    let mut voids = Voids::default();
    for fact in facts {
        if let Event::Voided(voided) = &fact.event {
            voids.add(Voiding::of(&fact, voided));
        } else {
            once.insert(fact.order(), fact);
        }
    }
    once.retain(|_, fact| !voids.has_voided(fact));
    once.into_values().collect()
}
