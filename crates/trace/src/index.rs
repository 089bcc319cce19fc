//! The index: facts in any order, folded into what a trace has to know.
//!
//! Two kinds of facts are kept. What happened to wheels becomes an [`Entry`] of a few
//! dozen bytes, kept once for its whole *group*: the same twenty-four wheels of a stillage
//! are turned sixty times. What happened to lots, vats, orders, samples, tools and holds
//! is rare, so the facts themselves are kept. Room climate is in neither.
//!
//! All of that lies in a [`Storage`] and is looked up when it is asked for. In memory are
//! only voidings, what is known of holds over scopes, and the wheels whose story has to be
//! told again.
//!
//! Any permutation and duplication of the same facts gives the same answers, and a voided
//! fact counts as if it had never happened.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use facts::wire::{self, Read};
use facts::{BatchId, Fact, FactId, HoldId, LotId, SampleId, WheelId, stored_struct};
use holds::{Course, Moment, Rule, Scopes, Voiding, Voids};

use crate::act::{Entry, Said};
use crate::key::{Code, Key, Table, exact, moment_of, month_of};
use crate::storage::{Shelf, Storage};
use crate::{Place, Trace};

/// What is known of a wheel's place among the others.
#[derive(Debug, Default)]
pub(crate) struct Wheel {
    /// As it was first written; one that nobody knows has none.
    pub(crate) name: Option<WheelId>,
    /// The groups that it is in.
    pub(crate) groups: Vec<u32>,
}

stored_struct!(Wheel { name, groups });

/// Wheels that facts name together.
#[derive(Debug, Default)]
pub(crate) struct Group {
    pub(crate) wheels: Vec<WheelId>,
    /// The months in which something is said of them.
    pub(crate) months: Vec<u32>,
}

stored_struct!(Group { wheels, months });

/// A fact that is kept whole, as a line of JSON.
#[derive(Debug)]
pub(crate) struct Kept {
    pub(crate) void: bool,
    /// When it happened, by whoever gave it: a line that is read again goes by more.
    pub(crate) at: DateTime<Utc>,
    pub(crate) line: String,
}

stored_struct!(Kept { void, at via exact, line });

/// Counts of the whole index.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Counts {
    pub(crate) facts: u64,
    pub(crate) wheels: u64,
    pub(crate) groups: u32,
    /// When a wheel was last portioned, by any fact, voided ones too.
    pub(crate) last_birth: Option<Moment>,
}

stored_struct!(Counts {
    facts,
    wheels,
    groups,
    last_birth,
});

/// Facts, folded for tracing.
#[derive(Debug, Default)]
pub struct Index {
    pub(crate) shelf: Shelf,
    pub(crate) counts: Counts,
    /// The counts as they were put down last.
    written: Counts,
    /// Holds over scopes.
    pub(crate) scopes: Scopes,
    pub(crate) voids: Voids,
    pub(crate) rule: Rule,
    /// Wheels whose story changed since it was told last.
    pub(crate) dirty: BTreeSet<WheelId>,
    /// Those of them that are not written down as such.
    unmarked: Vec<WheelId>,
    /// Samples about which something was said since [`Index::stirred_samples`] was asked.
    pub(crate) stirred: BTreeSet<SampleId>,
}

impl Index {
    /// An empty index in memory, of a site that says this about holds.
    #[must_use]
    pub fn new(rule: Rule) -> Self {
        Self::lying_in(Box::<crate::Memory>::default(), rule)
    }

    /// The index that lies in a storage, empty at first. Whoever opens it again has to say the
    /// same about holds as before.
    #[must_use]
    pub fn lying_in(storage: Box<dyn Storage>, rule: Rule) -> Self {
        let mut index = Self {
            shelf: Shelf::new(storage),
            voids: Voids::under(rule.rights().clone()),
            rule,
            ..Self::default()
        };
        let whole = |table| Key::of(table);
        let shelf = &index.shelf;
        index.counts = shelf.get(&whole(Table::Counts)).unwrap_or_default();
        index.written = index.counts.clone();
        for voiding in shelf.under(&whole(Table::Voiding), |_, voiding: Voiding| voiding) {
            index.voids.add(voiding);
        }
        let of_scopes = shelf.under(&whole(Table::Scope), |_, kept: Kept| kept);
        for kept in of_scopes {
            if let Some(fact) = index.read(&kept) {
                index.scopes.apply(&fact);
            }
        }
        let dirty = index.shelf.under(&whole(Table::Dirty), |_, wheel| wheel);
        index.dirty = dirty.into_iter().collect();
        index.stirred = index.names().into_iter().collect();
        index
    }

    /// How many facts are kept, in either form.
    #[must_use]
    pub fn len(&self) -> usize {
        usize::try_from(self.counts.facts).unwrap_or(usize::MAX)
    }

    /// Whether no fact is kept.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.counts.facts == 0
    }

    /// How many wheels facts name.
    #[must_use]
    pub fn wheel_count(&self) -> usize {
        usize::try_from(self.counts.wheels).unwrap_or(usize::MAX)
    }

    /// Samples about which something was said since this was asked last; at first, all.
    pub fn stirred_samples(&mut self) -> BTreeSet<SampleId> {
        std::mem::take(&mut self.stirred)
    }

    /// Brings what wheels share up to date and lets questions be asked.
    pub fn trace(&mut self) -> Trace<'_> {
        while self.settle(usize::MAX) > 0 {}
        Trace { index: self }
    }

    /// Tells the story of so many changed wheels again, in the order of their codes; answers how
    /// many are left. What that takes grows with their number, and only here.
    pub fn settle(&mut self, most: usize) -> usize {
        let some: Vec<WheelId> = self.dirty.iter().take(most).copied().collect();
        for wheel in some {
            self.settle_wheel(wheel);
            self.dirty.remove(&wheel);
            self.shelf.remove(&Key::of(Table::Dirty).code(&wheel));
        }
        if self.dirty.is_empty() {
            self.unmarked.clear();
        }
        self.dirty.len()
    }

    /// Puts down what is kept in memory only: before the storage makes durable what was put.
    pub fn put_down(&mut self) {
        for wheel in std::mem::take(&mut self.unmarked) {
            if self.dirty.contains(&wheel) {
                self.shelf.put(&Key::of(Table::Dirty).code(&wheel), &wheel);
            }
        }
        if self.written != self.counts {
            self.shelf.put(&Key::of(Table::Counts), &self.counts);
            self.written = self.counts.clone();
        }
    }

    /// How many wheels' stories have to be told again.
    #[must_use]
    pub fn unsettled(&self) -> usize {
        self.dirty.len()
    }

    pub(crate) fn changed(&mut self, wheels: impl IntoIterator<Item = WheelId>) {
        for wheel in wheels {
            if self.dirty.insert(wheel) {
                self.unmarked.push(wheel);
            }
        }
    }

    /// A code as it was first written.
    pub(crate) fn name<C: Code>(&mut self, code: C) -> C {
        let key = Key::of(Table::Name).named(&code);
        match self.shelf.get(&key) {
            Some(known) => known,
            None => {
                self.shelf.put(&key, &code);
                code
            }
        }
    }

    /// A code as it was first written, if any fact names it.
    pub(crate) fn named<C: Code>(&self, code: C) -> Option<C> {
        self.shelf.get(&Key::of(Table::Name).named(&code))
    }

    /// Every code of a kind.
    pub(crate) fn names<C: Code>(&self) -> Vec<C> {
        let kind = Key::of(Table::Name).byte(C::KIND);
        self.shelf.under(&kind, |_, code| code)
    }

    /// What is known of a wheel; of one that no fact names, nothing.
    pub(crate) fn wheel(&self, wheel: WheelId) -> Wheel {
        let known = self.shelf.get(&Key::of(Table::Wheel).code(&wheel));
        known.unwrap_or_default()
    }

    /// Every wheel that a fact names.
    pub(crate) fn wheels(&self) -> Vec<WheelId> {
        let all = self
            .shelf
            .under(&Key::of(Table::Wheel), |_, wheel: Wheel| wheel.name);
        all.into_iter().flatten().collect()
    }

    /// A group.
    pub(crate) fn group(&self, group: u32) -> Group {
        let group = self.shelf.get(&Key::of(Table::Group).number(group));
        group.unwrap_or_default()
    }

    /// The wheels of a group.
    pub(crate) fn wheels_of(&self, group: u32) -> Vec<WheelId> {
        self.group(group).wheels
    }

    /// What is said of a wheel and counts: acts, handling or both.
    pub(crate) fn said(&self, wheel: WheelId, tables: &[Table]) -> Vec<Entry> {
        let mut all = Vec::new();
        for group in self.wheel(wheel).groups {
            for month in self.group(group).months {
                for table in tables {
                    let key = Key::of(*table).number(month).number(group);
                    let said = self.shelf.under(&key, |key, said: Said| {
                        let (at, id) = moment_of(key)?;
                        (!said.void).then_some(Entry { at, id, said })
                    });
                    all.extend(said.into_iter().flatten());
                }
            }
        }
        all
    }

    /// Moments and values under a prefix, in order.
    pub(crate) fn moments<T: facts::stored::borsh::BorshDeserialize>(
        &self,
        prefix: &Key,
    ) -> Vec<(DateTime<Utc>, FactId, T)> {
        let all = self.shelf.under(prefix, |key, value| {
            moment_of(key).map(|(at, fact)| (at, fact, value))
        });
        all.into_iter().flatten().collect()
    }

    /// An entry of a group, unless it is void.
    pub(crate) fn counting(&self, group: u32, (at, id): (DateTime<Utc>, FactId)) -> Option<Entry> {
        let key = Key::of(Table::Act).number(month_of(at)).number(group);
        let said: Said = self.shelf.get(&key.moment(at, id))?;
        (!said.void).then_some(Entry { at, id, said })
    }

    /// A kept fact, unless it is void.
    pub(crate) fn fact(&self, fact: FactId) -> Option<Fact> {
        let kept: Kept = self.shelf.get(&Key::of(Table::Kept).fact(fact))?;
        (!kept.void).then(|| self.read(&kept)).flatten()
    }

    pub(crate) fn read(&self, kept: &Kept) -> Option<Fact> {
        match wire::from_line(&kept.line) {
            Ok(Read::Fact(fact)) => Some(Fact {
                occurred_at: kept.at,
                ..fact
            }),
            Ok(Read::UnknownType(_)) => None,
            Err(error) => {
                self.shelf.damaged(&error.to_string());
                None
            }
        }
    }

    /// Kept facts of a list that count, in their own order.
    pub(crate) fn facts(&self, list: &Key) -> Vec<Fact> {
        let kept = self.moments::<()>(list).into_iter();
        kept.filter_map(|(_, fact, ())| self.fact(fact)).collect()
    }

    /// Whether any kept fact of a list counts.
    pub(crate) fn any_fact(&self, list: &Key) -> bool {
        let mut kept = self.moments::<()>(list).into_iter();
        kept.any(|(_, fact, ())| {
            let kept: Option<Kept> = self.shelf.get(&Key::of(Table::Kept).fact(fact));
            kept.is_some_and(|kept| !kept.void)
        })
    }

    /// Every kept fact that counts, in no particular order.
    pub(crate) fn all_facts(&self) -> Vec<Fact> {
        let kept = self
            .shelf
            .under(&Key::of(Table::Kept), |_, kept: Kept| kept);
        let counts = kept.into_iter().filter(|kept| !kept.void);
        counts.filter_map(|kept| self.read(&kept)).collect()
    }

    pub(crate) fn of_batch(&self, batch: BatchId) -> Vec<Fact> {
        self.facts(&Key::of(Table::OfBatch).code(&batch))
    }

    pub(crate) fn of_lot(&self, lot: LotId) -> Vec<Fact> {
        self.facts(&Key::of(Table::OfLot).code(&lot))
    }

    pub(crate) fn of_place(&self, place: Place) -> Vec<Fact> {
        self.facts(&Key::of(Table::OfPlace).place(place))
    }

    pub(crate) fn of_sample(&self, sample: SampleId) -> Vec<Fact> {
        self.facts(&Key::of(Table::OfSample).code(&sample))
    }

    pub(crate) fn of_hold(&self, hold: HoldId) -> Vec<Fact> {
        self.facts(&Key::of(Table::OfHold).code(&hold))
    }

    pub(crate) fn rework_of(&self, wheel: WheelId) -> Vec<Fact> {
        self.facts(&Key::of(Table::ReworkOf).code(&wheel))
    }

    /// Wheels ever portioned from a batch, voided portionings among them.
    pub(crate) fn ever_born(&self, batch: BatchId) -> Vec<WheelId> {
        let born = Key::of(Table::Born).code(&batch);
        self.shelf.under(&born, |_, wheel| wheel)
    }

    /// By which recipe a batch goes, and what went into it.
    pub(crate) fn course(&self, batch: BatchId) -> Option<Course> {
        self.shelf.get(&Key::of(Table::Course).code(&batch))
    }
}
