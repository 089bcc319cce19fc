//! How good the forecasts would have been: they are made again for days gone by, from what
//! had been seen by then, and compared with what came.

use std::collections::BTreeMap;

use facts::{BatchId, RecipeId};
use quantity::DairyDay;
use serde::Serialize;

use crate::forecaster::{Forecaster, Habits, habits};
use crate::habit::calendar_ready_age_days;
use crate::history::{At, Batch, History};
use crate::learn::each;
use crate::moment::{days, instant};

/// When a batch was ready, as it turned out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// The batch.
    pub batch: BatchId,
    /// Days since 1970.
    pub ready_days: f64,
}

/// What the cores say of when a batch was ready.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ByCores {
    /// Between two looks, on about this day (days since 1970).
    Ready(f64),
    /// At the first look already: nobody knows since when.
    AtFirstLook,
    /// Not yet at the last look.
    NotYet,
    /// No cores.
    NoCores,
}

/// How far the day read off a batch's cores may be from the true one, days (standard
/// deviation): a few cores a week apart, each off by some percent.
pub const CORES_UNSURE_DAYS: f64 = 1.0;

/// When a batch was ready by its cores up to an instant (days since 1970) alone: where the mean of a day's cores crosses the
/// recipe's coverage, drawn straight in log-odds between the looks before and after.
#[must_use]
pub fn ready_by_cores(batch: &Batch, until: f64) -> ByCores {
    let mut cores: Vec<At> = batch
        .wheels
        .iter()
        .flat_map(|w| w.irons.iter().copied())
        .collect();
    cores.retain(|core| core.days <= until);
    cores.sort_by(|a, b| a.days.total_cmp(&b.days));
    let ready = batch.recipe.iron.ready_at_coverage_pct.get();
    let looks: Vec<(f64, f64)> = cores
        .chunk_by(|a, b| b.days - a.days < 0.5)
        .filter_map(|look| {
            let n = look.len() as f64;
            let mean = |of: fn(&At) -> f64| look.iter().map(of).sum::<f64>() / n;
            (n > 0.0).then(|| (mean(|core| core.days), mean(|core| core.value)))
        })
        .collect();
    let Some(first) = looks.first() else {
        return ByCores::NoCores;
    };
    if first.1 >= ready {
        return ByCores::AtFirstLook;
    }
    let crossing = looks.windows(2).find_map(|pair| match pair {
        [before, after] if after.1 >= ready => Some((*before, *after)),
        _ => None,
    });
    let Some(((t0, c0), (t1, c1))) = crossing else {
        return ByCores::NotYet;
    };
    let odds = |pct: f64| {
        let share = (pct / 100.0).clamp(0.005, 0.995);
        (share / (1.0 - share)).ln()
    };
    let part = (odds(ready) - odds(c0)) / (odds(c1) - odds(c0)).max(1e-9);
    ByCores::Ready(t0 + (t1 - t0) * part.clamp(0.0, 1.0))
}

/// How a score is made.
#[derive(Debug, Clone, PartialEq)]
pub struct Scoring {
    /// Days before the outcome on which a forecast is made.
    pub leads_days: Vec<i64>,
    /// Batches that must have been ready before the first forecast that counts.
    pub warm_up: usize,
    /// How often habits are learnt again, days.
    pub learn_every_days: f64,
    /// How sure the outcomes themselves are, days (standard deviation): a forecast is not to
    /// blame for what cores leave open. Zero where the truth is known.
    pub outcome_unsure_days: f64,
}

impl Default for Scoring {
    fn default() -> Self {
        Self {
            leads_days: vec![42, 35, 28, 21, 14, 7, 3],
            warm_up: 25,
            learn_every_days: 28.0,
            outcome_unsure_days: 0.0,
        }
    }
}

/// Forecasts made so many days before.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct LeadScore {
    /// Days before the outcome.
    pub lead_days: i64,
    /// Forecasts.
    pub forecasts: usize,
    /// Share of outcomes within the 50 % interval, 0 to 1.
    pub within_50: f64,
    /// Within the 80 % interval.
    pub within_80: f64,
    /// Within the 95 % interval.
    pub within_95: f64,
    /// Mean width of the 80 % interval, days.
    pub width_80_days: f64,
    /// Mean absolute error, days.
    pub error_days: f64,
    /// Mean error, days: above zero, forecasts came too late.
    pub bias_days: f64,
    /// The same for the recipe's calendar age.
    pub calendar_error_days: f64,
    /// For the age of the last batch that was ready by then.
    pub last_error_days: f64,
    /// For the middle age of all batches that were ready by then.
    pub usual_error_days: f64,
}

/// How good forecasts were.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Score {
    /// Batches with an outcome.
    pub batches: usize,
    /// All leads together; its lead is 0.
    pub all: LeadScore,
    /// By lead.
    pub by_lead: Vec<LeadScore>,
}

/// One forecast made again.
struct Again {
    at: f64,
    lead_days: i64,
    outcome: Outcome,
}

/// What became of it.
struct Result {
    lead_days: i64,
    error: f64,
    calendar: f64,
    last: f64,
    usual: f64,
    half_widths: [bool; 3],
    width: f64,
}

/// Makes forecasts again and compares them with the outcomes.
#[must_use]
pub fn score(history: &History, outcomes: &[Outcome], scoring: &Scoring, threads: usize) -> Score {
    let mut order: Vec<Outcome> = outcomes.to_vec();
    order.sort_by(|a, b| a.ready_days.total_cmp(&b.ready_days));
    let starts = order
        .get(scoring.warm_up)
        .map_or(f64::INFINITY, |o| o.ready_days);
    let mut all: Vec<Again> = Vec::new();
    for outcome in &order {
        for lead in &scoring.leads_days {
            let at = outcome.ready_days - *lead as f64;
            if at >= starts {
                all.push(Again {
                    at,
                    lead_days: *lead,
                    outcome: *outcome,
                });
            }
        }
    }
    all.sort_by(|a, b| a.at.total_cmp(&b.at));
    let mut learnt: Habits = BTreeMap::new();
    let mut results: Vec<Result> = Vec::new();
    let mut left = all.as_slice();
    while let Some(first) = left.first() {
        let until = first.at + scoring.learn_every_days;
        let (now, later) = left.split_at(left.partition_point(|again| again.at < until));
        learnt = habits(history, instant(first.at), &learnt, threads);
        let forecaster = Forecaster::new(history, &learnt, instant(first.at));
        let made = each(now, threads, |again| {
            try_again(history, &forecaster, &order, again, scoring)
        });
        results.extend(made.into_iter().flatten());
        left = later;
    }
    let by_lead = scoring.leads_days.iter().map(|lead| {
        let of: Vec<&Result> = results.iter().filter(|r| r.lead_days == *lead).collect();
        summed(*lead, &of)
    });
    Score {
        batches: outcomes.len(),
        by_lead: by_lead.collect(),
        all: summed(0, &results.iter().collect::<Vec<_>>()),
    }
}

fn try_again(
    history: &History,
    forecaster: &Forecaster<'_>,
    outcomes: &[Outcome],
    again: &Again,
    scoring: &Scoring,
) -> Option<Result> {
    let batch = history.batches.get(&again.outcome.batch)?;
    let forecast = forecaster
        .clone()
        .as_of(instant(again.at))
        .batch(batch.id)?;
    let truth = again.outcome.ready_days;
    let made = |batch: &Batch| days(history.clock.start_of(batch.made));
    let age = |outcome: &Outcome| {
        let batch = history.batches.get(&outcome.batch)?;
        Some((batch.recipe.id, outcome.ready_days - made(batch)))
    };
    let known = outcomes.partition_point(|o| o.ready_days <= again.at);
    let same = |(recipe, age): (RecipeId, f64)| (recipe == batch.recipe.id).then_some(age);
    let mut ages: Vec<f64> = outcomes[..known]
        .iter()
        .filter_map(age)
        .filter_map(same)
        .collect();
    let last = ages.last().copied()?;
    ages.sort_by(f64::total_cmp);
    let usual = ages.get(ages.len() / 2).copied()?;
    let calendar = calendar_ready_age_days(&batch.recipe) as f64;
    let ready = &forecast.ready;
    let within = |share: f64| {
        let (low, high) = (
            ready.quantile(0.5 - share / 2.0),
            ready.quantile(0.5 + share / 2.0),
        );
        // Widened as two independent errors add.
        let (middle, half) = ((low + high) / 2.0, (high - low) / 2.0);
        let deviations = normal_half_width(share) * scoring.outcome_unsure_days;
        (truth - middle).abs() <= half.hypot(deviations)
    };
    Some(Result {
        lead_days: again.lead_days,
        error: ready.quantile(0.5) - truth,
        calendar: made(batch) + calendar - truth,
        last: made(batch) + last - truth,
        usual: made(batch) + usual - truth,
        half_widths: [within(0.5), within(0.8), within(0.95)],
        width: ready.quantile(0.9) - ready.quantile(0.1),
    })
}

/// Standard deviations of a normal on each side of the middle that hold these shares.
fn normal_half_width(share: f64) -> f64 {
    if share > 0.9 {
        1.960
    } else if share > 0.6 {
        1.282
    } else {
        0.674
    }
}

fn summed(lead_days: i64, results: &[&Result]) -> LeadScore {
    let n = results.len().max(1) as f64;
    let mean = |value: &dyn Fn(&Result) -> f64| results.iter().map(|r| value(r)).sum::<f64>() / n;
    let within = |which: usize| mean(&|r| f64::from(u8::from(r.half_widths[which])));
    LeadScore {
        lead_days,
        forecasts: results.len(),
        within_50: within(0),
        within_80: within(1),
        within_95: within(2),
        width_80_days: mean(&|r| r.width),
        error_days: mean(&|r| r.error.abs()),
        bias_days: mean(&|r| r.error),
        calendar_error_days: mean(&|r| r.calendar.abs()),
        last_error_days: mean(&|r| r.last.abs()),
        usual_error_days: mean(&|r| r.usual.abs()),
    }
}

/// The dairy day of an outcome.
impl Outcome {
    /// The day on which it was ready.
    #[must_use]
    pub fn day(&self, history: &History) -> DairyDay {
        history.clock.day_of(instant(self.ready_days))
    }
}
