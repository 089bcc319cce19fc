//! How long stations wait for their disk when several record at once: each with a sync of its
//! own, as where one lock is held across it, and with a shared one.
//!
//! `cargo run --release -p bus --example shared_sync -- FOLDER`
#![allow(clippy::unwrap_used, clippy::disallowed_methods)] // an example measures and may fail

use std::path::PathBuf;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use bus::{Clock, Draft, Outbox};
use facts::{RoomCleaned, StationId};

const EACH: usize = 100;

fn draft() -> Draft {
    let room = "R1".parse().unwrap();
    let method = "foam".to_owned();
    Draft {
        occurred_at: Clock::system().now(),
        claimed_at: None,
        person: None,
        event: RoomCleaned { room, method }.into(),
    }
}

/// The time of each record, sorted.
fn record(outbox: &Outbox, stations: usize, shared: bool) -> Vec<Duration> {
    let picture = Mutex::new(());
    let one = |id: &StationId| {
        let began = Instant::now();
        let turn = picture.lock().unwrap();
        let now = Clock::system().now();
        let written = outbox.write_with(id, vec![draft()], now, |_| Vec::new());
        let turn = if shared {
            drop(turn);
            None
        } else {
            Some(turn)
        };
        written.unwrap().synced().unwrap();
        drop(turn);
        began.elapsed()
    };
    let mut times: Vec<Duration> = std::thread::scope(|scope| {
        let one = &one;
        let station = |n| {
            let id: StationId = format!("s-{n}").parse().unwrap();
            scope.spawn(move || (0..EACH).map(|_| one(&id)).collect::<Vec<_>>())
        };
        let threads: Vec<_> = (0..stations).map(station).collect();
        let times = threads.into_iter().map(|thread| thread.join().unwrap());
        times.flatten().collect()
    });
    times.sort_unstable();
    times
}

fn main() {
    let folder: PathBuf = std::env::args_os().nth(1).unwrap().into();
    let outbox = Outbox::open(&folder, "larkholm".parse().unwrap()).unwrap();
    for stations in [1, 4, 8, 20] {
        for shared in [false, true] {
            let times = record(&outbox, stations, shared);
            let at = |pct: usize| times[(times.len() - 1) * pct / 100].as_secs_f64() * 1e3;
            let how = if shared {
                "one sync for all"
            } else {
                "one each"
            };
            let (half, most) = (at(50), at(99));
            println!(
                "{stations:2} stations, {how:16}: half within {half:6.2} ms, 99 % within {most:6.2} ms"
            );
        }
    }
}
