//! The whole floor: facts in, in any order; next actions and alerts out, for an instant.

mod carried;
mod case;
mod closed;
mod derive;
mod fold;
mod folding;
mod label;
mod store;
mod trouble;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::{BatchId, FactId, RoomId, StationId, StillageId, ToolId, WheelId, stored_struct};
use holds::{Rule, Scopes};
use quantity::DairyDay;

use crate::alert::{Alert, Board, Level, Open, Over, Situation, Subject};
use crate::notes::Notes;
use crate::wheels::{Slot, Wheels};
use crate::{
    Batch, Calendar, Moment, Note, Practice, Room, StationLog, Tool, Urgency, Voids, Wheel,
};

pub use carried::Carried;
pub use closed::{Away, Closed, Needs, Reopens};
pub use folding::Folding;
pub use label::LabelWanted;
pub use store::{Changed, Damaged};

/// How much has been folded.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Counts {
    /// Facts folded, each once.
    pub facts: u64,
    /// Facts that had been folded before.
    pub duplicates: u64,
    /// Messages of a type or version that this build does not know.
    pub unknown_types: u64,
    /// Messages that could not be read.
    pub unreadable: u64,
}

/// Facts of one type that this build does not know: passed over, and not forgotten.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// The number in the log of the first of them.
    pub first: u64,
    /// How many there are.
    pub count: u64,
}

/// The whole floor, at an instant.
#[derive(Debug)]
pub struct Floor {
    practice: Practice,
    rule: Rule,
    calendar: Calendar,
    wheels: Wheels,
    /// What facts say of them.
    notes: Notes,
    batches: BTreeMap<BatchId, Batch>,
    rooms: BTreeMap<RoomId, Room>,
    tools: BTreeMap<ToolId, Tool>,
    /// Wheels by machine and dairy day of piercing, voided piercings included: whom a
    /// check of that machine on that day concerns.
    pierced: BTreeMap<(ToolId, DairyDay), BTreeSet<Slot>>,
    /// What stood on each stillage, and where it was moved to as a whole.
    carried: BTreeMap<StillageId, Carried>,
    stations: BTreeMap<StationId, StationLog>,
    voids: Voids,
    /// Wheels that were portioned more than once, voided portions too.
    twice_born: BTreeSet<Slot>,
    /// Holds over scopes.
    scopes: Scopes,
    counts: Counts,
    /// Facts of types that this build does not know, by type.
    gaps: BTreeMap<String, Gap>,
    now: DateTime<Utc>,
    /// When each wheel's urgency next changes by itself.
    due: BTreeSet<(DateTime<Utc>, Slot)>,
    /// When the silence of a sensor in a room becomes news.
    silent_from: BTreeMap<RoomId, DateTime<Utc>>,
    board: Board,
    labels_wanted: BTreeSet<WheelId>,
    /// What is remembered of closed batches.
    away: closed::Away,
    /// When batches were last looked through for closed ones, and how many there were.
    looked: Option<(DairyDay, usize)>,
    stale: Stale,
    changed: Changed,
    spare: derive::Spare,
}

/// What must be derived again, beside wheels.
#[derive(Debug, Default)]
struct Stale {
    batches: BTreeSet<BatchId>,
    rooms: BTreeSet<RoomId>,
    tools: BTreeSet<ToolId>,
    stations: BTreeSet<StationId>,
    /// The batch that was put in last: a fact mostly names wheels of one.
    latest: Option<BatchId>,
}

impl Stale {
    fn batch(&mut self, id: BatchId) {
        if self.latest != Some(id) {
            self.batches.insert(id);
            self.latest = Some(id);
        }
    }
}

impl Floor {
    /// An empty floor. Where nobody knows yet what time it is, a [`Folding`] takes the facts.
    #[must_use]
    pub fn new(practice: Practice, now: DateTime<Utc>) -> Self {
        Self {
            calendar: Calendar::new(practice.clock, practice.turn_by),
            rule: Rule::new(&practice.recipes, practice.rights.clone()),
            voids: Voids::under(practice.rights.clone()),
            practice,
            wheels: Wheels::default(),
            notes: Notes::default(),
            batches: BTreeMap::new(),
            rooms: BTreeMap::new(),
            tools: BTreeMap::new(),
            pierced: BTreeMap::new(),
            carried: BTreeMap::new(),
            stations: BTreeMap::new(),
            twice_born: BTreeSet::new(),
            scopes: Scopes::default(),
            counts: Counts::default(),
            gaps: BTreeMap::new(),
            now,
            due: BTreeSet::new(),
            silent_from: BTreeMap::new(),
            board: Board::default(),
            labels_wanted: BTreeSet::new(),
            away: closed::Away::default(),
            looked: None,
            stale: Stale::default(),
            changed: Changed::default(),
            spare: derive::Spare::default(),
        }
    }

    /// How the site works.
    #[must_use]
    pub const fn practice(&self) -> &Practice {
        &self.practice
    }

    /// What people should be told since they were last told.
    pub fn tell(&mut self) -> Vec<Alert> {
        self.board.tell(self.now, &self.wheels)
    }

    /// What people have been told and not yet been told is over.
    pub fn open_alerts(&self) -> impl Iterator<Item = &Open> {
        self.board.open()
    }

    /// What people have lately been told is over.
    pub fn alerts_over(&self) -> impl Iterator<Item = &Over> {
        self.board.over()
    }

    /// Types of facts that this build does not know, and where in the log the first of each
    /// lies.
    pub const fn gaps(&self) -> &BTreeMap<String, Gap> {
        &self.gaps
    }

    /// The instant of the latest refresh.
    #[must_use]
    pub const fn now(&self) -> DateTime<Utc> {
        self.now
    }

    /// How much has been folded.
    #[must_use]
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// A wheel.
    #[must_use]
    pub fn wheel(&self, id: WheelId) -> Option<&Wheel> {
        self.wheels.get(id)
    }

    /// A wheel, with its code as it was first written.
    #[must_use]
    pub fn wheel_as_kept(&self, id: WheelId) -> Option<(WheelId, &Wheel)> {
        let slot = self.wheels.slot(id)?;
        Some((self.wheels.id(slot)?, &self.wheels[slot]))
    }

    /// A batch, with its code as it was first written.
    #[must_use]
    pub fn batch_as_kept(&self, id: BatchId) -> Option<(BatchId, &Batch)> {
        let (kept, batch) = self.batches.get_key_value(&id)?;
        Some((*kept, batch))
    }

    /// What facts say of a wheel, oldest first.
    #[must_use]
    pub fn life(&self, id: WheelId) -> Vec<Note> {
        self.wheels
            .get(id)
            .map_or_else(Vec::new, |w| self.life_of(w))
    }

    /// What was said of a wheel at a moment.
    #[must_use]
    pub fn note_of(&self, id: WheelId, moment: Moment) -> Option<Note> {
        let life = &self.wheels.get(id)?.life;
        let place = self.notes.place(life, moment).ok()?;
        self.notes.note(*life.get(place)?)
    }

    fn life_of(&self, wheel: &Wheel) -> Vec<Note> {
        let notes = wheel.life.iter().filter_map(|no| self.notes.note(*no));
        notes.collect()
    }

    /// The wheels that a fact speaks of.
    pub fn named_by(&self, fact: FactId) -> impl Iterator<Item = WheelId> + '_ {
        let slots = self.notes.wheels_of(fact);
        slots.filter_map(|slot| self.wheels.id(slot))
    }

    /// Every wheel that is open.
    pub fn wheels(&self) -> impl Iterator<Item = (&WheelId, &Wheel)> {
        self.wheels.iter()
    }

    /// A batch.
    #[must_use]
    pub fn batch(&self, id: BatchId) -> Option<&Batch> {
        self.batches.get(&id)
    }

    /// Every batch that is open, in order.
    pub fn batches(&self) -> impl Iterator<Item = (&BatchId, &Batch)> {
        self.batches.iter()
    }

    /// Every room that has been read, in order.
    pub fn rooms(&self) -> impl Iterator<Item = (&RoomId, &Room)> {
        self.rooms.iter()
    }

    /// A tool.
    #[must_use]
    pub fn tool(&self, id: ToolId) -> Option<&Tool> {
        self.tools.get(&id)
    }

    /// Every station that has stated a fact, in order.
    pub fn stations(&self) -> impl Iterator<Item = (&StationId, &StationLog)> {
        self.stations.iter()
    }

    /// Every hold over a scope that was ever placed.
    #[must_use]
    pub const fn scopes(&self) -> &Scopes {
        &self.scopes
    }

    /// Which facts count as never having happened.
    #[must_use]
    pub const fn voids(&self) -> &Voids {
        &self.voids
    }

    /// Every situation that stands: what, where, how bad, how many wheels.
    pub fn situations(&self) -> impl Iterator<Item = (Situation, Subject, Level, usize)> {
        self.board
            .standing()
            .map(|((what, place), level, wheels)| (*what, *place, level, wheels))
    }

    /// How many wheels stand on the floor with something late.
    #[must_use]
    pub fn late(&self) -> usize {
        let wheels = self.wheels.iter();
        wheels.filter(|(_, w)| w.is_late(self.now)).count()
    }

    /// The most urgent standing of each wheel on the floor.
    pub fn urgencies(&self) -> impl Iterator<Item = (WheelId, Urgency)> {
        self.wheels.iter().filter_map(|(id, wheel)| {
            Some((*id, wheel.next_action(self.now)?.window.urgency(self.now)))
        })
    }
}

stored_struct!(Counts {
    facts,
    duplicates,
    unknown_types,
    unreadable,
});

stored_struct!(Gap { first, count });
