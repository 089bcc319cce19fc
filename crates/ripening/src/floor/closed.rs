//! Batches that are closed: of which every wheel has been gone for long. All that facts said of
//! one leaves memory as one record and comes back as it was, when a late fact, a correction, a
//! return or a question speaks of it. So what a floor costs follows what stands on it.
//!
//! A closed wheel asks for nothing, whether its batch has been put away or not (`derive`):
//! nobody can see in any answer when, or whether, a batch was.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use chrono::{DateTime, Datelike as _, TimeDelta, Utc};
use facts::stored::instant;
use facts::{
    BatchId, Event, Fact, FactId, Grade, RecipeId, ReworkSource, ToolId, WheelId, stored_struct,
};
use quantity::DairyDay;

use super::fold::{made_of, portions};
use super::{Damaged, Floor};
use crate::notes::{self, NoteNo};
use crate::wheels::Slot;
use crate::{Batch, State, What};

/// Batches are looked through for closed ones every dairy day, and when there are so many more:
/// a log that is read from its beginning closes them on the way.
const MORE: usize = 64;

/// All that facts said of a batch and of its wheels.
#[derive(Debug, Clone, PartialEq)]
pub struct Closed {
    /// The batch, as its code was first written.
    pub id: BatchId,
    made: Batch,
    wheels: Vec<WheelId>,
    notes: Vec<ClosedNote>,
}

/// One note, and the places of its wheels in the batch's list.
#[derive(Debug, Clone, PartialEq)]
struct ClosedNote {
    encoded: Vec<u8>,
    wheels: Vec<u16>,
}

stored_struct!(Closed {
    id,
    made,
    wheels,
    notes,
});
stored_struct!(ClosedNote { encoded, wheels });
impl Closed {
    /// Its wheels.
    #[must_use]
    pub fn wheels(&self) -> &[WheelId] {
        &self.wheels
    }

    /// Every fact that speaks of it or of one of its wheels, each once.
    #[must_use]
    pub fn facts(&self) -> BTreeSet<FactId> {
        let notes = self.notes.iter();
        let notes = notes.filter_map(|note| Some(notes::read(&note.encoded)?.moment.fact));
        notes.chain(self.made.facts()).collect()
    }

    /// Batches of which curd went into it: a hold follows it there.
    pub fn reworked_from(&self) -> impl Iterator<Item = BatchId> + '_ {
        self.made.course.reworked_from()
    }

    /// What it goes by beside its code and its wheels': make day, lots, orders that wheels were
    /// promised to or sent for, and holds that named them.
    #[must_use]
    pub fn words(&self, day_of: impl Fn(DateTime<Utc>) -> DairyDay) -> BTreeSet<String> {
        let lots = self.made.course.lots().map(|lot| lot.to_string());
        let mut words: BTreeSet<String> = lots.collect();
        for note in &self.notes {
            let Some(note) = notes::read(&note.encoded) else {
                continue;
            };
            match note.what {
                What::Portioned { .. } => {
                    words.insert(day_of(note.moment.at).date().to_string());
                }
                What::Allocated { order } => {
                    words.insert(order.to_string());
                }
                What::Held { hold, .. } => {
                    words.insert(hold.to_string());
                }
                What::Dispatched { order, .. } => words.extend(order.map(|o| o.to_string())),
                _ => {}
            }
        }
        words
    }
}

/// What has to be remembered of closed batches while they are away: a few words each.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Away {
    /// Which of them a machine pierced, by dairy day: a check that fails concerns them still.
    pierced: BTreeMap<(ToolId, Day), BTreeSet<BatchId>>,
    /// Each of them in brief.
    batches: BTreeMap<BatchId, Brief>,
}

/// A dairy day, counted from the first of the calendar.
type Day = i32;

fn number(day: DairyDay) -> Day {
    day.date().num_days_from_ce()
}

#[derive(Debug, Clone, PartialEq)]
struct Brief {
    /// The first and the last instant of which it has a note.
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    /// How many of its wheels left, and how many were thrown away.
    dispatched: u32,
    discarded: u32,
    /// The recipe and version that it was stated to go by.
    recipe: Option<(RecipeId, u32)>,
    /// How many of its wheels were given each grade.
    grades: BTreeMap<Grade, u32>,
}

stored_struct!(Brief {
    from via instant,
    until via instant,
    dispatched,
    discarded,
    recipe,
    grades,
});
stored_struct!(Away { pierced, batches });

impl Away {
    /// How many batches are away.
    #[must_use]
    pub fn len(&self) -> usize {
        self.batches.len()
    }

    /// Whether none is.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.batches.is_empty()
    }

    /// Batches with wheels that lived at an instant.
    pub fn at(&self, then: DateTime<Utc>) -> impl Iterator<Item = BatchId> + '_ {
        let lived = self.batches.iter();
        let lived = lived.filter(move |(_, of)| of.from <= then && then <= of.until);
        lived.map(|(batch, _)| *batch)
    }

    /// Batches whose first note is of these instants.
    pub fn begun(&self, within: Range<DateTime<Utc>>) -> impl Iterator<Item = BatchId> + '_ {
        let begun = self.batches.iter();
        let begun = begun.filter(move |(_, of)| within.contains(&of.from));
        begun.map(|(batch, _)| *batch)
    }

    /// When a batch was begun, if it is away.
    #[must_use]
    pub fn begun_at(&self, batch: BatchId) -> Option<DateTime<Utc>> {
        Some(self.batches.get(&batch)?.from)
    }

    /// How many of their wheels left, and how many were thrown away.
    #[must_use]
    pub fn gone(&self) -> (usize, usize) {
        let all = self.batches.values();
        all.fold((0, 0), |(left, thrown), of| {
            (
                left + of.dispatched as usize,
                thrown + of.discarded as usize,
            )
        })
    }
}

/// What a fact, or a question, may speak of that is not here.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Needs {
    /// Wheels.
    pub wheels: Vec<WheelId>,
    /// Batches.
    pub batches: BTreeSet<BatchId>,
    /// Facts, of whatever batch they are.
    pub facts: Vec<FactId>,
}

impl Needs {
    /// Whether it is nothing.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// What closed batches can be given back to.
pub trait Reopens {
    /// What a fact that is to be folded may speak of that is not here: whoever keeps closed
    /// batches looks them up and gives them back first.
    fn needs(&self, fact: &Fact) -> Needs;

    /// Whether a batch is here.
    fn is_open(&self, id: BatchId) -> bool;

    /// Takes a batch back that was put away.
    ///
    /// # Errors
    /// [`Damaged`] when its notes do not read; nothing is taken then.
    fn reopen(&mut self, closed: Closed) -> Result<(), Damaged>;
}

impl Reopens for Floor {
    fn needs(&self, fact: &Fact) -> Needs {
        let mut needs = Needs {
            wheels: self.needs_wheels(fact.event.wheels()),
            ..Needs::default()
        };
        let mut batch = |id: BatchId| {
            if !self.batches.contains_key(&id) {
                needs.batches.insert(id);
            }
        };
        made_of(&fact.event).into_iter().for_each(&mut batch);
        match &fact.event {
            Event::WheelPortioned(born) => batch(born.batch),
            Event::VatReworked(reworked) => match &reworked.from {
                ReworkSource::Batch(from) => batch(*from),
                ReworkSource::Wheel(wheel) => {
                    needs.wheels.extend(self.needs_wheels(&[*wheel]));
                }
            },
            Event::ToolChecked(check) => {
                self.pierced_away(check.tool, fact.occurred_at, &mut needs.batches);
            }
            Event::Voided(voided) => {
                let mut next = Some(voided.fact);
                let mut portioned = BTreeSet::new();
                while let Some(fact) = next.filter(|fact| !needs.facts.contains(fact)) {
                    // Wheels that it names may be open and closed.
                    needs.facts.push(fact);
                    // A wheel that it names may go over to another batch that it was portioned
                    // for.
                    for slot in self.notes.wheels_of(fact) {
                        for note in self.life_of(&self.wheels[slot]) {
                            if let What::Portioned { batch, .. } = note.what {
                                portioned.insert(batch);
                            }
                        }
                    }
                    for (tool, checks) in &self.tools {
                        if let Some(at) = checks.check_of(fact) {
                            self.pierced_away(*tool, at, &mut needs.batches);
                        }
                    }
                    next = self.voids.voided_by(fact);
                }
                portioned.retain(|id| !self.batches.contains_key(id));
                needs.batches.append(&mut portioned);
            }
            _ => {}
        }
        needs
    }

    fn is_open(&self, id: BatchId) -> bool {
        self.batches.contains_key(&id)
    }

    fn reopen(&mut self, closed: Closed) -> Result<(), Damaged> {
        let Closed {
            id,
            made,
            wheels,
            notes,
        } = closed;
        let read = notes.iter().map(|note| notes::read(&note.encoded));
        let read = read.collect::<Option<Vec<_>>>().ok_or(Damaged)?;
        let places = notes.iter().flat_map(|note| &note.wheels);
        if places.into_iter().any(|p| usize::from(*p) >= wheels.len()) {
            return Err(Damaged);
        }
        let slots = wheels.iter().map(|id| self.wheels.slot_or_new(*id));
        let slots: Vec<Slot> = slots.collect();
        for (stored, note) in notes.iter().zip(&read) {
            let no = self.notes.number(note, &stored.encoded);
            for place in &stored.wheels {
                let slot = slots[usize::from(*place)];
                if let Err(place) = self.notes.place(&self.wheels[slot].life, note.moment) {
                    self.wheels[slot].life.insert(place, no);
                    self.notes.give(no, slot);
                }
            }
        }
        self.restore_batch(id, made);
        self.changed.batches.insert(id);
        for slot in slots {
            self.take_up(slot);
        }
        for ((tool, _), batches) in &mut self.away.pierced {
            if batches.remove(&id) {
                self.stale.tools.insert(*tool);
            }
        }
        self.away.pierced.retain(|_, batches| !batches.is_empty());
        self.away.batches.remove(&id);
        self.looked = None;
        self.changed.away = true;
        Ok(())
    }
}

impl Floor {
    /// How many wheels of closed batches were given each grade, by their recipe.
    pub fn graded_away(&self) -> impl Iterator<Item = (RecipeId, Grade, usize)> + '_ {
        self.away.batches.values().flat_map(|of| {
            let recipe = self.recipe_by(of.recipe).map(|recipe| recipe.id);
            let grades = of.grades.iter();
            grades.filter_map(move |(grade, n)| Some((recipe?, *grade, *n as usize)))
        })
    }

    /// Wheels of these that are not here.
    #[must_use]
    pub fn needs_wheels(&self, wheels: &[WheelId]) -> Vec<WheelId> {
        let away = wheels.iter().filter(|id| self.wheels.slot(**id).is_none());
        away.copied().collect()
    }

    /// Closed batches that a machine pierced since its last good check before an instant.
    fn pierced_away(&self, tool: ToolId, at: DateTime<Utc>, batches: &mut BTreeSet<BatchId>) {
        let checks = self.tools.get(&tool);
        let since = checks.and_then(|checks| checks.good_before(at, &self.voids));
        let first = since.map_or(Day::MIN, |good| number(self.calendar.day_of(good.at)));
        let runs = self.away.pierced.range((tool, first)..=(tool, Day::MAX));
        batches.extend(runs.flat_map(|(_, of)| of));
    }

    /// Closed batches that were begun before an instant: of each recipe the last, so many that
    /// with the open ones from before they are `many`. For what is learnt from earlier batches.
    #[must_use]
    pub fn away_before(&self, then: DateTime<Utc>, many: usize) -> Vec<BatchId> {
        let mut known: BTreeMap<Option<(RecipeId, u32)>, usize> = BTreeMap::new();
        let day = self.calendar.day_of(then);
        for batch in self.batches.values() {
            let made = batch.wheels.iter().filter_map(|wheel| self.made_on(*wheel));
            if made.min().is_some_and(|made| made < day) {
                let by = batch.recipe.as_ref().map(|by| (by.id, by.version));
                *known.entry(by).or_default() += 1;
            }
        }
        let before = self.away.batches.iter().filter(|(_, of)| of.from < then);
        let mut before: Vec<_> = before.collect();
        before.sort_by_key(|(_, of)| std::cmp::Reverse(of.from));
        before.retain(|(_, of)| {
            let known = known.entry(of.recipe).or_default();
            *known += 1;
            *known <= many
        });
        before.into_iter().map(|(batch, _)| *batch).collect()
    }

    /// What must be remembered of the batches that were put away.
    #[must_use]
    pub const fn away(&self) -> &Away {
        &self.away
    }

    /// Puts away every batch that is closed, as of the latest refresh; but of each recipe the
    /// `kept` youngest batches that there are stay, so that what is learnt from the last ones
    /// never has to be looked up.
    pub fn close(&mut self, kept: usize) -> Vec<Closed> {
        let looked = (self.calendar.day_of(self.now), self.batches.len() / MORE);
        if self.looked.replace(looked) == Some(looked) {
            return Vec::new();
        }
        type Made = Vec<(DairyDay, BatchId)>;
        let mut made: BTreeMap<Option<(RecipeId, u32)>, Made> = BTreeMap::new();
        for (id, batch) in &self.batches {
            let days = batch.wheels.iter().filter_map(|wheel| self.made_on(*wheel));
            if let Some(day) = days.min() {
                let by = batch.recipe.as_ref().map(|by| (by.id, by.version));
                made.entry(by).or_default().push((day, *id));
            }
        }
        let mut old: BTreeSet<BatchId> = BTreeSet::new();
        for mut of_recipe in made.into_values() {
            of_recipe.sort_unstable();
            let many = of_recipe.len().saturating_sub(kept);
            old.extend(of_recipe.iter().take(many).map(|(_, id)| *id));
        }
        old.retain(|id| self.batches.get(id).is_some_and(|b| self.is_closed(*id, b)));
        // A hold over milk or curd follows it through the batches that it was reworked into: a
        // batch goes only with those, or after them.
        while let Some(kept) = old.iter().copied().find(|id| {
            let into = self.batches.iter().filter(|(_, b)| b.course.is_from(*id));
            into.into_iter().any(|(other, _)| !old.contains(other))
        }) {
            old.remove(&kept);
        }
        let closed = old.into_iter().filter_map(|id| self.put_away(id));
        closed.collect()
    }

    fn made_on(&self, wheel: WheelId) -> Option<DairyDay> {
        self.wheels.get(wheel)?.state.made
    }

    /// When a wheel that is gone was closed, or will be.
    pub(super) fn closes_at(&self, state: &State) -> Option<DateTime<Utc>> {
        let gone = state.gone_since()?;
        gone.checked_add_signed(TimeDelta::days(self.practice.closed_after_days))
    }

    fn is_closed(&self, id: BatchId, batch: &Batch) -> bool {
        let closed = |wheel: &WheelId| {
            let Some(slot) = self.wheels.slot(*wheel) else {
                return false;
            };
            let wheel = &self.wheels[slot];
            let gone = self.closes_at(&wheel.state);
            // One that was portioned for two batches is of both.
            let of_one = || {
                let notes = self.life_of(wheel);
                let mut batches = notes.iter().filter_map(|note| match note.what {
                    What::Portioned { batch, .. } => Some(batch),
                    _ => None,
                });
                batches.all(|batch| batch == id)
            };
            gone.is_some_and(|at| at <= self.now)
                && wheel.told.is_empty()
                && !self.board.names(slot)
                && (!self.twice_born.contains(&slot) || of_one())
        };
        let stale = self.stale.batches.contains(&id);
        let few = u16::try_from(batch.wheels.len()).is_ok();
        !stale && few && !batch.wheels.is_empty() && batch.wheels.iter().all(closed)
    }

    fn put_away(&mut self, id: BatchId) -> Option<Closed> {
        let (kept, made) = self.batches.remove_entry(&id)?;
        let slots = made.wheels.iter().filter_map(|id| self.wheels.slot(*id));
        let slots: Vec<Slot> = slots.collect();
        let mut of_notes: BTreeMap<NoteNo, Vec<u16>> = BTreeMap::new();
        let mut wheels = Vec::new();
        for (place, slot) in (0..).zip(&slots) {
            wheels.extend(self.wheels.id(*slot));
            for no in &self.wheels[*slot].life {
                of_notes.entry(*no).or_default().push(place);
            }
        }
        let notes = of_notes.into_iter().filter_map(|(no, wheels)| {
            let (encoded, _) = self.notes.stored(no)?;
            Some(ClosedNote {
                encoded: encoded.into(),
                wheels,
            })
        });
        let notes: Vec<ClosedNote> = notes.collect();
        let closed = Closed {
            id: kept,
            made,
            wheels,
            notes,
        };
        let brief = self.brief(closed.made.recipe(&self.voids), &slots);
        self.away.batches.extend(brief.map(|of| (kept, of)));
        self.forget(&slots, kept);
        self.changed.batches.insert(kept);
        self.changed.away = true;
        Some(closed)
    }

    fn brief(&self, recipe: Option<(RecipeId, u32)>, slots: &[Slot]) -> Option<Brief> {
        let lives = slots.iter().map(|slot| &self.wheels[*slot].life);
        let ends = lives.flat_map(|life| life.first().into_iter().chain(life.last()));
        let ends = ends.filter_map(|no| Some(self.notes.moment(*no)?.at));
        let (from, until) = (ends.clone().min()?, ends.max()?);
        let states = slots.iter().map(|slot| &self.wheels[*slot].state);
        let many = |gone: fn(&State) -> bool| {
            let gone = states.clone().filter(|state| gone(state)).count();
            u32::try_from(gone).unwrap_or(u32::MAX)
        };
        let mut grades = BTreeMap::new();
        for grade in states.clone().filter_map(|state| state.grade) {
            *grades.entry(grade.value).or_default() += 1;
        }
        Some(Brief {
            from,
            until,
            dispatched: many(|state| state.dispatched.is_some()),
            discarded: many(|state| state.discarded.is_some()),
            recipe,
            grades,
        })
    }

    fn forget(&mut self, slots: &[Slot], batch: BatchId) {
        for slot in slots {
            let wheel = self.wheels.remove(*slot);
            if let Some(at) = wheel.changes_at {
                self.due.remove(&(at, *slot));
            }
            for no in wheel.life {
                self.notes.take(no, *slot);
            }
            self.twice_born.remove(slot);
        }
        let gone: BTreeSet<&Slot> = slots.iter().collect();
        self.pierced.retain(|(tool, day), wheels| {
            let before = wheels.len();
            wheels.retain(|slot| !gone.contains(slot));
            if wheels.len() < before {
                let run = self.away.pierced.entry((*tool, number(*day)));
                run.or_default().insert(batch);
            }
            !wheels.is_empty()
        });
        // Their moves stay: what stands on a stillage is where that was moved to last, however
        // long ago.
        for carried in self.carried.values_mut() {
            carried.wheels.retain(|slot| !gone.contains(slot));
        }
    }

    /// A wheel whose notes are all in their places: folds them.
    pub(super) fn take_up(&mut self, slot: Slot) {
        let notes = self.life_of(&self.wheels[slot]);
        if portions(&notes) > 1 {
            self.twice_born.insert(slot);
        }
        self.fold_notes(slot, &notes);
        if let (Some(batch), Some(id)) = (self.wheels[slot].state.batch, self.wheels.id(slot)) {
            self.batches.entry(batch).or_default().wheels.insert(id);
            self.stale.batch(batch);
        }
        self.wheels.mark_stale(slot);
        self.list_piercings(slot);
        for note in &notes {
            self.carry(slot, note);
        }
    }

    pub(super) fn restore_batch(&mut self, id: BatchId, stored: Batch) {
        // Its wheels may write the code otherwise: it is shown as it was kept.
        let mut batch = self.batches.remove(&id).unwrap_or_default();
        (batch.lines, batch.course) = (stored.lines, stored.course);
        batch.expected = stored.expected;
        self.batches.insert(id, batch);
        self.stale.batch(id);
    }
}
