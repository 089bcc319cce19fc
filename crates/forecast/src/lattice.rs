//! The grid on which a batch's pace and steepness are weighed.

use std::sync::Arc;

use crate::growth::Growth;
use crate::seen::{Seen, ln_likelihood};

/// One look: what was seen after how many effective days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Effective days since growth could begin; positive.
    pub effective_days: f64,
    /// What was seen.
    pub seen: Seen,
}

/// Five nodes and weights of Gauss–Hermite quadrature for a standard normal (Abramowitz and
/// Stegun, table 25.10, rescaled).
pub(crate) const HERMITE: [(f64, f64); 5] = [
    (-2.856_970_013_872_805_6, 0.011_257_411_327_720_7),
    (-1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (0.0, 0.533_333_333_333_333_3),
    (1.355_626_179_974_266, 0.222_075_922_005_612_6),
    (2.856_970_013_872_805_6, 0.011_257_411_327_720_7),
];

/// How finely, in standard deviations of a batch's pace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fineness {
    /// Nodes on each side of the middle.
    pub half: usize,
    /// Distance between nodes.
    pub step: f64,
}

/// For forecasts: ±6 standard deviations.
pub const FINE: Fineness = Fineness {
    half: 150,
    step: 0.04,
};

/// For learning, which weighs many batches many times.
pub const COARSE: Fineness = Fineness {
    half: 70,
    step: 0.075,
};

/// Steepness nodes.
pub(crate) const STEEPS: usize = HERMITE.len();

/// Range of the logarithm of half times over which the curve is tabled; it is flat outside.
const TABLED: (f64, f64) = (-6.0, 4.0);

/// Looks after which likelihoods that were multiplied are turned into a sum.
const MULTIPLIED: usize = 24;

/// A grid over ln s (pace) and ln A (steepness), fitted to a [`Growth`].
///
/// Pace nodes are equally spaced in standard deviations, so that how wheels differ from
/// their batch is a convolution (exact to the trapezoid rule); steepness has the nodes of a
/// Gauss–Hermite rule.
#[derive(Debug, Clone)]
pub struct Lattice {
    pub(crate) growth: Growth,
    pub(crate) nodes: usize,
    /// Distance between pace nodes, in ln s.
    pub(crate) gap: f64,
    step: f64,
    half: usize,
    /// Extra nodes on each side for wheels.
    pub(crate) wing: usize,
    /// How wheels differ: weights of the pace nodes from −wing to wing.
    kernel: Vec<f64>,
    /// For each steepness, the share covered at ln x from [`TABLED`].0 on, `gap` apart.
    curves: Vec<Vec<f64>>,
}

impl Lattice {
    /// A grid for a growth.
    #[must_use]
    pub fn new(growth: Growth, fineness: Fineness) -> Self {
        let gap = fineness.step * growth.spread();
        let reach = (5.0 * growth.wheel_spread / gap).ceil();
        let wing = (reach.clamp(0.0, 400.0)) as usize;
        let middle = wing as f64;
        let mut kernel: Vec<f64> = (0..=2 * wing)
            .map(|j| {
                let away = (j as f64 - middle) * gap / growth.wheel_spread.max(1e-9);
                (-0.5 * away * away).exp()
            })
            .collect();
        normalise(&mut kernel);
        let tabled = ((TABLED.1 - TABLED.0) / gap).ceil() as usize;
        let curves = HERMITE.iter().map(|(z, _)| {
            let curve = growth.curve(z * growth.steepness_spread);
            let at = |i: usize| curve.share_pct((TABLED.0 + i as f64 * gap).exp());
            (0..=tabled).map(at).collect()
        });
        Self {
            growth,
            nodes: 2 * fineness.half + 1,
            gap,
            step: fineness.step,
            half: fineness.half,
            wing,
            kernel,
            curves: curves.collect(),
        }
    }

    /// How wheels differ: weights from −wing to wing.
    pub(crate) fn kernel(&self) -> &[f64] {
        &self.kernel
    }

    /// The pace ln s of a node.
    pub(crate) fn ln_scale(&self, node: usize) -> f64 {
        (node as f64 - self.half as f64) * self.gap
    }

    /// The steepness node's ln of how much steeper than usual.
    pub(crate) fn ln_steeper(&self, steep: usize) -> f64 {
        HERMITE
            .get(steep)
            .map_or(0.0, |(z, _)| z * self.growth.steepness_spread)
    }

    fn z(&self, node: usize) -> f64 {
        (node as f64 - self.half as f64) * self.step
    }

    /// What is known of a batch's pace before anything is seen.
    pub(crate) fn prior(&self) -> Vec<f64> {
        let density = |node: usize| (-0.5 * self.z(node).powi(2)).exp();
        let mut prior: Vec<f64> = (0..self.nodes).map(density).collect();
        normalise(&mut prior);
        prior
    }

    /// Log-likelihoods of some looks at one thing, by steepness and then by pace node,
    /// `wing` extra nodes on each side.
    pub(crate) fn table(&self, looks: &[Look], wing: usize) -> Vec<f64> {
        let width = self.nodes + 2 * wing;
        let noise = self.growth.noise_pct;
        let mut table = vec![0.0; STEEPS * width];
        let mut product = vec![1.0; width];
        for (row, curve) in table.chunks_mut(width).zip(&self.curves) {
            let last = curve.len() - 1;
            for some in looks.chunks(MULTIPLIED) {
                product.fill(1.0);
                let mut constant = 0.0;
                for look in some {
                    let ln_x = (look.effective_days / self.growth.half_days).max(1e-9).ln();
                    // The first node is the fastest pace, with the greatest x.
                    let first = (ln_x - TABLED.0) / self.gap + (self.half + wing) as f64;
                    let part = first - first.floor();
                    let first = first.floor() as i64;
                    let share = |node: usize| {
                        let at = first - node as i64;
                        let index = |i: i64| usize::try_from(i).unwrap_or(0).min(last);
                        let (a, b) = (curve[index(at)], curve[index(at + 1)]);
                        a + (b - a) * part
                    };
                    if let Seen::About(pct) = look.seen {
                        // Student's t with four degrees of freedom, as in `ln_likelihood`.
                        constant += ln_likelihood(look.seen, pct, noise);
                        let scale = 0.5 / noise;
                        for (node, product) in product.iter_mut().enumerate() {
                            let half_z = (pct - share(node)) * scale;
                            *product *= half_z.mul_add(half_z, 1.0);
                        }
                    } else {
                        for (node, sum) in row.iter_mut().enumerate() {
                            *sum += ln_likelihood(look.seen, share(node), noise);
                        }
                    }
                }
                for (sum, product) in row.iter_mut().zip(&product) {
                    *sum += constant - 2.5 * product.ln();
                }
            }
        }
        table
    }

    /// A wheel's table (with wings) as seen from its batch: averaged over how wheels differ.
    /// Gives log-likelihoods by steepness and pace node, without wings.
    pub(crate) fn averaged(&self, wheel: &[f64]) -> Vec<f64> {
        let width = self.nodes + 2 * self.wing;
        let top = wheel.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let likely: Vec<f64> = wheel.iter().map(|ll| (ll - top).exp()).collect();
        let mut out = Vec::with_capacity(STEEPS * self.nodes);
        for row in likely.chunks(width) {
            for around in row.windows(self.kernel.len()) {
                let mean: f64 = around.iter().zip(&self.kernel).map(|(l, k)| l * k).sum();
                out.push(top + mean.max(f64::MIN_POSITIVE).ln());
            }
        }
        out
    }

    /// Weights of pace nodes (by steepness) spread out over how wheels differ, with wings.
    pub(crate) fn spread_out(&self, batch: &[f64]) -> Vec<f64> {
        let width = self.nodes + 2 * self.wing;
        let mut out = vec![0.0; STEEPS * width];
        for (row, to) in batch.chunks(self.nodes).zip(out.chunks_mut(width)) {
            for (node, weight) in row.iter().enumerate().filter(|(_, w)| **w > 1e-15) {
                for (k, sum) in self.kernel.iter().zip(&mut to[node..]) {
                    *sum += weight * k;
                }
            }
        }
        out
    }
}

/// What one process's pace says of another's: they go along by a correlation.
#[derive(Debug, Clone)]
pub struct Link {
    pub(crate) to: Arc<Lattice>,
    /// By node of the one, then of the other; each row sums to one.
    rows: Vec<f32>,
}

impl Link {
    /// Links a grid to another that is as fine, with correlation `link` (−0.99 to 0.99).
    #[must_use]
    pub fn new(to: &Arc<Lattice>, link: f64) -> Self {
        let link = link.clamp(-0.99, 0.99);
        let tightness = 0.5 / (1.0 - link * link);
        let mut rows = Vec::with_capacity(to.nodes * to.nodes);
        for from in 0..to.nodes {
            let centre = link * to.z(from);
            let density = |node: usize| (-tightness * (to.z(node) - centre).powi(2)).exp();
            let mut row: Vec<f64> = (0..to.nodes).map(density).collect();
            normalise(&mut row);
            rows.extend(row.iter().map(|weight| *weight as f32));
        }
        Self {
            to: to.clone(),
            rows,
        }
    }

    /// Weights of the other's pace nodes, given those of the one's.
    pub(crate) fn told(&self, from: &[f64]) -> Vec<f64> {
        let mut weights = vec![0.0; self.to.nodes];
        let rows = self.rows.chunks(self.to.nodes);
        for (row, weight) in rows.zip(from).filter(|(_, w)| **w > 1e-12) {
            for (sum, p) in weights.iter_mut().zip(row) {
                *sum += weight * f64::from(*p);
            }
        }
        normalise(&mut weights);
        weights
    }
}

/// Makes weights sum to one; equal weights where there is nothing to weigh.
pub(crate) fn normalise(weights: &mut [f64]) {
    let sum: f64 = weights.iter().sum();
    let even = 1.0 / weights.len().max(1) as f64;
    for weight in weights {
        *weight = if sum > 0.0 && sum.is_finite() {
            *weight / sum
        } else {
            even
        };
    }
}
