//! What a store writes of a floor, and putting a floor together again from it.

use std::collections::BTreeSet;

use facts::{BatchId, RoomId, StationId, ToolId, WheelId};

use super::Floor;
use crate::{Chronicle, Note, Voiding, What};

/// What has changed since it was last asked: what a store must write.
#[derive(Debug, Default)]
pub struct Changed {
    /// Wheels, each once.
    pub wheels: Vec<WheelId>,
    /// Batches.
    pub batches: BTreeSet<BatchId>,
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
}

impl Floor {
    /// What has changed since this was last called.
    pub fn take_changed(&mut self) -> Changed {
        let mut changed = std::mem::take(&mut self.changed);
        changed.wheels = self.wheels.take_changed();
        changed.told = self.board.take_unstored();
        changed
    }
}

/// What is stored of a wheel does not read: the log has it all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Damaged;

impl Floor {
    pub(super) fn restore_wheel(
        &mut self,
        id: WheelId,
        chronicle: Chronicle,
    ) -> Result<(), Damaged> {
        let notes = chronicle.read_whole().ok_or(Damaged)?;
        let slot = self.wheels.slot_or_new(id);
        let portioned = |note: &&Note| matches!(note.what, What::Portioned { .. });
        if notes.iter().filter(portioned).count() > 1 {
            self.twice_born.insert(slot);
        }
        let wheel = &mut self.wheels[slot];
        wheel.chronicle = chronicle;
        wheel.fold(&notes, &self.calendar, &self.voids);
        if let Some(batch) = wheel.state.batch {
            self.batches.entry(batch).or_default().wheels.insert(id);
            self.stale.batches.insert(batch);
        }
        self.wheels.mark_stale(slot);
        self.list_piercings(slot);
        for note in &notes {
            self.carry(slot, note);
        }
        Ok(())
    }
}
