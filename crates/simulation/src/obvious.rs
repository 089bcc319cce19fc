//! Slow and obvious answers, to compare the real ones with.

use std::collections::{BTreeMap, BTreeSet};

use facts::{BatchId, Event, Fact, FactId, HoldId, Scope, WheelId};

use crate::never_happened::never_happened;
use crate::site::{BORN, Dairy, TESTED};

/// The facts that count, each once, in their order.
pub(crate) fn counting<'f>(
    facts: impl IntoIterator<Item = &'f Fact>,
    dairy: &Dairy,
) -> Vec<&'f Fact> {
    let once: BTreeMap<FactId, &Fact> = facts.into_iter().map(|fact| (fact.id, fact)).collect();
    let once: Vec<&Fact> = once.into_values().collect();
    let voidings = once
        .iter()
        .filter(|fact| matches!(fact.event, Event::Voided(_)));
    let voidings: Vec<&Fact> = voidings.copied().collect();
    let rights = &dairy.practice.rights;
    let mut counting = once;
    counting.retain(|fact| !never_happened(fact, &voidings, rights));
    counting.sort_by_key(|fact| fact.order());
    counting
}

/// The holds that keep a wheel, by the strict rule, told as a story: what its recipe puts on
/// it, what people put on it, and only a release by somebody who may takes one off.
pub(crate) fn holds(counting: &[&Fact], wheel: WheelId, dairy: &Dairy) -> BTreeSet<HoldId> {
    let rights = &dairy.practice.rights;
    let births: Vec<(BatchId, &Fact)> = counting
        .iter()
        .filter_map(|fact| match &fact.event {
            Event::WheelPortioned(e) if e.wheel == wheel => Some((e.batch, *fact)),
            _ => None,
        })
        .collect();
    let recipe = |batch: BatchId| {
        let moved = counting.iter().rev().find_map(|fact| match &fact.event {
            Event::VatRecipeChanged(e) if e.batch == batch => Some(e.recipe),
            _ => None,
        });
        let mut starts = counting.iter().filter_map(|fact| match &fact.event {
            Event::VatStarted(e) if e.batch == batch => Some(e.recipe),
            _ => None,
        });
        moved.or_else(|| starts.next())
    };
    let one = births.first().map(|(batch, _)| *batch);
    let one = one.filter(|batch| births.iter().all(|(other, _)| other == batch));
    // Only one recipe here asks for a hold; a wheel of which nobody knows the recipe has it.
    let born = one
        .and_then(recipe)
        .is_none_or(|recipe| recipe.as_str() == TESTED);
    let lies_over = |scope: &Scope| match scope {
        Scope::Wheels(wheels) => wheels.contains(&wheel),
        Scope::Batch(batch) => births.iter().any(|(of, _)| of == batch),
        Scope::Made(window) => births.iter().any(|(_, fact)| {
            window.from <= fact.occurred_at && window.to.is_none_or(|to| fact.occurred_at < to)
        }),
        _ => false,
    };
    let mut by_recipe = BTreeSet::new();
    if born {
        by_recipe.insert(HoldId::new(BORN).unwrap());
    }
    let (mut by_fact, mut by_scope) = (BTreeSet::new(), BTreeSet::new());
    for fact in counting {
        let may = rights.may_release(fact.person);
        match &fact.event {
            Event::WheelHeld(e) if e.wheels.contains(&wheel) => {
                by_fact.insert(e.hold);
            }
            Event::WheelReleased(e) if e.wheels.contains(&wheel) && may => {
                for holds in [&mut by_recipe, &mut by_fact, &mut by_scope] {
                    holds.remove(&e.hold);
                }
            }
            Event::HoldPlaced(e) if lies_over(&e.scope) => {
                by_scope.insert(e.hold);
            }
            Event::HoldLifted(e) if may => {
                by_scope.remove(&e.hold);
                if e.wheels.contains(&wheel) {
                    by_recipe.remove(&e.hold);
                    by_fact.remove(&e.hold);
                }
            }
            _ => {}
        }
    }
    [by_recipe, by_fact, by_scope]
        .into_iter()
        .flatten()
        .collect()
}
