//! Every wheel of a floor.

use std::collections::HashMap;
use std::ops::{Index, IndexMut};

use facts::WheelId;

use crate::Wheel;

/// A wheel's place in the list. It does not change while the wheel is here, and compares
/// faster than an id. The wheels of a batch have places side by side: work done in the order
/// of places goes through the memory in order too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Slot(u32);

#[derive(Debug, Default)]
struct Entry {
    /// None: the place is free.
    id: Option<WheelId>,
    wheel: Wheel,
    /// Whether it is in [`Wheels::stale`].
    stale: bool,
}

/// Every wheel.
#[derive(Debug, Default)]
pub(crate) struct Wheels {
    slots: HashMap<WheelId, Slot>,
    list: Vec<Entry>,
    /// Places given up.
    free: Vec<Slot>,
    /// What must be derived again.
    stale: Vec<Slot>,
}

impl Wheels {
    pub(crate) fn slot(&self, id: WheelId) -> Option<Slot> {
        self.slots.get(&id).copied()
    }

    /// The place of a wheel, which is made if nothing was heard of it before.
    pub(crate) fn slot_or_new(&mut self, id: WheelId) -> Slot {
        *self.slots.entry(id).or_insert_with(|| {
            let slot = self.free.pop().unwrap_or_else(|| {
                self.list.push(Entry::default());
                // A floor of 4e9 wheels does not fit into any memory.
                Slot(u32::try_from(self.list.len() - 1).unwrap_or(u32::MAX))
            });
            self.list[slot.0 as usize].id = Some(id);
            slot
        })
    }

    /// Gives a wheel's place up.
    pub(crate) fn remove(&mut self, slot: Slot) -> Wheel {
        let entry = std::mem::take(&mut self.list[slot.0 as usize]);
        if let Some(id) = entry.id {
            self.slots.remove(&id);
            self.free.push(slot);
        }
        entry.wheel
    }

    pub(crate) fn id(&self, slot: Slot) -> Option<WheelId> {
        self.list[slot.0 as usize].id
    }

    pub(crate) fn get(&self, id: WheelId) -> Option<&Wheel> {
        self.slot(id).map(|slot| &self[slot])
    }

    pub(crate) fn iter(&self) -> impl Iterator<Item = (&WheelId, &Wheel)> {
        let here = self.list.iter();
        here.filter_map(|entry| Some((entry.id.as_ref()?, &entry.wheel)))
    }

    pub(crate) fn slots(&self) -> Vec<Slot> {
        let places = (0..).map(Slot).zip(&self.list);
        let here = places.filter(|(_, entry)| entry.id.is_some());
        here.map(|(slot, _)| slot).collect()
    }

    /// Asks for a wheel to be derived again.
    pub(crate) fn mark_stale(&mut self, slot: Slot) {
        if !std::mem::replace(&mut self.list[slot.0 as usize].stale, true) {
            self.stale.push(slot);
        }
    }

    /// What must be derived again, each once, in the order of places.
    pub(crate) fn take_stale(&mut self) -> Vec<Slot> {
        let mut stale = std::mem::take(&mut self.stale);
        stale.sort_unstable();
        for slot in &stale {
            self.list[slot.0 as usize].stale = false;
        }
        stale
    }
}

/// A slot is only ever made together with its entry, and no entry is ever removed; one that is
/// free is that of an empty wheel.
impl Index<Slot> for Wheels {
    type Output = Wheel;

    fn index(&self, slot: Slot) -> &Wheel {
        &self.list[slot.0 as usize].wheel
    }
}

impl IndexMut<Slot> for Wheels {
    fn index_mut(&mut self, slot: Slot) -> &mut Wheel {
        &mut self.list[slot.0 as usize].wheel
    }
}
