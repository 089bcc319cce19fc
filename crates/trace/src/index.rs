//! The index: facts in any order, folded into what a trace has to know.
//!
//! Two kinds of facts are kept. What happened to wheels becomes an [`Entry`] of a few
//! dozen bytes, kept once for its whole *group*: the same twenty-four wheels of a stillage
//! are turned sixty times. What happened to lots, vats, orders, samples, tools and holds
//! is rare, so the facts themselves are kept. Room climate is in neither.
//!
//! Any permutation and duplication of the same facts gives the same answers, and a voided
//! fact counts as if it had never happened.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use facts::{Event, Fact, FactId, HoldId, LotId, OrderId, ReworkSource, SampleId, WheelId};
use holds::{Course, Guard, Moment, Rule, Scopes, Target, Voiding, Voids};

use crate::act::{Act, Dictionary, Entry, wheels};
use crate::number::{Number, Table};
use crate::stay::Sharing;
use crate::{Place, Trace};

/// A kept fact's place in [`Index::kept`].
pub(crate) type Kept = u32;
/// An entry's place in [`Index::entries`].
pub(crate) type EntryNo = u32;

/// Wheels that facts name together.
#[derive(Debug)]
pub(crate) struct Group {
    pub(crate) wheels: Box<[Number<WheelId>]>,
    /// What happened to them, but for handling.
    pub(crate) acts: Vec<EntryNo>,
    /// Who had them in their hands.
    pub(crate) handled: Vec<EntryNo>,
}

/// Where a fact went.
#[derive(Debug, Clone, Copy, Default)]
struct Slot {
    entry: Option<(EntryNo, u32)>,
    kept: Option<Kept>,
}

/// Facts, folded for tracing.
#[derive(Debug, Default)]
pub struct Index {
    pub(crate) names: Dictionary,
    pub(crate) entries: Vec<Entry>,
    pub(crate) groups: Vec<Group>,
    numbers_of_groups: HashMap<Box<[Number<WheelId>]>, u32>,
    /// The groups that a wheel is in.
    pub(crate) groups_of: Table<WheelId, Vec<u32>>,
    /// Wheels ever portioned from a batch, voided portionings among them.
    pub(crate) born_of: Table<facts::BatchId, Vec<Number<WheelId>>>,
    /// Uses of a lot on wheels: group and entry.
    pub(crate) used_on: Table<LotId, Vec<(u32, EntryNo)>>,
    /// Moves of a stillage as a whole, in order once settled.
    pub(crate) moves_of: Table<Place, Vec<EntryNo>>,
    /// Wheels that were ever loaded on a stillage.
    loaded_on: Table<Place, Vec<Number<WheelId>>>,

    pub(crate) kept: Vec<Fact>,
    kept_void: Vec<bool>,
    pub(crate) of_batch: Table<facts::BatchId, Vec<Kept>>,
    pub(crate) of_lot: Table<LotId, Vec<Kept>>,
    pub(crate) of_place: Table<Place, Vec<Kept>>,
    pub(crate) of_order: Table<OrderId, Vec<Kept>>,
    pub(crate) of_sample: BTreeMap<SampleId, Vec<Kept>>,
    pub(crate) of_hold: BTreeMap<HoldId, Vec<Kept>>,
    /// Rework of wheels into later batches.
    pub(crate) rework_of: Table<WheelId, Vec<Kept>>,

    /// By which recipe each batch goes, and what went into it.
    pub(crate) courses: BTreeMap<facts::BatchId, Course>,
    /// Holds over scopes.
    pub(crate) scopes: Scopes,
    /// When a wheel was last portioned, by any fact, voided ones too.
    pub(crate) last_birth: Option<Moment>,
    /// Why facts held wheels. Few reasons are given, and often.
    why: HashMap<FactId, Arc<str>>,
    reasons: HashSet<Arc<str>>,
    pub(crate) rule: Rule,

    seen: HashMap<FactId, Slot>,
    pub(crate) voids: Voids,

    /// Wheels whose story changed since [`Index::trace`] was last asked for.
    dirty: HashSet<Number<WheelId>>,
    /// Stillages whose moves are not in order.
    unsorted: HashSet<Number<Place>>,
    pub(crate) sharing: Sharing,
}

impl Index {
    /// An index of a site that says this about holds.
    #[must_use]
    pub fn new(rule: Rule) -> Self {
        Self {
            voids: Voids::under(rule.rights().clone()),
            rule,
            ..Self::default()
        }
    }

    /// Takes a fact in. Facts that say nothing for a trace are ignored, and so are repeats.
    pub fn apply(&mut self, fact: &Fact) {
        self.apply_from(fact, 0);
    }

    /// Takes a fact in that lies at a place of the caller's log, so that [`Trace::evidence`]
    /// can say where to find it again.
    pub fn apply_from(&mut self, fact: &Fact, place: u32) {
        if let Event::Voided(voided) = &fact.event {
            let affected = self.voids.add(Voiding::of(fact, voided));
            affected.into_iter().for_each(|fact| self.void_again(fact));
            return;
        }
        if let Some(batch) = Course::of(&fact.event) {
            self.courses.entry(batch).or_default().apply(fact);
        }
        self.scopes.apply(fact);
        if self.seen.contains_key(&fact.id) {
            return;
        }
        let slot = Slot {
            entry: self.enter(fact, place),
            kept: self.keep(fact),
        };
        if slot.entry.is_some() || slot.kept.is_some() {
            self.seen.insert(fact.id, slot);
        }
    }

    /// How many facts are kept, in either form.
    #[must_use]
    pub fn len(&self) -> usize {
        self.seen.len()
    }

    /// Whether no fact is kept.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.seen.is_empty()
    }

    /// How many wheels facts name.
    #[must_use]
    pub const fn wheel_count(&self) -> usize {
        self.names.wheels.len()
    }

    /// Brings what wheels share up to date and lets questions be asked.
    pub fn trace(&mut self) -> Trace<'_> {
        self.settle();
        Trace { index: self }
    }

    fn enter(&mut self, fact: &Fact, place: u32) -> Option<(EntryNo, u32)> {
        let act = self.names.act(&fact.event)?;
        if let Event::WheelHeld(held) = &fact.event {
            let reason = self.reason(&held.reason);
            self.why.insert(fact.id, reason);
        }
        let group = self.group(wheels(&fact.event));
        let number = u32::try_from(self.entries.len()).ok()?;
        let person = fact.person.map(|person| self.names.people.number(person));
        self.entries.push(Entry {
            at: fact.occurred_at,
            id: fact.id,
            person,
            act,
            void: self.voids.has_voided(fact),
            guard: Guard::of(fact).map(|station| self.names.stations.number(station)),
            place,
        });
        let members = &mut self.groups[group as usize];
        if act == Act::Handled {
            members.handled.push(number);
        } else {
            members.acts.push(number);
            self.dirty.extend(members.wheels.iter().copied());
        }
        match act {
            Act::Portioned { batch, .. } => {
                self.last_birth = self.last_birth.max(Some(Moment::of(fact)));
                let born = self.born_of.entry(batch);
                born.extend(
                    members
                        .wheels
                        .iter()
                        .filter(|wheel| !born.contains(wheel))
                        .copied()
                        .collect::<Vec<_>>(),
                );
            }
            Act::Used { lot } => self.used_on.entry(lot).push((group, number)),
            Act::Moved {
                with: Some(stillage),
                ..
            } => {
                self.moves_of.entry(stillage).push(number);
                self.unsorted.insert(stillage);
                // It moved all that stood on it, whoever was named.
                self.dirty.extend(self.loaded_on.list(stillage));
            }
            Act::Loaded { stillage } => {
                self.loaded_on
                    .entry(stillage)
                    .extend(members.wheels.iter().copied());
            }
            _ => {}
        }
        Some((number, group))
    }

    fn reason(&mut self, words: &str) -> Arc<str> {
        if let Some(known) = self.reasons.get(words) {
            return known.clone();
        }
        let reason: Arc<str> = words.into();
        self.reasons.insert(reason.clone());
        reason
    }

    /// Why a fact held its wheels.
    pub(crate) fn why(&self, fact: FactId) -> &str {
        self.why.get(&fact).map_or("", |reason| reason)
    }

    fn group(&mut self, wheels: &[WheelId]) -> u32 {
        let mut numbers: Vec<_> = wheels
            .iter()
            .map(|wheel| self.names.wheels.number(*wheel))
            .collect();
        numbers.sort_unstable();
        numbers.dedup();
        let numbers: Box<[_]> = numbers.into();
        if let Some(known) = self.numbers_of_groups.get(&numbers) {
            return *known;
        }
        let group = u32::try_from(self.groups.len()).unwrap_or(u32::MAX);
        for wheel in &numbers {
            self.groups_of.entry(*wheel).push(group);
        }
        self.numbers_of_groups.insert(numbers.clone(), group);
        self.groups.push(Group {
            wheels: numbers,
            acts: Vec::new(),
            handled: Vec::new(),
        });
        group
    }

    fn keep(&mut self, fact: &Fact) -> Option<Kept> {
        let number = u32::try_from(self.kept.len()).ok()?;
        let Dictionary {
            batches,
            lots,
            places,
            orders,
            wheels,
            ..
        } = &mut self.names;
        match &fact.event {
            Event::MilkReceived(e) => self.of_lot.entry(lots.number(e.lot)).push(number),
            Event::MilkScreened(e) => self.of_lot.entry(lots.number(e.lot)).push(number),
            Event::MilkPasteurised(e) => self.of_lot.entry(lots.number(e.lot)).push(number),
            Event::MilkHeated(e) => self.of_lot.entry(lots.number(e.lot)).push(number),
            Event::LotReceived(e) => self.of_lot.entry(lots.number(e.lot)).push(number),
            Event::LotCounted(e) => self.of_lot.entry(lots.number(e.lot)).push(number),
            Event::LotUsed(e) => self.of_lot.entry(lots.number(e.lot)).push(number),
            Event::MilkPooled(e) => {
                let parts = e.from.iter().map(|part| part.lot);
                for lot in unique(parts.chain([e.lot])) {
                    self.of_lot.entry(lots.number(lot)).push(number);
                }
            }
            Event::VatStarted(e) => {
                self.of_batch.entry(batches.number(e.batch)).push(number);
                self.of_place
                    .entry(places.number(Place::Vat(e.vat)))
                    .push(number);
                for lot in unique(e.milk_lots.iter().copied()) {
                    self.of_lot.entry(lots.number(lot)).push(number);
                }
            }
            Event::VatFilled(e) => {
                self.of_batch.entry(batches.number(e.batch)).push(number);
                self.of_lot.entry(lots.number(e.lot)).push(number);
            }
            Event::VatDosed(e) => {
                self.of_batch.entry(batches.number(e.batch)).push(number);
                self.of_lot.entry(lots.number(e.lot)).push(number);
            }
            Event::VatReworked(e) => {
                self.of_batch.entry(batches.number(e.batch)).push(number);
                match e.from {
                    ReworkSource::Batch(from) if from != e.batch => {
                        self.of_batch.entry(batches.number(from)).push(number);
                    }
                    ReworkSource::Batch(_) => {}
                    ReworkSource::Wheel(wheel) => {
                        let wheel = wheels.number(wheel);
                        self.rework_of.entry(wheel).push(number);
                        self.dirty.insert(wheel);
                    }
                }
            }
            Event::VatDrained(e) => self.of_batch.entry(batches.number(e.batch)).push(number),
            Event::VatMeasured(e) => self.of_batch.entry(batches.number(e.batch)).push(number),
            Event::VatCut(e) => self.of_batch.entry(batches.number(e.batch)).push(number),
            Event::VatMilled(e) => self.of_batch.entry(batches.number(e.batch)).push(number),
            Event::VatClosed(e) => self.of_batch.entry(batches.number(e.batch)).push(number),
            // A vat, a stillage and a hoop have cards of their own; they are cleaned under
            // the same codes.
            Event::ToolSanitised(e) => {
                self.of_place
                    .entry(places.number(Place::Tool(e.tool)))
                    .push(number);
            }
            Event::ToolChecked(e) => {
                self.of_place
                    .entry(places.number(Place::Tool(e.tool)))
                    .push(number);
            }
            Event::RoomCleaned(e) => {
                self.of_place
                    .entry(places.number(Place::Room(e.room)))
                    .push(number);
            }
            Event::OrderPlaced(e) => self.of_order.entry(orders.number(e.order)).push(number),
            Event::LabSampled(e) => self.of_sample.entry(e.sample).or_default().push(number),
            Event::LabSwabbed(e) => self.of_sample.entry(e.sample).or_default().push(number),
            Event::LabResulted(e) => self.of_sample.entry(e.sample).or_default().push(number),
            Event::HoldPlaced(e) => self.of_hold.entry(e.hold).or_default().push(number),
            Event::HoldLifted(e) => self.of_hold.entry(e.hold).or_default().push(number),
            _ => return None,
        }
        self.kept.push(fact.clone());
        self.kept_void.push(self.voids.has_voided(fact));
        Some(number)
    }

    /// Kept facts that count, in their own order.
    pub(crate) fn facts<'a>(&'a self, kept: &[Kept]) -> Vec<&'a Fact> {
        let mut facts: Vec<&Fact> = kept
            .iter()
            .filter(|number| !self.kept_void[**number as usize])
            .map(|number| &self.kept[*number as usize])
            .collect();
        facts.sort_by_key(|fact| fact.order());
        facts
    }

    /// Every kept fact that counts, in no particular order.
    pub(crate) fn all_facts(&self) -> impl Iterator<Item = &Fact> {
        let counts = self.kept_void.iter().map(|void| !void);
        self.kept
            .iter()
            .zip(counts)
            .filter(|(_, counts)| *counts)
            .map(|(fact, _)| fact)
    }

    fn void_again(&mut self, fact: FactId) {
        let Some(slot) = self.seen.get(&fact).copied() else {
            return;
        };
        if let Some((entry, group)) = slot.entry {
            let entry = &mut self.entries[entry as usize];
            let guard = entry.guard.map(|station| self.names.stations.name(station));
            entry.void = self.voids.takes_back(Target::kept(fact, guard));
            self.dirty
                .extend(self.groups[group as usize].wheels.iter().copied());
            if let Act::Moved {
                with: Some(stillage),
                ..
            } = entry.act
            {
                self.dirty.extend(self.loaded_on.list(stillage));
            }
        }
        if let Some(kept) = slot.kept {
            let fact = &self.kept[kept as usize];
            self.kept_void[kept as usize] = self.voids.has_voided(fact);
        }
    }

    fn settle(&mut self) {
        for stillage in std::mem::take(&mut self.unsorted) {
            let entries = &self.entries;
            let moves = self.moves_of.entry(stillage);
            moves.sort_by_key(|number| entries[*number as usize].order());
        }
        let mut dirty: Vec<_> = std::mem::take(&mut self.dirty).into_iter().collect();
        if dirty.is_empty() {
            return;
        }
        dirty.sort_unstable();
        let mut sharing = std::mem::take(&mut self.sharing);
        sharing.forget(&dirty);
        for wheel in dirty {
            sharing.add(wheel, &self.story(wheel));
        }
        sharing.order();
        self.sharing = sharing;
    }
}

fn unique(lots: impl Iterator<Item = LotId>) -> Vec<LotId> {
    let mut lots: Vec<_> = lots.collect();
    lots.sort_unstable();
    lots.dedup();
    lots
}
