//! A ranked cost as one number, where that is exact.

use std::ops::{Add, Neg, Sub};

use crate::{Cost, Network};

/// What the simplex method adds up and compares.
pub(crate) trait Price:
    Copy + Default + Ord + Add<Output = Self> + Sub<Output = Self> + Neg<Output = Self>
{
}

impl Price for i128 {}

/// A cost with a rank above all others: what could not be placed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Tall<const R: usize> {
    unplaced: i64,
    cost: Cost<R>,
}

impl<const R: usize> Default for Tall<R> {
    fn default() -> Self {
        Self {
            unplaced: 0,
            cost: Cost::default(),
        }
    }
}

impl<const R: usize> Tall<R> {
    pub(crate) const UNPLACED: Self = Self {
        unplaced: 1,
        cost: Cost([0; R]),
    };

    pub(crate) const fn of(cost: &Cost<R>) -> Self {
        Self {
            unplaced: 0,
            cost: *cost,
        }
    }
}

impl<const R: usize> Add for Tall<R> {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self {
            unplaced: self.unplaced + other.unplaced,
            cost: self.cost + other.cost,
        }
    }
}

impl<const R: usize> Sub for Tall<R> {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self {
            unplaced: self.unplaced - other.unplaced,
            cost: self.cost - other.cost,
        }
    }
}

impl<const R: usize> Neg for Tall<R> {
    type Output = Self;
    fn neg(self) -> Self {
        Self::default() - self
    }
}

impl<const R: usize> Price for Tall<R> {}

/// Packs the ranks into one number, so that comparing sums of numbers compares sums of
/// costs rank after rank.
///
/// The method only ever compares the cost of walking a cycle of the network once, arcs
/// against their direction counted below 0. On a cycle that visits no node twice, at most
/// `longest` arcs are walked forwards, and as many backwards: the tail of a forward arc is
/// a node with a way out, its head one with a way in, each met once. So rank `r` of what
/// is compared lies within ± `longest` times its largest cost, and a weight above all that
/// the lower ranks can add up to keeps the ranks apart.
pub(crate) struct Packing<const R: usize> {
    weight: [i128; R],
    unplaced: i128,
}

impl<const R: usize> Packing<R> {
    /// `None` when the numbers would not fit.
    pub(crate) fn of(network: &Network<R>) -> Option<Self> {
        let longest = i128::try_from(longest(network)).ok()?;
        let mut largest = [0_i64; R];
        for arc in &network.arcs {
            for (most, cost) in largest.iter_mut().zip(arc.cost.0) {
                *most = (*most).max(cost.checked_abs()?);
            }
        }
        let mut weight = [1_i128; R];
        let mut next = 1_i128;
        for rank in (0..R).rev() {
            weight[rank] = next;
            let within = longest.checked_mul(i128::from(largest[rank]))?;
            next = next.checked_mul(within.checked_add(1)?)?;
        }
        // A potential is at most twice what cannot be placed costs and one walk; three of
        // them are added.
        next.checked_mul(16)?;
        Some(Self {
            weight,
            unplaced: next,
        })
    }

    pub(crate) fn pack(&self, cost: &Cost<R>) -> i128 {
        let ranks = cost.0.iter().zip(self.weight);
        ranks.map(|(cost, weight)| i128::from(*cost) * weight).sum()
    }

    pub(crate) const fn unplaced(&self) -> i128 {
        self.unplaced
    }
}

/// Most arcs that a simple cycle walks forwards. Beside the network's own arcs it may use
/// two that lead to and from the place where what cannot be placed ends up.
fn longest<const R: usize>(network: &Network<R>) -> usize {
    let nodes = network.supply.len();
    let (mut out, mut into) = (vec![false; nodes], vec![false; nodes]);
    for arc in &network.arcs {
        if arc.from < nodes && arc.to < nodes {
            out[arc.from] = true;
            into[arc.to] = true;
        }
    }
    let count = |ways: &[bool]| ways.iter().filter(|way| **way).count();
    count(&out).min(count(&into)) + 2
}
