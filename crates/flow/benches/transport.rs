//! Lots to order lines over sixty days: how long a cold solve takes, and a warm one after
//! one lot has changed. `cargo bench -p flow`
#![allow(clippy::disallowed_methods)] // a bench measures elapsed time

use std::time::Instant;

use flow::{Cost, Network};

/// Xorshift (Marsaglia 2003): the same numbers everywhere.
struct Chance(u64);

impl Chance {
    fn below(&mut self, end: u64) -> i64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        i64::try_from(self.0 % end).unwrap_or_default()
    }
}

/// What a lot is made on, and a line wants: an age on a day, a grade, a weight class.
fn transport(wheels: i64, lots: usize, lines: usize, tall: i64) -> (Network<6>, usize) {
    let mut chance = Chance(7);
    let mut network = Network::default();
    let left_over = network.node(0);
    let per_lot = wheels / lots as i64;
    let made: Vec<i64> = (0..lots).map(|_| chance.below(140)).collect();
    let nodes: Vec<usize> = (0..lots)
        .map(|_| network.node(per_lot / 2 + chance.below(per_lot as u64)))
        .collect();
    for node in &nodes {
        let past_best = chance.below(90);
        network.arc(
            *node,
            left_over,
            i64::MAX / 4,
            Cost([0, 0, 0, 0, past_best * tall, 0]),
        );
    }
    for _ in 0..lines {
        let (day, least, class) = (chance.below(60), 50 + chance.below(15), chance.below(8));
        let line =
            network.node(-(wheels / lines as i64 / 2 + chance.below(wheels as u64 / lines as u64)));
        network.arc(
            left_over,
            line,
            i64::MAX / 4,
            Cost([0, 1000 * tall, 0, 0, 0, 0]),
        );
        for (lot, node) in nodes.iter().enumerate() {
            let age = 100 + day - made[lot];
            let fits = (least..least + 30).contains(&age) && lot as i64 % 8 >= class;
            if fits {
                let outside = (age - least - 25).max(0) * 40;
                let cost = [0, chance.below(200), outside, (60 - day) * made[lot], 0, 1];
                network.arc(*node, line, i64::MAX / 4, Cost(cost.map(|c| c * tall)));
            }
        }
    }
    (network, nodes[lots / 2])
}

fn main() {
    for (wheels, lots, lines) in [(20_000, 700, 400), (200_000, 5_000, 1_500)] {
        for (tall, how) in [(1, "one number"), (1 << 20, "rank by rank")] {
            let (mut network, changed) = transport(wheels, lots, lines, tall);
            let arcs = network.arcs.len();
            let start = Instant::now();
            let cold = network.solve();
            let took = start.elapsed().as_secs_f64() * 1e3;
            network.supply[changed] /= 3;
            let start = Instant::now();
            let warm = network.solve_from(&network.prices(), &cold.basis);
            let again = start.elapsed().as_secs_f64() * 1e3;
            println!(
                "{wheels} wheels, {lots} lots, {lines} lines, {arcs} arcs, {how}: cold {took:.1} ms, {} steps; warm {again:.1} ms, {} steps",
                cold.steps, warm.steps
            );
        }
    }
}
