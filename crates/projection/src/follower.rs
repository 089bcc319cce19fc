//! The one loop: the log, questions and the time, in an order that a worker can rely on.

use std::time::Duration;

use bus::{Bus, BusError, Clock, FloorLog, Position, Question, Questions, Shutdown, Stored, Tick};
use chrono::{DateTime, Utc};
use facts::SiteId;
use tokio::time::Instant;

/// How many messages are taken at once when many wait.
pub const CHUNK: usize = 4_096;

/// How often a long reading says how far it is.
const SAYS_EVERY: Duration = Duration::from_secs(5);

/// What comes to a worker.
#[allow(clippy::large_enum_variant)] // there is one at a time, and it is taken at once
pub enum News {
    /// The log's next messages, in order.
    Facts(Vec<Stored>),
    /// Somebody asks. Only what is asked once the log has been read to its end comes here.
    Question(Question),
    /// A second has passed, or a driven clock has moved: see [`Follower::take_time`].
    Tick,
    /// The worker has to end.
    Stop,
}

/// Follows a site's log for one worker, from the position that its store stands for.
pub struct Follower {
    bus: Bus,
    log: FloorLog,
    questions: Questions,
    clock: Clock,
    shutdown: Shutdown,
    /// A tick of a driven clock before which something happened that has not been read yet.
    waiting: Option<Tick>,
    /// The log's end when reading began: until then nothing can be said.
    end: u64,
    reading: Reading,
    /// Whether questions come to the worker before the log has been read.
    asked_early: bool,
}

/// How the reading of the log goes on.
struct Reading {
    from: u64,
    began: Instant,
    said: Instant,
}

impl Follower {
    /// Begins to follow after a position; `None` from the beginning.
    ///
    /// # Errors
    /// [`BusError`] when the broker does not answer, or no longer has the log that was read.
    pub async fn start(
        bus: &Bus,
        site: &SiteId,
        questions: &[&str],
        clock: Clock,
        position: Option<&Position>,
        shutdown: Shutdown,
    ) -> Result<Self, BusError> {
        let log = bus.floor_after(position).await?;
        let questions = bus.questions(site, questions).await?;
        let end = bus.floor_end().await?;
        let now = Instant::now();
        let from = log.seq();
        tracing::info!(from, end, "reading the log");
        bus.vitals().has_read_to(from);
        Ok(Self {
            bus: bus.clone(),
            log,
            questions,
            clock,
            shutdown,
            waiting: None,
            end,
            reading: Reading {
                from,
                began: now,
                said: now,
            },
            asked_early: false,
        })
    }

    /// Lets questions come while the log is still being read: the worker keeps them, or says
    /// itself how far it is.
    #[must_use]
    pub const fn asked_early(mut self) -> Self {
        self.asked_early = true;
        self
    }

    /// What comes next. Safe to drop half-way. While the log is still being read, questions are
    /// answered with how far it is.
    ///
    /// # Errors
    /// [`BusError`] when the broker no longer has the log that was read.
    pub async fn next(&mut self) -> Result<News, BusError> {
        loop {
            // None before the others: a long reading must not leave people without answers, nor
            // many questions the worker without its clock.
            tokio::select! {
                () = self.shutdown.requested() => return Ok(News::Stop),
                Some(question) = self.questions.next() => {
                    if self.is_live() || self.asked_early {
                        return Ok(News::Question(question));
                    }
                    self.still_reading(question).await;
                }
                tick = self.clock.next_tick() => {
                    self.waiting = Some(tick);
                    return Ok(News::Tick);
                }
                chunk = self.log.next_chunk(CHUNK) => {
                    let chunk = chunk?;
                    self.bus.vitals().has_read_to(self.seq());
                    self.say_how_far();
                    return Ok(News::Facts(chunk));
                }
            }
        }
    }

    /// Messages up to the log's present end, for whoever has to know every fact that there was
    /// when it was asked. `None` once they are read. While the broker is away nothing is waited
    /// for.
    ///
    /// # Errors
    /// As [`Follower::next`].
    pub async fn up_to(&mut self, end: u64) -> Result<Option<Vec<Stored>>, BusError> {
        if self.seq() >= end {
            return Ok(None);
        }
        self.log.next_chunk(CHUNK).await.map(Some)
    }

    /// What time it is; of a driven clock each time once, when all that happened before it has
    /// been read.
    pub fn take_time(&mut self) -> Option<DateTime<Utc>> {
        if self.clock.is_the_machines() {
            return Some(self.clock.now());
        }
        let seq = self.seq();
        let tick = self.waiting.take_if(|tick| seq >= tick.after_seq);
        tick.map(|tick| tick.now)
    }

    /// The clock.
    #[must_use]
    pub const fn clock(&self) -> &Clock {
        &self.clock
    }

    /// Answers a question with how far the log has been read.
    pub async fn still_reading(&self, question: Question) {
        if let Err(error) = question.still_reading(self.seq(), self.end).await {
            tracing::warn!(%error, "a question got no answer");
        }
    }

    /// After the last message that came.
    #[must_use]
    pub fn position(&self) -> Position {
        self.log.position()
    }

    /// Its number.
    #[must_use]
    pub const fn seq(&self) -> u64 {
        self.log.seq()
    }

    /// The log's end when reading began.
    #[must_use]
    pub const fn end(&self) -> u64 {
        self.end
    }

    /// Whether everything has been read that the log had when reading began.
    #[must_use]
    pub const fn is_live(&self) -> bool {
        self.seq() >= self.end
    }

    /// The broker.
    #[must_use]
    pub const fn bus(&self) -> &Bus {
        &self.bus
    }

    fn say_how_far(&mut self) {
        let now = Instant::now();
        if self.is_live() || now.duration_since(self.reading.said) < SAYS_EVERY {
            return;
        }
        self.reading.said = now;
        let (read, left) = (
            self.seq().saturating_sub(self.reading.from),
            self.end.saturating_sub(self.seq()),
        );
        let seconds = now.duration_since(self.reading.began).as_secs().max(1);
        let per_second = (read / seconds).max(1);
        tracing::info!(
            percent = self.seq().saturating_mul(100) / self.end.max(1),
            facts_per_s = per_second,
            seconds_left = left / per_second,
            "still reading the log"
        );
    }
}
