//! The cheapest flow through a network, exactly, over whole numbers, with costs that are
//! ranked and never traded.
//!
//! [`Network`] holds nodes that give or take and arcs that carry; [`Network::solve`] finds
//! the flow that places the most and, of those, costs least, rank after rank.
//! [`Network::solve_from`] starts from the [`Basis`] of a solution to a similar network,
//! so that after a small change little is done again.

mod cost;
mod network;
mod price;
mod simplex;
mod tree;

pub use cost::Cost;
pub use network::{Arc, Basis, Flow, Network, Prices};
