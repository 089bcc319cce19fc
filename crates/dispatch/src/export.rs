//! The allocation problem as plain data, for another solver to check.

use flow::{Arc, Basis};
use serde::Serialize;

use crate::allocate::{Problem, Work};
use crate::model::{Model, RANK_NAMES, RANKS};

/// A network and what its cheapest flow was found to cost.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Export {
    /// What this is.
    pub about: &'static str,
    /// What each rank is called.
    pub ranks: [&'static str; RANKS],
    /// What each node gives; what it takes is below 0.
    pub supply: Vec<i64>,
    /// The arcs.
    pub arcs: Vec<Arc<RANKS>>,
    /// What the cheapest flow costs, rank after rank.
    pub cost: [i128; RANKS],
}

/// The network of a problem, before limits on mixing batches, and its cheapest flow's cost.
#[must_use]
pub fn export(problem: &Problem<'_>) -> Export {
    let mut work = Work::new(problem);
    work.keep_word();
    work.use_reserved();
    let model = Model::new(&work.given());
    let flow = model.solve_from(&Basis::default());
    Export {
        about: "A min-cost flow: every node's supply leaves it (or, below 0, reaches it); each arc carries between 0 and its capacity; each unit through an arc costs the arc's numbers, minimised one after the other.",
        ranks: RANK_NAMES,
        supply: model.network.supply,
        arcs: model.network.arcs,
        cost: flow.cost,
    }
}
