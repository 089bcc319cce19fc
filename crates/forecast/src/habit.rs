//! How a recipe's batches usually go: by its calendar until the dairy's own batches tell.

use climate::Ranges;
use recipe::Recipe;
use serde::Serialize;

use crate::growth::Growth;
use crate::pace::{Air, Process};

/// How a recipe's batches usually go.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Habit {
    /// The rind, from leaving the hoop.
    pub rind: Growth,
    /// The blue, from piercing.
    pub blue: Growth,
    /// How much the rind's pace tells of the blue's: their correlation.
    pub link: f64,
    /// Age at piercing, days: mean.
    pub pierce_age_days: f64,
    /// Age at piercing, days: standard deviation.
    pub pierce_age_spread: f64,
    /// How unsure the pace of the days ahead is, as a share.
    pub ahead_unsure: f64,
    /// The factor by which intervals are stretched, going by what became of earlier forecasts.
    pub stretch: f64,
    /// Past batches that it was learnt from; none, and it is the recipe's calendar.
    pub learnt_from: usize,
}

facts::stored_struct!(Habit {
    rind,
    blue,
    link,
    pierce_age_days,
    pierce_age_spread,
    ahead_unsure,
    stretch,
    learnt_from,
});

/// Before anything is learnt, no source: how batches and wheels differ and eyes err.
const BATCH_SPREAD: f64 = 0.12;
const WHEEL_SPREAD: f64 = 0.05;
const STEEPNESS_SPREAD: f64 = 0.08;
const NOISE_PCT: f64 = 5.0;
const LINK: f64 = 0.4;

/// How far a calendar may be from what a dairy's cheese does, as a share; no source.
const CALENDAR_UNSURE: f64 = 0.15;

/// Room air of the days ahead may differ from that of the days before; no source.
const AHEAD_UNSURE: f64 = 0.06;

/// "First mould" is about so much of the rind, %; no source.
const FIRST_MOULD_PCT: f64 = 5.0;

/// The blue that a core shows on the day of piercing, %; no source.
const BLUE_AT_PIERCING_PCT: f64 = 2.0;

impl Habit {
    /// What the recipe's calendar says: the median batch does what the calendar names.
    #[must_use]
    pub fn by_calendar(recipe: &Recipe) -> Self {
        let pierce = recipe.pierce.age;
        Self {
            rind: rind(recipe),
            blue: blue(recipe),
            link: LINK,
            pierce_age_days: pierce.due as f64,
            pierce_age_spread: ((pierce.latest - pierce.earliest) as f64 / 4.0).max(0.5),
            ahead_unsure: AHEAD_UNSURE,
            stretch: 1.0,
            learnt_from: 0,
        }
    }
}

/// The age at which a recipe's calendar takes a batch to be ready: that of the first core,
/// or of the first dispatch if that is later.
#[must_use]
pub fn calendar_ready_age_days(recipe: &Recipe) -> i64 {
    recipe.iron.from_age_days.max(recipe.dispatch_ages().least)
}

fn growth(half_days: f64, steepness: f64) -> Growth {
    Growth {
        half_days: half_days.clamp(0.5, 400.0),
        half_unsure: CALENDAR_UNSURE,
        steepness: steepness.clamp(1.5, 15.0),
        bend: 1.0,
        steepness_spread: STEEPNESS_SPREAD,
        batch_spread: BATCH_SPREAD,
        wheel_spread: WHEEL_SPREAD,
        noise_pct: NOISE_PCT,
    }
}

fn logit(share_pct: f64) -> f64 {
    let share = (share_pct / 100.0).clamp(0.001, 0.999);
    (share / (1.0 - share)).ln()
}

/// Effective days of a process between two ages, by the recipe's own rooms.
fn effective(recipe: &Recipe, process: Process, from_age: f64, until_age: f64) -> f64 {
    let mut begins = recipe.drain.unhoop.due as f64;
    let mut sum = 0.0;
    for (index, stage) in recipe.stages.iter().enumerate() {
        let last = index + 1 == recipe.stages.len();
        let stay = if last {
            f64::INFINITY
        } else {
            middle(stage.stay_days.least, stage.stay_days.most)
        };
        let (from, until) = (begins.max(from_age), (begins + stay).min(until_age));
        if until > from {
            sum += stage_air(stage).speed(process) * (until - from);
        }
        begins += stay;
    }
    sum
}

pub(crate) fn stage_air(stage: &recipe::Stage) -> Air {
    Air::middle(&Ranges {
        temperature_c: (stage.temperature_c.least, stage.temperature_c.most),
        humidity_pct: (stage.humidity_pct.least, stage.humidity_pct.most),
    })
}

fn middle(least: i64, most: i64) -> f64 {
    (least + most) as f64 / 2.0
}

/// First mould in the middle of its window; the last room that is left by cover, left in the
/// middle of its stay.
fn rind(recipe: &Recipe) -> Growth {
    let unhooped = recipe.drain.unhoop.due as f64;
    let first = recipe.rind.first_expected_days;
    let first_age = unhooped + middle(first.least, first.most);
    let mut age = unhooped;
    let mut aim = None;
    for stage in &recipe.stages {
        age += middle(stage.stay_days.least, stage.stay_days.most);
        if let Some(cover) = stage.leave_at_cover_pct {
            aim = Some((age, cover.get()));
        }
    }
    let pierce = (
        recipe.pierce.age.due as f64,
        recipe.pierce.least_cover_pct.get(),
    );
    let (aim_age, aim_pct) = aim.unwrap_or(pierce);
    let at_first = effective(recipe, Process::Rind, unhooped, first_age);
    let at_aim = effective(recipe, Process::Rind, unhooped, aim_age);
    let (low, high) = (
        logit(FIRST_MOULD_PCT),
        logit(aim_pct.max(2.0 * FIRST_MOULD_PCT)),
    );
    // logit = slope·(e − h), through both.
    let slope = (high - low) / (at_aim - at_first).max(1.0);
    let half = at_first - low / slope;
    growth(half, slope * half)
}

/// From a trace on the day of piercing to ready at the calendar's age.
fn blue(recipe: &Recipe) -> Growth {
    let pierced = recipe.pierce.age.due as f64;
    let ready = calendar_ready_age_days(recipe) as f64;
    let takes = effective(recipe, Process::Blue, pierced, ready.max(pierced + 1.0)).max(1.0);
    let begins = -logit(BLUE_AT_PIERCING_PCT);
    let aim = logit(
        recipe
            .iron
            .ready_at_coverage_pct
            .get()
            .max(2.0 * BLUE_AT_PIERCING_PCT),
    );
    let slope = (aim + begins) / takes;
    growth(begins / slope, begins)
}
