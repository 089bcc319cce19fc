//! The demonstration against the simulation's own ledger.

use std::collections::BTreeMap;

use floor_sim::{Dairy, Mistakes, Size, WheelState};
use floor_tests::{Past, run};
use serde::Deserialize;

#[derive(Deserialize)]
struct Summary {
    /// As the floor has it, and as the demo says the ledger has it.
    counts: BTreeMap<String, (u64, u64)>,
    compared: usize,
    scans: u64,
    surprises: Vec<String>,
    chat_repeated: usize,
    missing_facts: u64,
}

#[tokio::test(flavor = "multi_thread")]
async fn the_demo_ends_with_the_wheels_turns_and_leavings_that_the_simulation_counts_by_itself() {
    const SEED: u64 = 3;
    // Late enough that wheels are pierced, held, dispatched, returned and thrown away.
    const HISTORY: u32 = 85;
    const DAYS: u32 = 4;
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("demo");
    let (seed, history, days) = (SEED.to_string(), HISTORY.to_string(), DAYS.to_string());
    let args = [
        "demo",
        "--once",
        "--small",
        "--json",
        "--seed",
        &seed,
        "--history",
        &history,
        "--days",
        &days,
        "--data",
        data.to_str().unwrap(),
    ];
    let summary: Summary = serde_json::from_str(&run(&args).await.well()).unwrap();

    let mut dairy = Dairy::new(SEED, Past::first_day(), Size::small(), Mistakes::default());
    for _ in 0..HISTORY + DAYS {
        dairy.next_day();
    }
    // London, winter time: the dairy day ends at 04:00 UTC.
    let last = dairy.ledger().last_day().unwrap().succ_opt().unwrap();
    let end = last.and_hms_opt(3, 59, 59).unwrap().and_utc();
    let wheels = dairy.ledger().known_at(end);
    let count = |what: fn(&WheelState) -> usize| wheels.iter().map(what).sum::<usize>() as u64;
    let truth: [(&str, u64); 12] = [
        ("wheels made", wheels.len() as u64),
        ("turns", count(|w| w.turns)),
        ("wheel-days with a turn", count(|w| w.turn_days.len())),
        ("unhooped", count(|w| w.unhooped.into())),
        ("rubbed up", count(|w| w.rubbed_up.into())),
        ("pierced", count(|w| w.pierced.is_some().into())),
        ("graded", count(|w| w.grade.is_some().into())),
        ("held", count(|w| (!w.holds.is_empty()).into())),
        ("dispatched", count(|w| w.dispatched.into())),
        ("returned", count(|w| w.returned.into())),
        ("discarded", count(|w| w.discarded.into())),
        ("grams of wheels", count(|w| w.weight_g as usize)),
    ];
    let floor: BTreeMap<&str, u64> = summary
        .counts
        .iter()
        .map(|(what, (floor, _))| (what.as_str(), *floor))
        .collect();
    assert_eq!(floor, BTreeMap::from(truth));
    for (what, number) in truth {
        assert!(number > 0, "the days played show nothing {what}");
    }
    assert_eq!(summary.compared, wheels.len());
    assert!(summary.scans > 0);
    assert_eq!(summary.surprises, [""; 0]);
    assert_eq!(summary.chat_repeated, 0);
    assert_eq!(summary.missing_facts, 0);
}
