//! Reading the floor's log, in order, from a position that the reader keeps itself.

use std::collections::HashSet;
use std::time::Duration;

use async_nats::header::HeaderName;
use async_nats::jetstream::consumer::{AckPolicy, Consumer, DeliverPolicy, ReplayPolicy, pull};
use async_nats::jetstream::context::GetStreamErrorKind;
use async_nats::jetstream::stream::RawMessageErrorKind;
use async_nats::jetstream::{self, stream};
use async_nats::{HeaderMap, Subject};
use bytes::Bytes;
use chrono::{DateTime, SecondsFormat, Utc};
use facts::{FactId, SiteId, wire};
use futures::{FutureExt as _, StreamExt as _};
use serde::{Deserialize, Serialize};
use tokio::sync::watch;

use crate::connection::Link;
use crate::retry::Backoff;
use crate::streams::FLOOR;
use crate::{Bus, BusError};

/// Messages asked for at a time.
const PULL: usize = 2000;

/// Single messages asked for at a time.
const ASKED_AT_ONCE: usize = 64;

/// How long the next of several messages may take.
const NEXT_WITHIN: Duration = Duration::from_secs(5);

/// A place in the log: after message `seq` of the log made at `created`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Position {
    /// When the log was made (RFC 3339): tells this log from another of the same name.
    pub created: String,
    /// The number of the last message read; 0: none yet.
    pub seq: u64,
    /// When the broker stored that message, in nanoseconds since 1970: tells it from another
    /// that got its number after the broker had lost it. 0: none yet, or not known.
    pub stored_ns: i64,
}

facts::stored_struct!(Position {
    created,
    seq,
    stored_ns
});

/// A message as the log has it.
#[derive(Debug, Clone)]
pub struct Stored {
    /// Its number in the log, from 1 without gaps.
    pub seq: u64,
    /// `floor.<site>.<noun>.<verb>.<station>`; without a station where it is an old one.
    pub subject: Subject,
    /// Its headers: the CloudEvents attributes among them.
    pub headers: Option<HeaderMap>,
    /// Its body.
    pub body: Bytes,
    /// When the broker stored it, by the broker's clock.
    pub stored_at: DateTime<Utc>,
}

impl Stored {
    /// Its headers as text; of a name that stands there more than once, the first value.
    pub fn headers_as_text(&self) -> impl Iterator<Item = (&str, &str)> {
        let all = self.headers.iter().flat_map(HeaderMap::iter);
        all.filter_map(|(name, values)| Some((name.as_ref(), values.first()?.as_str())))
    }

    /// Reads it as a fact: the only way to one, so that nobody takes a message for a fact
    /// whose type, site or station is not that of the subject, on which permissions rest.
    ///
    /// # Errors
    /// [`wire::Unreadable`] says why it is none: give it to [`Bus::reject`].
    pub fn read(&self) -> Result<wire::Read, wire::Unreadable> {
        let header = |name| {
            let value = self.headers.as_ref()?.get(HeaderName::from_static(name))?;
            Some(value.as_str())
        };
        wire::from_binary(&self.subject, header, &self.body)
    }
}

/// What the headers of some messages say.
#[derive(Debug, Default)]
pub(crate) struct Heads {
    /// How many messages there are.
    read: u64,
    /// Their facts' ids.
    pub(crate) ids: HashSet<FactId>,
    /// The highest number of a station among them.
    pub(crate) last_number: u64,
}

/// The log, open for reading. It needs no acknowledgement and leaves nothing at the broker:
/// the reader's own [`Position`] is the only one there is.
pub struct FloorLog {
    bus: Bus,
    /// After the last message taken from the broker.
    position: Position,
    /// What was taken and not returned yet.
    chunk: Vec<Stored>,
    /// The number of the last message returned, and when it was stored.
    returned: (u64, i64),
    /// Whether the broker has more ready.
    more: bool,
    /// The consumer at the broker; `None` when it has to be made (again).
    messages: Option<pull::Stream>,
    /// A new connection may hide a broker that lost its data: then everything is checked again.
    link: watch::Receiver<Link>,
    /// The connection on which `messages` was made.
    opened_on: u64,
    backoff: Backoff,
    /// A number that the broker skipped once: if it skips it again it does not have it.
    hole: u64,
}

impl Bus {
    /// Opens the log after a position; `None` reads from the beginning.
    ///
    /// # Errors
    /// [`BusError::FloorRecreated`], [`BusError::FloorTailLost`], [`BusError::FloorRewritten`]
    /// or [`BusError::FloorHeadLost`] when the broker no longer has the log that was read.
    pub async fn floor_after(&self, position: Option<&Position>) -> Result<FloorLog, BusError> {
        let link = self.link();
        let opened_on = link.borrow().connections;
        let stream = self.floor().await?;
        let info = stream.cached_info();
        let position = position.cloned().unwrap_or_else(|| Position {
            created: created(info),
            seq: 0,
            stored_ns: 0,
        });
        check(&position, &stream).await?;
        let mut log = FloorLog {
            bus: self.clone(),
            returned: (position.seq, position.stored_ns),
            position,
            chunk: Vec::new(),
            more: false,
            messages: None,
            link,
            opened_on,
            backoff: Backoff::default(),
            hole: 0,
        };
        log.messages = Some(log.open(&stream).await?);
        Ok(log)
    }

    /// Opens the log before the first message that the broker stored at an instant or later.
    ///
    /// # Errors
    /// When the broker does not answer.
    pub async fn floor_since(&self, at: DateTime<Utc>) -> Result<FloorLog, BusError> {
        let stream = self.floor().await?;
        let info = stream.cached_info();
        let made = info.created;
        let since_made = u64::try_from(at.timestamp()).ok().and_then(|at| {
            let made = u64::try_from(made.unix_timestamp()).ok()?;
            at.checked_sub(made)
        });
        let Some(since_made) = since_made else {
            return self.floor_after(None).await;
        };
        let consumer: Consumer<pull::Config> = stream
            .create_consumer(pull::Config {
                inactive_threshold: Duration::from_secs(5),
                ..reading(DeliverPolicy::ByStartTime {
                    start_time: made + Duration::from_secs(since_made),
                })
            })
            .await
            .map_err(|_| unanswered())?;
        let first = consumer.fetch().max_messages(1).messages().await;
        let first = first.map_err(|_| unanswered())?.next().await;
        let before = match first {
            Some(Ok(message)) => message.info().map_err(|_| unanswered())?.stream_sequence - 1,
            Some(Err(_)) => return Err(unanswered()),
            None => info.state.last_sequence,
        };
        let position = Position {
            created: created(info),
            seq: before,
            stored_ns: 0,
        };
        self.floor_after(Some(&position)).await
    }

    /// The number of the last message in the log; 0 when it is empty.
    ///
    /// # Errors
    /// When the broker does not answer.
    pub async fn floor_end(&self) -> Result<u64, BusError> {
        let stream = self.floor().await?;
        Ok(stream.cached_info().state.last_sequence)
    }

    /// Looks whether the log has what was read of it up to a position: whoever read so far knows
    /// everything that the log had then.
    ///
    /// # Errors
    /// As [`Bus::floor_after`].
    pub async fn floor_has(&self, position: &Position) -> Result<(), BusError> {
        check(position, &self.floor().await?).await
    }

    /// The messages of these numbers, in the order given. Numbers that the log does not have
    /// are left out.
    ///
    /// # Errors
    /// When the broker does not answer.
    pub async fn floor_messages(
        &self,
        numbers: impl IntoIterator<Item = u32>,
    ) -> Result<Vec<Stored>, BusError> {
        let stream = &self.floor().await?;
        let asked = futures::stream::iter(numbers)
            .map(|number| async move { stream.get_raw_message(u64::from(number)).await });
        let mut asked = std::pin::pin!(asked.buffered(ASKED_AT_ONCE));
        let mut messages = Vec::new();
        while let Some(answer) = asked.next().await {
            match answer {
                Ok(message) => messages.push(Stored {
                    seq: message.sequence,
                    subject: message.subject,
                    headers: Some(message.headers),
                    body: message.payload,
                    stored_at: utc(message.time.unix_timestamp_nanos()),
                }),
                Err(error) if error.kind() == RawMessageErrorKind::NoMessageFound => {}
                Err(_) => return Err(unanswered()),
            }
        }
        Ok(messages)
    }

    /// How many messages the log holds on `floor.<site>.<topic>`, for example
    /// `wheel.hooped`.
    ///
    /// # Errors
    /// When the broker does not answer.
    pub async fn floor_count(&self, site: &SiteId, topic: &str) -> Result<u64, BusError> {
        let stream = self.floor().await?;
        let mut count = 0;
        for subject in [
            format!("floor.{site}.{topic}"),
            format!("floor.{site}.{topic}.*"),
        ] {
            count += messages_on(&stream, &subject).await?;
        }
        Ok(count)
    }

    /// How many messages the log has on these subjects.
    ///
    /// # Errors
    /// When the broker does not answer.
    pub(crate) async fn floor_count_on(&self, subjects: &str) -> Result<u64, BusError> {
        messages_on(&self.floor().await?, subjects).await
    }

    /// The id of the last message that the log has on these subjects.
    ///
    /// # Errors
    /// When the broker does not answer, or stops to.
    pub(crate) async fn floor_last_on(&self, subjects: &str) -> Result<Option<FactId>, BusError> {
        let heads = self.floor_heads(subjects, DeliverPolicy::Last).await?;
        Ok(heads.ids.into_iter().next())
    }

    /// The ids of all messages that the log has on these subjects, of which there are at least
    /// so many.
    ///
    /// # Errors
    /// When the broker does not answer, or stops to; and when it gives fewer, as a member of a
    /// cluster does that is behind.
    pub(crate) async fn floor_ids_on(
        &self,
        subjects: &str,
        at_least: u64,
    ) -> Result<HashSet<FactId>, BusError> {
        Ok(self.all_heads(subjects, at_least).await?.ids)
    }

    /// The same of those alone that were stored since an instant, by the broker's clock.
    ///
    /// # Errors
    /// When the broker does not answer.
    pub(crate) async fn floor_ids_since(
        &self,
        subjects: &str,
        since: DateTime<Utc>,
    ) -> Result<HashSet<FactId>, BusError> {
        let nanos = since.timestamp_nanos_opt().unwrap_or(0);
        let policy = match async_nats::datetime::from_nanos(nanos.into()) {
            Ok(start_time) => DeliverPolicy::ByStartTime { start_time },
            Err(_) => DeliverPolicy::All,
        };
        Ok(self.floor_heads(subjects, policy).await?.ids)
    }

    /// What the headers of all messages on these subjects say.
    ///
    /// # Errors
    /// When the broker does not answer, or stops to; and when it gives fewer than it says it has.
    pub(crate) async fn floor_heads_of(&self, subjects: &str) -> Result<Heads, BusError> {
        let at_least = self.floor_count_on(subjects).await?;
        self.all_heads(subjects, at_least).await
    }

    async fn all_heads(&self, subjects: &str, at_least: u64) -> Result<Heads, BusError> {
        let heads = self.floor_heads(subjects, DeliverPolicy::All).await?;
        if heads.read < at_least {
            return Err(unanswered());
        }
        Ok(heads)
    }

    async fn floor_heads(
        &self,
        subjects: &str,
        deliver_policy: DeliverPolicy,
    ) -> Result<Heads, BusError> {
        let stream = self.floor().await?;
        let consumer: Consumer<pull::Config> = stream
            .create_consumer(pull::Config {
                filter_subject: subjects.to_owned(),
                headers_only: true,
                ..reading(deliver_policy)
            })
            .await
            .map_err(|_| unanswered())?;
        let mut left = consumer.cached_info().num_pending;
        let messages = consumer.stream().max_messages_per_batch(PULL).messages();
        let mut messages = messages.await.map_err(|_| unanswered())?;
        let mut heads = Heads::default();
        while left > 0 {
            // A broker that comes back with less than it had never gives the rest.
            let next = tokio::time::timeout(NEXT_WITHIN, messages.next()).await;
            let message = next.ok().flatten().and_then(Result::ok);
            let message = message.ok_or_else(unanswered)?;
            left = message.info().map_err(|_| unanswered())?.pending;
            heads.read += 1;
            if let Some(headers) = &message.headers {
                let id = headers.get(async_nats::header::NATS_MESSAGE_ID);
                let id = id.and_then(|id| id.as_str().parse::<FactId>().ok());
                heads.ids.extend(id);
                let number = headers.get(HeaderName::from_static(wire::SEQUENCE));
                let number = number.and_then(|number| number.as_str().parse().ok());
                heads.last_number = heads.last_number.max(number.unwrap_or(0));
            }
        }
        Ok(heads)
    }

    async fn floor(&self) -> Result<stream::Stream, BusError> {
        self.jetstream()
            .get_stream(FLOOR)
            .await
            .map_err(|error| match error.kind() {
                GetStreamErrorKind::JetStream(reason) if reason.code() != 503 => BusError::Stream {
                    name: FLOOR,
                    reason: format!("{reason}. Start the broker on its own folder, or restore it"),
                },
                _ => unanswered(),
            })
    }
}

impl FloorLog {
    /// Waits for at least one message, then takes those that the broker has ready, up to
    /// `most`. While the broker is away it waits; when the broker is back it goes on without
    /// gap or repeat. Safe to drop half-way: what was taken comes with the next call.
    ///
    /// # Errors
    /// As [`Bus::floor_after`], when the broker comes back without the log that was read.
    pub async fn next_chunk(&mut self, most: usize) -> Result<Vec<Stored>, BusError> {
        loop {
            let link = *self.link.borrow_and_update();
            if link.connections != self.opened_on && link.connected {
                self.messages = None;
            }
            let stopped = self.messages.is_none() || !link.connected;
            if self.chunk.len() >= most.max(1)
                || (!self.chunk.is_empty() && (stopped || !self.more))
            {
                let rest = self.chunk.split_off(most.max(1).min(self.chunk.len()));
                let chunk = std::mem::replace(&mut self.chunk, rest);
                let last = chunk.last();
                self.returned = last.map_or(self.returned, |last| (last.seq, ns(last.stored_at)));
                return Ok(chunk);
            }
            let Some(messages) = &mut self.messages else {
                self.reopen().await?;
                continue;
            };
            let next = match messages.next().now_or_never() {
                Some(ready) => ready,
                None => tokio::select! {
                    next = messages.next() => next,
                    Ok(()) = self.link.changed() => continue,
                },
            };
            match next {
                Some(Ok(message)) => {
                    if !self.take(message) {
                        self.messages = None;
                    }
                }
                None => self.messages = None,
                Some(Err(error)) => {
                    tracing::debug!(%error, "reading the log again");
                    self.messages = None;
                }
            }
        }
    }

    /// Where reading stands: after the last message returned.
    #[must_use]
    pub fn position(&self) -> Position {
        Position {
            created: self.position.created.clone(),
            seq: self.seq(),
            stored_ns: self.returned.1,
        }
    }

    /// The number of the last message returned.
    #[must_use]
    pub const fn seq(&self) -> u64 {
        self.returned.0
    }

    /// Takes one message; false when numbers are missing before it.
    fn take(&mut self, message: jetstream::Message) -> bool {
        let info = message.info().map(|info| {
            let stored_at = utc(info.published.unix_timestamp_nanos());
            (info.stream_sequence, info.pending, stored_at)
        });
        let Ok((seq, pending, stored_at)) = info else {
            return false;
        };
        let expected = self.position.seq + 1;
        if seq < expected {
            return true; // seen before
        }
        if seq > expected {
            if self.hole != expected {
                // Lost on the way, or lost in the broker's files: asking again tells.
                self.hole = expected;
                return false;
            }
            tracing::error!(
                from = expected,
                to = seq - 1,
                "the broker has lost these numbers of the floor's log: restore its folder from the backup, or let the stations send again"
            );
        }
        self.more = pending > 0;
        self.position.seq = seq;
        self.position.stored_ns = ns(stored_at);
        let message = message.message;
        self.chunk.push(Stored {
            seq,
            subject: message.subject,
            headers: message.headers,
            body: message.payload,
            stored_at,
        });
        true
    }

    /// Makes a new consumer after the last message taken, once the broker is there and
    /// still has the log.
    async fn reopen(&mut self) -> Result<(), BusError> {
        loop {
            self.bus.connected().await;
            let opened_on = self.link.borrow().connections;
            let opened = async {
                let stream = self.bus.floor().await?;
                check(&self.position, &stream).await?;
                self.open(&stream).await
            };
            match opened.await {
                Ok(messages) => {
                    self.messages = Some(messages);
                    self.opened_on = opened_on;
                    return Ok(());
                }
                Err(error) if error.may_pass() => {
                    tracing::debug!(%error, "the log cannot be read yet");
                    self.backoff.wait().await;
                }
                Err(error) => return Err(error),
            }
        }
    }

    async fn open(&self, stream: &stream::Stream) -> Result<pull::Stream, BusError> {
        let consumer: Consumer<pull::Config> = stream
            .create_consumer(reading(DeliverPolicy::ByStartSequence {
                start_sequence: self.position.seq + 1,
            }))
            .await
            .map_err(|_| unanswered())?;
        consumer
            .stream()
            .max_messages_per_batch(PULL)
            .expires(Duration::from_secs(30))
            .heartbeat(Duration::from_secs(5))
            .messages()
            .await
            .map_err(|_| unanswered())
    }
}

/// A consumer that leaves nothing at the broker and needs no acknowledgement.
fn reading(deliver_policy: DeliverPolicy) -> pull::Config {
    pull::Config {
        deliver_policy,
        replay_policy: ReplayPolicy::Instant,
        ack_policy: AckPolicy::None,
        max_deliver: 1,
        inactive_threshold: Duration::from_secs(60),
        num_replicas: 1,
        memory_storage: true,
        ..pull::Config::default()
    }
}

async fn messages_on(stream: &stream::Stream, subject: &str) -> Result<u64, BusError> {
    let subjects = stream.info_with_subjects(subject).await;
    let mut subjects = std::pin::pin!(subjects.map_err(|_| unanswered())?);
    let mut count = 0;
    while let Some(subject) = subjects.next().await {
        count += subject.map_err(|_| unanswered())?.1 as u64;
    }
    Ok(count)
}

/// Whether the broker still has the log that was read, up to the position and on from it.
async fn check(position: &Position, stream: &stream::Stream) -> Result<(), BusError> {
    let info = stream.cached_info();
    let found = created(info);
    if found != position.created {
        return Err(BusError::FloorRecreated {
            position: position.clone(),
            found,
        });
    }
    let end = info.state.last_sequence;
    if position.seq > end {
        return Err(BusError::FloorTailLost {
            position: position.clone(),
            end,
        });
    }
    let (next, first) = (position.seq + 1, info.state.first_sequence);
    if next < first && first > 1 {
        return Err(BusError::FloorHeadLost { next, first });
    }
    if position.stored_ns == 0 {
        return Ok(());
    }
    match stream.get_raw_message(position.seq).await {
        Ok(message) => {
            let found = utc(message.time.unix_timestamp_nanos());
            if ns(found) == position.stored_ns {
                return Ok(());
            }
            Err(BusError::FloorRewritten {
                position: position.clone(),
                found,
            })
        }
        // Lost in the middle: what follows it has kept its numbers.
        Err(error) if error.kind() == RawMessageErrorKind::NoMessageFound => Ok(()),
        Err(_) => Err(unanswered()),
    }
}

/// Nanoseconds since 1970; 0 for a time that they cannot say.
fn ns(at: DateTime<Utc>) -> i64 {
    at.timestamp_nanos_opt().unwrap_or(0)
}

/// When the stream was made, to the nanosecond.
fn created(info: &stream::Info) -> String {
    utc(info.created.unix_timestamp_nanos()).to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

fn utc(nanos: i128) -> DateTime<Utc> {
    DateTime::from_timestamp_nanos(i64::try_from(nanos).unwrap_or(i64::MAX))
}

fn unanswered() -> BusError {
    BusError::Unread {
        doing: "reading the floor's log".to_owned(),
    }
}
