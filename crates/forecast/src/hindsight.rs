//! How wide intervals must be by what became of earlier forecasts.
//!
//! No curve is quite right, so past forecasts are made again and their intervals stretched
//! until four in five of the batches fall into the 80 % interval: conformal calibration
//! (split, on the dairy's own latest batches), held back by as many imagined batches for
//! which the intervals were right.

use facts::RecipeId;

use crate::forecaster::Forecaster;
use crate::history::{Batch, History};
use crate::learn::each;
use crate::moment::instant;
use crate::score::{ByCores, CORES_UNSURE_DAYS, ready_by_cores};

/// Batches that are looked back at, the latest.
const LATEST: usize = 50;

/// Fewer, and intervals stay as they are.
const FEWEST: usize = 8;

/// Days before its readiness on which a past batch is forecast again.
const LEADS_DAYS: [f64; 3] = [30.0, 16.0, 5.0];

/// Imagined forecasts whose intervals were right.
const IMAGINED: usize = 20;

/// Intervals are never stretched or shrunk beyond these.
const WITHIN: (f64, f64) = (0.7, 2.5);

/// Standard deviations that half an 80 % interval of a normal spans.
const HALF_80: f64 = 1.2816;

/// The factor by which intervals must be stretched, going by what had come by `now`, and
/// from how many batches it was learnt.
pub(crate) fn stretch(
    history: &History,
    forecaster: &Forecaster<'_>,
    recipe: RecipeId,
    now: f64,
    threads: usize,
) -> f64 {
    let mut known: Vec<(&Batch, f64)> = history
        .batches
        .values()
        .filter(|batch| batch.recipe.id == recipe)
        .filter_map(|batch| match ready_by_cores(batch, now) {
            ByCores::Ready(ready) => Some((&**batch, ready)),
            _ => None,
        })
        .collect();
    known.sort_by(|a, b| b.1.total_cmp(&a.1));
    known.truncate(LATEST);
    if known.len() < FEWEST {
        return 1.0;
    }
    let off = each(&known, threads, |(batch, ready)| {
        LEADS_DAYS.map(|lead| {
            let then = forecaster.clone().as_of(instant(ready - lead));
            let when = then.batch(batch.id)?.ready;
            let (low, high) = (when.quantile(0.1), when.quantile(0.9));
            let half = ((high - low) / 2.0).hypot(HALF_80 * CORES_UNSURE_DAYS);
            Some((ready - when.quantile(0.5)).abs() / half.max(0.1))
        })
    });
    let mut off: Vec<f64> = off.into_iter().flatten().flatten().collect();
    off.extend((0..IMAGINED).map(|n| {
        let p = (n as f64 + 0.5) / IMAGINED as f64;
        normal_off(p) / HALF_80
    }));
    off.sort_by(f64::total_cmp);
    let place = (off.len() as f64 * 0.8).ceil() as usize;
    let factor = off.get(place.saturating_sub(1)).copied().unwrap_or(1.0);
    factor.clamp(WITHIN.0, WITHIN.1)
}

/// How far, in standard deviations, a normal value is from its mean at most with probability
/// `p`: by halving the range, on Abramowitz and Stegun's 7.1.26.
fn normal_off(p: f64) -> f64 {
    let within = |z: f64| {
        let x = z / std::f64::consts::SQRT_2;
        let t = 1.0 / (1.0 + 0.327_591_1 * x);
        let poly = [
            1.061_405_429,
            -1.453_152_027,
            1.421_413_741,
            -0.284_496_736,
            0.254_829_592,
        ];
        let sum = poly.iter().fold(0.0, |sum, factor| (sum + factor) * t);
        1.0 - sum * (-x * x).exp()
    };
    let (mut low, mut high) = (0.0, 6.0);
    for _ in 0..40 {
        let middle = (low + high) / 2.0;
        if within(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low + high) / 2.0
}
