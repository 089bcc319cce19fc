//! Forecasts of batches and their wheels, as of an instant.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use facts::{BatchId, RecipeId, WheelId};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::curves::Curves;
use crate::estimate::{Estimate, Grids};
use crate::habit::Habit;
use crate::hindsight;
use crate::history::History;
use crate::learn::{self, Past};
use crate::moment::{days, instant};
use crate::observed::{Flag, Observed};
use crate::outlook::BatchForecast;
use crate::pace::Process;
use crate::scenario::{Change, Scenario};
use crate::weights::{DryingAlarm, DryingHabit, DryingPoint, Weight, leaves};
use crate::work::{Work, steps};

/// The habits of a site's recipes.
pub type Habits = BTreeMap<RecipeId, Habit>;

/// Even the steadiest rooms leave so much open, as a share; no source.
const LEAST_AHEAD_UNSURE: f64 = 0.02;

/// Learns the habits of every recipe from what had been seen by an instant, beginning at
/// those learnt `before`.
#[must_use]
pub fn habits(history: &History, now: DateTime<Utc>, before: &Habits, threads: usize) -> Habits {
    let mut recipes: BTreeMap<RecipeId, &recipe::Recipe> = BTreeMap::new();
    for batch in history.batches.values() {
        let newest = recipes.entry(batch.recipe.id).or_insert(&batch.recipe);
        if newest.version < batch.recipe.version {
            *newest = &batch.recipe;
        }
    }
    let each = recipes.into_iter().map(|(id, recipe)| {
        let calendar = Habit::by_calendar(recipe);
        let from = before.get(&id).copied().unwrap_or(calendar);
        let pasts = Past::of(history, id, now);
        let mut habit = learn::learn(&calendar, &from, &pasts, threads);
        let rooms: Vec<_> = recipe.stages.iter().map(|stage| stage.room).collect();
        if let Some(surprise) = history.rooms.surprise(&rooms, Process::Blue, days(now)) {
            habit.ahead_unsure = surprise.max(LEAST_AHEAD_UNSURE);
        }
        (id, habit)
    });
    let mut habits: Habits = each.collect();
    for habit in habits.values_mut() {
        habit.stretch = 1.0;
    }
    let forecaster = Forecaster::new(history, &habits, now);
    let stretches: Vec<(RecipeId, f64)> = habits
        .keys()
        .map(|id| {
            let factor = hindsight::stretch(history, &forecaster, *id, days(now), threads);
            (*id, factor)
        })
        .collect();
    for (id, factor) in stretches {
        if let Some(habit) = habits.get_mut(&id) {
            habit.stretch = factor;
        }
    }
    habits
}

/// Makes forecasts.
#[derive(Debug, Clone)]
pub struct Forecaster<'h> {
    pub(crate) history: &'h History,
    /// By recipe: its habit and the grids that are fitted to it.
    habits: Arc<BTreeMap<RecipeId, (Habit, Grids)>>,
    pub(crate) now: f64,
    pub(crate) scenario: Scenario,
}

impl<'h> Forecaster<'h> {
    /// Forecasts from what had been seen by `now`; later facts in the history do not count.
    #[must_use]
    pub fn new(history: &'h History, habits: &Habits, now: DateTime<Utc>) -> Self {
        let mut known = habits.clone();
        for batch in history.batches.values() {
            let recipe = &batch.recipe;
            known
                .entry(recipe.id)
                .or_insert_with(|| Habit::by_calendar(recipe));
        }
        let with_grids = known
            .into_iter()
            .map(|(id, habit)| (id, (habit, Grids::of(&habit))));
        Self {
            history,
            habits: Arc::new(with_grids.collect()),
            now: days(now),
            scenario: Scenario::default(),
        }
    }

    /// The same, from another present.
    #[must_use]
    pub fn as_of(mut self, now: DateTime<Utc>) -> Self {
        self.now = days(now);
        self
    }

    /// The same, if something were different from now on.
    #[must_use]
    pub fn what_if(mut self, scenario: Scenario) -> Self {
        self.scenario = scenario;
        self
    }

    /// Every batch with wheels in the house, by code.
    #[must_use]
    pub fn all(&self, threads: usize) -> Vec<BatchForecast> {
        let in_house: Vec<BatchId> = self
            .history
            .batches
            .values()
            .filter(|batch| {
                let mut classes = batch.classes.iter();
                classes.any(|class| class.left.is_none_or(|left| left > self.now))
                    && batch.wheels.iter().any(|w| w.portion.days <= self.now)
            })
            .map(|batch| batch.id)
            .collect();
        let forecasts = learn::each(&in_house, threads, |id| self.batch(*id));
        forecasts.into_iter().flatten().collect()
    }

    /// One batch; `None` when the facts up to then know no such batch.
    #[must_use]
    pub fn batch(&self, id: BatchId) -> Option<BatchForecast> {
        let (work, flags) = self.work(id)?;
        Some(work.forecast(flags))
    }

    /// A batch's growth, to be drawn.
    #[must_use]
    pub fn curves(&self, id: BatchId) -> Option<Curves> {
        self.work(id)?.0.curves()
    }

    /// How a batch's wheels dry: what they are expected to weigh when they leave, and whether
    /// they dry unlike others.
    #[must_use]
    pub fn weights(&self, id: BatchId, drying: &DryingHabit) -> Option<BatchWeights> {
        let (work, _) = self.work(id)?;
        let ready_pct = work.batch.recipe.iron.ready_at_coverage_pct.get();
        let ready = work.ready(work.main, &work.estimate.blue.batch_reaches(ready_pct));
        let at = leaves(self.history, work.batch, ready.quantile(0.5), self.now);
        let scales = work.scales(drying);
        Some(BatchWeights {
            day: self.history.clock.day_of(instant(at)),
            wheels: scales.weights(at),
            alarm: scales.alarm(),
            learnt_from: drying.learnt_from,
        })
    }

    /// A wheel's drying curve from leaving the hoop until it leaves the house, to be drawn.
    #[must_use]
    pub fn drying_curve(&self, id: WheelId, drying: &DryingHabit) -> Option<DryingCurve> {
        let (batch, place) = self.history.wheel(id)?;
        let (work, _) = self.work(batch.id)?;
        let wheel = work.batch.wheels.get(place)?;
        let way = work.way(wheel.class)?;
        let ready_pct = work.batch.recipe.iron.ready_at_coverage_pct.get();
        let ready = work.ready(wheel.class, &work.estimate.blue.batch_reaches(ready_pct));
        let end = leaves(self.history, work.batch, ready.quantile(0.5), self.now) + 7.0;
        let scales = work.scales(drying);
        let points = steps(way.unhooped + 0.01, end, 1.0).filter_map(|at| scales.weight(place, at));
        let portion = (wheel.portion.days, wheel.portion.value);
        let weighed = wheel
            .weights
            .iter()
            .filter(|weight| weight.days <= self.now);
        let seen = weighed.map(|weight| (weight.days, weight.value));
        Some(DryingCurve {
            expected: points.collect(),
            weighed: std::iter::once(portion).chain(seen).collect(),
            now_days: self.now,
        })
    }

    /// Everything that is known of a batch, weighed.
    fn work(&self, id: BatchId) -> Option<(Work<'_>, Vec<Flag>)> {
        let batch = self.history.batches.get(&id)?;
        if batch
            .wheels
            .iter()
            .all(|wheel| wheel.portion.days > self.now)
        {
            return None;
        }
        let (habit, grids) = self.habits.get(&batch.recipe.id)?;
        let mut observed = Observed::of(self.history, batch, self.now);
        let estimate = Estimate::of(&observed, grids);
        let mut flags = std::mem::take(&mut observed.flags);
        flags.extend(estimate.far_off(&observed, batch));
        Some((Work::new(self, batch, habit, observed, estimate), flags))
    }

    /// How a batch's readiness moves under a scenario, and why; the forecast under it as
    /// well. `None` when there is no such batch.
    #[must_use]
    pub fn change(&self, id: BatchId, scenario: &Scenario) -> Option<(BatchForecast, Change)> {
        let usual = self.batch(id)?;
        let then = self.clone().what_if(scenario.clone()).batch(id)?;
        let by_days = then.ready.quantile(0.5) - usual.ready.quantile(0.5);
        let rooms = &self.history.rooms;
        let change = scenario.explain(by_days, usual.pierced, rooms, self.now, &usual.stays_ahead);
        Some((then, change))
    }

    /// The batch of a wheel.
    #[must_use]
    pub fn wheel(&self, id: WheelId) -> Option<BatchForecast> {
        let (batch, _) = self.history.wheel(id)?;
        self.batch(batch.id)
    }
}

/// A wheel's drying, to be drawn.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DryingCurve {
    /// From leaving the hoop until it leaves the house.
    pub expected: Vec<DryingPoint>,
    /// Weighings, the curd's first: days since 1970 and grams.
    pub weighed: Vec<(f64, f64)>,
    /// The present, days since 1970.
    pub now_days: f64,
}

/// What a batch's wheels are expected to weigh when they leave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BatchWeights {
    /// The day on which they are expected to leave.
    pub day: DairyDay,
    /// Each wheel in the house.
    pub wheels: Vec<Weight>,
    /// Whether they dry unlike others.
    pub alarm: Option<DryingAlarm>,
    /// Weighings that drying was learnt from.
    pub learnt_from: usize,
}
