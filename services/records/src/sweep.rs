//! The ledger against the log, again and again, from the first record on and slowly: a start
//! reads only what is new, and what was written down long ago must not be taken on trust for
//! ever.

use std::path::{Path, PathBuf};
use std::time::Duration;

use bus::{Bus, BusError, FloorLog, Position};
use facts::{SiteId, stored_struct};
use seal::{Entry, Seal};

use crate::error::RecordsError;
use crate::keeper::{Keeper, begins, gone_from_the_log};
use crate::lines::{Lines, Mark, Place};
use crate::matching::Matching;

/// Messages compared at a time.
const STRETCH: usize = 512;

/// How far a round has come is stored after so many stretches.
const STORED_EVERY: u32 = 32;

/// Comparing takes half a hundredth of one core at most, the broker's part included: it rests
/// so many times as long as it worked.
const RESTS: u32 = 199;

/// From the end of a round to the next.
const BETWEEN: Duration = Duration::from_secs(24 * 3600);

/// How soon it is tried again while the broker does not answer.
const AGAIN: Duration = Duration::from_secs(60);

/// How far a round has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Round {
    mark: Mark,
    position: Position,
}

stored_struct!(Round { mark, position });

/// What a stretch of a round came to.
#[derive(Debug)]
pub struct Step {
    /// What is not as it was written down.
    pub wrong: Vec<String>,
    /// How far the round has come, where that is worth storing.
    pub reached: Option<Reached>,
}

/// How far a round has come.
#[derive(Debug)]
pub enum Reached {
    /// So far.
    Here(Round),
    /// To its end.
    End,
}

/// Compares the ledger with the log.
pub(crate) struct Sweep {
    bus: Bus,
    dir: PathBuf,
    site: SiteId,
    ours: String,
    begun: Option<Begun>,
    rests_until: tokio::time::Instant,
}

struct Begun {
    /// None once all of it was shown.
    lines: Option<Lines>,
    matching: Matching,
    log: FloorLog,
    /// The ledger's records when the round went on, and how far the log was written down then: the
    /// last record need not be the one with the highest number.
    records: u64,
    end: u64,
    seal: Option<Seal>,
    /// How many of them were known to be gone from the log when the round began.
    gone: usize,
    stretches: u32,
}

impl Sweep {
    pub(crate) fn new(bus: &Bus, dir: &Path, site: SiteId) -> Self {
        Self {
            bus: bus.clone(),
            dir: dir.to_owned(),
            site,
            ours: format!("floor.{site}."),
            begun: None,
            rests_until: tokio::time::Instant::now(),
        }
    }

    /// Begins a round, or goes on with one.
    ///
    /// # Errors
    /// [`RecordsError`]; a broker that does not answer is asked again later.
    pub(crate) async fn begin(&mut self, keeper: &Keeper) -> Result<(), RecordsError> {
        let rests = self.rests_until > tokio::time::Instant::now();
        if self.begun.is_some() || rests {
            return Ok(());
        }
        let round = keeper.round()?;
        let (mark, position) = round.map(|round| (round.mark, round.position)).unzip();
        let place = |mark| Place::of(mark, &self.site);
        let lines = Lines::open(&self.dir, place(mark.unwrap_or_default()))?;
        let (lines, position) = match lines {
            Some(lines) => (Some(lines), position),
            None => (Lines::open(&self.dir, place(Mark::default()))?, None),
        };
        let log = match self.bus.floor_after(position.as_ref()).await {
            Err(error) => {
                self.later(&error);
                return Ok(());
            }
            Ok(log) => log,
        };
        let end = keeper.end();
        self.begun = lines.map(|lines| Begun {
            lines: Some(lines),
            matching: Matching::default(),
            log,
            records: end.ledger().count(),
            end: keeper.seq(),
            seal: keeper.last_seal().cloned(),
            gone: keeper.gone(),
            stretches: 0,
        });
        Ok(())
    }

    /// The next stretch, after a rest; `None` when it is time to begin. Safe to drop half-way.
    pub(crate) async fn next(&mut self) -> Option<Step> {
        tokio::time::sleep_until(self.rests_until).await;
        let begun = self.begun.as_mut()?;
        let began = tokio::time::Instant::now();
        let chunk = if begun.is_over() {
            Vec::new()
        } else {
            match begun.log.next_chunk(STRETCH).await {
                Ok(chunk) => chunk,
                Err(error) => {
                    self.later(&error);
                    return None;
                }
            }
        };
        let wrong = begun.compare(&chunk, &self.ours);
        begun.stretches += 1;
        let (reached, rest) = if begun.is_over() {
            self.begun = None;
            (Some(Reached::End), BETWEEN)
        } else {
            // Where they are not beside each other, a round that is broken off begins anew.
            let worth_it = begun.stretches.is_multiple_of(STORED_EVERY) && begun.matching.is_even();
            let lines = begun.lines.as_ref().filter(|_| worth_it);
            let here = lines.map(|lines| Round {
                mark: lines.place().mark(),
                position: begun.log.position(),
            });
            (here.map(Reached::Here), began.elapsed() * RESTS)
        };
        self.rests_until = tokio::time::Instant::now() + rest;
        Some(Step { wrong, reached })
    }

    /// That the log is another one is found by whoever follows it.
    fn later(&mut self, error: &BusError) {
        tracing::debug!(%error, "the ledger is compared with the log later");
        self.begun = None;
        self.rests_until = tokio::time::Instant::now() + AGAIN;
    }
}

impl Begun {
    fn is_over(&self) -> bool {
        self.log.position().seq >= self.end
    }

    fn compare(&mut self, chunk: &[bus::Stored], ours: &str) -> Vec<String> {
        let mut wrong = Vec::new();
        for message in chunk {
            if message.seq > self.end || !begins(&message.subject, ours) {
                continue;
            }
            let is = Entry::of(&crate::line(message), message.seq);
            wrong.extend(self.matching.pass(is, &mut self.lines));
            let ledger = self.lines.as_ref().map(|lines| lines.place().ledger());
            let seal = self.seal.as_ref().map(|seal| &seal.statement);
            if let Some((seal, ledger)) = seal.zip(ledger)
                && seal.last == ledger.count()
                && seal.head != ledger.head()
                && wrong.is_empty()
            {
                wrong.push(format!(
                    "number {}: the ledger does not chain up to the seal of {}",
                    seal.last, seal.day
                ));
            }
        }
        if self.is_over() {
            // Also what was written down since: the log may have it further down.
            for line in self.lines.take().into_iter().flatten() {
                wrong.extend(self.matching.line_alone(line));
            }
            let gone = self.matching.owed_to(self.records);
            // Of what was known to be gone people have heard, and it may have come back.
            if gone > self.gone {
                wrong.push(gone_from_the_log(gone));
            }
            let unknown = self.matching.take_new();
            let unknown = unknown.iter();
            wrong.extend(unknown.map(|is| {
                format!(
                    "the log has {is} at {}, which was never written down",
                    is.seq
                )
            }));
        }
        wrong
    }
}
