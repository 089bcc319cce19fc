//! What was sent, beside what the log has of it: a broker may lose what it acknowledged.
//!
//! The log only ever grows: a broker that loses something loses the end of it, with a crash, a
//! damaged file or an older folder. So the last message of a station in the log must be the last
//! that it acknowledged, and there are never fewer than before. Where that is not so, or where it
//! costs little, every id is read; what the log does not have goes again under the same ids, so
//! that the fold takes each once.

use std::collections::{BTreeMap, HashSet};
use std::sync::atomic::Ordering;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use facts::FactId;
use tokio::time::Instant;

use super::Outbox;
use crate::telling::Telling;
use crate::{Bus, BusError, Clock, OutboxError};

/// How often it is compared on one connection: a cluster loses what it had without a new one.
const EVERY: Duration = Duration::from_secs(600);

/// How soon it is tried again when the broker did not answer; twice as long each time.
const AGAIN: Duration = Duration::from_secs(20);

/// How long a look may take: what people scan waits for it.
const WITHIN: Duration = Duration::from_secs(30);

/// After so many tries whoever waits for a look goes on without.
const TRIES: u32 = 3;

/// Of so few messages all ids are read.
const FEW: u64 = 20_000;

/// The clocks of a station and the broker differ by less, as far as it saves work.
const CLOCKS_DIFFER: TimeDelta = TimeDelta::days(7);

/// What has been compared.
#[derive(Debug)]
pub(super) struct Compared {
    connection: Option<u64>,
    due: Instant,
    /// How many looks have failed since the last that did not. Until one succeeds facts may have
    /// been sent, so that the last message says nothing.
    failed: u32,
    looked: bool,
    /// How many messages the log had on some subjects.
    had: BTreeMap<String, u64>,
    /// What was sent again on this connection: it is not sent a third time.
    again: HashSet<FactId>,
}

/// Why it could not be compared now.
#[derive(Debug, thiserror::Error)]
pub(super) enum NotCompared {
    #[error(transparent)]
    Bus(#[from] BusError),
    #[error(transparent)]
    Outbox(#[from] OutboxError),
}

impl Compared {
    pub(super) fn new() -> Self {
        Self {
            connection: None,
            due: Instant::now(),
            failed: 0,
            looked: false,
            had: BTreeMap::new(),
            again: HashSet::new(),
        }
    }

    /// How long until the next time on the same connection.
    pub(super) fn due_in(&self) -> Duration {
        self.due.saturating_duration_since(Instant::now())
    }

    /// Lets whatever the log has lost wait again, when it is time to look. What people have to
    /// hear of it goes to `tell`. Where the broker does not answer in time, what waits is sent,
    /// and it is looked again later.
    pub(super) async fn with_the_log(
        &mut self,
        outbox: &Outbox,
        bus: &Bus,
        tell: &mut Vec<Telling>,
    ) {
        let connection = bus.link().borrow().connections;
        let new = self.connection != Some(connection);
        if outbox.is_never_compared() {
            self.due = Instant::now() + EVERY;
            return;
        }
        if !bus.is_connected() || (!new && self.due_in() > Duration::ZERO) {
            return;
        }
        if new {
            self.connection = Some(connection);
            self.again.clear();
        }
        let everything = self.failed > 0 || !self.looked;
        // Until it is done: also when somebody stops waiting for it.
        let wait = AGAIN.saturating_mul(1 << self.failed.min(5));
        self.failed += 1;
        self.due = Instant::now() + wait.min(EVERY);
        let look = self.look((outbox, bus), (new, everything), tell);
        match tokio::time::timeout(WITHIN, look).await {
            Ok(Ok(())) => {
                (self.failed, self.looked) = (0, true);
                self.due = Instant::now() + EVERY;
            }
            Ok(Err(error)) => not_known(&error),
            Err(late) => not_known(&late),
        }
        if self.failed == 0 || self.failed >= TRIES {
            let compared_on = &outbox.inner.compared_on;
            compared_on.store(connection, Ordering::Release);
        }
    }

    async fn look(
        &mut self,
        (outbox, bus): (&Outbox, &Bus),
        (new, everything): (bool, bool),
        tell: &mut Vec<Telling>,
    ) -> Result<(), NotCompared> {
        // A broker that was started on an empty folder has no log until somebody makes it.
        bus.ready().await?;
        for (subjects, sent) in outbox.sent()? {
            let has = bus.floor_count_on(&subjects).await?;
            let had = self.had.get(&subjects).copied().unwrap_or(0);
            let mut whole = !everything && has > FEW && has >= had;
            if whole && new {
                whole = bus.floor_last_on(&subjects).await? == sent.last().copied();
            }
            if !whole {
                // What was sent is of the last days or weeks, and the log may go back for years:
                // only if something is missing there is all of it looked through.
                let since = sent.iter().filter_map(|id| id.received()).min();
                let since = since.and_then(|at| at.checked_sub_signed(CLOCKS_DIFFER));
                let mut lost: HashSet<FactId> = sent.into_iter().collect();
                if let Some(since) = since {
                    let there = bus.floor_ids_since(&subjects, since).await?;
                    lost.retain(|id| !there.contains(id));
                }
                if !lost.is_empty() {
                    let there = bus.floor_ids_on(&subjects, has).await?;
                    lost.retain(|id| !there.contains(id));
                }
                if !lost.is_empty() {
                    // From before a fact's subject named its station, it lies on another.
                    let old = subjects.rsplit_once('.').map_or("", |(old, _)| old);
                    let old = match bus.floor_count_on(old).await? {
                        0 => HashSet::new(),
                        many => bus.floor_ids_on(old, many).await?,
                    };
                    lost.retain(|id| !old.contains(id) && !self.again.contains(id));
                }
                let station = subjects.rsplit('.').next().unwrap_or_default();
                self.send_again(outbox, station, lost, tell)?;
            }
            self.had.insert(subjects, has);
        }
        Ok(())
    }

    fn send_again(
        &mut self,
        outbox: &Outbox,
        station: &str,
        lost: HashSet<FactId>,
        tell: &mut Vec<Telling>,
    ) -> Result<(), OutboxError> {
        if lost.is_empty() {
            return Ok(());
        }
        let again = outbox.send_again(|fact| lost.contains(&fact.id))?;
        self.again.extend(lost);
        tracing::error!(
            station,
            again,
            "the broker had lost facts that it had acknowledged: they go again"
        );
        tell.push(healed(station, again, Clock::system().now()));
        Ok(())
    }
}

fn not_known(error: &dyn std::error::Error) {
    tracing::warn!(%error, "whether the broker still has what it acknowledged is not known; it is looked again");
}

/// What cannot come back is told by the scheduler, which sees the numbers that are missing.
fn healed(station: &str, again: usize, now: DateTime<Utc>) -> Telling {
    let text = format!(
        "station {station}: the broker had lost {again} of its facts that it had acknowledged; the station kept them and has sent them again. Look at the broker's disk, and run `wheelward verify`"
    );
    let id = format!("sent-again-{station}-{}", now.format("%Y-%m-%d-%H%M%S"));
    Telling::warning(id, text)
}
