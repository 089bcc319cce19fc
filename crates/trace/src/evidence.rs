//! The facts behind a recall: what papers are written from.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::{Event, Fact, FactId, HoldId, ReworkSource, Scope, WheelId};

use crate::index::Kept;
use crate::recall::Recall;
use crate::{Level, Place, Trace};

/// The facts behind a recall, each once, without those voided.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Evidence {
    /// Facts about lots, vats, orders, samples, tools and holds, in order.
    pub facts: Vec<Fact>,
    /// Where facts about wheels lie in the log that the index was folded from: the index
    /// keeps of them only what a trace needs.
    pub places: BTreeSet<u32>,
}

impl Trace<'_> {
    /// The facts behind a recall: of its batches, lots and orders, and of its wheels that
    /// are certain or have left.
    #[must_use]
    pub fn evidence(&self, recall: &Recall) -> Evidence {
        let index = self.index;
        let names = &index.names;
        let mut facts: BTreeMap<(DateTime<Utc>, FactId), &Fact> = BTreeMap::new();
        let mut keep = |kept: &[Kept]| {
            facts.extend(
                index
                    .facts(kept)
                    .into_iter()
                    .map(|fact| (fact.order(), fact)),
            );
        };
        let told = recall
            .wheels
            .iter()
            .filter(|wheel| wheel.level == Level::Certain || wheel.order.is_some());
        let (mut wheels, mut holds): (BTreeSet<WheelId>, BTreeSet<HoldId>) = Default::default();
        let mut batches: BTreeSet<_> = recall.batches.iter().copied().collect();
        for wheel in told {
            wheels.insert(wheel.wheel);
            holds.extend(&wheel.holds);
            batches.extend(wheel.batch);
            if let Some(order) = wheel.order.and_then(|order| names.orders.find(order)) {
                keep(index.of_order.list(order));
            }
            let Some(number) = names.wheels.find(wheel.wheel) else {
                continue;
            };
            keep(index.rework_of.list(number));
            for (tool, _) in index.story(number).touches {
                let Place::Tool(_) = names.places.name(tool) else {
                    continue;
                };
                keep(index.of_place.list(tool));
            }
        }
        // What was reworked into these batches, one step back.
        let sources: Vec<ReworkSource> = batches
            .iter()
            .filter_map(|batch| names.batches.find(*batch))
            .flat_map(|batch| index.facts(index.of_batch.list(batch)))
            .filter_map(|fact| match &fact.event {
                Event::VatReworked(e) => Some(e.from),
                _ => None,
            })
            .collect();
        for source in sources {
            match source {
                ReworkSource::Batch(batch) => {
                    batches.insert(batch);
                }
                ReworkSource::Wheel(wheel) => {
                    let number = names.wheels.find(wheel);
                    let batch = number.and_then(|number| index.story(number).batch());
                    batches.extend(batch.map(|batch| names.batches.name(batch)));
                    wheels.insert(wheel);
                }
            }
        }
        let lots = recall.back.iter().map(|line| line.lot);
        for lot in lots.filter_map(|lot| names.lots.find(lot)) {
            keep(index.of_lot.list(lot));
        }
        for batch in batches
            .iter()
            .filter_map(|batch| names.batches.find(*batch))
        {
            keep(index.of_batch.list(batch));
        }
        for hold in holds {
            keep(index.of_hold.get(&hold).map_or(&[][..], Vec::as_slice));
        }
        for kept in index.of_sample.values() {
            let mine = index.facts(kept).iter().any(|fact| match &fact.event {
                Event::LabSampled(e) => {
                    let scope = match &e.scope {
                        Some(Scope::Batch(batch)) => Some(*batch),
                        _ => e.batch,
                    };
                    scope.is_some_and(|batch| batches.contains(&batch))
                        || e.wheels.iter().any(|wheel| wheels.contains(wheel))
                }
                _ => false,
            });
            if mine {
                keep(kept);
            }
        }
        let mut places = BTreeSet::new();
        for wheel in wheels.iter().filter_map(|wheel| names.wheels.find(*wheel)) {
            for group in index.groups_of.list(wheel) {
                let group = &index.groups[*group as usize];
                let entries = group.acts.iter().chain(&group.handled);
                let entries = entries.map(|entry| &index.entries[*entry as usize]);
                places.extend(entries.filter(|entry| !entry.void).map(|entry| entry.place));
            }
        }
        places.remove(&0);
        Evidence {
            facts: facts.into_values().cloned().collect(),
            places,
        }
    }
}
