//! Keeps forecasts fresh and lets the floor go by them.
//!
//! Follows the log; when something was seen that a forecast rests on, or a dairy day has
//! begun, everything is forecast again. What has changed by a day or more is stated as a
//! fact, `batch.forecast`: so the rules that go by it stay a matter of facts alone, the same
//! after a rebuild as before, and what people planned by can be explained later. Questions
//! are answered from the latest forecasts.

mod alerts;
mod known;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use bus::telling::Told;
use bus::{Bus, BusError, Clock, Draft, Outbox, Question, Refusal, Shutdown, Tick, kept};
use facts::{Event, StationId};
use forecast::{Desk, NoForecast, Query};
use names::Kind;
use quantity::DairyDay;
use site::Site;
use tokio::task::JoinHandle;
use tokio::time::Instant;

use known::{Known, Pass, Young};

/// The station that states forecasts.
pub const STATION: &str = "forecaster";

/// The questions that a forecaster answers.
pub const QUESTIONS: &[&str] = &["forecast"];

/// What people were told, in this worker's folder.
const TOLD: &str = "told.txt";

/// What is done without a file that was damaged, for whoever hears of it.
const WITHOUT: &[(&str, &str)] = &[(TOLD, "What people were told was read back from the broker")];

/// How many messages are taken at once.
const CHUNK: usize = 4_096;

/// Between two rounds of forecasts. A stack of scans is one round, not twenty.
const REST: Duration = Duration::from_secs(2);

/// Forecasts until shutdown.
///
/// # Errors
/// When the folder cannot be used, or the broker no longer has the log.
pub async fn run(
    site: Site,
    bus: Bus,
    mut clock: Clock,
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
    let mut log = bus.floor_after(None).await?;
    let end = bus.floor_end().await?;
    let mut questions = bus.questions(&site.id, QUESTIONS).await?;
    let mut rounds = Rounds {
        station: StationId::new(STATION)?,
        known: Known::new(site),
        outbox,
        running: None,
        desk: None,
        day: None,
        seq: 0,
        end,
    };
    let mut owed = kept::owed(&told, STATION, &folder, WITHOUT);
    let mut waiting: Option<Tick> = None;
    let mut rests_until = Instant::now();
    loop {
        tokio::select! {
            biased;
            () = shutdown.requested() => break,
            Some(question) = questions.next() => rounds.answer(question),
            done = finished(&mut rounds.running) => {
                let pass = done.context("a round of forecasts ended badly")?;
                owed = alerts::owed(&told, &pass);
                owed.extend(kept::owed(&told, STATION, &folder, WITHOUT));
                rounds.take(pass)?;
                rests_until = Instant::now() + REST;
            }
            chunk = log.next_chunk(CHUNK) => {
                for message in chunk? {
                    rounds.known.message(&message);
                }
                rounds.seq = log.position().seq;
            }
            tick = clock.next_tick() => waiting = Some(tick),
            () = tokio::time::sleep_until(rests_until), if rounds.is_due() => {}
        }
        if rounds.seq < end {
            continue; // the past first
        }
        told.tell(&bus, &site_id, clock.now(), &mut owed).await?;
        if let Some(tick) = waiting.take_if(|tick| rounds.seq >= tick.after_seq) {
            rounds.known.now = Some(tick.now);
        }
        if clock.is_the_machines() {
            rounds.known.now = Some(clock.now());
        }
        if Instant::now() >= rests_until {
            rounds.begin_if_due();
        }
    }
    draining.await.context("the outbox stopped")?;
    Ok(())
}

async fn finished(running: &mut Option<JoinHandle<Pass>>) -> Result<Pass, tokio::task::JoinError> {
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
    outbox: Outbox,
    running: Option<JoinHandle<Pass>>,
    desk: Option<Arc<Desk>>,
    /// The dairy day of the last round.
    day: Option<DairyDay>,
    /// How far the log was read, and where it ended when reading began.
    seq: u64,
    end: u64,
}

impl Rounds {
    /// Whether something was seen since the last round, and none is at work.
    const fn is_due(&self) -> bool {
        self.known.is_stirred() && self.known.now.is_some() && self.running.is_none()
    }

    fn begin_if_due(&mut self) {
        let Some(now) = self.known.now.filter(|_| self.running.is_none()) else {
            return;
        };
        let day = self.known.site.clock.day_of(now);
        let new_day = self.day != Some(day);
        if !new_day && !self.known.is_stirred() {
            return;
        }
        self.day = Some(day);
        let before = self.desk.as_ref().map(|desk| &desk.habits);
        let Some(round) = self.known.round(now, before) else {
            return;
        };
        self.running = Some(tokio::task::spawn_blocking(move || round.work()));
    }

    fn take(&mut self, pass: Pass) -> Result<(), bus::OutboxError> {
        // It is told now, whatever instant it is forecast from.
        let now = self.known.now.unwrap_or(pass.desk.now);
        let told = self.known.back(pass.facts, pass.told);
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
        let desk = self.desk.clone();
        let (seq, end) = (self.seq, self.end);
        let young = self.known.young();
        tokio::spawn(async move {
            let answered = match desk {
                Some(desk) => answer(desk, young, question).await,
                None => question.still_reading(seq, end).await,
            };
            if let Err(error) = answered {
                tracing::warn!(%error, "a question got no answer");
            }
        });
    }
}

async fn answer(desk: Arc<Desk>, young: Young, question: Question) -> Result<(), BusError> {
    let query = match question.read::<Query>() {
        Ok(query) => query,
        Err(error) => return question.refuse(&error.to_string()).await,
    };
    let work = move || {
        desk.answer(&query, threads()).map_err(|none| {
            let made = query.what.and_then(|what| young.made(what.trim()));
            match (none, made) {
                (NoForecast::Unknown(name), Some(at)) if name.kind == Kind::BatchOrWheel => {
                    let at = desk.history.clock.local(at);
                    format!(
                        "{} is not forecast yet: it was made {at}; ask again after the next round, tomorrow at the latest",
                        name.asked
                    )
                    .into()
                }
                (none, _) => refusal(none),
            }
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
