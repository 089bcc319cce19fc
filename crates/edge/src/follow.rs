//! Following the floor's log in the background, so that every station knows what the
//! others did.

use bus::retry::Backoff;
use bus::{BusError, FloorLog, Shutdown, Stored};
use facts::wire::Read;

use crate::worker::Worker;

/// Messages taken at a time: few enough that a scan in between waits only briefly.
const CHUNK: usize = 256;

/// Follows the log until shutdown. Whatever happens to the log, stations go on.
pub(crate) async fn follow(worker: &Worker, shutdown: &Shutdown) {
    tokio::select! {
        () = shutdown.requested() => {}
        () = for_ever(worker) => {}
    }
}

async fn for_ever(worker: &Worker) {
    let mut backoff = Backoff::default();
    let mut told = String::new();
    loop {
        let Err(error) = read(worker, &mut backoff).await else {
            return;
        };
        if error.is_another_log() {
            // The picture holds what it heard, and facts are never taken twice: so the log
            // as it is now is simply added to it, from its beginning.
            let mut picture = worker.picture();
            picture.read_anew();
            worker.followed(&picture);
        }
        let text = error.to_string();
        if !error.may_pass() && text != told {
            tracing::warn!("stations go on with the floor as they know it: {text}");
            told = text;
        }
        backoff.wait().await;
    }
}

async fn read(worker: &Worker, backoff: &mut Backoff) -> Result<(), BusError> {
    worker.bus().connected().await;
    worker.bus().ready().await?;
    let position = worker.picture().position.clone();
    let mut log = worker.bus().floor_after(position.as_ref()).await?;
    loop {
        let chunk = tokio::select! {
            chunk = log.next_chunk(CHUNK) => chunk?,
            // The picture is an older one: it is not to wait for the next message.
            () = worker.loaded_again() => Vec::new(),
        };
        backoff.reset();
        worker.bus().vitals().has_read_to(log.seq());
        if !take(worker, &log, &chunk) {
            let position = worker.picture().position.clone();
            log = worker.bus().floor_after(position.as_ref()).await?;
        }
    }
}

/// False when the picture is an older one than the log was read for.
fn take(worker: &Worker, log: &FloorLog, chunk: &[Stored]) -> bool {
    let position = log.position();
    {
        let now = worker.now();
        let mut picture = worker.picture();
        if picture.is_read_again() {
            return false;
        }
        let mut read_to = None;
        for message in chunk {
            // What cannot be read is the scheduler's to reject and to count.
            if let Ok(Read::Fact(fact)) = message.read()
                && fact.site == worker.site().id
            {
                picture.placement.apply(&fact);
                read_to = Some(now.min(message.stored_at).min(fact.recorded_at));
            }
        }
        if let Some(at) = read_to {
            picture.forget_behind(at);
        }
        picture.position = Some(position);
        worker.followed(&picture);
    }
    true
}
