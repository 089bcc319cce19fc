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
            voids.add(Voiding {
                by: fact.id,
                target: voided.fact,
                reason: voided.reason.clone(),
            });
        } else {
            once.insert(fact.order(), fact);
        }
    }
    once.retain(|_, fact| !voids.is_void(fact.id));
    once.into_values().collect()
}
