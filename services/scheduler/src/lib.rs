//! Folds facts into next actions, alerts and label jobs, and answers questions.
//!
//! One scheduler owns a site. A message's way through it: read from the log, folded
//! ([`fold`]), written with its position in one batch, and only then its effects are
//! published. Questions are answered from the folded floor
//! ([`answering`]). Nothing here holds a rule: those are in the crate `ripening`.

pub mod ahead;
mod answering;
mod cases;
mod fold;
mod heard;
mod labelling;
mod told;

use std::path::Path;

use ahead::Ahead;
use anyhow::Context as _;
use bus::telling::Message;
use bus::{Bus, BusError, Clock, Position, Shutdown, Stored};
use projection::{Aside, Follower, News, Publisher, recover};
use ripening::Practice;
use site::Site;

pub use ahead::{Air, Day, MOST_AHEAD, RollCallQuery, RoomsAhead, RoomsQuery, WorkQuery};
pub use answering::{
    CORRECTED, CORRECTIONS, CensusQuery, DAY, FIND, FOLDED, FoldedQuery, HAPPENED, NAME, PLACES,
    PORTIONED, PORTIONS, Portions, QUESTIONS, ROLL_CALL, ROOMS, SAID, SHIFT, STAND, STUDIES,
    Standing, WORK,
};
pub use fold::Fold;
pub use heard::{FoundAll, NameQuery, SaidOf};
pub use labelling::{LabelNow, Texts};

/// What the rules need to know of a site.
#[must_use]
pub fn practice(site: &Site) -> Practice {
    Practice {
        clock: site.clock,
        turn_by: site.turn_by,
        lost_after_days: site.lost_after_days,
        closed_after_days: site.closed_after_days,
        recipes: site.recipes.clone(),
        rights: site.rights(),
    }
}

/// Runs the scheduler of a site until shutdown.
///
/// # Errors
/// When the store cannot be used, or the broker no longer has the log that was folded.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    tokio::select! {
        ready = bus.ready() => ready?,
        () = shutdown.requested() => return Ok(()),
    }
    let folder = data.join("scheduler");
    let ahead = Ahead::new(&site);
    let mut owed = Owed::default();
    let mut backoff = bus::retry::Backoff::default();
    loop {
        let spell = spell(
            (&site, &ahead),
            &bus,
            &clock,
            (&folder, &mut owed),
            &shutdown,
        );
        let Err(error) = spell.await else {
            return Ok(());
        };
        match error.downcast_ref::<BusError>() {
            // The next spell makes the streams where there are none, and reads the log anew.
            Some(gone) if gone.is_another_log() || gone.is_no_log() || gone.may_pass() => {
                tracing::error!("{gone}");
                tokio::select! {
                    () = backoff.wait() => {}
                    () = shutdown.requested() => {}
                }
            }
            Some(_) => return Err(error),
            None => owed.aside = recover(&folder, error.downcast()?, &shutdown).await?,
        }
        if shutdown.is_requested() {
            return Ok(());
        }
        tokio::select! {
            ready = bus.ready() => ready?,
            () = shutdown.requested() => return Ok(()),
        }
    }
}

/// What people have to hear of the spells before: each once, by the name that it has.
#[derive(Default)]
struct Owed {
    /// A store that was put aside.
    aside: Option<Aside>,
    /// That the broker lost facts.
    lost: Vec<Message>,
}

/// Folds from what is stored until shutdown, or until the store cannot be used: one that has
/// failed to write once fails ever after, so it must be opened again.
async fn spell(
    (site, ahead): (&Site, &Ahead),
    bus: &Bus,
    clock: &Clock,
    (folder, owed): (&Path, &mut Owed),
    shutdown: &Shutdown,
) -> anyhow::Result<()> {
    let mut fold = Fold::open(site, folder)?;
    fold.put_aside(owed.aside.take());
    if clock.is_the_machines() {
        fold.broker_tells_time();
    }
    let start = async |fold: &Fold| {
        let (clock, shutdown) = (clock.clone(), shutdown.clone());
        let questions = answering::QUESTIONS;
        Follower::start(bus, &site.id, questions, clock, fold.position(), shutdown).await
    };
    let mut follower = match start(&fold).await {
        Err(error) if error.is_another_log() => {
            tracing::error!("{error}");
            fold = fold.begin_again(site)?;
            owed.lost.extend(fold::lost(&error));
            start(&fold).await?
        }
        Err(error) => return Err(error).context(
            "the scheduler's store belongs to another log: restore the broker's data, or delete the scheduler's data folder to fold this log from its beginning",
        ),
        follower => follower?,
    };
    match (told::read(bus, &site.id).await, fold.position()) {
        (Ok(told), None) => fold.recall(told),
        (Ok(told), Some(_)) => fold.recall_names(told),
        (Err(error), None) => return Err(error.into()),
        (Err(error), Some(_)) => {
            tracing::warn!(%error, "what was told today is not known: people may be told again");
        }
    }
    fold.owes(&owed.lost);
    let store = fold.store().clone();
    let effects = Publisher::start(site.id, bus.clone(), store, shutdown.clone());
    fold.live_from(follower.end());
    let followed = follow(&mut fold, &mut follower, (site, ahead), &effects, shutdown).await;
    if followed.is_err() {
        // It holds the store, which has to be opened again.
        effects.stop().await;
        return followed;
    }
    if let Err(error) = fold.write_and_publish(&effects, shutdown).await {
        tracing::error!("{error}");
    }
    tracing::info!(position = fold.seq(), "the scheduler has stopped");
    Ok(())
}

async fn follow(
    fold: &mut Fold,
    follower: &mut Follower,
    (site, ahead): (&Site, &Ahead),
    effects: &Publisher,
    shutdown: &Shutdown,
) -> anyhow::Result<()> {
    let bus = follower.bus().clone();
    loop {
        let news = follower.next().await?;
        let asked = matches!(news, News::Question(_));
        match news {
            News::Stop => return Ok(()),
            News::Question(question) => answering::answer(fold, site, ahead, question).await?,
            News::Facts(chunk) => {
                take(fold, &bus, site, &chunk, follower.position()).await?;
            }
            News::Tick => {}
        }
        // A question changes nothing; and a long reading need not derive at every step what
        // nobody sees.
        if !asked
            && (fold.is_live() || fold.should_write())
            && let Some(now) = follower.take_time()
        {
            fold.advance(now);
        }
        if fold.should_write() {
            fold.write_and_publish(effects, shutdown).await?;
            fold.notify(&bus, site).await;
        }
    }
}

/// Folds a chunk. What cannot be read goes whole to REJECTED before the position moves on.
async fn take(
    fold: &mut Fold,
    bus: &Bus,
    site: &Site,
    chunk: &[Stored],
    position: Position,
) -> anyhow::Result<()> {
    for message in chunk {
        if let Err(reason) = fold.message(message)? {
            tracing::warn!(seq = message.seq, %reason, "unreadable: kept in REJECTED, look at who sent it");
            let mut backoff = bus::retry::Backoff::default();
            while let Err(error) = bus.reject(&site.id, message, &reason).await {
                tracing::debug!(%error, "keeping an unreadable message");
                backoff.wait().await;
            }
            fold.alarm(message, &reason);
        }
    }
    fold.reached(position);
    Ok(())
}
