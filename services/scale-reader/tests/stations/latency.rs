//! How long a person waits for an answer, and a weight for its fact. Measured, not asserted:
//! `cargo test --release -p scale-reader --test stations -- --ignored --nocapture`.

use std::io::Write;
use std::time::{Duration, Instant};

use bus::Bus;
use bus::broker::ChildBroker;
use tempfile::TempDir;

use crate::floor::{Dairy, Scanner, nobody, scale_station, station, within};
use crate::serial::{Socket, plug_in};

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
    show(name, took);
}

fn show(name: &str, mut took: Vec<Duration>) {
    took.sort_unstable();
    let at = |share: usize| took[SCANS * share / 100];
    println!(
        "{name:44} p50 {:?}  p99 {:?}  most {:?}",
        at(50),
        at(99),
        took[SCANS - 1]
    );
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "a measurement"]
async fn from_the_last_byte_of_a_weight_to_its_fact() {
    let folder = TempDir::new().unwrap();
    let broker = within(ChildBroker::start(folder.path())).await.unwrap();
    let bus = Bus::connect(&broker.url(), "looking-on").await.unwrap();
    within(bus.ready()).await.unwrap();
    for (name, url) in [("broker there", broker.url()), ("broker away", nobody())] {
        let (tcp, scale) = scale_station("portion-1").await;
        let dairy = Dairy::start(vec![tcp], &url).await;
        let (cable, _) = within(scale.accept()).await.unwrap();
        let cable = cable.into_std().unwrap();
        cable.set_nonblocking(false).unwrap();
        cable.set_nodelay(true).unwrap();
        weights(&format!("TCP, {name}"), &dairy, cable, &bus).await;

        let socket = Socket::new();
        let (cable, _line) = plug_in(&socket.device);
        let dairy = Dairy::start(vec![socket.station(|_| {})], &url).await;
        weights(&format!("serial (pty), {name}"), &dairy, cable, &bus).await;
    }
}

/// Weighs a wheel again and again. The answer is given once its fact lies in the outbox, on
/// the disk.
#[allow(clippy::disallowed_methods)] // a measurement of elapsed time
async fn weights(name: &str, dairy: &Dairy, mut cable: impl Write, bus: &Bus) {
    let stored = name.ends_with("there");
    let mut log = match stored {
        true => {
            let mut log = bus.floor_after(None).await.unwrap();
            let (end, mut read) = (bus.floor_end().await.unwrap(), 0);
            while read < end {
                read += log.next_chunk(1_000).await.unwrap().len() as u64;
            }
            Some(log)
        }
        false => None,
    };
    let mut scanner = dairy.scanner("portion-1").await;
    scanner.scan("A.WEIGH").await;
    // Until the line is open, what is sent is lost.
    loop {
        scanner.scan("W.311-01").await;
        cable.write_all(b"S 0 kg\nS 11 kg\n").unwrap();
        let heard = tokio::time::timeout(Duration::from_millis(200), scanner.hear());
        if heard.await.is_ok() {
            break;
        }
    }
    if let Some(log) = &mut log {
        log.next_chunk(1_000).await.unwrap();
    }
    let (mut kept, mut in_log) = (Vec::new(), Vec::new());
    for _ in 0..SCANS {
        scanner.scan("W.311-01").await;
        cable.write_all(b"S 0 kg\nS 11 kg").unwrap();
        let began = Instant::now();
        cable.write_all(b"\n").unwrap();
        let answer = scanner.hear().await;
        kept.push(began.elapsed());
        assert!(answer.contains("weighs 11.000 kg"), "{answer}");
        if let Some(log) = &mut log {
            let chunk = within(log.next_chunk(1_000)).await.unwrap();
            in_log.push(began.elapsed());
            assert_eq!(chunk.len(), 1);
        }
    }
    show(&format!("{name}, to the outbox and answer"), kept);
    if stored {
        show(&format!("{name}, to a reader of the log"), in_log);
    }
}
