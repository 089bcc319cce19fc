//! What a store writes of a floor, and putting a floor together again from it.

use std::collections::BTreeSet;

use facts::{BatchId, RoomId, StationId, StillageId, ToolId, WheelId};

use super::Floor;
use crate::Voiding;
use crate::notes::NoteNo;

/// What has changed since it was last asked: what a store must write, or forget where it is
/// there no more.
#[derive(Debug, Default)]
pub struct Changed {
    /// Notes, each once.
    pub notes: Vec<NoteNo>,
    /// Batches.
    pub batches: BTreeSet<BatchId>,
    /// Stillages whose moves are kept.
    pub carried: BTreeSet<StillageId>,
    /// Rooms.
    pub rooms: BTreeSet<RoomId>,
    /// Tools.
    pub tools: BTreeSet<ToolId>,
    /// Stations.
    pub stations: BTreeSet<StationId>,
    /// Voidings.
    pub voidings: Vec<Voiding>,
    /// What people have been told.
    pub told: bool,
    /// Whether a hold over a scope was placed or lifted.
    pub scopes: bool,
    /// Whether a batch was put away, or came back.
    pub away: bool,
}

impl Floor {
    /// What has changed since this was last called.
    pub fn take_changed(&mut self) -> Changed {
        let mut changed = std::mem::take(&mut self.changed);
        changed.notes = self.notes.take_changed();
        changed.told = self.board.take_unstored();
        changed
    }

    /// A note as a store keeps it, and the wheels of which it says so; none if it is gone.
    #[must_use]
    pub fn stored_note(&self, no: NoteNo) -> Option<(&[u8], Vec<WheelId>)> {
        let (encoded, slots) = self.notes.stored(no)?;
        let wheels = slots.iter().filter_map(|slot| self.wheels.id(*slot));
        Some((encoded, wheels.collect()))
    }
}

/// What is stored of a wheel does not read: the log has it all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Damaged;

impl Floor {
    pub(super) fn restore_note(
        &mut self,
        no: NoteNo,
        encoded: &[u8],
        wheels: &[WheelId],
    ) -> Result<(), Damaged> {
        self.notes.restore(no, encoded).ok_or(Damaged)?;
        for id in wheels {
            let slot = self.wheels.slot_or_new(*id);
            self.wheels[slot].life.push(no);
            self.notes.give_back(no, slot);
        }
        Ok(())
    }

    /// Folds what has been put back of wheels.
    pub(super) fn restored(&mut self) -> Result<(), Damaged> {
        self.notes.restored();
        for slot in self.wheels.slots() {
            let mut life = std::mem::take(&mut self.wheels[slot].life);
            life.sort_by_cached_key(|no| self.notes.moment(*no));
            let in_order = life.is_sorted_by(|a, b| self.notes.moment(*a) < self.notes.moment(*b));
            self.wheels[slot].life = life;
            if !in_order {
                return Err(Damaged);
            }
            self.take_up(slot);
        }
        Ok(())
    }
}
