//! What the rules look at for a wheel.

use std::sync::Arc;

use facts::{BatchId, HoldId, WheelId};
use recipe::Recipe;

use super::Floor;
use crate::rule::Case;
use crate::{Piercing, State, Wheel};

impl Floor {
    /// The recipe a batch ripens by: the one it was last moved to on purpose, else the one
    /// it was started with, else the site's only recipe. Where the site does not have that
    /// version, the newest stands in for it, and [`crate::Batch::missing_recipe`] says so.
    #[must_use]
    pub fn recipe_of(&self, batch: BatchId) -> Option<&Arc<Recipe>> {
        let recipes = &self.practice.recipes;
        let stated = self.batches.get(&batch);
        if let Some((recipe, version)) = stated.and_then(|b| b.recipe(&self.voids)) {
            let exact = recipes.get(recipe, version);
            return exact.or_else(|| recipes.newest(recipe));
        }
        let mut all = recipes.iter().rev();
        let newest = all.next()?;
        all.all(|other| other.id == newest.id).then_some(newest)
    }

    /// What the rules look at for a wheel; `None` until it has been portioned and its
    /// recipe is known.
    #[must_use]
    pub fn case(&self, id: WheelId) -> Option<Case<'_>> {
        self.case_of(id, self.wheels.get(id)?)
    }

    pub(super) fn case_of<'a>(&'a self, id: WheelId, wheel: &'a Wheel) -> Option<Case<'a>> {
        let state = &wheel.state;
        let batch = self.batches.get(&state.batch?)?;
        let recipe = batch.recipe.as_deref()?;
        Some(Case {
            wheel: id,
            state,
            made: state.made?,
            recipe,
            missing: batch.missing,
            stage: state.room.and_then(|room| recipe.stage_of(room.value)),
            batch: &batch.progress,
            clock: &self.calendar,
            lost_after_days: self.practice.lost_after_days,
            flags: &wheel.flags,
            uncounted: self.uncounted(state, recipe),
        })
    }

    /// The latest piercing with a machine whose needles had not been counted and found
    /// whole earlier that day. Putting the wheel under a hold answers it: whoever releases
    /// it then has looked for metal.
    fn uncounted(&self, state: &State, recipe: &Recipe) -> Option<Piercing> {
        if !recipe.pierce.needle_check {
            return None;
        }
        let uncounted = state.piercings.iter().rev().find(|piercing| {
            let checks = self.tools.get(&piercing.machine);
            let from = self.calendar.start_of(piercing.day);
            !checks.is_some_and(|c| c.good_between(from, piercing.moment.at, &self.voids))
        })?;
        let mut held_since = state.holds.iter().chain(&state.released);
        let answered = held_since.any(|hold| hold.moment > uncounted.moment);
        (!answered).then_some(*uncounted)
    }

    /// Every hold a wheel is under, those that its recipe puts on every wheel included.
    #[must_use]
    pub fn holds(&self, id: WheelId) -> Vec<HoldId> {
        match self.case(id) {
            Some(case) => case.holds().collect(),
            None => {
                let state = self.wheels.get(id).map(|wheel| &wheel.state);
                let holds = state.map(|state| state.holds.iter().map(|hold| hold.value));
                holds.into_iter().flatten().collect()
            }
        }
    }
}
