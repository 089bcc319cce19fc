//! The cheapest flow from a source to a sink.

use flow::{Cost, Network};
use proptest::prelude::*;

/// Every way of sending whole units from `left` things to `right` places, tried.
fn by_brute_force(supply: &[i64], room: &[i64], cost: &[Vec<Cost<4>>]) -> (i64, Cost<4>) {
    fn go(
        thing: usize,
        place: usize,
        supply: &mut [i64],
        room: &mut [i64],
        cost: &[Vec<Cost<4>>],
    ) -> (i64, Cost<4>) {
        if thing == supply.len() {
            return (0, Cost::default());
        }
        if place == room.len() {
            return go(thing + 1, 0, supply, room, cost);
        }
        let mut best = (-1, Cost::default());
        for units in 0..=supply[thing].min(room[place]) {
            supply[thing] -= units;
            room[place] -= units;
            let (sent, rest) = go(thing, place + 1, supply, room, cost);
            supply[thing] += units;
            room[place] += units;
            let all = Cost(cost[thing][place].0.map(|c| c * units)) + rest;
            if sent + units > best.0 || (sent + units == best.0 && all < best.1) {
                best = (sent + units, all);
            }
        }
        best
    }
    go(0, 0, &mut supply.to_vec(), &mut room.to_vec(), cost)
}

proptest! {
    #[test]
    fn the_cheapest_flow_costs_what_trying_everything_finds(
        supply in prop::collection::vec(0i64..4, 1..4),
        room in prop::collection::vec(0i64..4, 1..4),
        costs in prop::collection::vec(prop::array::uniform4(0i64..3), 16),
    ) {
        let cost: Vec<Vec<Cost<4>>> = (0..supply.len())
            .map(|i| (0..room.len()).map(|j| Cost(costs[4 * i + j])).collect())
            .collect();
        let mut network = Network::default();
        let (source, sink) = (network.node(0), network.node(0));
        let things: Vec<usize> = supply.iter().map(|_| network.node(0)).collect();
        let places: Vec<usize> = room.iter().map(|_| network.node(0)).collect();
        for (i, thing) in things.iter().enumerate() {
            network.arc(source, *thing, supply[i], Cost::default());
            for (j, place) in places.iter().enumerate() {
                network.arc(*thing, *place, 100, cost[i][j]);
            }
        }
        for (j, place) in places.iter().enumerate() {
            network.arc(*place, sink, room[j], Cost::default());
        }
        let (flow, amount) = network.cheapest(source, sink);
        let (sent, least) = by_brute_force(&supply, &room, &cost);
        prop_assert_eq!(amount, sent);
        prop_assert_eq!(flow.cost, least.0.map(i128::from));
        for (arc, through) in network.arcs.iter().zip(&flow.through) {
            prop_assert!((0..=arc.capacity).contains(through));
        }
    }
}
