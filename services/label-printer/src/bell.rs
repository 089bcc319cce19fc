//! What a person should know of printers and labels: alerts, each told once.
//!
//! What was told, and what waits to be told, lies in the outbox: a restart neither repeats
//! nor forgets it, and the broker may be away.

use std::sync::{Arc, Mutex, PoisonError};

use anyhow::Context as _;
use bus::retry::Backoff;
use bus::{Bus, Clock, Outbox, Shutdown};
use chrono::{DateTime, Utc};
use facts::{SiteId, StationId};
use serde::{Deserialize, Serialize};
use tokio::sync::Notify;

const TOLD: &[u8] = b"told/";
const RING: &[u8] = b"ring/";

/// Rings for alerts, from every lane.
#[derive(Debug, Clone)]
pub struct Bell {
    outbox: Outbox,
    station: StationId,
    clock: Clock,
    more: Arc<Notify>,
    /// Held while an alert gets its number.
    order: Arc<Mutex<()>>,
}

/// What people have been told of and not yet told is over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Open {
    /// The alert's name, the same from raised to cleared.
    pub alert: String,
    /// What kind of trouble.
    pub kind: String,
    /// What people were told.
    pub text: String,
    /// Since when.
    pub since: DateTime<Utc>,
}

/// One message, as the notifier passes it on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Message {
    alert: String,
    step: String,
    severity: String,
    situation: String,
    text: String,
    since: DateTime<Utc>,
}

impl Bell {
    /// A bell that keeps its memory in this outbox.
    #[must_use]
    pub fn new(outbox: Outbox, station: StationId, clock: Clock) -> Self {
        Self {
            outbox,
            station,
            clock,
            more: Arc::default(),
            order: Arc::default(),
        }
    }

    /// What people have been told about this.
    ///
    /// # Errors
    /// When our own disk cannot be read.
    pub fn open(&self, about: &str) -> anyhow::Result<Option<Open>> {
        let told = self.outbox.note(&told_key(about))?;
        Ok(told.map(|told| serde_json::from_slice(&told)).transpose()?)
    }

    /// Tells people, unless they were told of the same kind of trouble.
    ///
    /// # Errors
    /// When our own disk cannot be written.
    pub fn raise(&self, about: &str, kind: &str, text: &str) -> anyhow::Result<()> {
        let before = self.open(about)?;
        if before.as_ref().is_some_and(|open| open.kind == kind) {
            return Ok(());
        }
        let since = self.clock.now();
        let open = Open {
            alert: format!("label-{}-{kind}-{}", token(about), since.timestamp()),
            kind: kind.to_owned(),
            text: text.to_owned(),
            since,
        };
        tracing::warn!("{text}");
        let mut messages = Vec::new();
        if let Some(before) = before {
            messages.push(message(&before, "cleared", "notice", &before.text));
        }
        messages.push(message(&open, "raised", "warning", text));
        self.keep(about, Some(&open), &messages)
    }

    /// Tells people that it is over, if they were told of it.
    ///
    /// # Errors
    /// When our own disk cannot be written.
    pub fn clear(&self, about: &str, text: &str) -> anyhow::Result<()> {
        let Some(open) = self.open(about)? else {
            return Ok(());
        };
        tracing::info!("{text}");
        self.keep(about, None, &[message(&open, "cleared", "notice", text)])
    }

    fn keep(&self, about: &str, open: Option<&Open>, messages: &[Message]) -> anyhow::Result<()> {
        let _order = self.order.lock().unwrap_or_else(PoisonError::into_inner);
        let last = self.outbox.notes(RING).next().transpose()?;
        let last = last.and_then(|(key, _)| number(&key)).unwrap_or(0);
        let mut notes = vec![(told_key(about), open.map(serde_json::to_vec).transpose()?)];
        for (message, number) in messages.iter().zip(last + 1..) {
            notes.push((ring_key(number), Some(serde_json::to_vec(message)?)));
        }
        self.outbox
            .record_with(&self.station, Vec::new(), self.clock.now(), |_| notes)
            .context("keeping an alert")?;
        self.more.notify_one();
        Ok(())
    }

    /// How many messages wait for the broker.
    ///
    /// # Errors
    /// When our own disk cannot be read.
    pub fn waiting(&self) -> anyhow::Result<usize> {
        Ok(self
            .outbox
            .notes(RING)
            .collect::<Result<Vec<_>, _>>()?
            .len())
    }

    /// Passes messages on until asked to stop; what is left waits for the next run.
    ///
    /// # Errors
    /// When our own disk cannot be read or written.
    pub async fn ring(&self, bus: &Bus, site: &SiteId, shutdown: &Shutdown) -> anyhow::Result<()> {
        let mut backoff = Backoff::default();
        loop {
            let waiting = self.outbox.notes(RING).collect::<Result<Vec<_>, _>>()?;
            // The last key comes first.
            let Some((key, body)) = waiting.into_iter().next_back() else {
                tokio::select! {
                    () = self.more.notified() => continue,
                    () = shutdown.requested() => return Ok(()),
                }
            };
            let message: Message = serde_json::from_slice(&body)?;
            let id = format!("{}-{}", message.alert, message.step);
            let publishing = bus.publish_derived(site, bus::telling::TOPIC, &id, &body);
            let published = tokio::select! {
                published = publishing => published,
                () = shutdown.requested() => return Ok(()),
            };
            match published {
                Ok(()) => {
                    backoff.reset();
                    self.outbox
                        .record_with(&self.station, Vec::new(), self.clock.now(), |_| {
                            vec![(key, None)]
                        })?;
                }
                Err(error) => {
                    tracing::debug!(%error, "an alert waits");
                    tokio::select! {
                        () = backoff.wait() => {}
                        () = shutdown.requested() => return Ok(()),
                    }
                }
            }
        }
    }
}

fn message(open: &Open, step: &str, severity: &str, text: &str) -> Message {
    Message {
        alert: open.alert.clone(),
        step: step.to_owned(),
        severity: severity.to_owned(),
        situation: "labels".to_owned(),
        text: text.to_owned(),
        since: open.since,
    }
}

fn told_key(about: &str) -> Vec<u8> {
    [TOLD, about.as_bytes()].concat()
}

fn ring_key(number: u64) -> Vec<u8> {
    [RING, &number.to_be_bytes()].concat()
}

fn number(key: &[u8]) -> Option<u64> {
    let bytes = key.strip_prefix(RING)?;
    bytes.try_into().ok().map(u64::from_be_bytes)
}

/// Fit for a message's id.
fn token(about: &str) -> String {
    let fit = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    about.chars().map(fit).collect()
}
