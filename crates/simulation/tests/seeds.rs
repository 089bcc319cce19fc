//! Seeds: thousands with every run of the tests, one alone, or a million.

use std::time::Instant;

use simulation::{Breakage, Played, Watch, play};

fn number(name: &str) -> Option<u64> {
    std::env::var(name).ok()?.parse().ok()
}

/// `SIM_SEEDS=1000000 cargo test --release -p simulation thousands_of_seeds -- --nocapture`
/// plays a million; `SIM_FROM` is the first.
#[test]
#[allow(clippy::disallowed_methods)] // measures how long
fn thousands_of_seeds() {
    let from = number("SIM_FROM").unwrap_or(0);
    let many = number("SIM_SEEDS").unwrap_or(6000);
    let began = Instant::now();
    let mut all = Played::default();
    for seed in from..from + many {
        match play(seed, Breakage::None, Watch::Often) {
            Ok(played) => {
                all.messages += played.messages;
                all.promised += played.promised;
                all.killed += played.killed;
                all.dispatched += played.dispatched;
                all.told += played.told;
            }
            Err(failure) => panic!(
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
