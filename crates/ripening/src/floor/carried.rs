//! Where stillages went with all that stood on them, and what the floor knows of what brings a
//! wheel into a scope.

use std::collections::{BTreeMap, BTreeSet};

use facts::{BatchId, FactId, RoomId, StillageId, WheelId, stored_struct};
use holds::{Known, Source, Step, Target};

use super::Floor;
use crate::wheels::Slot;
use crate::{Moment, Note};

/// One stillage, by the notes of the wheels that it carried; voided ones too.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Carried {
    pub(super) moves: BTreeMap<Moment, (RoomId, Target)>,
    /// Those that are open.
    pub(super) wheels: BTreeSet<Slot>,
}

stored_struct!(Carried { moves } skip { wheels });

impl Floor {
    /// Writes down what a wheel's note says of a stillage.
    pub(super) fn carry(&mut self, slot: Slot, note: &Note) {
        match note.step {
            Some(Step::Loaded(stillage)) => {
                let carried = self.carried.entry(stillage).or_default();
                carried.wheels.insert(slot);
            }
            Some(Step::Moved(room, Some(stillage))) => {
                let carried = self.carried.entry(stillage).or_default();
                let moved = (room, note.target());
                if carried.moves.insert(note.moment, moved) != Some(moved) {
                    self.changed.carried.insert(stillage);
                }
            }
            _ => {}
        }
    }

    /// A stillage's moves, as a store keeps them; none if it has none.
    #[must_use]
    pub fn carried(&self, stillage: StillageId) -> Option<&Carried> {
        let carried = self.carried.get(&stillage);
        carried.filter(|carried| !carried.moves.is_empty())
    }

    /// Holds over a room follow a stillage's move to all that ever stood on it, whoever was named.
    pub(super) fn stillage_moved(&mut self, stillage: StillageId) {
        if self.scopes.follow_rooms()
            && let Some(carried) = self.carried.get(&stillage)
        {
            for slot in &carried.wheels {
                self.wheels.mark_stale(*slot);
            }
        }
    }

    /// The same where a fact that may be such a move is voided, or counts again.
    pub(super) fn move_voided(&mut self, fact: FactId) {
        let names = |carried: &Carried| carried.moves.keys().any(|at| at.fact == fact);
        let stillages = self.carried.iter().filter(|(_, carried)| names(carried));
        let stillages: Vec<StillageId> = stillages.map(|(stillage, _)| *stillage).collect();
        for stillage in stillages {
            self.stillage_moved(stillage);
        }
    }

    /// Holds over a batch, or over what goes into one, follow rework into later batches.
    pub(super) fn reworked_from_are_stale(&mut self, batch: BatchId) {
        if !self.scopes.follow_makes() {
            return;
        }
        let mut found = BTreeSet::from([batch]);
        let mut next = vec![batch];
        while let Some(batch) = next.pop() {
            let batches = self.batches.iter();
            let into = batches.filter(|(_, other)| other.course.is_from(batch));
            next.extend(into.map(|(id, _)| *id).filter(|id| found.insert(*id)));
        }
        for batch in found {
            self.wheels_of_are_stale(batch);
        }
    }
}

impl Known for Floor {
    fn steps(&self, wheel: WheelId) -> Vec<(Moment, Step)> {
        let notes = self.life(wheel).into_iter();
        let counts = notes.filter(|note| note.step.is_some() && !note.is_void(&self.voids));
        counts
            .filter_map(|note| Some((note.moment, note.step?)))
            .collect()
    }

    fn moves(&self, stillage: StillageId) -> Vec<(Moment, RoomId)> {
        let moves = self.carried.get(&stillage).into_iter();
        let moves = moves.flat_map(|carried| &carried.moves);
        let counts = moves.filter(|(_, (_, target))| !self.voids.takes_back(*target));
        counts.map(|(at, (room, _))| (*at, *room)).collect()
    }

    fn sources(&self, batch: BatchId) -> Vec<(Moment, Source)> {
        let batch = self.batches.get(&batch);
        batch.map_or_else(Vec::new, |batch| {
            batch.course.sources(&self.voids).collect()
        })
    }
}
