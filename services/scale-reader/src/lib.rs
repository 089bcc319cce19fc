//! Reads scales and the scanners beside them.
//!
//! Serves every station of the site that has a scale; the others are the move
//! recorder's. A scale's lines become settled weights (module `scale`), and a weight goes to
//! the station's session like a scan.

mod cable;
mod link;
mod listen;
mod scale;

use std::path::Path;

use bus::{Bus, Clock, Shutdown};
use edge::{Desk, Door, Worker};
use site::Site;
use tokio::task::JoinSet;

pub use listen::{NotHeard, listen};

/// Runs until shutdown. Broker, scales and scanners may come and go.
///
/// # Errors
/// When the data folder or a station's port cannot be used; the text says what to do.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let worker = Worker::open(site, bus, clock, &data.join("scale-reader"))?;
    let mut serving = JoinSet::new();
    for station in &worker.site().stations {
        if let Some(scale) = &station.scale {
            let desk = Desk::new(&worker, station);
            let door = Door::open(&desk, station.scan).await?;
            serving.spawn(door.serve(desk.clone(), shutdown.clone()));
            serving.spawn(scale::read(scale.clone(), desk, shutdown.clone()));
        }
    }
    let ended = worker.run(&shutdown).await;
    while serving.join_next().await.is_some() {}
    ended
}
