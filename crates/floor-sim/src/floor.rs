//! Who stands where right now, as the people in the dairy see it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};

use crate::calendar::later;
use crate::cheese::Character;
use crate::deed::WheelNo;

/// The stillage on which returned wheels wait.
pub(crate) const RETURNS: u32 = 0;

/// Numbers that are lent and come back: hoops, stacks, stillages, places.
#[derive(Debug, Clone, Default)]
pub(crate) struct Pool {
    free: BTreeSet<(NaiveDate, u32)>,
    highest: u32,
}

impl Pool {
    /// The lowest number that is clean today, or a new one.
    pub(crate) fn take(&mut self, today: NaiveDate) -> u32 {
        let ready = |(from, _): &&(NaiveDate, u32)| *from <= today;
        let lowest = self
            .free
            .iter()
            .filter(ready)
            .min_by_key(|(_, n)| *n)
            .copied();
        match lowest {
            Some(entry) => {
                self.free.remove(&entry);
                entry.1
            }
            None => {
                self.highest += 1;
                self.highest
            }
        }
    }

    /// Gives a number back; it is washed and can be used again tomorrow.
    pub(crate) fn give_back(&mut self, number: u32, today: NaiveDate) {
        self.free.insert((later(today, 1), number));
    }
}

/// One make.
#[derive(Debug, Clone)]
pub(crate) struct Batch {
    pub(crate) code: String,
    pub(crate) made: NaiveDate,
    pub(crate) character: Character,
    pub(crate) wheels: Vec<WheelNo>,
    pub(crate) next_iron: NaiveDate,
    pub(crate) ready: bool,
}

/// One cheese, as far as the people need to know.
#[derive(Debug, Clone)]
pub(crate) struct Wheel {
    pub(crate) code: String,
    pub(crate) batch: usize,
    pub(crate) stillage: Option<u32>,
    pub(crate) dispatched: Option<NaiveDate>,
    pub(crate) discarded: bool,
    pub(crate) came_back: Option<NaiveDate>,
    pub(crate) held: bool,
}

impl Wheel {
    pub(crate) fn in_house(&self) -> bool {
        !self.discarded && (self.dispatched.is_none() || self.came_back.is_some())
    }
}

/// Hoops one on another.
#[derive(Debug, Clone)]
pub(crate) struct Stack {
    pub(crate) made: NaiveDate,
    pub(crate) wheels: Vec<WheelNo>,
    pub(crate) hoops: Vec<u32>,
}

/// A trolley.
#[derive(Debug, Clone)]
pub(crate) struct Stillage {
    pub(crate) wheels: Vec<WheelNo>,
    /// Index into [`crate::ROOMS`].
    pub(crate) room: usize,
    pub(crate) position: u32,
    pub(crate) next_rind: NaiveDate,
    pub(crate) pierced: Option<NaiveDate>,
    pub(crate) leaves: Option<NaiveDate>,
    /// A handheld still keeps a turn of it: nothing may be put on or taken off until then,
    /// so that a late scan means the same wheels whenever it is read.
    pub(crate) still_until: DateTime<Utc>,
}

/// Everything that stands in the house.
#[derive(Debug, Clone, Default)]
pub(crate) struct Floor {
    pub(crate) batches: Vec<Batch>,
    pub(crate) wheels: Vec<Wheel>,
    pub(crate) stacks: BTreeMap<u32, Stack>,
    pub(crate) stillages: BTreeMap<u32, Stillage>,
    pub(crate) free_hoops: Pool,
    pub(crate) free_stacks: Pool,
    pub(crate) free_stillages: Pool,
    pub(crate) free_places: [Pool; 5],
}

impl Floor {
    /// Takes a wheel off its stillage, and the stillage out of the room when it is empty.
    pub(crate) fn take_off(&mut self, wheel: WheelNo, today: NaiveDate) {
        let Some(number) = self.wheels.get_mut(wheel).and_then(|w| w.stillage.take()) else {
            return;
        };
        let Some(stillage) = self.stillages.get_mut(&number) else {
            return;
        };
        stillage.wheels.retain(|on| *on != wheel);
        if stillage.wheels.is_empty() && number != RETURNS {
            let (room, position) = (stillage.room, stillage.position);
            self.stillages.remove(&number);
            self.free_stillages.give_back(number, today);
            if let Some(places) = self.free_places.get_mut(room) {
                places.give_back(position, today);
            }
        }
    }

    /// Puts a wheel on a stillage that stands in the house.
    pub(crate) fn put_on(&mut self, wheel: WheelNo, number: u32) {
        if let (Some(w), Some(s)) = (self.wheels.get_mut(wheel), self.stillages.get_mut(&number)) {
            w.stillage = Some(number);
            s.wheels.push(wheel);
        }
    }

    /// The codes of wheels.
    pub(crate) fn code(&self, wheel: WheelNo) -> String {
        self.wheels
            .get(wheel)
            .map(|w| w.code.clone())
            .unwrap_or_default()
    }

    /// The batch of a wheel.
    pub(crate) fn batch_of(&self, wheel: WheelNo) -> Option<&Batch> {
        self.batches.get(self.wheels.get(wheel)?.batch)
    }

    /// The make day of the youngest wheel on a stillage.
    pub(crate) fn youngest(&self, stillage: &Stillage) -> Option<NaiveDate> {
        let made = |wheel: &WheelNo| self.batch_of(*wheel).map(|batch| batch.made);
        stillage.wheels.iter().filter_map(made).max()
    }

    /// Maturing stillages that `choose` accepts, in the order in which one walks past them.
    pub(crate) fn walk(&self, choose: impl Fn(&Stillage) -> bool) -> Vec<u32> {
        let mut numbers: Vec<(usize, u32, u32)> = self
            .stillages
            .iter()
            .filter(|(number, s)| **number != RETURNS && choose(s))
            .map(|(number, s)| (s.room, s.position, *number))
            .collect();
        numbers.sort_unstable();
        numbers.into_iter().map(|(_, _, number)| number).collect()
    }
}

/// `S007`; the returns stillage is `S-RET`.
pub(crate) fn stillage_code(number: u32) -> String {
    if number == RETURNS {
        return "S-RET".to_owned();
    }
    format!("S{number:03}")
}
