//! A date that is not known yet: its probabilities.

use crate::lattice::HERMITE;

/// Steps of the distribution function that are kept.
const STEPS: usize = 100;

/// When something happens: a distribution over instants, in days since 1970.
#[derive(Debug, Clone, PartialEq)]
pub struct When {
    base: f64,
    /// Quantiles at (i + ½) / 100, as days after the base.
    quantiles: Vec<f32>,
}

impl When {
    /// Certain: at this instant, days since 1970.
    #[must_use]
    pub fn at(days: f64) -> Self {
        Self {
            base: days,
            quantiles: vec![0.0; STEPS],
        }
    }

    /// From points `(days since 1970, weight)`; `None` without any weight. What is not
    /// finite is left out.
    #[must_use]
    pub fn of(mut points: Vec<(f64, f64)>) -> Option<Self> {
        points.retain(|(at, weight)| at.is_finite() && *weight > 0.0 && weight.is_finite());
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let all: f64 = points.iter().map(|(_, weight)| weight).sum();
        let base = points.first()?.0;
        let mut quantiles = Vec::with_capacity(STEPS);
        let (mut passed, mut before) = (0.0, None::<(f64, f64)>);
        for (at, weight) in points {
            // Each point's weight lies around it: half of it before, half after.
            let middle = (passed + weight / 2.0) / all;
            while quantiles.len() < STEPS {
                let p = level(quantiles.len());
                if p > middle {
                    break;
                }
                let value = match before {
                    Some((p0, at0)) if middle > p0 => at0 + (at - at0) * (p - p0) / (middle - p0),
                    _ => at,
                };
                quantiles.push((value - base) as f32);
            }
            before = Some((middle, at));
            passed += weight;
        }
        let last = before.map_or(0.0, |(_, at)| at - base) as f32;
        quantiles.resize(STEPS, last);
        Some(Self { base, quantiles })
    }

    /// The same middle, with everything else farther from it (or nearer) by a factor.
    #[must_use]
    pub fn stretched(mut self, factor: f64) -> Self {
        let middle = (self.quantile(0.5) - self.base) as f32;
        for quantile in &mut self.quantiles {
            *quantile = middle + (*quantile - middle) * factor as f32;
        }
        self
    }

    /// The instant by which it has happened with probability `p`, days since 1970.
    #[must_use]
    pub fn quantile(&self, p: f64) -> f64 {
        let place = (p * STEPS as f64 - 0.5).clamp(0.0, (STEPS - 1) as f64);
        let (low, part) = (place.floor() as usize, place - place.floor());
        let at = |i: usize| self.quantiles.get(i).copied().map_or(0.0, f64::from);
        self.base + at(low) + (at((low + 1).min(STEPS - 1)) - at(low)) * part
    }

    /// The probability that it has happened by an instant, days since 1970.
    #[must_use]
    pub fn by(&self, at: f64) -> f64 {
        let after = at - self.base;
        let passed = self.quantiles.partition_point(|q| f64::from(*q) <= after);
        let q = |i: usize| self.quantiles.get(i).copied().map(f64::from);
        match (passed.checked_sub(1).and_then(q), q(passed)) {
            (None, _) => 0.0,
            (Some(_), None) => 1.0,
            (Some(low), Some(high)) => {
                let part = if high > low {
                    (after - low) / (high - low)
                } else {
                    0.0
                };
                (level(passed - 1) + part / STEPS as f64).min(1.0)
            }
        }
    }

    /// Mean and standard deviation, days since 1970 and days.
    #[must_use]
    pub fn mean(&self) -> (f64, f64) {
        let n = self.quantiles.len().max(1) as f64;
        let values = || self.quantiles.iter().map(|q| f64::from(*q));
        let mean = values().sum::<f64>() / n;
        let variance = values().map(|q| (q - mean).powi(2)).sum::<f64>() / n;
        (self.base + mean, variance.sqrt())
    }
}

fn level(step: usize) -> f64 {
    (step as f64 + 0.5) / STEPS as f64
}

/// A weighted cloud thinned to this many points of equal weight.
pub(crate) fn thinned(mut points: Vec<(f64, f64)>, to: usize) -> Vec<f64> {
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let all: f64 = points.iter().map(|(_, weight)| weight).sum();
    let mut thin = Vec::with_capacity(to);
    let mut passed = 0.0;
    for (value, weight) in points {
        passed += weight;
        while thin.len() < to && (thin.len() as f64 + 0.5) / to as f64 <= passed / all {
            thin.push(value);
        }
    }
    thin
}

/// Five equal-to-normal points around a middle, with their weights.
pub(crate) fn around(middle: f64, deviation: f64) -> impl Iterator<Item = (f64, f64)> {
    HERMITE
        .iter()
        .map(move |(z, weight)| (middle + z * deviation, *weight))
}
