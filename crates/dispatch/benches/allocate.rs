//! How long an allocation takes: 20 000 wheels and 400 lines, 200 000 and 1 500; cold, and
//! warm after one fact. `cargo bench -p dispatch`, or `-- large` for the large ones too.
#![allow(clippy::unwrap_used, clippy::panic)] // a failed bench panics
#![allow(clippy::disallowed_methods)] // this measures elapsed time

mod invented;

use std::time::Instant;

use dispatch::stock::Kept;
use dispatch::{Allocation, Memory, Yesterday};
use invented::Dairy;

/// What work takes of this thread's processor, ms: what else the machine does is not
/// counted. Where the system does not say, the time on the wall.
fn timed<T>(work: impl FnOnce() -> T) -> (T, f64) {
    let on_processor = || -> Option<f64> {
        let text = std::fs::read_to_string("/proc/thread-self/schedstat").ok()?;
        text.split(' ').next()?.parse::<f64>().ok()
    };
    let (start, before) = (Instant::now(), on_processor());
    let done = work();
    let wall = start.elapsed().as_secs_f64() * 1e3;
    let spent = before
        .zip(on_processor())
        .map(|(before, after)| (after - before) / 1e6);
    (done, spent.unwrap_or(wall))
}

fn short(allocation: &Allocation) -> usize {
    allocation.lines.iter().map(|line| line.short).sum()
}

fn main() {
    measure("20 000 wheels, plain orders", Dairy::plain(20_000, 400, 7));
    measure(
        "20 000 wheels, limits on a third of the lines",
        Dairy::new(20_000, 400, 7),
    );
    if std::env::args().any(|arg| arg == "large") {
        measure(
            "200 000 wheels, plain orders",
            Dairy::plain(200_000, 1_500, 7),
        );
        measure(
            "200 000 wheels, limits on a third of the lines",
            Dairy::new(200_000, 1_500, 7),
        );
    }
}

fn measure(name: &str, mut dairy: Dairy) {
    let (stock, grouping) = timed(|| dairy.stock());
    let mut memory = Memory::default();
    let (cold, took) = timed(|| dispatch::allocate(&dairy.problem(&stock), &mut memory));
    let size = cold.size;
    println!(
        "{name}: {} lots, {} lines, {} arcs; grouping {grouping:.0} ms, cold {took:.0} ms ({} steps, {} solutions), short {} wheels",
        size.lots,
        size.lines,
        size.arcs,
        size.steps,
        size.solutions,
        short(&cold)
    );
    println!("  costs {:?}\n  bound {:?}", cold.objective.0, cold.bound.0);
    dairy.yesterday = Yesterday::of(&cold);
    let _ = dairy.allocate(&mut memory);
    let batches = dairy.ready_at.len();
    for batch in [batches / 2, batches * 3 / 5] {
        let name = format!("B{batch}").parse().unwrap();
        for cheese in dairy.cheeses.iter_mut().filter(|c| c.batch == name) {
            cheese.kept = Some(Kept::Held("LAB2".parse().unwrap()));
        }
        let (warm, took) = timed(|| dairy.allocate(&mut memory));
        let (cold, cold_took) = timed(|| dairy.allocate(&mut Memory::default()));
        let same = if warm.bound == cold.bound {
            "the same bound"
        } else {
            "ANOTHER BOUND"
        };
        println!(
            "  batch {name} held: warm {took:.0} ms ({} steps, {} solutions), cold {cold_took:.0} ms, {same}",
            warm.size.steps, warm.size.solutions
        );
    }
}
