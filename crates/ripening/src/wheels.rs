//! Every wheel of a floor, in the order in which it was first heard of.

use std::collections::HashMap;
use std::ops::{Index, IndexMut};

use facts::WheelId;

use crate::Wheel;

/// A wheel's place in the list. It never changes, and compares faster than an id. The
/// wheels of a batch have places side by side: work done in the order of places goes
/// through the memory in order too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Slot(usize);

#[derive(Debug)]
struct Entry {
    id: WheelId,
    wheel: Wheel,
    /// Whether it is in [`Wheels::stale`].
    stale: bool,
    /// Whether it is in [`Wheels::changed`].
    changed: bool,
}

/// Every wheel.
#[derive(Debug, Default)]
pub(crate) struct Wheels {
    slots: HashMap<WheelId, Slot>,
    list: Vec<Entry>,
    /// What must be derived again.
    stale: Vec<Slot>,
    /// What a store must write.
    changed: Vec<Slot>,
}

impl Wheels {
    pub(crate) fn slot(&self, id: WheelId) -> Option<Slot> {
        self.slots.get(&id).copied()
    }

    /// The place of a wheel, which is made if nothing was heard of it before.
    pub(crate) fn slot_or_new(&mut self, id: WheelId) -> Slot {
        *self.slots.entry(id).or_insert_with(|| {
            self.list.push(Entry {
                id,
                wheel: Wheel::default(),
                stale: false,
                changed: false,
            });
            Slot(self.list.len() - 1)
        })
    }

    pub(crate) fn id(&self, slot: Slot) -> WheelId {
        self.list[slot.0].id
    }

    pub(crate) fn get(&self, id: WheelId) -> Option<&Wheel> {
        self.slot(id).map(|slot| &self[slot])
    }

    pub(crate) fn iter(&self) -> impl Iterator<Item = (&WheelId, &Wheel)> {
        self.list.iter().map(|entry| (&entry.id, &entry.wheel))
    }

    pub(crate) fn slots(&self) -> impl Iterator<Item = Slot> + use<> {
        (0..self.list.len()).map(Slot)
    }

    /// Asks for a wheel to be derived again.
    pub(crate) fn mark_stale(&mut self, slot: Slot) {
        if !std::mem::replace(&mut self.list[slot.0].stale, true) {
            self.stale.push(slot);
        }
    }

    /// Asks for a wheel to be stored.
    pub(crate) fn mark_changed(&mut self, slot: Slot) {
        if !std::mem::replace(&mut self.list[slot.0].changed, true) {
            self.changed.push(slot);
        }
    }

    /// What must be derived again, each once, in the order of places.
    pub(crate) fn take_stale(&mut self) -> Vec<Slot> {
        let mut stale = std::mem::take(&mut self.stale);
        stale.sort_unstable();
        for slot in &stale {
            self.list[slot.0].stale = false;
        }
        stale
    }

    /// What a store must write, each once.
    pub(crate) fn take_changed(&mut self) -> Vec<WheelId> {
        let changed = std::mem::take(&mut self.changed);
        let ids = changed.into_iter().map(|slot| {
            let entry = &mut self.list[slot.0];
            entry.changed = false;
            entry.id
        });
        ids.collect()
    }
}

/// A slot is only ever made together with its entry, and no entry is ever removed.
impl Index<Slot> for Wheels {
    type Output = Wheel;

    fn index(&self, slot: Slot) -> &Wheel {
        &self.list[slot.0].wheel
    }
}

impl IndexMut<Slot> for Wheels {
    fn index_mut(&mut self, slot: Slot) -> &mut Wheel {
        &mut self.list[slot.0].wheel
    }
}
