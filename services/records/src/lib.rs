//! Keeps the ledger, seals the day, holds what a hold covers, answers trace questions.
//!
//! The worker goes on where it was: index, ledger and position in the log are stored together
//! ([`Keeper`]), and a start reads only what came since. What the ledger has of that already is
//! compared on the way, what is new is written down. All the rest of the ledger is compared with
//! the log again and again, slowly, beside everything else: from every start, and a day after
//! the last time. Whatever is not as it was written down is told of.
//!
//! When it has caught up it answers `recall`, `holds`, `papers`, `known` and `records`; tells
//! what people have to hear of ([`checks`]); states, under the station name `records`, the
//! holds that laboratory results ask for and the `wheel.held` facts that holds over a scope
//! owe to wheels ([`holds`]); and seals each dairy day when it is over. It never releases
//! anything.
//!
//! The [`Folder`] is a site's ledger, seals and key; an [`Archive`] is what goes to whoever
//! has to read the records without this program.

mod answering;
mod archive;
mod chain;
pub mod checks;
mod disk;
mod error;
mod folder;
pub mod holds;
mod keeper;
mod lines;
mod matching;
mod notebook;
mod papers;
mod sealing;
mod sweep;

use std::path::Path;
use std::time::Duration;

use ::papers::Dairy;
use anyhow::Context as _;
use bus::telling::Told;
use bus::{Bus, Clock, Outbox, Position, Shutdown, kept};
use chrono::{DateTime, TimeDelta, Utc};
use facts::wire::{self, Read};
use facts::{Draft, Event, StationId, WheelHeld, WheelId};
use names::{Kind, Known};
use projection::{Follower, News};
use recipe::Origin;
use safety::Plan;
use site::Site;

use crate::papers::Desk;
use crate::sweep::Sweep;

pub use answering::{
    CHECK_NAMED, InScope, KNOWN, QUESTIONS, RecallAnswer, RecallQuery, RecordsStanding,
};
pub use archive::{Archive, facts_files};
pub use error::RecordsError;
pub use folder::{Folder, copy_seals, entries, public_key, read_seal, seals, seals_in};
pub use keeper::Keeper;
pub use papers::{Paper, PaperFile, PapersQuery};
pub use trace::{Caution, HoldStanding, Keeps};

/// The station whose facts this worker states.
const STATION: &str = "records";

/// What people were told, in this worker's folder.
const TOLD: &str = "checks-told.txt";

/// What is done without a file that was damaged, for whoever hears of it.
const WITHOUT: &[(&str, &str)] = &[(TOLD, "What people were told was read back from the broker")];

/// How often it is looked what to tell, by the floor's clock, when nothing comes that is
/// looked at with the next tick.
const LOOK_EVERY: TimeDelta = TimeDelta::minutes(10);

/// How soon it is looked again whether an own fact is back from the log.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// The line of a message of the log.
#[must_use]
pub fn line(message: &bus::Stored) -> Vec<u8> {
    seal::record::line(message.headers_as_text(), &message.body)
}

/// Keeps a site's records until asked to stop.
///
/// # Errors
/// When the folder cannot be used, the safety file is wrong, or the broker no longer has the
/// log.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let safety = site.safety.as_ref();
    let plan = safety.map(|safety| read(&safety.file, Plan::parse));
    let papers = safety.and_then(|safety| safety.papers.as_deref());
    let dairy = papers
        .map(|papers| read(papers, Dairy::parse))
        .transpose()?;
    let desk = dairy.map(|dairy| Desk {
        dairy,
        clock: site.clock,
    });
    let scales = site
        .stations
        .iter()
        .filter_map(|station| station.scale.as_ref());
    let tools = site.tools();
    let own = Known::default()
        .with(Kind::Room, site.rooms.iter().map(|room| room.id))
        .with(Kind::Tool, scales.map(|scale| scale.tool))
        .with(Kind::Tool, tools.machines.iter().chain(&tools.irons));
    let folder = data.join("records");
    let plan = plan.transpose()?;
    let open = || Keeper::open(&folder, site.id, site.hold_rule(), plan.clone());
    let mut keeper = open()?;
    let mut told = Told::open(&folder.join(TOLD))?;
    let mut looked: Option<DateTime<Utc>> = None;
    // Why nothing could be sealed, as it was last said.
    let mut unsealed: Option<String> = None;
    let mut ticked = false;
    let outbox = Outbox::open(&data.join("records-outbox"), site.id)?;
    let station = StationId::new(STATION)?;
    tokio::select! {
        ready = bus.ready() => ready?,
        () = shutdown.requested() => return Ok(()),
    }
    told.recall(&bus, &site.id).await?;
    let draining = {
        let (outbox, bus, shutdown) = (outbox.clone(), bus.clone(), shutdown.clone());
        tokio::spawn(async move { outbox.drain(&bus, &shutdown).await })
    };
    let follow = async |position: Option<&Position>| {
        let (clock, shutdown) = (clock.clone(), shutdown.clone());
        let questions = answering::QUESTIONS;
        Follower::start(&bus, &site.id, questions, clock, position, shutdown).await
    };
    let mut follower = match follow(keeper.position()).await {
        Err(error) if error.is_another_log() => {
            tracing::error!("{error}");
            keeper.forget()?;
            keeper = open()?;
            follow(keeper.position()).await?
        }
        follower => follower?,
    };
    if !read_to_the_end(&mut keeper, &mut follower).await? {
        return Ok(());
    }
    keeper.caught_up()?;
    let now = follower.clock().now();
    let sealed = bus
        .derived(&site.id, sealing::SEALED)
        .await
        .unwrap_or_else(|error| {
            tracing::warn!(%error, "whether another chain of seals was begun before is not known");
            Vec::new()
        });
    let sealed = sealed
        .iter()
        .filter_map(|body| std::str::from_utf8(body).ok()?.parse().ok());
    let mut of_the_chain = keeper.of_the_chain(&sealed.collect::<Vec<_>>(), now);
    told.tell(&bus, &site.id, now, &mut of_the_chain).await?;
    tracing::info!(
        records = keeper.standing().count,
        "the records are up to date"
    );
    let mut sweep = Sweep::new(&bus, &folder, site.id);
    loop {
        // An own fact must be back from the log before anything more is stated, or it would
        // be stated twice.
        if keeper.is_stirred()
            && outbox.is_compared(&bus)
            && outbox.waiting() == 0
            && keeper.seq() >= bus_end(&bus, keeper.seq()).await
        {
            let now = follower.clock().now();
            told.tell(&bus, &site.id, now, &mut keeper.without_right())
                .await?;
            state_owed(&mut keeper, &outbox, &station, now)?;
        }
        sweep.begin(&keeper).await?;
        tokio::select! {
            biased;
            news = follower.next() => match news? {
                News::Stop => break,
                News::Question(question) => {
                    // An answer knows every fact that the log had when it was asked.
                    let end = bus.floor_end().await.unwrap_or(keeper.seq());
                    while let Some(chunk) = follower.up_to(end).await? {
                        keeper.take(&chunk, follower.position())?;
                    }
                    let (places, now) = ((&bus, &own), follower.clock().now());
                    answering::answer(&mut keeper, desk.as_ref(), places, now, question).await;
                }
                News::Tick => ticked = true,
                News::Facts(chunk) => keeper.take(&chunk, follower.position())?,
            },
            step = sweep.next() => {
                if let Some(step) = step
                    && keeper.looked_through(step)?
                {
                    let mut differs: Vec<_> = keeper.differs().into_iter().collect();
                    told.tell(&bus, &site.id, follower.clock().now(), &mut differs).await?;
                }
            }
            // The outbox hears of the broker's answer a moment after the log has the fact.
            () = tokio::time::sleep(LOOK_AGAIN), if keeper.is_stirred() => {}
        }
        if let Err(error) = keeper.sound() {
            keeper.forget()?;
            return Err(error.into());
        }
        if let Some(now) = follower.take_time() {
            match keeper.seal_if_due(now, &site.clock) {
                Ok(Some(seal)) => {
                    let (day, last) = (seal.statement.day, seal.statement.last);
                    tracing::info!(%day, last, "sealed: print it, and keep the print apart");
                    sealing::publish(&bus, &site.id, &seal, keeper.mark()).await;
                    // At once: what is in one place only can be taken away there.
                    looked = None;
                }
                Ok(None) => {}
                Err(error) => {
                    let why = error.to_string();
                    if unsealed.as_ref() != Some(&why) {
                        tracing::error!("{why}");
                        unsealed = Some(why);
                    }
                }
            }
            let news = std::mem::take(&mut ticked) && keeper.take_news();
            if news || looked.is_none_or(|looked| now - looked >= LOOK_EVERY || now < looked) {
                looked = Some(now);
                // What could not be told is owed still at the next look.
                let (mut owed, checks) = keeper.to_tell(now, &site.clock)?;
                owed.extend(told.over(checks::CHECK, &checks, |check| {
                    format!("check {check}: done, or decided on, since")
                }));
                let differs: Vec<_> = keeper.differs().into_iter().collect();
                owed.extend(told.over(chain::DIFFERS, &differs, |_| {
                    "the log has all that was written down: what was gone has come back".to_owned()
                }));
                owed.extend(differs);
                owed.extend(kept::owed(&told, STATION, &folder, WITHOUT));
                let uncopied = sealing::copy(&folder, site.seal_copies.as_deref()).await;
                owed.extend(sealing::copied_again(&told, &uncopied));
                owed.extend(uncopied);
                told.tell(&bus, &site.id, now, &mut owed).await?;
            }
        }
    }
    draining.await.context("the outbox stopped")?;
    Ok(())
}

/// Reads the log to the end that it had at the start, and tells the story of every wheel that
/// changed; false when the worker has to end before that.
async fn read_to_the_end(keeper: &mut Keeper, follower: &mut Follower) -> anyhow::Result<bool> {
    loop {
        let live = follower.is_live();
        if live && !keeper.settle_some()? {
            return Ok(true);
        }
        let news = tokio::select! {
            biased;
            news = follower.next() => news?,
            () = tokio::task::yield_now(), if live => continue,
        };
        match news {
            News::Stop => return Ok(false),
            News::Facts(chunk) => keeper.take(&chunk, follower.position())?,
            News::Question(question) => follower.still_reading(question).await,
            News::Tick => {}
        }
    }
}

/// The end of the log; while the broker is away, nothing is known of it.
async fn bus_end(bus: &Bus, seq: u64) -> u64 {
    bus.floor_end().await.unwrap_or(seq + 1)
}

/// Most wheels that one fact holds: a message carries not many more.
const MOST_IN_A_FACT: usize = 10_000;

/// A hold over many wheels, in as many facts as it takes.
fn in_facts(event: Event) -> Vec<Event> {
    match event {
        Event::WheelHeld(held) if held.wheels.len() > MOST_IN_A_FACT => {
            let part = |wheels: &[WheelId]| {
                Event::from(WheelHeld {
                    wheels: wheels.to_vec(),
                    ..held.clone()
                })
            };
            held.wheels.chunks(MOST_IN_A_FACT).map(part).collect()
        }
        other => vec![other],
    }
}

fn state_owed(
    keeper: &mut Keeper,
    outbox: &Outbox,
    station: &StationId,
    now: DateTime<Utc>,
) -> anyhow::Result<()> {
    let refused = outbox.refusals()?;
    let refused = refused
        .iter()
        .filter_map(|fact| match wire::from_line(&fact.line) {
            Ok(Read::Fact(fact)) => Some(fact.event),
            _ => None,
        });
    let refused: Vec<Event> = refused.collect();
    let owed = keeper.owed(&refused);
    for event in &owed {
        tracing::warn!(
            fact = event.topic(),
            wheels = event.wheels().len(),
            "holding"
        );
    }
    let parts = owed.into_iter().flat_map(in_facts);
    let news = parts.filter(|event| !refused.contains(event));
    let drafts = news.map(|event| Draft {
        occurred_at: keeper.hold_at(&event, now),
        claimed_at: None,
        person: None,
        event,
    });
    let drafts: Vec<Draft> = drafts.collect();
    // As if it were stated then: it must count after what ended the hold before it.
    let at = drafts.iter().map(|draft| draft.occurred_at).max();
    outbox.record(station, drafts, at.unwrap_or(now))?;
    Ok(())
}

fn read<T>(
    path: &Path,
    parse: impl FnOnce(&Origin<'_>) -> Result<T, recipe::Located>,
) -> anyhow::Result<T> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("could not open {}", path.display()))?;
    let file = path.display().to_string();
    Ok(parse(&Origin {
        file: &file,
        text: &text,
    })?)
}
