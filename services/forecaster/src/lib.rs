//! Keeps forecasts fresh and lets the floor go by them.
//!
//! Follows the log; when something was seen that a forecast rests on, or a dairy day has
//! begun, everything is forecast again. What has changed by a day or more is stated as a
//! fact, `batch.forecast`: so the rules that go by it stay a matter of facts alone, the same
//! after a rebuild as before, and what people planned by can be explained later. Questions
//! are answered from the latest forecasts.
//!
//! What forecasts rest on lies in a store of its own ([`book`]), so that a start reads only what
//! came since, and memory holds what is in the house and what learning looks at.

mod air;
mod alerts;
mod at_hand;
mod book;
mod known;
mod line;
mod round;
mod shelf;
#[cfg(test)]
mod tests;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use bus::telling::Told;
use bus::{Bus, BusError, Clock, Draft, Outbox, Position, Question, Refusal, Shutdown, kept};
use facts::{Event, StationId};
use forecast::{Desk, NoForecast, Query};
use names::Kind;
use projection::{Follower, News, Store, StoreError};
use quantity::DairyDay;
use site::Site;
use tokio::task::JoinHandle;
use tokio::time::Instant;

use known::{Known, Opened, Young};
use round::Pass;

/// The station that states forecasts.
pub const STATION: &str = "forecaster";

/// The questions that a forecaster answers.
pub const QUESTIONS: &[&str] = &["forecast"];

/// What people were told, in this worker's folder.
const TOLD: &str = "told.txt";

/// What is done without a file that was damaged, for whoever hears of it.
const WITHOUT: &[(&str, &str)] = &[
    (TOLD, "What people were told was read back from the broker"),
    (STORE, "What forecasts rest on was read again from the log"),
];

/// What forecasts rest on, in this worker's folder.
const STORE: &str = "store";

/// Between two rounds of forecasts. A stack of scans is one round, not twenty.
const REST: Duration = Duration::from_secs(2);

/// Forecasts until shutdown.
///
/// # Errors
/// When the folder cannot be used, or the broker no longer has the log.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let folder = data.join(STATION);
    let outbox = Outbox::open(&folder.join("outbox"), site.id)?;
    let mut told = Told::open(&folder.join(TOLD))?;
    let site_id = site.id;
    tokio::select! {
        ready = bus.ready() => ready?,
        () = shutdown.requested() => return Ok(()),
    }
    told.recall(&bus, &site_id).await?;
    let draining = {
        let (outbox, bus, shutdown) = (outbox.clone(), bus.clone(), shutdown.clone());
        tokio::spawn(async move { outbox.drain(&bus, &shutdown).await })
    };
    let store = folder.join(STORE);
    loop {
        let opened = Known::open(&site, &store)?;
        let worker = Worker {
            site: &site,
            bus: &bus,
            folder: &folder,
            outbox: &outbox,
            shutdown: &shutdown,
        };
        let Err(error) = worker.spell(opened, &mut told, clock.clone()).await else {
            break;
        };
        // What is put aside is told of as a damaged file, for as long as it lies there.
        projection::recover(&store, error.downcast()?, &shutdown).await?;
        if shutdown.is_requested() {
            return Ok(());
        }
    }
    draining.await.context("the outbox stopped")?;
    Ok(())
}

/// What a spell of work needs.
struct Worker<'w> {
    site: &'w Site,
    bus: &'w Bus,
    folder: &'w Path,
    outbox: &'w Outbox,
    shutdown: &'w Shutdown,
}

impl Worker<'_> {
    /// Forecasts from what is stored until shutdown, or until the store fails: then it must be
    /// opened again.
    async fn spell(&self, opened: Opened, told: &mut Told, clock: Clock) -> anyhow::Result<()> {
        let Self { bus, folder, .. } = *self;
        let Opened {
            mut known,
            position,
        } = opened;
        let follow = async |position: Option<&Position>| {
            let (clock, shutdown) = (clock.clone(), self.shutdown.clone());
            Follower::start(bus, &self.site.id, QUESTIONS, clock, position, shutdown).await
        };
        let mut follower = match follow(position.as_ref()).await {
            Err(error) if error.is_another_log() => {
                tracing::error!("{error}");
                known = known.begin_again()?;
                follow(None).await?
            }
            follower => follower?,
        };
        let mut rounds = Rounds {
            station: StationId::new(STATION)?,
            store: known.store().cloned(),
            known,
            outbox: self.outbox.clone(),
            running: None,
            desk: None,
            day: None,
        };
        let mut owed = kept::owed(told, STATION, folder, WITHOUT);
        let mut rests_until = Instant::now();
        loop {
            tokio::select! {
                biased;
                done = finished(&mut rounds.running) => {
                    let pass = done.context("a round of forecasts ended badly")??;
                    owed = alerts::owed(told, &pass);
                    owed.extend(kept::owed(told, STATION, folder, WITHOUT));
                    rounds.take(pass)?;
                    rounds.known.write(Some(&follower.position()))?;
                    rests_until = Instant::now() + REST;
                }
                news = follower.next() => match news? {
                    News::Stop => break,
                    News::Question(question) => match &rounds.desk {
                        Some(_) => rounds.answer(question),
                        None => follower.still_reading(question).await,
                    },
                    News::Facts(messages) => {
                        for message in &messages {
                            rounds.known.message(message);
                        }
                        rounds.known.write(Some(&follower.position()))?;
                    }
                    News::Tick => {}
                },
                () = tokio::time::sleep_until(rests_until), if rounds.is_due() => {}
            }
            if !follower.is_live() {
                continue; // the past first
            }
            told.tell(bus, &self.site.id, clock.now(), &mut owed)
                .await?;
            if let Some(now) = follower.take_time() {
                rounds.known.now = Some(now);
            }
            if Instant::now() >= rests_until {
                rounds.begin_if_due()?;
            }
        }
        if let Some(running) = rounds.running.take() {
            let _ = running.await; // it has the store
        }
        Ok(())
    }
}

type Running = JoinHandle<Result<Pass, StoreError>>;

async fn finished(
    running: &mut Option<Running>,
) -> Result<Result<Pass, StoreError>, tokio::task::JoinError> {
    match running {
        Some(task) => {
            let done = task.await;
            *running = None;
            done
        }
        None => std::future::pending().await,
    }
}

/// One round of forecasts after the other.
struct Rounds {
    station: StationId,
    known: Known,
    /// Where batches lie that are not at hand.
    store: Option<Arc<Store>>,
    outbox: Outbox,
    running: Option<Running>,
    desk: Option<Arc<Desk>>,
    /// The dairy day of the last round.
    day: Option<DairyDay>,
}

impl Rounds {
    /// Whether something was seen since the last round, and none is at work.
    const fn is_due(&self) -> bool {
        self.known.is_stirred() && self.known.now.is_some() && self.running.is_none()
    }

    fn begin_if_due(&mut self) -> Result<(), StoreError> {
        let Some(now) = self.known.now.filter(|_| self.running.is_none()) else {
            return Ok(());
        };
        let day = self.known.site.clock.day_of(now);
        let new_day = self.day != Some(day);
        if !new_day && !self.known.is_stirred() {
            return Ok(());
        }
        self.day = Some(day);
        if let Some(round) = self.known.round(now)? {
            self.running = Some(tokio::task::spawn_blocking(move || round.work()));
        }
        Ok(())
    }

    fn take(&mut self, pass: Pass) -> anyhow::Result<()> {
        // It is told now, whatever instant it is forecast from.
        let now = self.known.now.unwrap_or(pass.desk.now);
        let told = self.known.back(pass.book, pass.told)?;
        let drafts = told.into_iter().map(|told| Draft {
            occurred_at: now,
            claimed_at: None,
            person: None,
            event: Event::from(told),
        });
        self.outbox.record(&self.station, drafts.collect(), now)?;
        self.desk = Some(Arc::new(pass.desk));
        Ok(())
    }

    /// Answers beside everything else: a question takes a moment of work.
    fn answer(&self, question: Question) {
        let Some(desk) = self.desk.clone() else {
            return;
        };
        let away = self.store.clone();
        let (young, site) = (self.known.young(), self.known.site.clone());
        tokio::spawn(async move {
            if let Err(error) = answer(desk, young, away, site, question).await {
                tracing::warn!(%error, "a question got no answer");
            }
        });
    }
}

async fn answer(
    desk: Arc<Desk>,
    young: Young,
    away: Option<Arc<Store>>,
    site: Site,
    question: Question,
) -> Result<(), BusError> {
    let query = match question.read::<Query>() {
        Ok(query) => query,
        Err(error) => return question.refuse(&error.to_string()).await,
    };
    let work = move || {
        let mut answer = desk.answer(&query, threads());
        let what = query.what.as_deref().map(str::trim);
        let made = what.and_then(|what| young.made(what));
        if let (Err(NoForecast::Unknown(name)), Some(what), Some(store)) = (&answer, what, &away)
            && name.kind == Kind::BatchOrWheel
            && made.is_none()
        {
            // It left long ago.
            match at_hand::from_disk(store, &site, what, desk.now) {
                Ok(Some(batch)) => {
                    let mut desk = Desk::clone(&desk);
                    desk.history.batches.insert(batch.id, batch);
                    answer = desk.answer(&query, threads());
                }
                Ok(None) => {}
                Err(error) => tracing::warn!("{error}"),
            }
        }
        answer.map_err(|none| match (none, made) {
            (NoForecast::Unknown(name), Some(at)) if name.kind == Kind::BatchOrWheel => {
                let at = desk.history.clock.local(at);
                format!(
                    "{} is not forecast yet: it was made {at}; ask again after the next round, tomorrow at the latest",
                    name.asked
                )
                .into()
            }
            (none, _) => refusal(none),
        })
    };
    match tokio::task::spawn_blocking(work).await {
        Ok(answer) => question.reply(answer).await,
        Err(error) => {
            tracing::error!(%error, "a forecast was not finished");
            question.refuse("the forecaster is stopping").await
        }
    }
}

fn refusal(none: NoForecast) -> Refusal {
    match none {
        NoForecast::Unknown(name) => name.into(),
        none => none.to_string().into(),
    }
}

/// How many threads there are to work with.
fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}
