//! What every wheel needs next, and by when that changes by itself.

use chrono::{DateTime, Utc};
use facts::{BatchId, WheelId};

use super::Floor;
use crate::alert::{self, Told};
use crate::wheel::Label;
use crate::wheels::Slot;
use crate::{Flag, NextAction, Progress, odd, rule};

/// Lists that are filled for one wheel after another, so that deriving asks for no memory
/// but what a wheel keeps.
#[derive(Debug, Default)]
pub(super) struct Spare {
    actions: Vec<NextAction>,
    told: Vec<Told>,
    flags: Vec<Flag>,
}

impl Floor {
    /// Derives again what facts have changed, and what falls due by `now`. Costs what
    /// has changed, not what is there.
    pub fn refresh(&mut self, now: DateTime<Utc>) {
        self.now = self.now.max(now);
        while let Some((at, slot)) = self.due.first().copied()
            && at <= self.now
        {
            self.due.pop_first();
            self.wheels[slot].changes_at = None;
            self.wheels.mark_stale(slot);
        }
        self.hear_silence();
        let stale = std::mem::take(&mut self.stale);
        for id in &stale.batches {
            let recipe = self.recipe_of(*id).cloned();
            if let Some(batch) = self.batches.get_mut(id) {
                batch.recipe = recipe;
            }
        }
        for id in stale.batches {
            if self.progress_changed(id) {
                self.wheels_of_are_stale(id);
            }
        }
        for slot in self.wheels.take_stale() {
            self.derive(slot);
        }
        for room in stale.rooms {
            self.judge_room(room);
        }
        for tool in stale.tools {
            self.judge_tool(tool);
        }
        for station in stale.stations {
            self.judge_station(station);
        }
    }

    /// What concerns a batch concerns each of its wheels.
    pub(super) fn wheels_of_are_stale(&mut self, id: BatchId) {
        for wheel in self.batches.get(&id).iter().flat_map(|batch| &batch.wheels) {
            if let Some(slot) = self.wheels.slot(*wheel) {
                self.wheels.mark_stale(slot);
            }
        }
    }

    fn progress_changed(&mut self, id: BatchId) -> bool {
        let Some(batch) = self.batches.get(&id) else {
            return false;
        };
        let Some(recipe) = &batch.recipe else {
            return false;
        };
        let members = batch
            .wheels
            .iter()
            .filter_map(|id| Some((*id, &self.wheels.get(*id)?.state)));
        let cores: Vec<_> = members
            // A core that was drawn still stands for the batch when its wheel is gone.
            .filter(|(_, state)| state.discarded.is_none() || state.ironed.is_some())
            .take(recipe.iron.wheels_per_batch.of(batch.wheels.len()))
            .map(|(id, state)| (id, state.ironed))
            .collect();
        let reached = cores.iter().map(|(_, core)| {
            let blue = core.filter(|core| core.value >= recipe.iron.ready_at_coverage_pct);
            blue.map(|core| core.moment)
        });
        let ready = reached
            .collect::<Option<Vec<_>>>()
            .and_then(|moments| moments.into_iter().max());
        let to_iron: Vec<WheelId> = cores.iter().map(|(id, _)| *id).collect();
        let progress = Progress {
            to_iron,
            ready,
            expected: batch.outlook(&self.voids),
        };
        let changed = batch.progress != progress;
        if changed && let Some(batch) = self.batches.get_mut(&id) {
            batch.progress = progress;
        }
        changed
    }

    fn derive(&mut self, slot: Slot) {
        let id = self.wheels.id(slot);
        let mut spare = std::mem::take(&mut self.spare);
        spare.flags.clear();
        spare.actions.clear();
        spare.told.clear();
        let wheel = &self.wheels[slot];
        let mut case = self.case_of(id, wheel);
        odd::flags(&wheel.state, case.as_ref(), &mut spare.flags);
        if let Some(case) = &mut case {
            case.flags = &spare.flags;
            rule::write_next_actions(case, &mut spare.actions);
        }
        let recipe_known = case.is_some();
        let wheel = &mut self.wheels[slot];
        wheel.flags.clone_from(&spare.flags);
        wheel.actions.clone_from(&spare.actions);
        let now = self.now;
        let changes = wheel.actions.iter();
        let changes_at = changes.filter_map(|a| a.window.next_change(now)).min();
        // What a wheel notes here is what the index holds for it.
        if wheel.changes_at != changes_at {
            if let Some(at) = wheel.changes_at {
                self.due.remove(&(at, slot));
            }
            if let Some(at) = changes_at {
                self.due.insert((at, slot));
            }
            wheel.changes_at = changes_at;
        }
        alert::of_wheel(id, wheel, now, &mut spare.told);
        if wheel.told != spare.told {
            self.board.wheel(slot, &wheel.told, &spare.told);
            wheel.told.clone_from(&spare.told);
        }
        let state = &wheel.state;
        let wanted = recipe_known && state.in_hoop() && state.on_floor() && !state.labelled;
        match (wanted, wheel.label) {
            (true, Label::NotWanted) => {
                wheel.label = Label::Wanted;
                self.labels_wanted.insert(id);
            }
            (false, Label::Wanted | Label::AskedFor) => {
                wheel.label = Label::NotWanted;
                self.labels_wanted.remove(&id);
            }
            (true, _) | (false, Label::NotWanted) => {}
        }
        self.spare = spare;
    }
}
