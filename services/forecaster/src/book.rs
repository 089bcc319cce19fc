//! What the forecaster keeps: every fact that forecasts rest on, on the disk and under its
//! batch; in memory the batches that are at hand, and a line of every other.
//!
//! A fact belongs to the batches that it names and to those that a wheel that it names was ever
//! said to be portioned into; what takes it back belongs there too. So a batch is gathered from
//! its own facts alone, whatever order they come in, and only those that something new was said
//! of are gathered again.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::sync::Arc;

use bus::Position;
use chrono::{DateTime, Utc};
use facts::{BatchId, Event, Fact, FactId, ForecastTold, RecipeId, WheelId, stored_struct};
use forecast::{Batch, Habit, Habits, History};
use projection::{Records as _, Store, StoreError};
use site::Site;

use crate::air::{Air, Place};
use crate::at_hand::{Keeps, at_hand};
use crate::line::{Gathered, Line};
use crate::shelf::{Shelf, exact, id, key, line, read};

/// Wheels whose batch is remembered between two facts.
const WHEELS: usize = 20_000;

/// Where a fact belongs.
#[derive(Clone, Copy)]
enum Unit {
    Batch(BatchId),
    Air(Place),
}

/// Habits, and the beginning of the day that they were learnt for.
struct Learnt {
    day_began: DateTime<Utc>,
    habits: Vec<(RecipeId, Habit)>,
}

stored_struct!(Learnt { day_began via exact, habits });

/// When the newest facts were recorded.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Newest {
    /// Of those that count.
    pub(crate) counts: Option<Instant>,
    /// Of those that came since.
    pub(crate) came: Option<Instant>,
}

stored_struct!(Newest { counts, came });

/// An instant as it is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Instant {
    pub(crate) at: DateTime<Utc>,
}

stored_struct!(Instant { at via exact });

/// See the module.
pub(crate) struct Book {
    pub(crate) shelf: Shelf,
    pub(crate) lines: BTreeMap<BatchId, Line>,
    /// Batches to be gathered again.
    stirred: BTreeSet<BatchId>,
    /// Those at hand, as they were gathered last.
    batches: BTreeMap<BatchId, Arc<Batch>>,
    air: Air,
    learnt: Option<Learnt>,
    /// Facts that something takes back, here or not.
    voided: BTreeSet<FactId>,
    of_wheel: HashMap<WheelId, BatchId>,
    pub(crate) keeps: Keeps,
}

/// What a store had.
#[derive(Default)]
pub(crate) struct Had {
    pub(crate) position: Option<Position>,
    pub(crate) waiting: Vec<Fact>,
    pub(crate) newest: Newest,
    lines: BTreeMap<BatchId, Line>,
    stirred: BTreeSet<BatchId>,
    air: Air,
    learnt: Option<Learnt>,
    voided: BTreeSet<FactId>,
    stamp: Option<u64>,
}

impl Had {
    /// Reads it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn of(store: &Store) -> Result<Self, StoreError> {
        let mut had = Self {
            position: store.position()?,
            newest: store.get(key::NEWEST)?.unwrap_or_default(),
            air: Air::load(store)?,
            learnt: store.get(key::HABITS)?,
            stamp: store.get(key::STAMP)?,
            ..Self::default()
        };
        store.each(key::LINES, |_, (batch, line): (BatchId, Line)| {
            had.lines.insert(batch, line);
            Ok(())
        })?;
        store.each(key::STIRRED, |_, batch: BatchId| {
            had.stirred.insert(batch);
            Ok(())
        })?;
        store.each(key::VOIDS, |ids, ()| {
            let voided = ids.first_chunk::<16>().ok_or("no fact's name")?;
            had.voided.insert(id(voided)?);
            Ok(())
        })?;
        store.each(key::WAITING, |_, line: String| {
            had.waiting.push(read(&line)?);
            Ok(())
        })?;
        Ok(had)
    }
}

impl Book {
    /// Of a store and what it had, for a site.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn new(store: Arc<Store>, had: Had, site: &Site) -> Result<Self, StoreError> {
        let mut book = Self {
            shelf: Shelf::new(store),
            lines: had.lines,
            stirred: had.stirred,
            batches: BTreeMap::new(),
            air: had.air,
            learnt: had.learnt,
            voided: had.voided,
            of_wheel: HashMap::new(),
            keeps: Keeps::of(site),
        };
        let stamp = stamp(site);
        if had.stamp != Some(stamp) {
            // Another release, another recipe, others who may release: all is gathered again.
            book.forget_habits();
            for id in book.lines.keys().copied().collect::<Vec<_>>() {
                book.stir(id)?;
            }
            book.air.stir_all(&mut book.shelf)?;
            book.shelf.put(key::STAMP.to_vec(), &stamp)?;
        }
        Ok(book)
    }

    /// When the newest facts were recorded, for the next start.
    pub(crate) fn keep_newest(&mut self, newest: Newest) -> Result<(), StoreError> {
        self.shelf.put(key::NEWEST.to_vec(), &newest)
    }

    /// The day that the habits were learnt for.
    pub(crate) fn learnt_for(&self) -> Option<DateTime<Utc>> {
        self.learnt.as_ref().map(|learnt| learnt.day_began)
    }

    /// Habits no longer count.
    pub(crate) fn forget_habits(&mut self) {
        self.learnt = None;
        self.shelf.remove(key::HABITS.to_vec());
    }

    /// Takes a fact that counts.
    pub(crate) fn take(&mut self, fact: &Fact) -> Result<(), StoreError> {
        match &fact.event {
            Event::ForecastTold(told) => self.shelf.put(key::told(told.batch), &line(fact)?),
            Event::RoomClimateRead(read) => {
                let Some(place) = Air::take(&mut self.shelf, fact, read)? else {
                    return Ok(());
                };
                for voider in self.voids_of(fact.id)? {
                    self.attach(voider, Unit::Air(place))?;
                }
                self.air.stir(&mut self.shelf, place)
            }
            _ if self.shelf.has(&key::fact(fact.id))? => Ok(()),
            Event::Voided(voided) => {
                self.shelf.put(key::fact(fact.id), &line(fact)?)?;
                let voids = key::voids(voided.fact);
                self.shelf.put(key::under(&voids, fact.id), &())?;
                self.voided.insert(voided.fact);
                for unit in self.units_of(voided.fact)? {
                    self.attach(fact.id, unit)?;
                }
                Ok(())
            }
            event => {
                self.shelf.put(key::fact(fact.id), &line(fact)?)?;
                if let Event::WheelPortioned(born) = event {
                    self.born(born.wheel, born.batch)?;
                }
                for wheel in event.wheels() {
                    if self.batches_of(*wheel)?.is_empty() {
                        let unborn = key::unborn(*wheel);
                        self.shelf.put(key::under(&unborn, fact.id), &())?;
                    }
                }
                for batch in self.named(event)? {
                    self.attach(fact.id, Unit::Batch(batch))?;
                }
                Ok(())
            }
        }
    }

    /// The batches that an event belongs to, as far as it is known whose its wheels are.
    fn named(&mut self, event: &Event) -> Result<BTreeSet<BatchId>, StoreError> {
        let mut batches: BTreeSet<BatchId> = batch_of(event).into_iter().collect();
        for wheel in event.wheels() {
            batches.extend(self.batches_of(*wheel)?);
        }
        Ok(batches)
    }

    fn batches_of(&mut self, wheel: WheelId) -> Result<Vec<BatchId>, StoreError> {
        if let Some(batch) = self.of_wheel.get(&wheel) {
            return Ok(vec![*batch]);
        }
        let batches: Vec<BatchId> = self.shelf.get(&key::wheel(wheel))?.unwrap_or_default();
        if let [batch] = batches.as_slice() {
            if self.of_wheel.len() >= WHEELS {
                self.of_wheel.clear();
            }
            self.of_wheel.insert(wheel, *batch);
        }
        Ok(batches)
    }

    /// A wheel was said to be portioned into a batch: what is known of it belongs there.
    fn born(&mut self, wheel: WheelId, batch: BatchId) -> Result<(), StoreError> {
        let mut batches = self.batches_of(wheel)?;
        if batches.contains(&batch) {
            return Ok(());
        }
        let unborn = key::unborn(wheel);
        let mut about = self.shelf.ids(&unborn)?;
        for id in &about {
            self.shelf.remove(key::under(&unborn, *id));
        }
        if let Some(first) = batches.first() {
            // Two batches claim it: all that was said of it is with the first.
            let facts = self.shelf.facts_of(*first)?;
            let of_it = facts.iter().filter(|f| f.event.wheels().contains(&wheel));
            about.extend(of_it.map(|fact| fact.id));
        }
        batches.push(batch);
        self.of_wheel.remove(&wheel);
        self.shelf.put(key::wheel(wheel), &batches)?;
        for id in about {
            self.attach(id, Unit::Batch(batch))?;
        }
        Ok(())
    }

    /// What takes a fact back.
    fn voids_of(&self, fact: FactId) -> Result<Vec<FactId>, StoreError> {
        if self.voided.contains(&fact) {
            self.shelf.ids(&key::voids(fact))
        } else {
            Ok(Vec::new())
        }
    }

    /// Where a fact belongs: one that takes another back, where that one does.
    fn units_of(&mut self, fact: FactId) -> Result<Vec<Unit>, StoreError> {
        let (mut at, mut seen) = (fact, BTreeSet::new());
        while seen.insert(at) {
            match self.shelf.fact(at)?.map(|fact| fact.event) {
                Some(Event::Voided(voided)) => at = voided.fact,
                Some(event) => {
                    let batches = self.named(&event)?;
                    return Ok(batches.into_iter().map(Unit::Batch).collect());
                }
                None => {
                    let place = self.air.place(&self.shelf, at)?;
                    return Ok(place.into_iter().map(Unit::Air).collect());
                }
            }
        }
        Ok(Vec::new()) // a ring of voidings
    }

    /// Puts a fact where it belongs, with all that takes it back.
    fn attach(&mut self, fact: FactId, unit: Unit) -> Result<(), StoreError> {
        let prefix = match unit {
            Unit::Batch(batch) => key::facts_of(batch),
            Unit::Air(place) => key::air_voids(place.room, place.week),
        };
        let mut more = vec![fact];
        let mut new = false;
        while let Some(fact) = more.pop() {
            let key = key::under(&prefix, fact);
            if !self.shelf.has(&key)? {
                self.shelf.put(key, &())?;
                more.extend(self.voids_of(fact)?);
                new = true;
            }
        }
        match unit {
            _ if !new => Ok(()),
            Unit::Batch(batch) => self.stir(batch),
            Unit::Air(place) => self.air.stir(&mut self.shelf, place),
        }
    }

    fn stir(&mut self, batch: BatchId) -> Result<(), StoreError> {
        if self.stirred.insert(batch) {
            self.shelf.put(key::stirred(batch), &batch)?;
        }
        Ok(())
    }

    /// Gathers again what is stirred, and what ought to be at hand and is not; lets go of what
    /// need not be.
    pub(crate) fn renew(
        &mut self,
        site: &Site,
        now: DateTime<Utc>,
        day_began: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        for id in std::mem::take(&mut self.stirred) {
            self.gather(id, site, now)?;
        }
        let at_hand = at_hand(&self.lines, day_began, self.keeps);
        for id in &at_hand {
            if !self.batches.contains_key(id) {
                self.gather(*id, site, now)?;
            }
        }
        self.batches.retain(|id, _| at_hand.contains(id));
        self.air.renew(&mut self.shelf, &site.rights(), now)
    }

    fn gather(&mut self, id: BatchId, site: &Site, now: DateTime<Utc>) -> Result<(), StoreError> {
        let facts = self.shelf.facts_of(id)?;
        self.shelf.remove(key::stirred(id));
        self.batches.remove(&id);
        let Some(gathered) = Gathered::of(id, &facts, site, now, None) else {
            self.lines.remove(&id);
            self.shelf.remove(key::line(id));
            return Ok(());
        };
        if gathered.line.occurred > now {
            self.stir(id)?; // a part of it is still to come
        }
        self.batches.extend(gathered.batch.map(|batch| (id, batch)));
        if self.lines.get(&id) != Some(&gathered.line) {
            self.shelf
                .put(key::line(id), &(id, gathered.line.clone()))?;
            self.lines.insert(id, gathered.line);
        }
        Ok(())
    }

    /// Everything that forecasts are made from, as of the last [`Book::renew`].
    pub(crate) fn history(&self, site: &Site) -> History {
        History::put_together(
            site.clock,
            &site.recipes,
            self.batches.clone(),
            self.air.hours(),
            without_recipe(&self.lines),
        )
    }

    /// What had been recorded and had happened when a day began, to learn from.
    pub(crate) fn history_before(
        &self,
        site: &Site,
        day_began: DateTime<Utc>,
    ) -> Result<History, StoreError> {
        let mut lines = BTreeMap::new();
        let mut batches = BTreeMap::new();
        let as_of = |id: BatchId| -> Result<Option<Gathered>, StoreError> {
            let facts = self.shelf.facts_of(id)?;
            Ok(Gathered::of(id, &facts, site, day_began, Some(day_began)))
        };
        for (id, line) in &self.lines {
            let later = line.recorded >= day_began || line.occurred > day_began;
            let Some(gathered) = later.then(|| as_of(*id)).transpose()?.flatten() else {
                lines.insert(*id, line.clone());
                continue;
            };
            lines.insert(*id, gathered.line);
            batches.insert(*id, gathered.batch);
        }
        let mut at_hand_then = BTreeMap::new();
        for id in at_hand(&lines, day_began, self.keeps) {
            let batch = match (batches.remove(&id), self.batches.get(&id)) {
                (Some(batch), _) => batch,
                (None, Some(batch)) => Some(batch.clone()),
                (None, None) => as_of(id)?.and_then(|gathered| gathered.batch),
            };
            at_hand_then.extend(batch.map(|batch| (id, batch)));
        }
        let air = self
            .air
            .hours_before(&self.shelf, &site.rights(), day_began)?;
        Ok(History::put_together(
            site.clock,
            &site.recipes,
            at_hand_then,
            air,
            without_recipe(&lines),
        ))
    }

    /// Habits for a day: those that were learnt for it, or learnt now.
    pub(crate) fn habits(
        &mut self,
        site: &Site,
        day_began: DateTime<Utc>,
        threads: usize,
    ) -> Result<Habits, StoreError> {
        let learnt = self.learnt.as_ref();
        if let Some(learnt) = learnt.filter(|learnt| learnt.day_began == day_began) {
            return Ok(learnt.habits.iter().copied().collect());
        }
        let history = self.history_before(site, day_began)?;
        let habits = forecast::habits(&history, day_began, &Habits::new(), threads);
        let learnt = Learnt {
            day_began,
            habits: habits.clone().into_iter().collect(),
        };
        self.shelf.put(key::HABITS.to_vec(), &learnt)?;
        self.learnt = Some(learnt);
        Ok(habits)
    }

    /// The forecast of a batch that was last told.
    pub(crate) fn told(&self, batch: BatchId) -> Result<Option<ForecastTold>, StoreError> {
        let key = key::told(batch);
        let Some(line) = self.shelf.get::<String>(&key)? else {
            return Ok(None);
        };
        match read(&line).map(|fact| fact.event) {
            Ok(Event::ForecastTold(told)) => Ok(Some(told)),
            Ok(_) => Err(self.shelf.unreadable(&key, "no forecast")),
            Err(why) => Err(self.shelf.unreadable(&key, &why)),
        }
    }
}

fn without_recipe(lines: &BTreeMap<BatchId, Line>) -> Vec<BatchId> {
    let without = lines.iter().filter(|(_, line)| line.without_recipe);
    without.map(|(id, _)| *id).collect()
}

/// What gathering and learning go by beside facts.
fn stamp(site: &Site) -> u64 {
    let mut hasher = DefaultHasher::new();
    let release = env!("CARGO_PKG_VERSION");
    let (clock, rights, recipes) = (&site.clock, site.rights(), &site.recipes);
    let said = format!("{release} {clock:?} {rights:?} {recipes:?}");
    said.hash(&mut hasher);
    hasher.finish()
}

/// The batch that an event names.
const fn batch_of(event: &Event) -> Option<BatchId> {
    match event {
        Event::VatStarted(e) => Some(e.batch),
        Event::VatRecipeChanged(e) => Some(e.batch),
        Event::VatDosed(e) => Some(e.batch),
        Event::VatDrained(e) => Some(e.batch),
        Event::VatFilled(e) => Some(e.batch),
        Event::VatReworked(e) => Some(e.batch),
        Event::VatClosed(e) => Some(e.batch),
        Event::WheelPortioned(e) => Some(e.batch),
        _ => None,
    }
}
