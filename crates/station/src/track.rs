//! One wheel's track over the floor: the facts that place it, kept in order.

use chrono::{DateTime, Utc};
use facts::{
    BatchId, FactId, Grade, HoopId, LotId, PositionId, RoomId, StackId, StillageId, ToolId,
    stored_enum, stored_struct,
};
use holds::{Ledger, Note, Step};

pub(crate) use holds::Moment as Order;

/// What a fact changes about where a wheel is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Change {
    Portioned(BatchId),
    Hooped(HoopId, Option<StackId>),
    Unhooped,
    Loaded(StillageId),
    Moved(Place, Option<StillageId>),
    /// Says something of a hold.
    Held(Note),
    Dispatched,
    Returned,
    Discarded,
    Graded(Grade),
    /// A tool went into it.
    Touched(ToolId),
    /// Some of a lot was put on it.
    Used(LotId),
}

impl Change {
    /// Where it says the wheel was, or what touched it, as [`Step::of`] has it of the fact.
    const fn step(self) -> Option<Step> {
        Some(match self {
            Self::Hooped(..) => Step::Hooped,
            Self::Loaded(stillage) => Step::Loaded(stillage),
            Self::Moved(place, via) => Step::Moved(place.room, via),
            Self::Touched(tool) => Step::Touched(tool),
            Self::Used(lot) => Step::Used(lot),
            Self::Dispatched | Self::Returned | Self::Discarded => Step::Away,
            Self::Portioned(_) | Self::Unhooped | Self::Held(_) | Self::Graded(_) => return None,
        })
    }
}

/// What a fact does to each of its wheels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Turn,
    Change(Change),
}

/// A place: a room, and a position in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// The room.
    pub room: RoomId,
    /// The place in it that one stillage takes.
    pub position: Option<PositionId>,
}

/// How a wheel went away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Left {
    /// Dispatched, at this time.
    Dispatched(DateTime<Utc>),
    /// Thrown away, at this time.
    Discarded(DateTime<Utc>),
}

impl Left {
    /// When.
    #[must_use]
    pub const fn at(self) -> DateTime<Utc> {
        match self {
            Self::Dispatched(at) | Self::Discarded(at) => at,
        }
    }
}

/// How a wheel stands, by all facts about it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Standing {
    /// Its batch; `None` while no portioning is known, so the wheel is not known either.
    pub batch: Option<BatchId>,
    /// How many portionings state it: two means that two wheels carry one number.
    pub births: u32,
    /// When it was first portioned.
    pub made: Option<DateTime<Utc>>,
    /// Its grade, once someone gave it one.
    pub grade: Option<Grade>,
    /// The hoop it drains in.
    pub hoop: Option<HoopId>,
    /// The stack that its hoop stands in.
    pub stack: Option<StackId>,
    /// The stillage it lies on.
    pub stillage: Option<StillageId>,
    /// What facts say of its holds: [`crate::Placement::held`] says which stand.
    pub holds: Ledger,
    /// How it went away, if it did.
    pub left: Option<Left>,
    pub(crate) hooped: Option<Order>,
    pub(crate) loaded: Option<Order>,
    pub(crate) moved: Option<(Order, Place, Option<StillageId>)>,
}

impl Standing {
    fn take(&mut self, order: Order, change: Change) {
        match change {
            Change::Portioned(batch) => {
                self.holds.born(order, batch);
                self.batch.get_or_insert(batch);
                self.made.get_or_insert(order.at);
                self.births += 1;
            }
            Change::Hooped(hoop, stack) => {
                (self.hoop, self.stack, self.stillage) = (Some(hoop), stack, None);
                self.hooped = Some(order);
            }
            Change::Unhooped => (self.hoop, self.stack) = (None, None),
            Change::Loaded(stillage) => {
                (self.stillage, self.stack) = (Some(stillage), None);
                self.loaded = Some(order);
            }
            Change::Graded(grade) => self.grade = Some(grade),
            Change::Moved(place, via) => self.moved = Some((order, place, via)),
            Change::Held(note) => self.holds.note(note),
            Change::Touched(_) | Change::Used(_) => {}
            Change::Dispatched => self.left = Some(Left::Dispatched(order.at)),
            Change::Discarded => self.left = Some(Left::Discarded(order.at)),
            // What never left did not come back: it stays where it is, and is flagged.
            Change::Returned => {
                if self.left.take().is_some() {
                    // It is looked at and graded again before it may leave.
                    self.grade = None;
                    (self.hoop, self.stack, self.stillage) = (None, None, None);
                }
            }
        }
    }
}

/// Everything kept about one wheel. Both lists are in the order of the facts.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Track {
    pub(crate) turns: Vec<Order>,
    pub(crate) changes: Vec<(Order, Change)>,
    pub(crate) standing: Standing,
}

impl Track {
    pub(crate) fn turn(&mut self, order: Order) {
        if let Err(at) = self.turns.binary_search(&order) {
            self.turns.insert(at, order);
        }
    }

    /// Takes a change in; [`Track::fold`] must follow.
    pub(crate) fn change(&mut self, order: Order, change: Change) {
        if let Err(at) = self.changes.binary_search_by_key(&order, |(o, _)| *o) {
            self.changes.insert(at, (order, change));
        }
    }

    /// Takes a fact out again, and gives what it did; [`Track::fold`] must follow.
    pub(crate) fn take_out(&mut self, fact: FactId) -> Option<(Order, Kind)> {
        if let Some(at) = self.turns.iter().position(|order| order.fact == fact) {
            return Some((self.turns.remove(at), Kind::Turn));
        }
        let at = self
            .changes
            .iter()
            .position(|(order, _)| order.fact == fact)?;
        let (order, change) = self.changes.remove(at);
        Some((order, Kind::Change(change)))
    }

    /// Where the wheel was and what touched it, in order.
    pub(crate) fn steps(&self) -> Vec<(Order, Step)> {
        let changes = self.changes.iter();
        changes
            .filter_map(|(order, change)| Some((*order, change.step()?)))
            .collect()
    }

    /// Derives the standing anew: from the facts alone, so their arrival cannot matter.
    pub(crate) fn fold(&mut self) {
        self.standing = Standing::default();
        for &(order, change) in &self.changes {
            self.standing.take(order, change);
        }
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.turns.is_empty() && self.changes.is_empty()
    }
}

// A number stands for its variant for ever: what is new gets a new one.
stored_enum!(Change {
    0 = Portioned(batch),
    1 = Hooped(hoop, stack),
    2 = Unhooped,
    3 = Loaded(stillage),
    4 = Moved(place, via),
    5 = Held(note),
    6 = Dispatched,
    7 = Returned,
    8 = Discarded,
    9 = Graded(grade),
    10 = Touched(tool),
    11 = Used(lot),
});

stored_enum!(Kind {
    0 = Turn,
    1 = Change(change),
});

stored_struct!(Place { room, position });
stored_struct!(Track { turns, changes } skip { standing });
