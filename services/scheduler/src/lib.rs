//! Folds facts into next actions, alerts and label jobs, and answers questions.
//!
//! One scheduler owns a site. A message's way through it: read from the log, folded
//! ([`fold`]), written with its position in one batch, and only then its effects are
//! published ([`effects`]). Questions are answered from the folded floor
//! ([`answering`]). Nothing here holds a rule: those are in the crate `ripening`.

pub mod ahead;
mod answering;
mod cases;
mod effects;
mod fold;
mod heard;
mod labelling;
mod told;

use std::path::Path;

use ahead::Ahead;
use anyhow::Context as _;
use bus::{Bus, BusError, Clock, FloorLog, Shutdown, Stored, Tick};
use ripening::Practice;
use site::Site;
use store::StoreError;

pub use ahead::{Air, Day, RoomsAhead};
pub use answering::{
    CORRECTED, CORRECTIONS, CensusQuery, DAY, FIND, FOLDED, FoldedQuery, HAPPENED, NAME, PLACES,
    PORTIONED, PORTIONS, Portions, QUESTIONS, ROOMS, SAID, STAND, Standing,
};
pub use fold::Fold;
pub use heard::{FoundAll, NameQuery, SaidOf};
pub use labelling::{LabelNow, Texts};

/// How many messages are taken at once when many wait.
pub const CHUNK: usize = 4_096;

/// What the rules need to know of a site.
#[must_use]
pub fn practice(site: &Site) -> Practice {
    Practice {
        clock: site.clock,
        turn_by: site.turn_by,
        lost_after_days: site.lost_after_days,
        recipes: site.recipes.clone(),
        rights: site.rights(),
    }
}

/// How a spell of folding ended.
enum Ended {
    /// Somebody asked for it.
    Stopped,
    /// Nothing can be written until somebody frees some space.
    DiskFull,
}

/// Runs the scheduler of a site until shutdown.
///
/// # Errors
/// When the store cannot be used, or the broker no longer has the log that was folded.
pub async fn run(
    site: Site,
    bus: Bus,
    mut clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    tokio::select! {
        ready = bus.ready() => ready?,
        () = shutdown.requested() => return Ok(()),
    }
    let folder = data.join("scheduler");
    let ahead = Ahead::new(&site);
    loop {
        let spell = spell(&site, &ahead, &bus, &mut clock, &folder, &shutdown);
        let full = match spell.await {
            Ok(Ended::Stopped) => return Ok(()),
            Ok(Ended::DiskFull) => StoreError::DiskFull(folder.clone()),
            Err(error) => match error.downcast::<StoreError>()? {
                full @ StoreError::DiskFull(_) => full,
                other => return Err(other.into()),
            },
        };
        tracing::error!("{full}");
        let mut backoff = bus::retry::Backoff::default();
        while !store::has_room(&folder) {
            tokio::select! {
                () = backoff.wait() => {}
                () = shutdown.requested() => return Ok(()),
            }
        }
        tracing::info!("there is room again: folding goes on from what was stored");
    }
}

/// Folds from what is stored until shutdown, or until the disk is full: a store that has
/// failed to write once fails ever after, so it must be opened again.
async fn spell(
    site: &Site,
    ahead: &Ahead,
    bus: &Bus,
    clock: &mut Clock,
    folder: &Path,
    shutdown: &Shutdown,
) -> anyhow::Result<Ended> {
    let mut fold = Fold::open(site, folder)?;
    if clock.is_the_machines() {
        fold.broker_tells_time();
    }
    let mut log = match bus.floor_after(fold.position()).await {
        Err(error @ BusError::FloorRewritten { .. }) => {
            tracing::error!("{error}");
            fold = fold.begin_again(site, &error)?;
            bus.floor_after(None).await?
        }
        Err(error) => return Err(error).context(
            "the scheduler's store belongs to another log: restore the broker's data, or delete the scheduler's data folder to fold this log from its beginning",
        ),
        log => log?,
    };
    match (told::read(bus, &site.id).await, fold.position()) {
        (Ok(told), None) => fold.recall(told),
        (Ok(told), Some(_)) => fold.recall_names(told),
        (Err(error), None) => return Err(error.into()),
        (Err(error), Some(_)) => {
            tracing::warn!(%error, "what was told today is not known: people may be told again");
        }
    }
    let store = fold.store().clone();
    let effects = effects::Publisher::start(site, bus.clone(), store, shutdown.clone());
    let mut questions = bus.questions(&site.id, answering::QUESTIONS).await?;
    let end = bus.floor_end().await?;
    fold.live_from(end);
    tracing::info!(
        from = fold.position().map_or(0, |p| p.seq),
        end,
        "folding the floor"
    );
    let mut waiting: Option<Tick> = None;
    loop {
        // None before the others: a long catching-up must not leave people without answers, nor
        // many questions the floor without its clock.
        tokio::select! {
            () = shutdown.requested() => break,
            Some(question) = questions.next() => answering::answer(&fold, site, ahead, question).await,
            tick = clock.next_tick() => waiting = Some(tick),
            chunk = log.next_chunk(CHUNK) => {
                take(&mut fold, bus, site, &log, &chunk?).await?;
                if clock.is_the_machines() {
                    fold.advance(clock.now());
                }
            }
        }
        // A driven clock moves only after what happened before it has been folded.
        if let Some(tick) = waiting.take_if(|tick| fold.seq() >= tick.after_seq) {
            fold.advance(tick.now);
        }
        if fold.should_write() {
            if let Err(StoreError::DiskFull(_)) = fold.write_and_publish(&effects, shutdown).await {
                effects.stop().await;
                return Ok(Ended::DiskFull);
            }
            fold.notify(bus, site).await;
        }
    }
    if let Err(error) = fold.write_and_publish(&effects, shutdown).await {
        tracing::error!("{error}");
    }
    tracing::info!(position = fold.seq(), "the scheduler has stopped");
    Ok(Ended::Stopped)
}

/// Folds a chunk. What cannot be read goes whole to REJECTED before the position moves on.
async fn take(
    fold: &mut Fold,
    bus: &Bus,
    site: &Site,
    log: &FloorLog,
    chunk: &[Stored],
) -> anyhow::Result<()> {
    for message in chunk {
        if let Err(reason) = fold.message(message) {
            tracing::warn!(seq = message.seq, %reason, "unreadable: kept in REJECTED, look at who sent it");
            let mut backoff = bus::retry::Backoff::default();
            while let Err(error) = bus.reject(&site.id, message, &reason).await {
                tracing::debug!(%error, "keeping an unreadable message");
                backoff.wait().await;
            }
            fold.alarm(message, &reason);
        }
    }
    fold.reached(log.position());
    Ok(())
}
