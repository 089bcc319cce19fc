//! What the papers need of each wheel, order and batch, folded from counting facts.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::{BatchId, Event, Fact, MarketId, OrderId, RecipeId, WheelId};
use quantity::{DairyClock, DairyDay};

/// One batch.
#[derive(Debug, Default)]
pub(crate) struct Batch {
    pub(crate) recipe: Option<RecipeId>,
    pub(crate) made: Option<DairyDay>,
    pub(crate) hooped: Option<DairyDay>,
    pub(crate) unhooped: Option<DairyDay>,
    pub(crate) wheels: BTreeSet<WheelId>,
    pub(crate) portioned_g: u64,
}

/// Wheels of one batch that left or came back together.
#[derive(Debug)]
pub(crate) struct Shipment {
    pub(crate) at: DateTime<Utc>,
    pub(crate) order: Option<OrderId>,
    pub(crate) market: Option<MarketId>,
    pub(crate) batch: Option<BatchId>,
    pub(crate) wheels: Vec<WheelId>,
    pub(crate) weight_g: u64,
    /// Came back rather than left.
    pub(crate) back: bool,
}

/// Everything the sheets are made of.
#[derive(Debug, Default)]
pub(crate) struct Story {
    pub(crate) batches: BTreeMap<BatchId, Batch>,
    pub(crate) customers: BTreeMap<OrderId, String>,
    pub(crate) shipments: Vec<Shipment>,
    batch_of: BTreeMap<WheelId, BatchId>,
    weight: BTreeMap<WheelId, u32>,
    order_of: BTreeMap<WheelId, OrderId>,
}

impl Story {
    pub(crate) fn of(facts: &[Fact], clock: &DairyClock) -> Self {
        let mut story = Self::default();
        for fact in facts {
            story.take(fact, clock);
        }
        story
    }

    pub(crate) fn batch_of(&self, wheel: WheelId) -> Option<BatchId> {
        self.batch_of.get(&wheel).copied()
    }

    fn take(&mut self, fact: &Fact, clock: &DairyClock) {
        let day = clock.day_of(fact.occurred_at);
        match &fact.event {
            Event::VatStarted(e) => {
                let batch = self.batches.entry(e.batch).or_default();
                batch.recipe = Some(e.recipe);
                batch.made.get_or_insert(day);
            }
            Event::WheelPortioned(e) => {
                self.batch_of.entry(e.wheel).or_insert(e.batch);
                self.weight.entry(e.wheel).or_insert(e.weight_g.get());
                let batch = self.batches.entry(e.batch).or_default();
                batch.made.get_or_insert(day);
                if batch.wheels.insert(e.wheel) {
                    batch.portioned_g += u64::from(e.weight_g.get());
                }
            }
            Event::WheelHooped(e) => {
                if let Some(batch) = self.batch_of(e.wheel) {
                    let batch = self.batches.entry(batch).or_default();
                    batch.hooped = batch.hooped.max(Some(day));
                }
            }
            Event::WheelUnhooped(e) => {
                for wheel in &e.wheels {
                    if let Some(batch) = self.batch_of(*wheel) {
                        let batch = self.batches.entry(batch).or_default();
                        batch.unhooped = batch.unhooped.max(Some(day));
                    }
                }
            }
            Event::WheelWeighed(e) => {
                self.weight.insert(e.wheel, e.weight_g.get());
            }
            Event::OrderPlaced(e) => {
                self.customers.insert(e.order, e.customer.clone());
            }
            Event::OrderPacked(e) => {
                self.order_of
                    .extend(e.wheels.iter().map(|wheel| (*wheel, e.order)));
            }
            Event::WheelDispatched(e) => {
                if let Some(order) = e.order {
                    self.order_of
                        .extend(e.wheels.iter().map(|wheel| (*wheel, order)));
                }
                self.ship(fact.occurred_at, &e.wheels, e.market, false);
            }
            Event::WheelReturned(e) => {
                self.ship(fact.occurred_at, &e.wheels, None, true);
                for wheel in &e.wheels {
                    self.order_of.remove(wheel);
                }
            }
            _ => {}
        }
    }

    fn ship(
        &mut self,
        at: DateTime<Utc>,
        wheels: &[WheelId],
        market: Option<MarketId>,
        back: bool,
    ) {
        let mut together: BTreeMap<(Option<OrderId>, Option<BatchId>), Vec<WheelId>> =
            BTreeMap::new();
        for wheel in wheels {
            let key = (self.order_of.get(wheel).copied(), self.batch_of(*wheel));
            together.entry(key).or_default().push(*wheel);
        }
        for ((order, batch), wheels) in together {
            let weights = wheels.iter().filter_map(|wheel| self.weight.get(wheel));
            self.shipments.push(Shipment {
                at,
                order,
                market,
                batch,
                weight_g: weights.map(|g| u64::from(*g)).sum(),
                wheels,
                back,
            });
        }
    }
}
