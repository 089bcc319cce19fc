//! What a store writes of a floor, and putting a floor together again from it.

use std::collections::BTreeSet;

use facts::{BatchId, RoomId, StationId, ToolId, WheelId};

use holds::Scopes;

use super::{Counts, Floor};
use crate::alert::Open;
use crate::{Batch, Room, StationLog, Tool, Voiding, Wheel};

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
    /// Whether a hold over a scope was placed or lifted.
    pub scopes: bool,
}

impl Floor {
    /// What has changed since this was last called.
    pub fn take_changed(&mut self) -> Changed {
        let mut changed = std::mem::take(&mut self.changed);
        changed.wheels = self.wheels.take_changed();
        changed
    }
}

/// Putting a stored floor together again, part by part.
impl Floor {
    /// Puts a voiding back. Voidings come before wheels.
    pub fn restore_voiding(&mut self, voiding: Voiding) {
        self.voids.add(voiding);
    }

    /// Puts holds over scopes back. They come before wheels.
    pub fn restore_scopes(&mut self, scopes: Scopes) {
        self.scopes = scopes;
    }

    /// Puts a wheel back.
    pub fn restore_wheel(&mut self, id: WheelId, wheel: Wheel) {
        let slot = self.wheels.slot_or_new(id);
        if let Some(batch) = wheel.state.batch {
            self.batches.entry(batch).or_default().wheels.insert(id);
            self.stale.batches.insert(batch);
        }
        self.wheels[slot] = wheel;
        self.wheels.mark_stale(slot);
        self.list_piercings(slot);
    }

    /// Folds every wheel again: the clock that its days were counted by has changed.
    pub fn fold_again(&mut self) {
        self.pierced.clear();
        for slot in self.wheels.slots() {
            self.wheels[slot].fold_again(&self.calendar, &self.voids);
            self.wheels.mark_changed(slot);
            self.list_piercings(slot);
        }
    }

    /// Puts a batch's make record back.
    pub fn restore_batch(&mut self, id: BatchId, stored: Batch) {
        // Its wheels may write the code otherwise: it is shown as it was kept.
        let mut batch = self.batches.remove(&id).unwrap_or_default();
        (batch.lines, batch.course) = (stored.lines, stored.course);
        batch.expected = stored.expected;
        self.batches.insert(id, batch);
        self.stale.batches.insert(id);
    }

    /// Puts a room back.
    pub fn restore_room(&mut self, id: RoomId, room: Room) {
        self.rooms.insert(id, room);
        self.stale.rooms.insert(id);
    }

    /// Puts a tool back.
    pub fn restore_tool(&mut self, id: ToolId, tool: Tool) {
        self.tools.insert(id, tool);
        self.stale.tools.insert(id);
    }

    /// Puts a station's numbers back.
    pub fn restore_station(&mut self, id: StationId, log: StationLog) {
        self.stations.insert(id, log);
        self.stale.stations.insert(id);
    }

    /// Puts back what people have been told.
    pub fn restore_open_alerts(&mut self, open: Vec<Open>) {
        self.board.restore(open);
    }

    /// Puts back how much has been folded.
    pub fn restore_counts(&mut self, counts: Counts) {
        self.counts = counts;
    }
}
