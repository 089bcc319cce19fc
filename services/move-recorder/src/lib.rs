//! Reads scanners: a scan becomes a fact and an answer.
//!
//! Serves every station of the site that has no scale; those that have one are the scale
//! reader's.

use std::path::Path;

use bus::{Bus, Clock, Shutdown};
use edge::{Desk, Door, Worker};
use site::Site;
use tokio::task::JoinSet;

/// Runs until shutdown. The broker may come and go; scans are kept meanwhile.
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
    if let Some(nobody) = site.nobody_scans() {
        tracing::warn!("{nobody}");
    }
    let worker = Worker::open(site, bus, clock, &data.join("move-recorder"))?;
    let mut doors = JoinSet::new();
    for station in &worker.site().stations {
        if station.scale.is_none() {
            let desk = Desk::new(&worker, station);
            let door = Door::open(&desk, station.scan).await?;
            doors.spawn(door.serve(desk, shutdown.clone()));
        }
    }
    let ended = worker.run(&shutdown).await;
    while doors.join_next().await.is_some() {}
    ended
}
