//! The facts behind a recall: what papers are written from.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::{Event, Fact, FactId, HoldId, ReworkSource, SampleId, WheelId};

use crate::act::Act;
use crate::key::{Key, Table};
use crate::recall::Recall;
use crate::sample::stands_for;
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
        let mut facts: BTreeMap<(DateTime<Utc>, FactId), Fact> = BTreeMap::new();
        let mut keep = |kept: Vec<Fact>| {
            facts.extend(kept.into_iter().map(|fact| (fact.order(), fact)));
        };
        let told = recall
            .wheels
            .iter()
            .filter(|wheel| wheel.level == Level::Certain || wheel.order.is_some());
        let (mut wheels, mut holds): (BTreeSet<WheelId>, BTreeSet<HoldId>) = Default::default();
        let (mut orders, mut tools) = (BTreeSet::new(), BTreeSet::new());
        let mut batches: BTreeSet<_> = recall.batches.iter().copied().collect();
        for wheel in told {
            wheels.insert(wheel.wheel);
            holds.extend(&wheel.holds);
            batches.extend(wheel.batch);
            orders.extend(wheel.order);
            keep(index.rework_of(wheel.wheel));
            let touches = index.story(wheel.wheel).touches.into_iter();
            tools.extend(touches.map(|(tool, _)| tool));
        }
        for order in orders {
            keep(index.facts(&Key::of(Table::OfOrder).code(&order)));
        }
        for tool in tools {
            keep(index.of_place(Place::Tool(tool)));
        }
        // What was reworked into these batches, one step back.
        let sources: Vec<ReworkSource> = batches
            .iter()
            .flat_map(|batch| index.of_batch(*batch))
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
                    batches.extend(index.story(wheel).batch());
                    wheels.insert(wheel);
                }
            }
        }
        let lots = recall.back.iter().map(|line| line.lot);
        for lot in lots {
            keep(index.of_lot(lot));
        }
        for batch in &batches {
            keep(index.of_batch(*batch));
        }
        for hold in holds {
            keep(index.of_hold(hold));
        }
        let (mut places, mut samples) = (BTreeSet::new(), BTreeSet::new());
        for batch in &batches {
            let of = Key::of(Table::SampledOf).code(batch);
            samples.extend(index.shelf.under(&of, |_, sample: SampleId| sample));
        }
        for entry in wheels.iter().flat_map(|wheel| index.hands(*wheel)) {
            places.insert(entry.said.place);
            if let Act::Sampled { .. } = entry.said.act
                && let Some(Event::LabSampled(e)) = index.fact(entry.id).map(|fact| fact.event)
            {
                samples.insert(e.sample);
            }
        }
        for sample in samples {
            let kept = index.of_sample(sample);
            let mine = kept.iter().any(|fact| match &fact.event {
                Event::LabSampled(e) => {
                    stands_for(e).any(|batch| batches.contains(&batch))
                        || e.wheels.iter().any(|wheel| wheels.contains(wheel))
                }
                _ => false,
            });
            if mine {
                keep(kept);
            }
        }
        places.remove(&0);
        Evidence {
            facts: facts.into_values().collect(),
            places,
        }
    }
}
