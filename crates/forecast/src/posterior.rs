//! What looks say of a batch's pace, and of each wheel's.
//!
//! A batch's pace is ln s = batch effect; a wheel's is that plus the wheel's own. Looks at
//! the rind speak of the batch; irons speak of one wheel and through it of the batch. The
//! rind's pace tells something of the blue's, which is the same mould in the same curd.

use std::sync::Arc;

use crate::growth::Growth;
use crate::lattice::{HERMITE, Lattice, Link, Look, STEEPS, normalise};

/// A share of probability at a natural logarithm of effective days.
pub(crate) type Point = (f64, f64);

/// One process of a batch (rind or blue) after some looks.
#[derive(Debug, Clone)]
pub struct Posterior {
    lattice: Arc<Lattice>,
    /// Log-weights before any look, by pace node.
    ln_prior: Vec<f64>,
    /// Looks that speak of the batch as a whole: summed log-likelihoods.
    shared: Vec<f64>,
    wheels: Vec<Ironed>,
    /// Weights by steepness and pace node; they sum to one.
    weights: Vec<f64>,
    /// Natural logarithm of the probability of all that was seen.
    ln_evidence: f64,
}

/// A wheel with looks of its own.
#[derive(Debug, Clone)]
struct Ironed {
    /// With wings.
    table: Vec<f64>,
    /// As seen from the batch.
    averaged: Vec<f64>,
}

impl Posterior {
    /// Before any look.
    #[must_use]
    pub fn before(lattice: &Arc<Lattice>) -> Self {
        Self::with(lattice.clone(), &lattice.prior())
    }

    /// Before any look at it, but after looks at another process, equally fine, whose pace
    /// goes along with this one's.
    #[must_use]
    pub fn after(other: &Self, link: &Link) -> Self {
        Self::with(link.to.clone(), &link.told(&other.by_pace()))
    }

    fn with(lattice: Arc<Lattice>, prior: &[f64]) -> Self {
        let ln_prior = prior.iter().map(|p| p.max(1e-300).ln()).collect();
        let shared = vec![0.0; STEEPS * lattice.nodes];
        let mut posterior = Self {
            lattice,
            ln_prior,
            shared,
            wheels: Vec::new(),
            weights: Vec::new(),
            ln_evidence: 0.0,
        };
        posterior.weigh();
        posterior
    }

    /// Adds looks at the batch as a whole.
    pub fn look(&mut self, looks: &[Look]) {
        for (sum, ll) in self.shared.iter_mut().zip(self.lattice.table(looks, 0)) {
            *sum += ll;
        }
        self.weigh();
    }

    /// Adds looks at one wheel; gives its number, by which more can be added.
    pub fn iron(&mut self, looks: &[Look]) -> usize {
        self.wheels.push(self.ironed(looks));
        self.weigh();
        self.wheels.len() - 1
    }

    /// Adds several wheels at once.
    pub fn iron_each<'l>(&mut self, wheels: impl IntoIterator<Item = &'l [Look]>) {
        for looks in wheels {
            self.wheels.push(self.ironed(looks));
        }
        self.weigh();
    }

    /// Adds one more look at a wheel that was ironed before.
    pub fn iron_again(&mut self, wheel: usize, look: Look) {
        let more = self.lattice.table(&[look], self.lattice.wing);
        if let Some(ironed) = self.wheels.get_mut(wheel) {
            for (sum, ll) in ironed.table.iter_mut().zip(more) {
                *sum += ll;
            }
            ironed.averaged = self.lattice.averaged(&ironed.table);
            self.weigh();
        }
    }

    fn ironed(&self, looks: &[Look]) -> Ironed {
        let table = self.lattice.table(looks, self.lattice.wing);
        let averaged = self.lattice.averaged(&table);
        Ironed { table, averaged }
    }

    fn weigh(&mut self) {
        let nodes = self.lattice.nodes;
        let mut weights = vec![0.0; STEEPS * nodes];
        for (steep, row) in weights.chunks_mut(nodes).enumerate() {
            let ln_steep = HERMITE.get(steep).map_or(0.0, |(_, w)| w.ln());
            for (node, weight) in row.iter_mut().enumerate() {
                let at = steep * nodes + node;
                let seen: f64 = self.wheels.iter().map(|wheel| wheel.averaged[at]).sum();
                *weight = ln_steep + self.ln_prior[node] + self.shared[at] + seen;
            }
        }
        let top = weights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for weight in &mut weights {
            *weight = (*weight - top).exp();
        }
        self.ln_evidence = top + weights.iter().sum::<f64>().ln();
        normalise(&mut weights);
        self.weights = weights;
    }

    /// Natural logarithm of the probability of everything seen.
    #[must_use]
    pub const fn ln_evidence(&self) -> f64 {
        self.ln_evidence
    }

    /// How it grows.
    #[must_use]
    pub fn growth(&self) -> &Growth {
        &self.lattice.growth
    }

    /// Weights by pace node alone.
    pub(crate) fn by_pace(&self) -> Vec<f64> {
        let mut sum = vec![0.0; self.lattice.nodes];
        for row in self.weights.chunks(self.lattice.nodes) {
            for (total, weight) in sum.iter_mut().zip(row) {
                *total += weight;
            }
        }
        sum
    }

    /// Mean and standard deviation of the batch's pace ln s: 0.1 is a tenth slower than
    /// usual.
    #[must_use]
    pub fn pace(&self) -> (f64, f64) {
        let weights = self.by_pace();
        let moment = |power: i32| -> f64 {
            let each = weights.iter().enumerate();
            each.map(|(node, w)| w * self.lattice.ln_scale(node).powi(power))
                .sum()
        };
        let mean = moment(1);
        (mean, (moment(2) - mean * mean).max(0.0).sqrt())
    }

    /// Expected share covered by the batch after some effective days, percent.
    #[must_use]
    pub fn share_pct(&self, effective_days: f64) -> f64 {
        self.over_batch()
            .map(|(scale, steeper, weight)| {
                weight
                    * self
                        .lattice
                        .growth
                        .share_pct(effective_days, scale, steeper)
            })
            .sum()
    }

    /// Every node of the batch that weighs something: ln s, ln of how much steeper, weight.
    pub(crate) fn over_batch(&self) -> impl Iterator<Item = (f64, f64, f64)> {
        let nodes = self.lattice.nodes;
        let each = self.weights.iter().enumerate().filter(|(_, w)| **w > 1e-9);
        each.map(move |(at, weight)| {
            let steeper = self.lattice.ln_steeper(at / nodes);
            (self.lattice.ln_scale(at % nodes), steeper, *weight)
        })
    }

    /// When the batch's middle wheel reaches a share.
    pub(crate) fn batch_reaches(&self, share_pct: f64) -> Vec<Point> {
        self.reaches(share_pct, &self.weights, 0)
    }

    /// When a wheel without looks of its own reaches a share.
    pub(crate) fn any_wheel_reaches(&self, share_pct: f64) -> Vec<Point> {
        let wheel = self.lattice.spread_out(&self.weights);
        self.reaches(share_pct, &wheel, self.lattice.wing)
    }

    /// When an ironed wheel reaches a share.
    pub(crate) fn wheel_reaches(&self, wheel: usize, share_pct: f64) -> Vec<Point> {
        self.reaches(share_pct, &self.wheel(wheel), self.lattice.wing)
    }

    /// The probability that an ironed wheel (by its number) shows a share after some
    /// effective days.
    #[must_use]
    pub fn p_wheel_has(&self, wheel: usize, effective_days: f64, share_pct: f64) -> f64 {
        let ln_days = effective_days.max(1e-9).ln();
        let reached = self.wheel_reaches(wheel, share_pct);
        let has = reached.iter().filter(|(takes, _)| *takes <= ln_days);
        has.map(|(_, weight)| weight).sum::<f64>().min(1.0)
    }

    /// Weights of an ironed wheel's own pace, by steepness and pace node, with wings: what
    /// all the other looks say of the batch, spread out over how wheels differ, times what
    /// its own irons say.
    fn wheel(&self, wheel: usize) -> Vec<f64> {
        let Some(ironed) = self.wheels.get(wheel) else {
            return self.lattice.spread_out(&self.weights);
        };
        let mut others: Vec<f64> = self
            .weights
            .iter()
            .zip(&ironed.averaged)
            .map(|(weight, own)| weight.max(1e-300).ln() - own)
            .collect();
        let top = others.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for ln_weight in &mut others {
            *ln_weight = (*ln_weight - top).exp();
        }
        let mut weights = self.lattice.spread_out(&others);
        let top = ironed
            .table
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        for (weight, ll) in weights.iter_mut().zip(&ironed.table) {
            *weight *= (ll - top).exp();
        }
        normalise(&mut weights);
        weights
    }

    fn reaches(&self, share_pct: f64, weights: &[f64], wing: usize) -> Vec<Point> {
        let width = self.lattice.nodes + 2 * wing;
        let mut points = Vec::new();
        for (steep, row) in weights.chunks(width).enumerate() {
            let steeper = self.lattice.ln_steeper(steep);
            let usual = self.lattice.growth.ln_days_to(share_pct, steeper);
            for (node, weight) in row.iter().enumerate().filter(|(_, w)| **w > 1e-9) {
                let scale = self.lattice.ln_scale(node) - wing as f64 * self.lattice.gap;
                points.push((usual + scale, *weight));
            }
        }
        points
    }

    /// How likely each of some answers to one more look at a wheel is, given each pace of the
    /// batch. `wheel`: one that was ironed before, or a new one. Gives, for every pace node
    /// that weighs something, its weight and the probabilities of the answers.
    pub(crate) fn answers(
        &self,
        wheel: Option<usize>,
        effective_days: f64,
        answers: &[(f64, f64)],
    ) -> Vec<(f64, Vec<f64>)> {
        let lattice = &self.lattice;
        let (nodes, wing) = (lattice.nodes, lattice.wing);
        let width = nodes + 2 * wing;
        let seen = |low: f64, high: f64, truth: f64| {
            let noise = lattice.growth.noise_pct;
            let up_to = |pct: f64| crate::seen::below((pct - truth) / noise);
            (if high >= 100.0 { 1.0 } else { up_to(high) })
                - (if low <= 0.0 { 0.0 } else { up_to(low) })
        };
        // The steepness matters little for one look: its middle is enough.
        let middle = STEEPS / 2;
        let own = wheel.and_then(|wheel| self.wheels.get(wheel));
        let own_row = own.map(|ironed| &ironed.table[middle * width..(middle + 1) * width]);
        let top = own_row.map_or(0.0, |row| {
            row.iter().copied().fold(f64::NEG_INFINITY, f64::max)
        });
        let by_wheel_pace: Vec<Vec<f64>> = (0..width)
            .map(|node| {
                let scale = lattice.ln_scale(node) - wing as f64 * lattice.gap;
                let truth = lattice.growth.share_pct(effective_days, scale, 0.0);
                answers
                    .iter()
                    .map(|(low, high)| seen(*low, *high, truth).max(0.0))
                    .collect()
            })
            .collect();
        let mut given = Vec::new();
        for (node, weight) in self.by_pace().into_iter().enumerate() {
            if weight < 1e-4 {
                continue;
            }
            let mut likely = vec![0.0; answers.len()];
            for (offset, k) in lattice.kernel().iter().enumerate() {
                let at = node + offset;
                let fits = own_row.map_or(1.0, |row| (row[at] - top).exp());
                for (sum, p) in likely.iter_mut().zip(&by_wheel_pace[at]) {
                    *sum += k * fits * p;
                }
            }
            normalise(&mut likely);
            given.push((weight, likely));
        }
        given
    }
}
