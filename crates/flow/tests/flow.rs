//! The cheapest flow, against trying everything and against what must hold of any flow.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use flow::{Basis, Cost, Flow, Network};
use proptest::prelude::*;

/// Every flow of whole units, tried: the most that can be placed, and its least cost.
fn by_brute_force<const R: usize>(network: &Network<R>) -> (i64, [i128; R]) {
    fn go<const R: usize>(
        network: &Network<R>,
        arc: usize,
        left: &mut Vec<i64>,
        cost: [i128; R],
        best: &mut Option<(i64, [i128; R])>,
    ) {
        let Some(next) = network.arcs.get(arc) else {
            let unplaced = left.iter().map(|left| left.abs()).sum();
            if best.is_none_or(|known| (unplaced, cost) < known) {
                *best = Some((unplaced, cost));
            }
            return;
        };
        for units in 0..=next.capacity {
            left[next.from] -= units;
            left[next.to] += units;
            let sum = std::array::from_fn(|r| cost[r] + i128::from(units * next.cost.0[r]));
            go(network, arc + 1, left, sum, best);
            left[next.from] += units;
            left[next.to] -= units;
        }
    }
    let mut best = None;
    go(network, 0, &mut network.supply.clone(), [0; R], &mut best);
    best.unwrap()
}

fn any_network() -> impl Strategy<Value = Network<3>> {
    (2usize..5).prop_flat_map(|nodes| {
        let arc = (0..nodes, 0..nodes, 0i64..3, prop::array::uniform3(0i64..3));
        (
            prop::collection::vec(-3i64..4, nodes),
            prop::collection::vec(arc, 0..8),
        )
            .prop_map(|(supply, arcs)| {
                let mut network = Network {
                    supply,
                    arcs: Vec::new(),
                };
                for (from, to, capacity, cost) in arcs {
                    if from != to {
                        network.arc(from, to, capacity, Cost(cost));
                    }
                }
                network
            })
    })
}

fn holds_together<const R: usize>(network: &Network<R>, flow: &Flow<R>) {
    let mut left = network.supply.clone();
    for (arc, through) in network.arcs.iter().zip(&flow.through) {
        assert!((0..=arc.capacity).contains(through));
        left[arc.from] -= through;
        left[arc.to] += through;
    }
    assert_eq!(left, flow.unplaced);
}

fn unplaced<const R: usize>(flow: &Flow<R>) -> i64 {
    flow.unplaced.iter().map(|left| left.abs()).sum()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn the_cheapest_flow_costs_what_trying_everything_finds(network in any_network()) {
        let flow = network.solve();
        holds_together(&network, &flow);
        prop_assert_eq!((unplaced(&flow), flow.cost), by_brute_force(&network));
    }

    /// Costs too tall for one number go another way through the code.
    #[test]
    fn tall_costs_are_compared_rank_after_rank(network in any_network()) {
        let tall = i64::MAX / 64;
        let mut scaled = network.clone();
        for arc in &mut scaled.arcs {
            arc.cost = Cost(arc.cost.0.map(|cost| cost * tall));
        }
        let (flow, same) = (network.solve(), scaled.solve());
        holds_together(&scaled, &same);
        prop_assert_eq!(same.cost, flow.cost.map(|cost| cost * i128::from(tall)));
        prop_assert_eq!(unplaced(&same), unplaced(&flow));
    }

    /// From any start, sensible or not, the same cost is found.
    #[test]
    fn where_it_starts_from_does_not_matter(
        network in any_network(),
        other in any_network(),
        tree in prop::collection::vec(0usize..10, 0..12),
        full in prop::collection::vec(0usize..10, 0..6),
        tops in prop::collection::vec(0usize..10, 0..6),
        takes in prop::collection::vec(0usize..10, 0..6),
    ) {
        let cold = network.solve();
        for basis in [&cold.basis, &other.solve().basis, &Basis { tree, full, tops, takes }] {
            let warm = network.solve_from(&network.prices(), basis);
            holds_together(&network, &warm);
            prop_assert_eq!(warm.cost, cold.cost);
            prop_assert_eq!(unplaced(&warm), unplaced(&cold));
            // From its own end, whichever way it came there, nothing is left to do.
            let again = network.solve_from(&network.prices(), &warm.basis);
            prop_assert_eq!(again.steps, 0);
            prop_assert_eq!(again.through, warm.through);
        }
        prop_assert_eq!(network.solve_from(&network.prices(), &cold.basis).steps, 0);
    }
}

/// The transportation problem of Hitchcock's 1941 paper's kind, small enough to check by
/// hand: supplies 3 and 4, demands 2 and 5; sending the dear unit the other way costs more.
#[test]
fn a_small_one_by_hand() {
    let mut network = Network::<1>::default();
    let (a, b) = (network.node(3), network.node(4));
    let (x, y) = (network.node(-2), network.node(-5));
    let ax = network.arc(a, x, 9, Cost([1]));
    let ay = network.arc(a, y, 9, Cost([4]));
    let bx = network.arc(b, x, 9, Cost([2]));
    let by = network.arc(b, y, 9, Cost([1]));
    let flow = network.solve();
    assert_eq!([ax, ay, bx, by].map(|arc| flow.through[arc]), [2, 1, 0, 4]);
    assert_eq!(flow.cost, [10]);
}

#[test]
fn an_arc_that_leads_nowhere_carries_nothing() {
    let mut network = Network::<1>::default();
    let node = network.node(5);
    network.arc(node, 7, 5, Cost([0]));
    network.arc(node, node, 5, Cost([0]));
    let flow = network.solve();
    assert_eq!(flow.through, [0, 0]);
    assert_eq!(flow.unplaced, [5]);
}

#[test]
fn as_much_as_possible_goes_from_source_to_sink() {
    let mut network = Network::<2>::default();
    let [source, middle, sink] = [0; 3].map(|_| network.node(0));
    network.arc(source, middle, 8, Cost([0, 1]));
    network.arc(middle, sink, 5, Cost([0, 1]));
    network.arc(source, sink, 2, Cost([1, 0]));
    let (flow, amount) = network.cheapest(source, sink);
    assert_eq!(amount, 7);
    assert_eq!(flow.cost, [2, 10]);
}
