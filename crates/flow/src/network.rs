//! The network, and what is known of its cheapest flow.

use serde::{Deserialize, Serialize};

use crate::Cost;
use crate::price::{Packing, Price, Tall};
use crate::simplex::Simplex;

/// A way from one node to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Arc<const R: usize> {
    /// From this node.
    pub from: usize,
    /// To this node.
    pub to: usize,
    /// How much may pass, at least 0.
    pub capacity: i64,
    /// What each unit costs; no rank may be negative.
    pub cost: Cost<R>,
}

/// Nodes that give or take, and the arcs between them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Network<const R: usize> {
    /// What each node gives; what it takes is below 0.
    pub supply: Vec<i64>,
    /// The arcs.
    pub arcs: Vec<Arc<R>>,
}

impl<const R: usize> Default for Network<R> {
    fn default() -> Self {
        Self {
            supply: Vec::new(),
            arcs: Vec::new(),
        }
    }
}

/// A network's costs, made ready for solving.
#[derive(Debug, Clone)]
pub struct Prices<const R: usize>(Kind<R>);

#[derive(Debug, Clone)]
enum Kind<const R: usize> {
    /// Each cost as one number, and what cannot be placed.
    Short(Vec<i128>, i128),
    /// Rank by rank: they do not fit one number.
    Tall(Vec<Tall<R>>),
}

/// The cheapest of the flows that place the most.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Flow<const R: usize> {
    /// How much passes through each arc, in the network's order.
    pub through: Vec<i64>,
    /// What it costs altogether.
    pub cost: [i128; R],
    /// What could not be taken from each node (above 0) or brought to it (below 0).
    pub unplaced: Vec<i64>,
    /// Where to start from next time.
    pub basis: Basis,
    /// How many steps it took: a measure of work, not of quality.
    pub steps: usize,
}

/// Which arcs shaped a cheapest flow: a place to start from in a similar network.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Basis {
    /// Arcs of the spanning tree: their flow follows from the others. Those that would close
    /// a cycle with the ones before them are left out.
    pub tree: Vec<usize>,
    /// Arcs that are full.
    pub full: Vec<usize>,
    /// Nodes that each part of the tree hangs by.
    pub tops: Vec<usize>,
    /// Of them, those whose part takes more than it gives, also when what it lacks has come
    /// to nothing: without that, such a part would start from other prices than it ended
    /// with.
    #[serde(default)]
    pub takes: Vec<usize>,
}

impl<const R: usize> Network<R> {
    /// A new node that gives (or, below 0, takes) so much.
    pub fn node(&mut self, supply: i64) -> usize {
        self.supply.push(supply);
        self.supply.len() - 1
    }

    /// A new arc; returns its place.
    pub fn arc(&mut self, from: usize, to: usize, capacity: i64, cost: Cost<R>) -> usize {
        self.arcs.push(Arc {
            from,
            to,
            capacity: capacity.max(0),
            cost,
        });
        self.arcs.len() - 1
    }

    /// The cheapest of the flows that place the most. An arc that names a node which is
    /// not there carries nothing.
    #[must_use]
    pub fn solve(&self) -> Flow<R> {
        self.solve_from(&self.prices(), &Basis::default())
    }

    /// Its costs, made ready for solving. They stay right while the arcs and what they cost
    /// stay the same; supplies and capacities may change.
    #[must_use]
    pub fn prices(&self) -> Prices<R> {
        Prices(match Packing::of(self) {
            Some(packing) => {
                let costs = self.arcs.iter().map(|arc| packing.pack(&arc.cost));
                Kind::Short(costs.collect(), packing.unplaced())
            }
            None => Kind::Tall(self.arcs.iter().map(|arc| Tall::of(&arc.cost)).collect()),
        })
    }

    /// The same as [`Self::solve`], from where a similar network's solution left off. Any
    /// basis gives the same cost; a near one gives it sooner.
    #[must_use]
    pub fn solve_from(&self, prices: &Prices<R>, basis: &Basis) -> Flow<R> {
        match &prices.0 {
            Kind::Short(costs, unplaced) => self.solve_at(basis, costs, *unplaced),
            Kind::Tall(costs) => self.solve_at(basis, costs, Tall::UNPLACED),
        }
    }

    fn solve_at<P: Price>(&self, basis: &Basis, costs: &[P], unplaced: P) -> Flow<R> {
        let mut simplex = Simplex::new(self, costs, unplaced);
        simplex.start(basis);
        let steps = simplex.run();
        let through = simplex.through();
        let mut cost = [0_i128; R];
        for (arc, through) in self.arcs.iter().zip(&through).filter(|(_, n)| **n != 0) {
            for (sum, unit) in cost.iter_mut().zip(arc.cost.0) {
                *sum += i128::from(*through) * i128::from(unit);
            }
        }
        Flow {
            cost,
            unplaced: simplex.unplaced(),
            basis: simplex.basis(),
            through,
            steps,
        }
    }

    /// Sends as much as possible from one node to another, as cheaply as possible; what
    /// the nodes themselves give and take is left aside. Returns the flow and its amount.
    #[must_use]
    pub fn cheapest(&self, source: usize, sink: usize) -> (Flow<R>, i64) {
        let most = self
            .arcs
            .iter()
            .filter(|arc| arc.from == source)
            .fold(0_i64, |sum, arc| sum.saturating_add(arc.capacity));
        let mut supply = vec![0; self.supply.len()];
        if let Some(gives) = supply.get_mut(source) {
            *gives = most;
        }
        if let Some(takes) = supply.get_mut(sink) {
            *takes = takes.saturating_sub(most);
        }
        let sending = Self {
            supply,
            arcs: self.arcs.clone(),
        };
        let flow = sending.solve();
        let kept = flow.unplaced.get(source).copied().unwrap_or(0);
        (flow, most - kept)
    }
}
