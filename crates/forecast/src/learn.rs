//! What past batches say of a recipe's habits: empirical Bayes.
//!
//! The habits are those under which everything seen of past batches is most probable
//! (type-II maximum likelihood), held back a little by what the calendar says, so that three
//! batches do not overturn it. Each habit is sought in turn by golden section, a few rounds.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use facts::RecipeId;

use crate::growth::Growth;
use crate::habit::Habit;
use crate::history::{Batch, History};
use crate::lattice::{COARSE, Lattice, Link, Look};
use crate::least_squares;
use crate::moment::days;
use crate::observed::Observed;
use crate::posterior::Posterior;
use crate::seen::Seen;

/// Past batches with cores that are looked at, the latest.
const LATEST: usize = 80;

/// Batches of a recipe that learning looks at, the newest: whoever keeps so many can let go of
/// older ones that have left.
pub const NEWEST: usize = 2 * LATEST;

/// Fewer than this, and the calendar stands.
const FEWEST: usize = 4;

/// Rounds over all habits.
const ROUNDS: usize = 3;

/// What was seen of a past batch.
#[derive(Debug, Clone, Default)]
pub struct Past {
    /// Looks at its rind.
    pub rind: Vec<Look>,
    /// Looks at its ironed wheels.
    pub wheels: Vec<Vec<Look>>,
    /// Its age when it was pierced, days.
    pub pierce_age_days: Option<f64>,
}

impl Past {
    /// What had been seen of the latest batches of a recipe by an instant.
    #[must_use]
    pub fn of(history: &History, recipe: RecipeId, now: DateTime<Utc>) -> Vec<Self> {
        let now = days(now);
        let of_it = history.batches.values().map(|batch| &**batch);
        let mut batches: Vec<&Batch> = of_it.filter(|batch| batch.recipe.id == recipe).collect();
        batches.sort_by_key(|batch| batch.made);
        let mut pasts = Vec::new();
        let mut ironed = 0;
        for batch in batches.iter().rev() {
            let past = Self::seen(history, batch, now);
            if past.wheels.is_empty() && past.rind.len() < 2 {
                continue;
            }
            ironed += usize::from(!past.wheels.is_empty());
            pasts.push(past);
            if ironed == LATEST || pasts.len() == NEWEST {
                break;
            }
        }
        pasts
    }

    fn seen(history: &History, batch: &Batch, now: f64) -> Self {
        let made = days(history.clock.start_of(batch.made));
        if made > now {
            return Self::default();
        }
        let observed = Observed::of(history, batch, now);
        let pierced = batch.classes.iter().filter_map(|class| class.pierced);
        let first = pierced
            .filter(|at| *at <= now)
            .fold(f64::INFINITY, f64::min);
        Self {
            rind: observed.rind,
            wheels: observed
                .irons
                .into_iter()
                .map(|wheel| wheel.looks)
                .collect(),
            pierce_age_days: first.is_finite().then_some(first - made),
        }
    }
}

/// Learns habits from past batches, beginning at habits learnt before (or the calendar's),
/// held back by the calendar's. With too few batches it gives the calendar's.
#[must_use]
pub fn learn(calendar: &Habit, before: &Habit, pasts: &[Past], threads: usize) -> Habit {
    if pasts.len() < FEWEST {
        return *calendar;
    }
    let threads = threads.max(1);
    let mut habit = *before;
    habit.learnt_from = pasts.len();
    learn_piercing(&mut habit, calendar, pasts);
    habit.rind.half_unsure = 0.0;
    habit.blue.half_unsure = 0.0;
    habit.rind = seeded(habit.rind, pasts.iter().map(|past| past.rind.as_slice()));
    let wheels = || {
        pasts
            .iter()
            .flat_map(|past| past.wheels.iter().map(Vec::as_slice))
    };
    habit.blue = seeded(habit.blue, wheels());
    let rind_knobs = [
        Knob::Half,
        Knob::Steep,
        Knob::Bend,
        Knob::Batch,
        Knob::Noise,
    ];
    for _ in 0..ROUNDS {
        for knob in rind_knobs {
            let held = calendar.rind;
            habit.rind = turn(knob, habit.rind, &held, |growth| {
                let lattice = Arc::new(Lattice::new(growth, COARSE));
                over(pasts, threads, |past| rind_of(past, &lattice).ln_evidence())
            });
        }
    }
    // The rind is settled; its pace is what the blue is linked to.
    let lattice = Arc::new(Lattice::new(habit.rind, COARSE));
    let rinds = each(pasts, threads, |past| rind_of(past, &lattice));
    let both: Vec<(&Past, &Posterior)> = pasts
        .iter()
        .zip(&rinds)
        .filter(|(past, _)| !past.wheels.is_empty())
        .collect();
    if both.len() >= FEWEST {
        let evidence = |growth: Growth, link: f64| {
            let link = Link::new(&Arc::new(Lattice::new(growth, COARSE)), link);
            over(&both, threads, |(past, rind)| {
                let mut blue = Posterior::after(rind, &link);
                blue.iron_each(past.wheels.iter().map(Vec::as_slice));
                blue.ln_evidence()
            })
        };
        for _ in 0..ROUNDS {
            for knob in Knob::ALL {
                let link = habit.link;
                habit.blue = turn(knob, habit.blue, &calendar.blue, |g| evidence(g, link));
            }
            let blue = habit.blue;
            let held = calendar.link;
            habit.link = golden(-0.3, 0.95, |link| {
                evidence(blue, link) - 0.5 * ((link - held) / LINK_HELD).powi(2)
            });
        }
        habit.blue.half_unsure = unsure(&habit.blue, both.len());
    } else {
        habit.blue = calendar.blue;
        habit.link = calendar.link;
    }
    habit.rind.half_unsure = unsure(&habit.rind, pasts.len());
    habit
}

/// Looks that a curve is drawn through at least.
const FEWEST_LOOKS: usize = 12;

/// Begins at the curve that least squares draw through all looks together: the search that
/// follows then needs only small steps. Where they draw none, at the habit as it was.
fn seeded<'l>(growth: Growth, looks: impl Iterator<Item = &'l [Look]>) -> Growth {
    let seen = |look: &&Look| matches!(look.seen, Seen::About(_));
    let looks: Vec<&Look> = looks.flatten().filter(seen).collect();
    if looks.len() < FEWEST_LOOKS {
        return growth;
    }
    let with = |p: &[f64; 3]| Growth {
        half_days: p[0].exp(),
        steepness: p[1].exp(),
        bend: p[2].exp(),
        ..growth
    };
    let residuals = |p: &[f64; 3]| {
        let growth = with(p);
        let curve = growth.curve(0.0);
        let off = |look: &&Look| {
            curve.share_pct(look.effective_days / growth.half_days) - look.seen.share_pct()
        };
        looks.iter().map(off).collect()
    };
    let start = [
        growth.half_days.ln(),
        growth.steepness.ln(),
        growth.bend.ln(),
    ];
    let within = |growth: &Growth| {
        [Knob::Half, Knob::Steep, Knob::Bend].iter().all(|knob| {
            let (least, most, _) = knob.range();
            (least..=most).contains(knob.of(&mut growth.clone()))
        })
    };
    let fitted = least_squares::fit(residuals, start);
    fitted
        .map(|fit| with(&fit.parameters))
        .filter(within)
        .unwrap_or(growth)
}

/// How unsure the mean pace of so many batches leaves the usual pace.
fn unsure(growth: &Growth, batches: usize) -> f64 {
    growth.batch_spread / (batches.max(1) as f64).sqrt()
}

fn rind_of(past: &Past, lattice: &Arc<Lattice>) -> Posterior {
    let mut rind = Posterior::before(lattice);
    rind.look(&past.rind);
    rind
}

fn learn_piercing(habit: &mut Habit, calendar: &Habit, pasts: &[Past]) {
    let ages: Vec<f64> = pasts
        .iter()
        .filter_map(|past| past.pierce_age_days)
        .collect();
    let n = ages.len() as f64;
    if ages.len() < FEWEST {
        return;
    }
    let mean = ages.iter().sum::<f64>() / n;
    let squares: f64 = ages.iter().map(|age| (age - mean).powi(2)).sum();
    // The calendar counts as four batches.
    let held = FEWEST as f64;
    habit.pierce_age_days = (mean * n + calendar.pierce_age_days * held) / (n + held);
    let spread = calendar.pierce_age_spread;
    habit.pierce_age_spread = ((squares + spread * spread * held) / (n + held)).sqrt();
}

/// One number of a growth that can be learnt.
#[derive(Debug, Clone, Copy)]
enum Knob {
    Half,
    Steep,
    Bend,
    Batch,
    Wheel,
    Noise,
}

/// How far, as a share, the calendar's correlation may be off.
const LINK_HELD: f64 = 0.4;

impl Knob {
    const ALL: [Self; 6] = [
        Self::Half,
        Self::Steep,
        Self::Bend,
        Self::Batch,
        Self::Wheel,
        Self::Noise,
    ];

    const fn of(self, growth: &mut Growth) -> &mut f64 {
        match self {
            Self::Half => &mut growth.half_days,
            Self::Steep => &mut growth.steepness,
            Self::Bend => &mut growth.bend,
            Self::Batch => &mut growth.batch_spread,
            Self::Wheel => &mut growth.wheel_spread,
            Self::Noise => &mut growth.noise_pct,
        }
    }

    /// Range that is searched, and how far from the calendar's value it may easily be (the
    /// standard deviation of its logarithm). No source.
    const fn range(self) -> (f64, f64, f64) {
        match self {
            Self::Half => (0.5, 400.0, 0.3),
            Self::Steep => (1.5, 15.0, 0.4),
            Self::Bend => (0.05, 2.0, 1.5),
            Self::Batch => (0.01, 0.6, 0.7),
            Self::Wheel => (0.005, 0.3, 0.5),
            Self::Noise => (1.0, 20.0, 0.4),
        }
    }
}

fn turn(knob: Knob, growth: Growth, held: &Growth, evidence: impl Fn(Growth) -> f64) -> Growth {
    let with = |value: f64| {
        let mut growth = growth;
        *knob.of(&mut growth) = value;
        growth
    };
    let (least, most, easily) = knob.range();
    let usual = *knob.of(&mut held.clone());
    let now = *knob.of(&mut growth.clone());
    // Nearby: each round goes on from the last, and habits change slowly.
    let far = if matches!(knob, Knob::Bend) { 3.0 } else { 1.6 };
    let (low, high) = ((now / far).max(least), (now * far).min(most));
    let best = golden(low.ln(), high.ln(), |ln_value| {
        let value = ln_value.exp();
        let away = (value / usual).ln() / easily;
        evidence(with(value)) - 0.5 * away * away
    });
    with(best.exp())
}

/// The place of the greatest value within `low..high`, by golden section.
fn golden(low: f64, high: f64, value: impl Fn(f64) -> f64) -> f64 {
    const PHI: f64 = 0.618_033_988_749_894_9;
    let (mut low, mut high) = (low, high);
    let (mut a, mut b) = (high - PHI * (high - low), low + PHI * (high - low));
    let (mut at_a, mut at_b) = (value(a), value(b));
    for _ in 0..9 {
        if at_a > at_b {
            (high, b, at_b) = (b, a, at_a);
            a = high - PHI * (high - low);
            at_a = value(a);
        } else {
            (low, a, at_a) = (a, b, at_b);
            b = low + PHI * (high - low);
            at_b = value(b);
        }
    }
    (low + high) / 2.0
}

fn over<T: Sync>(items: &[T], threads: usize, value: impl Fn(&T) -> f64 + Sync) -> f64 {
    each(items, threads, value).iter().sum()
}

/// Does something to each item, on several threads; results in the items' order.
pub(crate) fn each<T: Sync, R: Send>(
    items: &[T],
    threads: usize,
    work: impl Fn(&T) -> R + Sync,
) -> Vec<R> {
    let threads = threads.clamp(1, items.len().max(1));
    if threads == 1 {
        return items.iter().map(work).collect();
    }
    // In turns, so that no thread gets all the heavy ones.
    let mut slots: Vec<Option<R>> = (0..items.len()).map(|_| None).collect();
    let work = &work;
    let parts: Vec<Vec<(usize, R)>> = std::thread::scope(|scope| {
        let running: Vec<_> = (0..threads)
            .map(|first| {
                scope.spawn(move || {
                    let mine = items.iter().enumerate().skip(first).step_by(threads);
                    mine.map(|(index, item)| (index, work(item))).collect()
                })
            })
            .collect();
        running
            .into_iter()
            .filter_map(|thread| thread.join().ok())
            .collect()
    });
    for (index, result) in parts.into_iter().flatten() {
        slots[index] = Some(result);
    }
    slots.into_iter().flatten().collect()
}
