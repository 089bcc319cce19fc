//! What time it is: the machine's clock, or one that a demo or a test drives.

use std::time::Duration;

use chrono::{DateTime, Utc};
use facts::{SiteId, calendar};
use futures::StreamExt as _;
use serde::{Deserialize, Serialize};
use tokio::sync::{broadcast, watch};
use tokio::time::MissedTickBehavior;

use crate::{Bus, BusError};

/// How many ticks a slow reader may be behind before the oldest are skipped.
const TICKS_KEPT: usize = 4096;

/// The clock moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tick {
    /// What time it is now.
    pub now: DateTime<Utc>,
    /// The number in the floor's log that happened before this tick: whoever folds the
    /// log takes that far before it takes the tick. 0: nothing to wait for.
    pub after_seq: u64,
}

/// Where the time comes from. A clone hears the ticks that come after it was made.
#[derive(Debug, Clone)]
pub enum Clock {
    /// The machine's clock.
    System(Seconds),
    /// Ticks heard on `clock.<site>`.
    Bus(BusClock),
}

/// The seconds of the machine's clock. They go on while nobody waits for them: whoever drops
/// a wait half-way, to answer a question, finds the tick there the next time.
#[derive(Debug, Default)]
pub struct Seconds(Option<tokio::time::Interval>);

impl Clone for Seconds {
    fn clone(&self) -> Self {
        Self::default()
    }
}

impl Seconds {
    async fn next(&mut self) {
        let interval = self.0.get_or_insert_with(|| {
            let mut interval = tokio::time::interval(Duration::from_secs(1));
            interval.set_missed_tick_behavior(MissedTickBehavior::Delay);
            interval
        });
        interval.tick().await;
    }
}

/// A clock driven over the bus.
#[derive(Debug)]
pub struct BusClock {
    /// The tick heard last.
    latest: watch::Receiver<Tick>,
    /// Every tick in the order of arrival.
    ticks: broadcast::Receiver<Tick>,
}

impl Clone for BusClock {
    fn clone(&self) -> Self {
        Self {
            latest: self.latest.clone(),
            ticks: self.ticks.resubscribe(),
        }
    }
}

impl Clock {
    /// The machine's clock.
    #[must_use]
    pub const fn system() -> Self {
        Self::System(Seconds(None))
    }

    /// Whether it is the machine's own: then the present is always known.
    #[must_use]
    pub const fn is_the_machines(&self) -> bool {
        matches!(self, Self::System(_))
    }

    /// The site's clock on the bus. Returns once the first tick was heard, which is also
    /// the first that [`Clock::next_tick`] gives.
    ///
    /// # Errors
    /// When the broker does not let us listen.
    pub async fn from_bus(bus: &Bus, site: &SiteId) -> Result<Self, BusError> {
        let subject = format!("clock.{site}");
        let doing = format!("listening on {subject}");
        let mut messages =
            bus.client()
                .subscribe(subject.clone())
                .await
                .map_err(|_| BusError::Unread {
                    doing: doing.clone(),
                })?;
        let first = loop {
            match messages.next().await {
                Some(message) => {
                    if let Some(tick) = read(&message.payload) {
                        break tick;
                    }
                }
                None => return Err(BusError::Unread { doing }),
            }
        };
        let (latest_in, latest) = watch::channel(first);
        let (ticks_in, ticks) = broadcast::channel(TICKS_KEPT);
        // The channel was made one line above and holds far more than one.
        let _ = ticks_in.send(first);
        tokio::spawn(async move {
            while let Some(message) = messages.next().await {
                let Some(tick) = read(&message.payload) else {
                    continue;
                };
                // Ticks apply by arrival: the driver may set the clock back.
                latest_in.send_replace(tick);
                let _ = ticks_in.send(tick);
                if latest_in.is_closed() {
                    break;
                }
            }
        });
        Ok(Self::Bus(BusClock { latest, ticks }))
    }

    /// What time it is: by the machine, or by the tick heard last.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        match self {
            Self::System(_) => machine_now(),
            Self::Bus(clock) => clock.latest.borrow().now,
        }
    }

    /// Waits for the next tick: of the machine's clock about every second; of the bus in
    /// the order of arrival. Safe to drop half-way.
    pub async fn next_tick(&mut self) -> Tick {
        match self {
            Self::System(seconds) => {
                seconds.next().await;
                Tick {
                    now: machine_now(),
                    after_seq: 0,
                }
            }
            Self::Bus(clock) => loop {
                match clock.ticks.recv().await {
                    Ok(tick) => return tick,
                    // The oldest are gone; the next call gives the oldest still there.
                    Err(broadcast::error::RecvError::Lagged(skipped)) => {
                        tracing::debug!(skipped, "clock ticks skipped");
                    }
                    // The connection is closed for good: time stands still.
                    Err(broadcast::error::RecvError::Closed) => std::future::pending().await,
                }
            },
        }
    }
}

impl Bus {
    /// Drives the site's clock: every [`Clock::from_bus`] of the site hears it.
    ///
    /// # Errors
    /// When the broker is away.
    pub async fn tick(
        &self,
        site: &SiteId,
        now: DateTime<Utc>,
        after_seq: u64,
    ) -> Result<(), BusError> {
        let subject = format!("clock.{site}");
        let body =
            serde_json::to_vec(&Tick { now, after_seq }).map_err(|reason| BusError::Json {
                what: "a tick".to_owned(),
                reason,
            })?;
        let unanswered = || BusError::Unanswered {
            doing: "driving the clock".to_owned(),
        };
        self.client()
            .publish(subject, body.into())
            .await
            .map_err(|_| unanswered())?;
        self.client().flush().await.map_err(|_| unanswered())
    }
}

fn read(body: &[u8]) -> Option<Tick> {
    serde_json::from_slice(body)
        .inspect_err(|error| tracing::warn!(%error, "a clock tick cannot be read; skipped"))
        .ok()
        .filter(|tick: &Tick| calendar::instant(tick.now).is_ok())
}

#[allow(clippy::disallowed_methods)] // the one place where a worker may ask the machine
fn machine_now() -> DateTime<Utc> {
    Utc::now()
}
