//! How long a person waits for an answer. Measured, not asserted:
//! `cargo test --release -p scale-reader --test stations -- --ignored --nocapture`.

use std::time::{Duration, Instant};

use bus::broker::ChildBroker;
use tempfile::TempDir;

use crate::floor::{Dairy, Scanner, nobody, station, within};

const SCANS: usize = 1_000;

#[tokio::test(flavor = "multi_thread")]
#[ignore = "a measurement"]
async fn from_scan_to_answer() {
    let folder = TempDir::new().unwrap();
    let broker = within(ChildBroker::start(folder.path())).await.unwrap();
    for (name, url) in [("broker there", broker.url()), ("broker away", nobody())] {
        let dairy = Dairy::start(vec![station("room-1", None)], &url).await;
        let mut scanner = dairy.scanner("room-1").await;
        scanner.scans(&["A.LOAD", "S.S1"]).await;
        for n in 1..=24 {
            scanner.scan(&format!("W.311-{n:02}")).await;
        }
        scanner.scan("A.TURN").await;
        measure(&format!("{name}, turn of 24"), &mut scanner, "S.S1").await;
        measure(&format!("{name}, no record"), &mut scanner, "A.TURN").await;
    }
}

#[allow(clippy::disallowed_methods)] // a measurement of elapsed time
async fn measure(name: &str, scanner: &mut Scanner, line: &str) {
    let mut took: Vec<Duration> = Vec::with_capacity(SCANS);
    for _ in 0..SCANS {
        let began = Instant::now();
        scanner.scan(line).await;
        took.push(began.elapsed());
    }
    took.sort_unstable();
    let at = |share: usize| took[SCANS * share / 100];
    println!(
        "{name:28} p50 {:?}  p99 {:?}  most {:?}",
        at(50),
        at(99),
        took[SCANS - 1]
    );
}
