//! The facts that count.

use facts::{Event, Fact};
use holds::Rights;

/// Facts once each, in their own order, without those voided and without the voidings.
#[must_use]
pub fn counting(facts: impl IntoIterator<Item = Fact>, rights: &Rights) -> Vec<Fact> {
    let facts: Vec<Fact> = facts.into_iter().collect();
    let counts = holds::counting(&facts, rights).into_iter();
    let of_the_floor = counts.filter(|fact| !matches!(fact.event, Event::Voided(_)));
    of_the_floor.cloned().collect()
}
