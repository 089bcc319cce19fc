//! Papers written from the facts behind a recall are the papers written from all facts.

use std::collections::BTreeSet;

use facts::{BatchId, Event, Fact, Scope};
use papers::{Asked, counting};
use trace::{Index, Settings};

use crate::given::{clock, dairy, facts, now, plan};

/// The facts that an index says are behind a recall, and those that no index keeps.
fn evidence(about: &Scope, sideways: bool) -> (Vec<Fact>, trace::Recall) {
    let mut index = Index::default();
    for (place, fact) in (1..).zip(facts()) {
        index.apply_from(fact, place);
    }
    let trace = index.trace();
    let settings = Settings {
        sideways,
        ..Settings::default()
    };
    let recall = trace.recall(about, &settings, now());
    let evidence = trace.evidence(&recall);
    let checked = facts().iter().filter(|fact| {
        matches!(
            fact.event,
            Event::ControlChecked(_)
                | Event::DeviationFound(_)
                | Event::DeviationDecided(_)
                | Event::VatRecipeChanged(_)
        )
    });
    let wheels = evidence.places.iter();
    let wheels = wheels.map(|place| &facts()[*place as usize - 1]);
    let all = wheels.chain(checked).chain(&evidence.facts).cloned();
    (counting(all, &holds::Rights::AnyBadge), recall)
}

fn batches() -> Vec<BatchId> {
    let started = facts().iter().filter_map(|fact| match &fact.event {
        Event::VatStarted(e) => Some(e.batch),
        _ => None,
    });
    started.collect()
}

#[test]
fn a_batch_file_needs_no_more_than_the_facts_behind_its_recall() {
    let mut fewest = usize::MAX;
    for batch in batches().into_iter().step_by(9) {
        let (some, recall) = evidence(&Scope::Batch(batch), false);
        fewest = fewest.min(some.len());
        let file = |facts: &[Fact]| {
            papers::batch_file(batch, facts, &recall, Some(&plan()), &dairy(), &clock())
        };
        assert_eq!(file(&some), file(facts()), "{batch}");
    }
    assert!(
        fewest * 50 < facts().len(),
        "{fewest} facts are far from few"
    );
}

#[test]
fn the_traceability_sheet_of_a_lots_batches_needs_no_more_either() {
    let lots: BTreeSet<_> = facts()
        .iter()
        .filter_map(|fact| match &fact.event {
            Event::VatFilled(e) => Some(e.lot),
            _ => None,
        })
        .collect();
    let mut rows = 0;
    for lot in lots.into_iter().step_by(7) {
        let (some, recall) = evidence(&Scope::Lot(lot), true);
        let asked = Asked {
            lots: recall.batches.iter().map(ToString::to_string).collect(),
            ..Asked::default()
        };
        let sheet = |facts: &[Fact]| papers::traceability(facts, &dairy(), &clock(), &asked);
        assert_eq!(sheet(&some), sheet(facts()), "{lot}");
        rows += sheet(&some).rows.len();
    }
    assert!(rows > 10, "nothing was compared");
}
