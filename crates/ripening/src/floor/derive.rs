//! What every wheel needs next, and by when that changes by itself.

use chrono::{DateTime, Utc};
use facts::{BatchId, WheelId};
use holds::Held;
use quantity::Percent;
use recipe::Recipe;

use super::Floor;
use crate::alert::{self, Told};
use crate::wheel::Label;
use crate::wheels::Slot;
use crate::{Batch, Flag, NextAction, Progress, Seen, odd, rule};

/// Lists that are filled for one wheel after another, so that deriving asks for no memory
/// but what a wheel keeps.
#[derive(Debug, Default)]
pub(super) struct Spare {
    actions: Vec<NextAction>,
    told: Vec<Told>,
    flags: Vec<Flag>,
    holds: Vec<Held>,
}

impl Floor {
    /// Derives again what facts have changed, and what falls due by `now`. Costs what
    /// has changed, not what is there.
    pub fn refresh(&mut self, now: DateTime<Utc>) {
        self.now = self.now.max(now);
        let now = self.now;
        while let Some((at, slot)) = self.due.first().copied()
            && at <= now
        {
            self.due.pop_first();
            self.wheels[slot].changes_at = None;
            self.wheels.mark_stale(slot);
        }
        self.hear_silence(now);
        let stale = std::mem::take(&mut self.stale);
        for id in &stale.batches {
            let recipe = self.recipe_of(*id).cloned();
            let stated = self.batches.get(id).and_then(|b| b.recipe(&self.voids));
            let recipes = &self.practice.recipes;
            let missing = stated.filter(|(id, version)| recipes.get(*id, *version).is_none());
            if let Some(batch) = self.batches.get_mut(id) {
                batch.recipe = recipe;
                batch.missing = missing;
            }
        }
        for id in stale.batches {
            if self.progress_changed(id) {
                self.wheels_of_are_stale(id);
            }
            self.judge_recipe(id);
        }
        for slot in self.wheels.take_stale() {
            self.derive(slot, now);
        }
        for room in stale.rooms {
            self.judge_room(room, now);
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
        // A wheel that was portioned twice is one of both batches to whatever holds them.
        for slot in &self.twice_born {
            self.wheels.mark_stale(*slot);
        }
    }

    fn progress_changed(&mut self, id: BatchId) -> bool {
        let Some(batch) = self.batches.get(&id) else {
            return false;
        };
        let Some(recipe) = &batch.recipe else {
            // Its start was voided: what its recipe asked for is as if it had never been.
            return self.set_progress(id, Progress::default());
        };
        let expected = batch.outlook(&self.voids);
        let told = expected.as_ref().map(|(_, told)| &told.worth_ironing[..]);
        let to_iron = self.worth_ironing(batch, recipe, told.unwrap_or_default());
        let reached = to_iron.iter().map(|id| {
            let core = self.wheels.get(*id)?.state.ironed?;
            let through = core.value >= recipe.iron.ready_at_coverage_pct;
            through.then_some(core.moment)
        });
        let ready = reached
            .collect::<Option<Vec<_>>>()
            .and_then(|moments| moments.into_iter().max());
        let progress = Progress {
            to_iron,
            ready,
            expected,
        };
        self.set_progress(id, progress)
    }

    fn set_progress(&mut self, id: BatchId, progress: Progress) -> bool {
        let batch = self.batches.get_mut(&id);
        let Some(batch) = batch.filter(|batch| batch.progress != progress) else {
            return false;
        };
        batch.progress = progress;
        true
    }

    /// The wheels whose cores stand for the batch: those opened already, then those of which
    /// the forecast expects most, then by their numbers.
    fn worth_ironing(&self, batch: &Batch, recipe: &Recipe, told: &[WheelId]) -> Vec<WheelId> {
        let core_of = |id: &WheelId| {
            let state = &self.wheels.get(*id)?.state;
            let through = |core: &Seen<Percent>| core.value >= recipe.iron.ready_at_coverage_pct;
            // A wheel that has gone stands for the batch no more, unless its blue was through.
            let counts = state.on_floor() || state.ironed.as_ref().is_some_and(through);
            counts.then_some(state.ironed.is_some())
        };
        let opened = batch.wheels.iter().filter(|id| core_of(id) == Some(true));
        let closed = |id: &&WheelId| core_of(id) == Some(false);
        let expected = told.iter().filter(|id| batch.wheels.contains(id));
        let others = batch.wheels.iter().filter(|id| !told.contains(id));
        let in_turn = opened.chain(expected.chain(others).filter(closed));
        let enough = recipe.iron.wheels_per_batch.of(batch.wheels.len());
        in_turn.take(enough).copied().collect()
    }

    fn derive(&mut self, slot: Slot, now: DateTime<Utc>) {
        let Some(id) = self.wheels.id(slot) else {
            return;
        };
        let mut spare = std::mem::take(&mut self.spare);
        spare.flags.clear();
        spare.actions.clear();
        spare.told.clear();
        let wheel = &self.wheels[slot];
        let laid = self.laid();
        let over = self.over(id, Some(&wheel.state.holds), &laid);
        spare.holds.clear();
        let standing = wheel.state.holds.holds(over).into_iter();
        spare.holds.extend(standing.map(Held::from));
        let mut case = self.case_of(id, wheel);
        odd::flags(&wheel.state, case.as_ref(), over, &mut spare.flags);
        let closes_at = self.closes_at(&wheel.state);
        let closed = closes_at.is_some_and(|at| at <= now);
        if let Some(case) = case.as_mut().filter(|_| !closed) {
            case.flags = &spare.flags;
            case.holds = &spare.holds;
            rule::write_next_actions(case, &mut spare.actions);
        }
        let recipe_known = case.is_some();
        let wheel = &mut self.wheels[slot];
        wheel.flags.clone_from(&spare.flags);
        wheel.holds.clone_from(&spare.holds);
        wheel.actions.clone_from(&spare.actions);
        let changes = wheel.actions.iter();
        let changes = changes.filter_map(|a| a.window.next_change(now));
        let changes_at = changes.chain(closes_at.filter(|_| !closed)).min();
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
        let first = wheel.life.first().and_then(|no| self.notes.moment(*no));
        alert::of_wheel((id, first), wheel, now, &mut spare.told);
        if wheel.told != spare.told {
            self.board
                .wheel(slot, &wheel.state, &wheel.told, &spare.told);
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
