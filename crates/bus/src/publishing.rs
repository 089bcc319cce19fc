//! Storing messages: Ok only when the broker said that it has them.

use async_nats::header::{
    HeaderName, HeaderValue, NATS_BATCH_COMMIT, NATS_BATCH_COMMIT_FINAL, NATS_BATCH_ID,
    NATS_BATCH_SEQUENCE, NATS_MESSAGE_ID,
};
use async_nats::jetstream::context::{PublishError, PublishErrorKind};
use async_nats::jetstream::message::PublishMessage;
use async_nats::{HeaderMap, Request, Subject};
use bytes::Bytes;
use facts::{Fact, SiteId, wire};
use serde::Deserialize;

use crate::connection::ANSWER_WITHIN;
use crate::outbox::book::Outcome;
use crate::{Bus, BusError, Stored};

/// Facts in one atomic batch. All share a few disk syncs; the broker allows 1 000.
pub(crate) const BATCH: usize = 500;

/// Room for the headers of a rejected message: the broker takes 64 KiB with ours.
const HEADERS_LARGEST: usize = 56 * 1024;

/// A message ready to be sent, as often as it takes.
pub(crate) struct Outgoing {
    subject: Subject,
    /// The de-duplication key.
    id: String,
    headers: Vec<(String, String)>,
    body: Bytes,
}

impl From<wire::Parcel> for Outgoing {
    fn from(parcel: wire::Parcel) -> Self {
        Self {
            subject: parcel.subject.into(),
            id: parcel.id.to_string(),
            headers: parcel.headers,
            body: parcel.body.into(),
        }
    }
}

impl Outgoing {
    pub(crate) fn of(fact: &Fact) -> Result<Self, serde_json::Error> {
        let wire::Binary { headers, body } = wire::to_binary(fact)?;
        Ok(Self {
            subject: wire::subject(fact).into(),
            id: fact.id.to_string(),
            headers: headers
                .into_iter()
                .map(|(name, value)| (name.to_owned(), value))
                .collect(),
            body: body.into(),
        })
    }

    fn header_map(&self) -> HeaderMap {
        let mut map = HeaderMap::new();
        for (name, value) in &self.headers {
            if let Ok(name) = name.parse::<HeaderName>() {
                map.insert(name, header_value(value));
            }
        }
        map.insert(NATS_MESSAGE_ID, header_value(&self.id));
        map
    }
}

/// The broker's answer to the last message of an atomic batch.
#[derive(Deserialize)]
struct BatchAnswer {
    error: Option<serde_json::Value>,
    count: Option<usize>,
}

impl Bus {
    /// Stores facts, in order; Ok only when the broker acknowledged all of them. They go in
    /// atomic batches; a batch that is refused or whose answer is unknown is sent again
    /// message by message with the same ids, where a duplicate is a success.
    ///
    /// # Errors
    /// What the broker said. Some of the facts may have been stored: send all again.
    pub async fn publish_facts(&self, facts: &[Fact]) -> Result<(), BusError> {
        let outgoing = facts
            .iter()
            .map(Outgoing::of)
            .collect::<Result<Vec<_>, _>>()
            .map_err(|reason| BusError::Json {
                what: "a fact".to_owned(),
                reason,
            })?;
        self.publish_outgoing(&outgoing).await
    }

    pub(crate) async fn publish_outgoing(&self, outgoing: &[Outgoing]) -> Result<(), BusError> {
        let outcomes = self.publish_settling(outgoing).await;
        for (message, outcome) in outgoing.iter().zip(outcomes) {
            match outcome {
                Outcome::Stored => {}
                Outcome::Refused(reason) => {
                    return Err(BusError::Publish {
                        subject: message.subject.to_string(),
                        reason,
                    });
                }
                Outcome::Unknown(doing) => return Err(BusError::Unanswered { doing }),
            }
        }
        Ok(())
    }

    /// Stores messages, and says of each what became of it: one that is refused holds up no
    /// other.
    pub(crate) async fn publish_settling(&self, outgoing: &[Outgoing]) -> Vec<Outcome> {
        let mut outcomes = Vec::with_capacity(outgoing.len());
        for batch in outgoing.chunks(BATCH) {
            if batch.len() > 1 && self.takes_batches() {
                let denied = self.denied();
                let stored = tokio::select! {
                    stored = self.publish_batch(batch) => stored,
                    // One of them will never be let in: waiting for the others' answer is vain.
                    () = denied.any() => Err(unanswered_batch(batch.len())),
                };
                match stored {
                    Ok(()) => {
                        outcomes.resize(outcomes.len() + batch.len(), Outcome::Stored);
                        continue;
                    }
                    Err(error) => tracing::debug!(%error, "sending the batch message by message"),
                }
            }
            outcomes.extend(self.publish_each(batch).await);
        }
        outcomes
    }

    /// All or nothing, and one sync of the broker's disk for all (measured: ten times the
    /// rate of single messages under `sync_interval: always`).
    async fn publish_batch(&self, batch: &[Outgoing]) -> Result<(), BusError> {
        let Some((last, before)) = batch.split_last() else {
            return Ok(());
        };
        let batch_id = header_value(&format!("{}-{}", last.id, self.next_batch()));
        let headers = |message: &Outgoing, number: usize| {
            let mut headers = message.header_map();
            headers.insert(NATS_BATCH_ID, batch_id.clone());
            headers.insert(NATS_BATCH_SEQUENCE, HeaderValue::from(number));
            headers
        };
        let unanswered = || unanswered_batch(batch.len());
        let send = async {
            for (at, message) in before.iter().enumerate() {
                self.client()
                    .publish_with_headers(
                        message.subject.clone(),
                        headers(message, at + 1),
                        message.body.clone(),
                    )
                    .await
                    .map_err(|_| unanswered())?;
            }
            let mut commit = headers(last, batch.len());
            commit.insert(NATS_BATCH_COMMIT, header_value(NATS_BATCH_COMMIT_FINAL));
            let request = Request::new()
                .headers(commit)
                .payload(last.body.clone())
                .timeout(Some(ANSWER_WITHIN));
            self.client()
                .send_request(last.subject.clone(), request)
                .await
                .map_err(|_| unanswered())
        };
        // While the broker is away the client's queue fills and sending would wait for ever.
        let answer = tokio::select! {
            sent = tokio::time::timeout(2 * ANSWER_WITHIN, send) => sent.map_err(|_| unanswered())??,
            () = self.lost() => return Err(unanswered()),
        };
        let answer: BatchAnswer =
            serde_json::from_slice(&answer.payload).map_err(|reason| BusError::Json {
                what: "the broker's answer to a batch".to_owned(),
                reason,
            })?;
        match answer {
            BatchAnswer {
                error: None,
                count: Some(count),
            } if count == batch.len() => Ok(()),
            BatchAnswer { error, .. } => Err(BusError::Publish {
                subject: last.subject.to_string(),
                reason: error.map_or_else(
                    || "it did not store the batch as one".to_owned(),
                    |e| e.to_string(),
                ),
            }),
        }
    }

    async fn publish_each(&self, messages: &[Outgoing]) -> Vec<Outcome> {
        // From before they are sent: a denial of any of them comes after.
        let denied = self.denied();
        let mut under_way = Vec::with_capacity(messages.len());
        for message in messages {
            let publish = PublishMessage::build()
                .headers(message.header_map())
                .payload(message.body.clone());
            let sent = self
                .jetstream()
                .send_publish(message.subject.clone(), publish);
            // While the broker is away the client's queue fills and sending would wait for ever.
            let sent = tokio::select! {
                sent = tokio::time::timeout(ANSWER_WITHIN, sent) => sent,
                () = self.lost() => {
                    under_way.push(Err(Outcome::Unknown(storing(&message.subject))));
                    continue;
                }
            };
            under_way.push(match sent {
                Ok(Ok(ack)) => Ok(ack),
                Ok(Err(error)) => Err(outcome_of(message, &error)),
                Err(_) => Err(Outcome::Unknown(storing(&message.subject))),
            });
        }
        let each = messages.iter().zip(under_way).map(|(message, ack)| {
            let denied = denied.clone();
            async move {
                let ack = match ack {
                    Ok(ack) => ack,
                    Err(outcome) => return outcome,
                };
                tokio::select! {
                    biased;
                    ack = ack.into_future() => match ack {
                        Ok(_) => Outcome::Stored,
                        Err(error) => outcome_of(message, &error),
                    },
                    () = denied.of(&message.subject) => Outcome::Refused(format!(
                        "this worker's user may not publish on {}: make the broker's permissions anew with `wheelward broker permissions`, and see that the site file names the station",
                        message.subject
                    )),
                    () = self.lost() => Outcome::Unknown(storing(&message.subject)),
                }
            }
        });
        futures::future::join_all(each).await
    }

    /// Publishes one derived message on `derived.<site>.<tail>` and waits until the broker
    /// has it. The same `id` twice within an hour is stored once.
    ///
    /// # Errors
    /// What the broker said; [`BusError::Unanswered`] means: do it again with the same id.
    pub async fn publish_derived(
        &self,
        site: &SiteId,
        tail: &str,
        id: &str,
        body: &[u8],
    ) -> Result<(), BusError> {
        check_tail(tail)?;
        self.publish_outgoing(&[Outgoing {
            subject: format!("derived.{site}.{tail}").into(),
            id: id.to_owned(),
            headers: Vec::new(),
            body: Bytes::copy_from_slice(body),
        }])
        .await
    }

    /// Keeps a message that cannot be read, whole, on `rejected.<site>.<number in FLOOR>`:
    /// the body unchanged, its headers with the prefix `orig-`, and why in `reason` (shortened
    /// to 1 000 characters). Once only, however often the log is folded again.
    ///
    /// # Errors
    /// What the broker said; do it again before reading on.
    pub async fn reject(
        &self,
        site: &SiteId,
        message: &Stored,
        reason: &str,
    ) -> Result<(), BusError> {
        let subject = Subject::from(format!("rejected.{site}.{}", message.seq));
        let mut headers = original_headers(message);
        let reason: String = reason.chars().take(1000).collect();
        headers.insert(HeaderName::from_static("reason"), header_value(&reason));
        headers.insert(
            HeaderName::from_static("floor-seq"),
            HeaderValue::from(message.seq),
        );
        headers.insert(
            HeaderName::from_static("floor-subject"),
            header_value(&message.subject),
        );
        let publish = PublishMessage::build()
            .headers(headers)
            .payload(message.body.clone())
            .message_id(format!("rejected-{}", message.seq))
            .expected_last_subject_sequence(0);
        let sent = async {
            self.jetstream()
                .send_publish(subject.clone(), publish)
                .await?
                .await
        };
        match tokio::time::timeout(2 * ANSWER_WITHIN, sent).await {
            Ok(Ok(_)) => Ok(()),
            // It is there already.
            Ok(Err(e)) if e.kind() == PublishErrorKind::WrongLastSequence => Ok(()),
            Ok(Err(e)) => Err(publish_error(&subject, message.body.len(), &e)),
            Err(_) => Err(unanswered(&subject)),
        }
    }
}

/// A message's headers with the prefix `orig-`. The few that would not fit any more, having
/// grown by it, stay in the log only, and `orig-omitted` says how many.
fn original_headers(message: &Stored) -> HeaderMap {
    let mut headers = HeaderMap::new();
    let (mut size, mut omitted) = (0, 0_u64);
    for (name, values) in message.headers.iter().flat_map(HeaderMap::iter) {
        let text = format!("orig-{name}");
        let Ok(name) = text.parse::<HeaderName>() else {
            continue; // not a header that the broker could have delivered
        };
        for value in values {
            let grown = size + text.len() + value.as_str().len() + ": \r\n".len();
            if grown > HEADERS_LARGEST {
                omitted += 1;
            } else {
                size = grown;
                headers.append(name.clone(), value.clone());
            }
        }
    }
    if omitted > 0 {
        headers.insert(
            HeaderName::from_static("orig-omitted"),
            HeaderValue::from(omitted),
        );
    }
    headers
}

/// A header's value: line breaks, which no header may have, become spaces.
pub(crate) fn header_value(text: &str) -> HeaderValue {
    text.parse()
        .unwrap_or_else(|_| text.replace(['\r', '\n'], " ").parse().unwrap_or_default())
}

/// Checks the end of a subject: tokens with dots between, no wildcard, no space.
pub(crate) fn check_tail(tail: &str) -> Result<(), BusError> {
    let fits = |token: &str| {
        !token.is_empty()
            && token
                .bytes()
                .all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
    };
    if tail.split('.').all(fits) {
        Ok(())
    } else {
        Err(BusError::Subject(tail.to_owned()))
    }
}

fn unanswered_batch(messages: usize) -> BusError {
    BusError::Unanswered {
        doing: format!("storing {messages} messages"),
    }
}

fn unanswered(subject: &Subject) -> BusError {
    BusError::Unanswered {
        doing: storing(subject),
    }
}

fn storing(subject: &Subject) -> String {
    format!("storing a message on {subject}")
}

/// What an error says of the message itself. Whatever may pass by itself, such as a full disk,
/// says nothing of it.
fn outcome_of(message: &Outgoing, error: &PublishError) -> Outcome {
    use std::error::Error as _;
    let refused = error
        .source()
        .and_then(|source| source.downcast_ref::<async_nats::jetstream::Error>())
        // 400: of this message. 503: of the broker, for any message.
        .is_some_and(|reason| (400..500).contains(&reason.code()));
    match error.kind() {
        PublishErrorKind::MaxPayloadExceeded => Outcome::Refused(format!(
            "it has {} bytes, more than the {} that may be sent",
            message.body.len(),
            crate::streams::FLOOR_LARGEST
        )),
        PublishErrorKind::Other if refused => Outcome::Refused(error.to_string()),
        PublishErrorKind::Other => {
            Outcome::Unknown(format!("{}: {error}", storing(&message.subject)))
        }
        // The streams are made by whoever calls `ready` next.
        _ => Outcome::Unknown(storing(&message.subject)),
    }
}

fn publish_error(subject: &Subject, size: usize, error: &PublishError) -> BusError {
    match error.kind() {
        PublishErrorKind::TimedOut
        | PublishErrorKind::BrokenPipe
        | PublishErrorKind::MaxAckPending
        | PublishErrorKind::StreamNotFound => unanswered(subject),
        PublishErrorKind::MaxPayloadExceeded => BusError::TooLarge {
            subject: subject.to_string(),
            size,
            most: crate::streams::FLOOR_LARGEST,
        },
        _ => BusError::Publish {
            subject: subject.to_string(),
            reason: error.to_string(),
        },
    }
}
