//! Reads room sensors over MQTT 3.1.1.
//!
//! A message goes from the MQTT broker to `climate`'s [`Gathering`], which knows what its
//! topic says; what is worth recording goes to this worker's own outbox, and only when it
//! is on the disk there does the MQTT broker hear that it was taken. What cannot be read is
//! kept in `rejected-readings.ndjson`. Which sensors to doubt, and gases to warn of, is
//! derived from the facts like everything else.
//!
//! A gas warning that goes through here comes seconds late and stops with the network: it
//! is no substitute for a gas alarm that people carry or that hangs in the room.

mod link;

use std::path::Path;
use std::sync::Arc;
use std::sync::Mutex;

use anyhow::Context as _;
use bus::{Bus, Clock, Outbox, Shutdown};
use climate::Gathering;
use edge::Rejected;
use facts::StationId;
use site::Site;

/// The station that states what sensors say.
pub const STATION: &str = "climate-reader";

/// Where messages that cannot be read are kept, in this worker's data folder.
pub const REJECTED: &str = "rejected-readings.ndjson";

/// So much of a payload is kept with the reason why it could not be read.
const KEPT: usize = 1_000;

/// Reads the site's sensors until shutdown. Both brokers may come and go.
///
/// # Errors
/// When the data folder cannot be used or the site file names no sensors; the text says
/// what to do.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let sensors = site.climate.as_ref().context(
        "the site file has no [climate] section: add one with the room sensors, or do not \
         start the climate-reader",
    )?;
    let dir = data.join(STATION);
    std::fs::create_dir_all(&dir)
        .with_context(|| format!("cannot make the data folder {}", dir.display()))?;
    // It may not read the log, which whoever is nearest to strangers need not see.
    let outbox = Outbox::open(&dir.join("outbox"), site.id)?.never_compared();
    let taker = Taker(Arc::new(Inner {
        station: StationId::new(STATION)?,
        rejected: Rejected::open(&dir, REJECTED)?,
        gathering: Mutex::new(Gathering::new(&sensors.probes, sensors.every)),
        outbox: outbox.clone(),
        clock,
    }));
    let client = format!("wheelward-{}", site.id);
    let link = link::Link::new(sensors, &client)?;
    tokio::join!(
        outbox.drain(&bus, &shutdown),
        link.listen(&taker, &shutdown)
    );
    Ok(())
}

/// Takes messages; cheap to clone.
#[derive(Clone)]
struct Taker(Arc<Inner>);

struct Inner {
    station: StationId,
    rejected: Rejected,
    gathering: Mutex<Gathering>,
    outbox: Outbox,
    clock: Clock,
}

impl Taker {
    /// Records what a message says. False: it could not be stored and should come again.
    async fn take(&self, topic: String, payload: Vec<u8>) -> bool {
        let taker = self.clone();
        let work = move || taker.take_now(&topic, &payload);
        match tokio::task::spawn_blocking(work).await {
            Ok(Ok(())) => true,
            Ok(Err(error)) => {
                tracing::error!(%error, "a reading could not be recorded: it is asked for again");
                false
            }
            Err(error) => {
                tracing::error!(%error, "a reading was not finished");
                false
            }
        }
    }

    fn take_now(&self, topic: &str, payload: &[u8]) -> Result<(), bus::OutboxError> {
        let inner = &*self.0;
        let now = inner.clock.now();
        let mut gathering = inner
            .gathering
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        // Only what is on the disk counts as recorded: else it would not be due again.
        let mut after = gathering.clone();
        let (drafts, unusable) = after.take(topic, payload, now);
        // A driven clock stands still between its ticks; a sensor's does not.
        let recorded_at = match inner.clock {
            Clock::Bus(_) => drafts.iter().map(|d| d.occurred_at).fold(now, Ord::max),
            Clock::System(_) => now,
        };
        inner.outbox.record(&inner.station, drafts, recorded_at)?;
        *gathering = after;
        drop(gathering);
        for why in unusable {
            let kept = &payload[..payload.len().min(KEPT)];
            let line = format!("{topic} {}", String::from_utf8_lossy(kept));
            let why = why.to_string();
            tracing::debug!(topic, why, "unreadable: kept in {REJECTED}");
            inner.rejected.keep(now, inner.station, &line, &why);
        }
        Ok(())
    }
}
