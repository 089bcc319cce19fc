//! Seeds: thousands with every run of the tests, one alone, or a million.

use std::num::NonZero;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use simulation::{Breakage, Failure, Played, Watch, play};

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// `SIM_SEEDS=1000000 cargo test --release -p simulation thousands_of_seeds -- --nocapture`
/// plays a million; `SIM_FROM` is the first. So many look at the whole history at the end only,
/// not now and then as well.
#[test]
#[allow(clippy::disallowed_methods)] // measures how long
fn thousands_of_seeds() {
    let from = number("SIM_FROM").unwrap_or(0);
    let many = number("SIM_SEEDS").unwrap_or(6000);
    let watch = match many {
        0..100_000 => Watch::Often,
        _ => Watch::AtTheEnd,
    };
    let began = Instant::now();
    let next = AtomicU64::new(from);
    let threads = std::thread::available_parallelism().map_or(1, NonZero::get);
    let work = || {
        let mut sum = Played::default();
        loop {
            let seed = next.fetch_add(1, Ordering::Relaxed);
            if seed >= from + many {
                return Ok(sum);
            }
            sum.add(&play(seed, Breakage::None, watch).map_err(|failure| (seed, failure))?);
        }
    };
    let found: Vec<Result<Played, (u64, Failure)>> = std::thread::scope(|scope| {
        let started: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        let ended = started.into_iter().map(|thread| thread.join().unwrap());
        ended.collect()
    });
    let mut all = Played::default();
    for played in found {
        match played {
            Ok(played) => all.add(&played),
            Err((seed, failure)) => panic!(
                "seed {seed}: {}\nto see it alone: SIM_SEED={seed} cargo test -p simulation one_seed -- --nocapture",
                failure.words
            ),
        }
    }
    println!("{many} seeds in {:.1?}: {all:?}", began.elapsed());
    // A simulation in which nothing happens proves nothing.
    assert!(
        all.messages > many * 20 && all.promised as u64 > many * 10,
        "{all:?}"
    );
    assert!(
        all.killed as u64 > many / 2 && all.dispatched as u64 > many / 20,
        "{all:?}"
    );
}

/// `SIM_SEED=… cargo test -p simulation one_seed -- --nocapture` tells what happens in a seed,
/// with every invariant after every step.
#[test]
fn one_seed() {
    let seed = number("SIM_SEED").unwrap_or(1);
    match play(seed, Breakage::None, Watch::Always) {
        Ok(played) => println!("{}", played.story.join("\n")),
        Err(failure) => panic!(
            "{}\nseed {seed}: {}",
            failure.story.join("\n"),
            failure.words
        ),
    }
}

/// The same seed is the same floor.
#[test]
fn a_seed_plays_the_same_again() {
    for seed in 0..20 {
        let once = play(seed, Breakage::None, Watch::Often).map_err(|failure| failure.words);
        let again = play(seed, Breakage::None, Watch::Often).map_err(|failure| failure.words);
        assert_eq!(once, again, "seed {seed}");
    }
}
