//! What the rules look at for a wheel.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use facts::{BatchId, HoldId, RecipeId, WheelId};
use holds::{Held, Laid, Ledger, Over};
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
        let batch = self.batches.get(&batch);
        self.recipe_by(batch.and_then(|batch| batch.recipe(&self.voids)))
    }

    /// The recipe that stands for one that was stated, or was not.
    pub(super) fn recipe_by(&self, stated: Option<(RecipeId, u32)>) -> Option<&Arc<Recipe>> {
        let recipes = &self.practice.recipes;
        if let Some((recipe, version)) = stated {
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
            holds: &wheel.holds,
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
        let answered = state
            .holds
            .spoken_of_since(uncounted.moment, self.rule.rights());
        (!answered).then_some(*uncounted)
    }

    /// What lies over a wheel beside the facts about it. `laid`: [`Self::laid`].
    pub(super) fn over<'a>(
        &'a self,
        id: WheelId,
        ledger: Option<&Ledger>,
        laid: &'a [Laid<'a>],
    ) -> Over<'a> {
        let batch = ledger.and_then(Ledger::batch);
        let batch = batch.and_then(|batch| self.batches.get(&batch));
        Over {
            wheel: id,
            born: self
                .rule
                .born(batch.map(|batch| &batch.course), &self.voids),
            scopes: laid,
            known: self,
            rights: self.rule.rights(),
        }
    }

    /// Every hold over a scope.
    pub(super) fn laid(&self) -> Vec<Laid<'_>> {
        self.scopes.laid(&self.voids, self.rule.rights())
    }

    /// Every hold that keeps a wheel, whether a fact set it, or its recipe, or a hold over a
    /// scope that it is in; in the order of their codes. It needs no refresh.
    #[must_use]
    pub fn held(&self, id: WheelId) -> Vec<Held> {
        self.held_by(id, |ledger, over| {
            ledger.holds(over).into_iter().map(Held::from).collect()
        })
    }

    /// Every hold that kept a wheel at an instant, by what is known today.
    #[must_use]
    pub fn held_at(&self, id: WheelId, at: DateTime<Utc>) -> Vec<Held> {
        self.held_by(id, |ledger, over| {
            let then = ledger.holds_at(over, at).into_iter();
            then.map(Held::from).collect()
        })
    }

    fn held_by(&self, id: WheelId, ask: impl FnOnce(&Ledger, Over<'_>) -> Vec<Held>) -> Vec<Held> {
        let laid = self.laid();
        match self.wheels.get(id).map(|wheel| &wheel.state.holds) {
            Some(ledger) => ask(ledger, self.over(id, Some(ledger), &laid)),
            None => ask(&Ledger::default(), self.over(id, None, &laid)),
        }
    }

    /// The codes of the holds that keep a wheel.
    #[must_use]
    pub fn holds(&self, id: WheelId) -> Vec<HoldId> {
        self.held(id).into_iter().map(|held| held.hold).collect()
    }
}
