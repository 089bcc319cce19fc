//! What wheels will weigh: drying learnt from weighings, room by room.
//!
//! The cube root of a wheel's mass falls in proportion to what the room's air pulls
//! ([`drying`](crate::drying)), so that a weighing is a linear equation: ∛m = K·∛m₀ − Σ rᵢ·Φᵢ,
//! with m₀ the curd weight, K what draining leaves, rᵢ the rate of room i and Φᵢ the pull
//! that the wheel felt there, hPa·days. K and rᵢ are found by least squares, held back by a
//! first guess (Gaussian), with Student weights so that one slip at the scale does not count.

use chrono::{DateTime, Utc};
use facts::{BatchId, RecipeId, RoomId, WheelId};
use quantity::DairyDay;
use recipe::Recipe;
use serde::{Deserialize, Serialize};

use crate::drying::{open, usual_rate};
use crate::habit::Habit;
use crate::history::{At, Batch, History, Wheel};
use crate::least_squares::solve;
use crate::moment::{days, instant};
use crate::observed::Observed;
use crate::pace::{Process, Rooms};
use crate::way::Way;

/// Draining and at most so many rooms.
const UNKNOWNS: usize = 8;

/// What is left of the curd after draining, before anything is weighed: share of the mass,
/// and how unsure. Common practice, no source: most of a quarter is lost, most of that in the
/// hoop.
const KEPT: f64 = 0.84;
const KEPT_UNSURE: f64 = 0.06;

/// How unsure the first guess of a room's rate is, as a share: air speed alone makes that.
const RATE_UNSURE: f64 = 0.6;

/// Scatter of ∛m that is assumed before weighings tell, as a share of it, and the least.
const SCATTER: f64 = 0.008;
const LEAST_SCATTER: f64 = 0.001;

/// How wheels differ in their rate, as a share; no source.
const WHEEL_RATE: f64 = 0.1;

/// Loss between two weighings from which a rate can be told, grams.
const TELLING_G: f64 = 40.0;

/// How far off the usual rate a batch may dry.
const TOO_FAST: f64 = 1.35;
const TOO_SLOW: f64 = 0.65;

/// Rooms of a recipe and the rates learnt for them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DryingHabit {
    /// The rooms, in the recipe's order.
    pub rooms: Vec<RoomId>,
    /// The cube root of the share of curd that draining leaves, then each room's rate in
    /// g^⅓ a hPa·day.
    values: [f64; UNKNOWNS],
    covariance: [[f64; UNKNOWNS]; UNKNOWNS],
    /// Scatter of ∛m, as a share of it.
    pub scatter: f64,
    /// Weighings it was learnt from.
    pub learnt_from: usize,
}

/// What a wheel is expected to weigh.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Weight {
    /// The wheel.
    pub wheel: WheelId,
    /// On which day.
    pub day: DairyDay,
    /// Expected, grams.
    pub expected_g: f64,
    /// Four times in five within these, grams.
    pub p80_g: (f64, f64),
}

/// A batch that dries unlike the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DryingAlarm {
    /// The batch.
    pub batch: BatchId,
    /// How fast, as a share of the usual rate.
    pub of_usual: f64,
    /// What it is, and what to do.
    pub words: String,
}

/// A point of a drying curve, days since 1970 and grams.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DryingPoint {
    /// When.
    pub at_days: f64,
    /// Expected.
    pub expected_g: f64,
    /// Four times in five within these.
    pub p80_g: (f64, f64),
}

/// One weighing as an equation.
struct Weighing {
    /// ∛m₀, then −Φ by room.
    row: [f64; UNKNOWNS],
    /// ∛m
    root: f64,
}

impl DryingHabit {
    /// Before any weighing.
    #[must_use]
    pub fn first_guess(recipe: &Recipe) -> Self {
        let kept = recipe.finish.map_or(KEPT, |finish| {
            let all = f64::from(finish.weight_g.get()) / f64::from(recipe.portion.weight_g.get());
            // Three quarters of the whole loss is in the hoop.
            1.0 - 0.75 * (1.0 - all)
        });
        let mut values = [usual_rate(); UNKNOWNS];
        let mut covariance = [[0.0; UNKNOWNS]; UNKNOWNS];
        values[0] = kept.clamp(0.3, 1.0).cbrt();
        covariance[0][0] = (KEPT_UNSURE / 3.0).powi(2);
        for (i, row) in covariance.iter_mut().enumerate().skip(1) {
            row[i] = (RATE_UNSURE * values[i]).powi(2);
        }
        Self {
            rooms: recipe.stages.iter().map(|stage| stage.room).collect(),
            values,
            covariance,
            scatter: SCATTER,
            learnt_from: 0,
        }
    }

    /// Learns from every weighing of a recipe's wheels by an instant.
    #[must_use]
    pub fn learn(history: &History, recipe: &Recipe, habit: &Habit, now: DateTime<Utc>) -> Self {
        let now = days(now);
        let guess = Self::first_guess(recipe);
        let weighings = weighings(history, recipe.id, habit, &guess, now);
        if weighings.len() < 3 {
            return guess;
        }
        let mut learnt = guess.clone();
        for _ in 0..6 {
            let Some((values, covariance)) = guess.solved(&weighings, &learnt) else {
                return guess;
            };
            (learnt.values, learnt.covariance) = (values, covariance);
            let mut off: Vec<f64> = weighings
                .iter()
                .map(|weighing| (learnt.off(weighing) / weighing.root).abs())
                .collect();
            off.sort_by(f64::total_cmp);
            // The middle of normal deviations' sizes is 0.6745 standard deviations.
            let middle = off.get(off.len() / 2).copied().unwrap_or(SCATTER);
            learnt.scatter = (middle / 0.6745).max(LEAST_SCATTER);
        }
        learnt.learnt_from = weighings.len();
        learnt
    }

    fn off(&self, weighing: &Weighing) -> f64 {
        weighing.root - dot(&weighing.row, &self.values)
    }

    /// Values and their covariance, by weighted least squares with this guess as prior.
    fn solved(
        &self,
        weighings: &[Weighing],
        now: &Self,
    ) -> Option<([f64; UNKNOWNS], [[f64; UNKNOWNS]; UNKNOWNS])> {
        let mut normal = [[0.0; UNKNOWNS]; UNKNOWNS];
        let mut right = [0.0; UNKNOWNS];
        for i in 0..UNKNOWNS {
            normal[i][i] = 1.0 / self.covariance[i][i];
            right[i] = self.values[i] * normal[i][i];
        }
        for weighing in weighings {
            let deviation = now.scatter * weighing.root;
            let z = now.off(weighing) / deviation;
            // Student's t with four degrees of freedom.
            let weight = 5.0 / (4.0 + z * z) / (deviation * deviation);
            for (i, part) in weighing.row.iter().enumerate() {
                right[i] += weight * part * weighing.root;
                for (sum, other) in normal[i].iter_mut().zip(&weighing.row) {
                    *sum += weight * part * other;
                }
            }
        }
        let values = solve(normal, right)?;
        let mut covariance = [[0.0; UNKNOWNS]; UNKNOWNS];
        for (i, row) in covariance.iter_mut().enumerate() {
            let mut unit = [0.0; UNKNOWNS];
            unit[i] = 1.0;
            *row = solve(normal, unit)?;
        }
        Some((values, covariance))
    }

    /// The share of curd that draining leaves.
    #[must_use]
    pub fn kept(&self) -> f64 {
        self.values[0].powi(3)
    }

    /// A room's rate, g^⅓ a hPa·day, and its standard deviation.
    #[must_use]
    pub fn rate(&self, room: RoomId) -> Option<(f64, f64)> {
        let place = self.place(room)?;
        Some((
            self.values[place],
            self.covariance[place][place].max(0.0).sqrt(),
        ))
    }

    /// Where a room's rate stands; rooms beyond the seventh share the last place.
    fn place(&self, room: RoomId) -> Option<usize> {
        let at = self.rooms.iter().position(|r| *r == room)?;
        Some((at + 1).min(UNKNOWNS - 1))
    }

    /// The pull that a way felt, or after `now` will feel, in each room between two instants,
    /// as an equation's row.
    fn pull(&self, way: &Way, felt: &Felt<'_>, from: f64, until: f64) -> Row {
        let mut row = [0.0; UNKNOWNS];
        let from = from.max(way.unhooped);
        for leg in way.legs() {
            let Some((room, place)) = leg.room.and_then(|room| Some((room, self.place(room)?)))
            else {
                continue;
            };
            let (mut at, end) = (leg.from.max(from), leg.until.min(until));
            while at < end {
                let mut next = (at + 1.0).min(end);
                let pull = if at < felt.now {
                    next = next.min(felt.now.max(at + 1e-6));
                    felt.rooms.gone_on(room, Process::Drying, at, next).0
                } else {
                    felt.rooms.usual(room, felt.now).speed(Process::Drying) * (next - at)
                };
                let cover = felt
                    .habit
                    .rind
                    .share_pct(way.rind_days(at).max(0.0), 0.0, 0.0);
                row[place] -= pull * open(cover);
                at = next;
            }
        }
        row
    }
}

type Row = [f64; UNKNOWNS];

/// What a pull is reckoned with.
struct Felt<'f> {
    rooms: &'f Rooms,
    habit: &'f Habit,
    /// The present, days since 1970.
    now: f64,
}

fn dot(a: &Row, b: &Row) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// The variance of a row's value.
fn variance(row: &Row, covariance: &[Row; UNKNOWNS]) -> f64 {
    let each = row.iter().zip(covariance);
    each.map(|(x, line)| x * dot(row, line))
        .sum::<f64>()
        .max(0.0)
}

fn weighings(
    history: &History,
    recipe: RecipeId,
    habit: &Habit,
    guess: &DryingHabit,
    now: f64,
) -> Vec<Weighing> {
    let mut weighings = Vec::new();
    let rooms = &history.rooms;
    let felt = Felt { rooms, habit, now };
    for batch in history
        .batches
        .values()
        .filter(|batch| batch.recipe.id == recipe)
    {
        let weighed = |wheel: &&Wheel| !wheel.weights.is_empty();
        for wheel in batch.wheels.iter().filter(weighed) {
            let Some(class) = batch.classes.get(wheel.class) else {
                continue;
            };
            let born = wheel.portion.days;
            let way = Way::so_far(class, born, &batch.recipe, &history.rooms, now);
            for weight in &wheel.weights {
                let usable = weight.days <= now && weight.days > way.unhooped;
                if !usable || weight.value <= 0.0 || wheel.portion.value <= 0.0 {
                    continue; // in the hoop, whey still runs
                }
                let mut row = guess.pull(&way, &felt, way.unhooped, weight.days);
                row[0] = wheel.portion.value.cbrt();
                weighings.push(Weighing {
                    row,
                    root: weight.value.cbrt(),
                });
            }
        }
    }
    weighings
}

/// A batch on its way, for its weights.
pub(crate) struct Scales<'s> {
    pub(crate) history: &'s History,
    pub(crate) batch: &'s Batch,
    pub(crate) habit: &'s Habit,
    pub(crate) drying: &'s DryingHabit,
    /// With their ways ahead.
    pub(crate) observed: &'s Observed,
    pub(crate) now: f64,
}

impl Scales<'_> {
    fn felt(&self) -> Felt<'_> {
        Felt {
            rooms: &self.history.rooms,
            habit: self.habit,
            now: self.now,
        }
    }

    /// What a wheel (by its place in the batch) weighs at an instant: from its last weighing
    /// out of the hoop if there is one, else from its curd.
    pub(crate) fn weight(&self, place: usize, at: f64) -> Option<DryingPoint> {
        let wheel = self.batch.wheels.get(place)?;
        let way = self.observed.ways.get(wheel.class)?;
        let out = |weight: &&At| {
            weight.days <= self.now.min(at) && weight.days > way.unhooped && weight.value > 0.0
        };
        let last = wheel.weights.iter().rev().find(out);
        let drying = self.drying;
        let from = last.map_or(way.unhooped, |weight| weight.days);
        let mut row = drying.pull(way, &self.felt(), from, at);
        let lost = -dot(&row, &drying.values);
        let own = WHEEL_RATE * lost;
        let ahead = self.habit.ahead_unsure * lost;
        let (root, spread) = match last {
            Some(weight) => {
                let root = weight.value.cbrt() - lost;
                (root, variance(&row, &drying.covariance).sqrt())
            }
            None => {
                row[0] = wheel.portion.value.max(1.0).cbrt();
                let root = dot(&row, &drying.values);
                let scatter = drying.scatter * root;
                (
                    root,
                    variance(&row, &drying.covariance).sqrt().hypot(scatter),
                )
            }
        };
        let deviation = spread.hypot(own).hypot(ahead);
        let root = root.max(0.1);
        let cube = |root: f64| root.max(0.1).powi(3);
        Some(DryingPoint {
            at_days: at,
            expected_g: cube(root),
            p80_g: (
                cube(root - 1.2816 * deviation),
                cube(root + 1.2816 * deviation),
            ),
        })
    }

    /// What each wheel in the house is expected to weigh at an instant.
    pub(crate) fn weights(&self, at: f64) -> Vec<Weight> {
        let day = self.history.clock.day_of(instant(at));
        let in_house = |wheel: &Wheel| {
            let class = self.batch.classes.get(wheel.class);
            class.is_some_and(|class| class.left.is_none_or(|left| left > self.now))
        };
        let each = self.batch.wheels.iter().enumerate();
        each.filter(|(_, wheel)| in_house(wheel))
            .filter_map(|(place, wheel)| {
                let point = self.weight(place, at)?;
                Some(Weight {
                    wheel: wheel.id,
                    day,
                    expected_g: point.expected_g,
                    p80_g: point.p80_g,
                })
            })
            .collect()
    }

    /// Whether the batch dries unlike the others: by its middle wheel of those weighed at
    /// least twice out of the hoop, so that one slip at the scale raises no alarm.
    pub(crate) fn alarm(&self) -> Option<DryingAlarm> {
        let each = self.batch.wheels.iter();
        let mut each: Vec<(f64, f64)> = each.filter_map(|wheel| self.lost(wheel)).collect();
        let of_usual = |(lost, should): &(f64, f64)| lost / should;
        each.sort_by(|a, b| of_usual(a).total_cmp(&of_usual(b)));
        let wheels = each.len();
        let middle = each.get(wheels / 2)?;
        let of_usual = of_usual(middle);
        let what = if of_usual > TOO_FAST {
            "faster than usual: the rind may crack. Look for a draught and for dry air, and \
             check the room's humidity"
        } else if of_usual < TOO_SLOW {
            "slower than usual: the rind stays wet. Look for damp air and for wheels that \
             stand too close"
        } else {
            return None;
        };
        let (lost, should) = middle;
        let of = if wheels == 1 {
            "on one wheel".to_owned()
        } else {
            format!("on the middle one of {wheels} wheels")
        };
        Some(DryingAlarm {
            batch: self.batch.id,
            of_usual,
            words: format!(
                "{} dries {what} ({lost:.0} g lost where {should:.0} g were expected, {of}).",
                self.batch.id
            ),
        })
    }

    /// What a wheel lost between its first and its last weighing out of the hoop, and what
    /// it should have, grams; nothing when that is too little to tell a rate from.
    fn lost(&self, wheel: &Wheel) -> Option<(f64, f64)> {
        let way = self.observed.ways.get(wheel.class)?;
        let out = |w: &&At| w.days <= self.now && w.days > way.unhooped && w.value > 0.0;
        let first = wheel.weights.iter().find(out)?;
        let last = wheel.weights.iter().rev().find(out)?;
        let row = self.drying.pull(way, &self.felt(), first.days, last.days);
        let root = (first.value.cbrt() + dot(&row, &self.drying.values)).max(0.1);
        let should = first.value - root.powi(3);
        (should >= TELLING_G).then_some((first.value - last.value, should))
    }
}

/// The instant at which a batch is expected to leave: when it is ready, but not before the
/// recipe's earliest dispatch.
pub(crate) fn leaves(history: &History, batch: &Batch, ready: f64, now: f64) -> f64 {
    let earliest = batch.made.plus(batch.recipe.dispatch_ages().least);
    days(history.clock.start_of(earliest)).max(ready).max(now)
}
