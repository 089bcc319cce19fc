//! Mass balance: what came in, where it is, and what nobody can explain.

use std::collections::{BTreeMap, BTreeSet};

use facts::{BatchId, Event, LotId, ReworkSource, WheelId};
use quantity::Litres;
use serde::{Deserialize, Serialize};

use crate::family::Node;
use crate::index::Index;
use crate::milli::{BaseUnit, Milli};
use crate::story::Story;
use crate::{Settings, Whereabouts};

/// What became of one lot, in its own small unit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LotBalance {
    /// The lot.
    pub lot: LotId,
    /// The unit of every amount here.
    pub unit: BaseUnit,
    /// How much came in, or was pooled. `None`: no fact tells.
    pub came_in: Option<Milli>,
    /// How much went into what.
    pub used: Vec<(Node, Milli)>,
    /// Batches that it went into together with other lots, where no fact tells how much of
    /// which.
    pub unsplit: Vec<BatchId>,
    /// How much was counted as left, last time.
    pub counted: Option<Milli>,
    /// What came in less what was used and counted: below 0, more was used than came in.
    /// `None` when it cannot be told: see `came_in`, `unsplit` and `counted`.
    pub unexplained: Option<Milli>,
    /// What came in less what was used: left over if nobody counted. `None` as above.
    pub left_over: Option<Milli>,
}

/// What became of one batch's milk, in grams.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct BatchBalance {
    /// The batch.
    pub batch: BatchId,
    /// Milk in the vat, by the density in [`Settings`].
    pub milk_g: i64,
    /// Culture, rennet and salt; millilitres counted as grams.
    pub ingredients_g: i64,
    /// Curd and cheese of earlier makes.
    pub rework_in_g: i64,
    /// Curd portioned into wheels.
    pub portioned_g: i64,
    /// Whey drawn off, by the density in [`Settings`].
    pub whey_g: i64,
    /// Curd that went into later makes.
    pub rework_out_g: i64,
    /// In less out: whey that was not measured, mostly.
    pub unexplained_g: i64,
}

/// Where the suspect wheels' mass is, in grams. The parts add up to what was portioned.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct WheelBalance {
    /// Wheels.
    pub wheels: usize,
    /// Curd portioned into them.
    pub portioned_g: i64,
    /// Weight lost in draining and maturing, as far as it was weighed.
    pub matured_g: i64,
    /// Taken by the laboratory.
    pub sampled_g: i64,
    /// Gone into later batches.
    pub reworked_g: i64,
    /// Whole wheels, by where they are.
    pub whole: BTreeMap<Whereabouts, (usize, i64)>,
    /// Wheels not seen for days, and parts that outweigh their wheel (below 0).
    pub unexplained_g: i64,
}

impl WheelBalance {
    /// What the parts add up to: always what was portioned.
    #[must_use]
    pub fn sum_g(&self) -> i64 {
        let whole: i64 = self.whole.values().map(|(_, grams)| grams).sum();
        self.matured_g + self.sampled_g + self.reworked_g + whole + self.unexplained_g
    }

    pub(crate) fn add(&mut self, story: &Story, whereabouts: Whereabouts) {
        let portion = i64::from(story.portion_g());
        let weight = i64::from(story.grams.unwrap_or(0));
        let (sampled, reworked) = (i64::from(story.sampled_g), i64::from(story.reworked_g));
        let left = weight - sampled - reworked;
        self.wheels += 1;
        self.portioned_g += portion;
        self.matured_g += portion - weight;
        self.sampled_g += sampled;
        self.reworked_g += reworked;
        if left < 0 || whereabouts == Whereabouts::NotSeen {
            self.unexplained_g += left;
            self.whole.entry(whereabouts).or_default().0 += 1;
        } else {
            let place = self.whole.entry(whereabouts).or_default();
            place.0 += 1;
            place.1 += left;
        }
    }
}

impl Index {
    /// A lot's balance.
    pub(crate) fn lot_balance(&self, lot: LotId) -> LotBalance {
        let facts = self.of_lot(lot);
        let mut unit = None;
        let mut came_in: Option<Milli> = None;
        let mut used: BTreeMap<Node, Milli> = BTreeMap::new();
        let mut unsplit = BTreeSet::new();
        let mut begun = BTreeSet::new();
        let mut counted = None;
        let mut add = |node, amount: Milli| *used.entry(node).or_default() += amount;
        let litres = |litres: Litres| Milli::of(litres.get() * 1000.0);
        for fact in &facts {
            let mut received = |amount: Milli, of: BaseUnit| {
                unit.get_or_insert(of);
                if unit == Some(of) {
                    came_in = Some(came_in.unwrap_or_default() + amount);
                }
            };
            match &fact.event {
                Event::MilkReceived(e) => received(litres(e.volume_l), BaseUnit::Millilitre),
                Event::MilkPooled(e) => {
                    for part in &e.from {
                        if e.lot == lot {
                            received(litres(part.volume_l), BaseUnit::Millilitre);
                        } else if part.lot == lot {
                            add(Node::Lot(e.lot), litres(part.volume_l));
                        }
                    }
                }
                Event::LotReceived(e) => {
                    if let Some(amount) = e.amount {
                        let (amount, of) = Milli::of_amount(amount);
                        received(amount, of);
                    }
                }
                // Once a batch, however often its start was corrected.
                Event::VatStarted(e) if !begun.insert(e.batch) => {}
                Event::VatStarted(e) => match self.milk_of(e.batch, lot) {
                    // Told by the facts that say how much ran in.
                    None if self.is_filled(e.batch) => {}
                    None => {
                        unsplit.insert(e.batch);
                    }
                    Some(amount) => add(Node::Batch(e.batch), amount),
                },
                Event::VatFilled(e) => add(Node::Batch(e.batch), litres(e.volume_l)),
                Event::VatDosed(e) => add(Node::Batch(e.batch), Milli::of(e.amount)),
                Event::LotUsed(e) => {
                    if let Some(amount) = e.amount {
                        let amount = Milli::of_amount(amount).0;
                        for (wheel, part) in equal_parts(&e.wheels, amount) {
                            add(Node::Wheel(wheel), part);
                        }
                    }
                }
                Event::LotCounted(e) => counted = Some(Milli::of_amount(e.left).0),
                _ => {}
            }
        }
        let all: Milli = used.values().copied().sum();
        let left_over = came_in
            .filter(|_| unsplit.is_empty())
            .map(|came_in| came_in - all);
        LotBalance {
            lot,
            unit: unit.unwrap_or(BaseUnit::Gram),
            came_in,
            used: used.into_iter().collect(),
            unsplit: unsplit.into_iter().collect(),
            counted,
            unexplained: left_over
                .zip(counted)
                .map(|(left_over, counted)| left_over - counted),
            left_over,
        }
    }

    /// Whether facts tell how much of which lot ran into a batch's vat.
    pub(crate) fn is_filled(&self, batch: BatchId) -> bool {
        let mut facts = self.of_batch(batch).into_iter();
        facts.any(|fact| matches!(fact.event, Event::VatFilled(_)))
    }

    /// How much of a lot is in a batch by the start of the batch alone: all of its milk when
    /// it has no other lot.
    fn milk_of(&self, batch: BatchId, lot: LotId) -> Option<Milli> {
        if self.is_filled(batch) {
            return None;
        }
        let facts = self.of_batch(batch);
        let start = facts.iter().rev().find_map(|fact| match &fact.event {
            Event::VatStarted(e) => Some(e),
            _ => None,
        })?;
        let alone = start.milk_lots.iter().all(|other| *other == lot);
        alone.then(|| Milli::of(start.milk_l.get() * 1000.0))
    }

    /// A batch's balance.
    pub(crate) fn batch_balance(&self, batch: BatchId, settings: &Settings) -> BatchBalance {
        let mut milk = Milli::ZERO;
        let (mut ingredients, mut whey) = (Milli::ZERO, Milli::ZERO);
        let (mut rework_in_g, mut rework_out_g) = (0, 0);
        for fact in self.of_batch(batch) {
            match &fact.event {
                // A second start corrects the first.
                Event::VatStarted(e) => milk = Milli::of(e.milk_l.get() * 1000.0),
                Event::VatDosed(e) => ingredients += Milli::of(e.amount),
                Event::VatDrained(e) => {
                    whey += Milli::of(e.whey_l.map_or(0.0, |l| l.get()) * 1000.0);
                }
                Event::VatReworked(e) => {
                    let grams = i64::from(e.weight_g.get());
                    if e.batch == batch {
                        rework_in_g += grams;
                    }
                    if e.from == ReworkSource::Batch(batch) {
                        rework_out_g += grams;
                    }
                }
                _ => {}
            }
        }
        let born = self.born(batch).into_iter();
        let portioned_g = born.map(|(_, birth)| i64::from(birth.grams)).sum();
        let milk_g = milk.times_density(settings.milk_g_per_l).rounded();
        let whey_g = whey.times_density(settings.whey_g_per_l).rounded();
        let ingredients_g = ingredients.rounded();
        BatchBalance {
            batch,
            milk_g,
            ingredients_g,
            rework_in_g,
            portioned_g,
            whey_g,
            rework_out_g,
            unexplained_g: milk_g + ingredients_g + rework_in_g
                - portioned_g
                - whey_g
                - rework_out_g,
        }
    }
}

/// Equal parts to the thousandth, the first ones bearing what is left over, so that they
/// add up.
fn equal_parts(wheels: &[WheelId], amount: Milli) -> Vec<(WheelId, Milli)> {
    let mut wheels = wheels.to_vec();
    wheels.sort_unstable();
    wheels.dedup();
    amount
        .parts(wheels.len())
        .zip(wheels)
        .map(|(part, wheel)| (wheel, part))
        .collect()
}
