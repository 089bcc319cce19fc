//! Questions and answers: JSON both ways on `ask.<site>.<question>`.
//!
//! An answer that does not fit one message comes in parts, each with its number and how many
//! there are in its headers. A part that does not come within the time for an answer means
//! no answer: half of one is never taken for the whole.

use std::time::Duration;

use async_nats::{HeaderMap, StatusCode, Subject};
use bytes::{Bytes, BytesMut};
use facts::SiteId;
use futures::StreamExt as _;
use futures::stream::SelectAll;
use names::UnknownName;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::publishing::check_tail;
use crate::{Bus, BusError};

/// How long an answer may take, and each further part of it: a day plan of a large site is
/// ready well within.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);

/// Largest answer, bytes. A broker gives up on a client that leaves as much unread.
pub const LARGEST_ANSWER: usize = 48 << 20;

/// Bytes in a part; the broker's own limit, less room for headers, where that is smaller.
const PART: usize = 512 << 10;
const HEADERS: usize = 1 << 10;

/// Parts sent before waiting until they are on their way.
const AT_ONCE: usize = 16;

/// The header with a part's number, from 1, and the one with how many there are.
const PART_NUMBER: &str = "Answer-Part";
const PARTS: &str = "Answer-Parts";

/// All who answer share this group, so that a standby does not answer as well.
const GROUP: &str = "answerers";

/// An answer on the wire.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Reply<A> {
    Answer(A),
    Refused(String),
    /// Whoever answers has read so many percent of the log.
    Reading(u8),
    Unknown(UnknownName),
}

/// Why a question is not answered.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// It asks about something that there is not.
    #[error(transparent)]
    Unknown(#[from] UnknownName),
    /// Anything else, as a sentence for the person who asked.
    #[error("{0}")]
    Words(String),
}

impl From<String> for Refusal {
    fn from(words: String) -> Self {
        Self::Words(words)
    }
}

impl From<&str> for Refusal {
    fn from(words: &str) -> Self {
        Self::Words(words.to_owned())
    }
}

impl From<BusError> for Refusal {
    fn from(error: BusError) -> Self {
        match error {
            BusError::Unknown(name) => Self::Unknown(name),
            other => Self::Words(other.to_string()),
        }
    }
}

/// The questions asked at a site that one worker answers.
pub struct Questions {
    client: async_nats::Client,
    messages: SelectAll<async_nats::Subscriber>,
    /// `ask.<site>.`, before the question's name.
    prefix: String,
}

/// A question that waits for its answer.
pub struct Question {
    /// What is asked.
    pub name: String,
    /// The question's own JSON.
    pub body: Bytes,
    client: async_nats::Client,
    reply: Subject,
}

impl Bus {
    /// Asks whoever answers for the site, and waits for the answer.
    ///
    /// # Errors
    /// [`BusError::Unknown`] when it asks about something that there is not,
    /// [`BusError::Refused`] with the answerer's own sentence, [`BusError::NobodyAnswers`],
    /// [`BusError::Unread`] after 10 s without it or its next part, or [`BusError::Json`].
    pub async fn ask<A: DeserializeOwned>(
        &self,
        site: &SiteId,
        question: &str,
        q: &impl Serialize,
    ) -> Result<A, BusError> {
        let doing = format!("asking {question:?}");
        self.asked(site, question, q, || BusError::Unread {
            doing: doing.clone(),
        })
        .await
    }

    /// The same where whoever answers does something first: without an answer nobody knows
    /// whether it was done.
    ///
    /// # Errors
    /// As [`Bus::ask`], with [`BusError::Unanswered`] in the place of [`BusError::Unread`].
    pub async fn ask_to_do<A: DeserializeOwned>(
        &self,
        site: &SiteId,
        question: &str,
        q: &impl Serialize,
    ) -> Result<A, BusError> {
        let doing = format!("asking for {question:?}");
        self.asked(site, question, q, || BusError::Unanswered {
            doing: doing.clone(),
        })
        .await
    }

    async fn asked<A: DeserializeOwned>(
        &self,
        site: &SiteId,
        question: &str,
        q: &impl Serialize,
        unanswered: impl Fn() -> BusError,
    ) -> Result<A, BusError> {
        check_tail(question)?;
        let body = json(question, q)?;
        let client = self.client();
        let inbox = client.new_inbox();
        let mut parts = client
            .subscribe(inbox.clone())
            .await
            .map_err(|_| unanswered())?;
        client
            .publish_with_reply(format!("ask.{site}.{question}"), inbox, body.into())
            .await
            .map_err(|_| unanswered())?;
        let mut reply = BytesMut::new();
        for expected in 1.. {
            let part = tokio::time::timeout(ANSWER_WITHIN, parts.next()).await;
            let part = part.ok().flatten().ok_or_else(&unanswered)?;
            if part.status == Some(StatusCode::NO_RESPONDERS) {
                return Err(BusError::NobodyAnswers {
                    question: question.to_owned(),
                    site: *site,
                });
            }
            let (number, of) = part_of(part.headers.as_ref());
            if number != expected || reply.len() + part.payload.len() > LARGEST_ANSWER {
                return Err(unanswered());
            }
            reply.extend_from_slice(&part.payload);
            if number >= of {
                break;
            }
        }
        match serde_json::from_slice(&reply) {
            Ok(Reply::Answer(answer)) => Ok(answer),
            Ok(Reply::Refused(sentence)) => Err(BusError::Refused(sentence)),
            Ok(Reply::Reading(percent)) => Err(BusError::StillReading {
                question: question.to_owned(),
                percent,
            }),
            Ok(Reply::Unknown(name)) => Err(BusError::Unknown(name)),
            Err(reason) => Err(BusError::Json {
                what: format!("the answer to {question:?}"),
                reason,
            }),
        }
    }

    /// Takes part in answering the questions of these names at a site. Returns once the
    /// broker knows; the streams must be there ([`Bus::ready`]).
    ///
    /// # Errors
    /// [`BusError::Unanswered`] when the broker is away.
    pub async fn questions(&self, site: &SiteId, names: &[&str]) -> Result<Questions, BusError> {
        let unanswered = || BusError::Unanswered {
            doing: format!("listening for questions at {site}"),
        };
        let mut messages = SelectAll::new();
        for name in names {
            check_tail(name)?;
            let subscribed = self
                .client()
                .queue_subscribe(format!("ask.{site}.{name}"), GROUP.to_owned())
                .await
                .map_err(|_| unanswered())?;
            messages.push(subscribed);
        }
        // Flushing sends, but does not wait until the broker has read it. The broker takes
        // things in order: when it has answered this, it also knows that we listen.
        self.floor_end().await?;
        Ok(Questions {
            client: self.client().clone(),
            messages,
            prefix: format!("ask.{site}."),
        })
    }
}

impl Questions {
    /// The next question; `None` when the connection is closed for good. Safe to drop
    /// half-way.
    pub async fn next(&mut self) -> Option<Question> {
        loop {
            let message = self.messages.next().await?;
            let Some(reply) = message.reply else {
                continue; // nobody waits for the answer
            };
            let Some(name) = message.subject.strip_prefix(self.prefix.as_str()) else {
                continue;
            };
            return Some(Question {
                name: name.to_owned(),
                body: message.payload,
                client: self.client.clone(),
                reply,
            });
        }
    }
}

impl Question {
    /// Reads the question's JSON.
    ///
    /// # Errors
    /// [`BusError::Json`], whose text is fit for [`Question::refuse`].
    pub fn read<Q: DeserializeOwned>(&self) -> Result<Q, BusError> {
        serde_json::from_slice(&self.body).map_err(|reason| BusError::Json {
            what: format!("the question {:?}", self.name),
            reason,
        })
    }

    /// Answers.
    ///
    /// # Errors
    /// [`BusError::TooLarge`] (the asker is told so too), or the broker is away.
    pub async fn answer(self, answer: &impl Serialize) -> Result<(), BusError> {
        let body = Bytes::from(json(&self.name, &Reply::Answer(answer))?);
        if body.len() > LARGEST_ANSWER {
            let error = BusError::TooLarge {
                subject: format!("the answer to {:?}", self.name),
                size: body.len(),
                most: LARGEST_ANSWER,
            };
            self.refuse(&error.to_string()).await?;
            return Err(error);
        }
        let most = self.client.max_payload();
        if body.len() <= most {
            return self.send(body).await;
        }
        let part = PART.min(most.saturating_sub(HEADERS)).max(1);
        let of = body.len().div_ceil(part);
        for (nth, from) in (0..body.len()).step_by(part).enumerate() {
            let mut headers = HeaderMap::new();
            headers.insert(PART_NUMBER, (nth + 1).to_string());
            headers.insert(PARTS, of.to_string());
            let bytes = body.slice(from..body.len().min(from + part));
            let to = self.reply.clone();
            let sent = self.client.publish_with_headers(to, headers, bytes).await;
            sent.map_err(|_| self.unanswered())?;
            if (nth + 1) % AT_ONCE == 0 {
                self.client.flush().await.map_err(|_| self.unanswered())?;
            }
        }
        Ok(())
    }

    /// Answers, or says why not.
    ///
    /// # Errors
    /// See [`Question::answer`].
    pub async fn reply<A: Serialize>(
        self,
        answer: Result<A, impl Into<Refusal>>,
    ) -> Result<(), BusError> {
        match answer.map_err(Into::into) {
            Ok(answer) => self.answer(&answer).await,
            Err(Refusal::Unknown(name)) => {
                let body = json(&self.name, &Reply::<()>::Unknown(name))?;
                self.send(body.into()).await
            }
            Err(Refusal::Words(sentence)) => self.refuse(&sentence).await,
        }
    }

    /// Says no, with a sentence for the person who asked.
    ///
    /// # Errors
    /// When the broker is away.
    pub async fn refuse(self, sentence: &str) -> Result<(), BusError> {
        let body = json(&self.name, &Reply::<()>::Refused(sentence.to_owned()))?;
        self.send(body.into()).await
    }

    /// Says that nothing can be said yet: so much of the log has been read. Without all of it,
    /// or without the time, an answer would be one about some earlier floor.
    ///
    /// # Errors
    /// When the broker is away.
    pub async fn still_reading(self, read: u64, of: u64) -> Result<(), BusError> {
        let percent = read
            .saturating_mul(100)
            .checked_div(of)
            .unwrap_or(0)
            .min(100);
        let percent = u8::try_from(percent).unwrap_or(100);
        let body = json(&self.name, &Reply::<()>::Reading(percent))?;
        self.send(body.into()).await
    }

    async fn send(self, body: Bytes) -> Result<(), BusError> {
        let sent = self.client.publish(self.reply.clone(), body).await;
        sent.map_err(|_| self.unanswered())
    }

    fn unanswered(&self) -> BusError {
        BusError::Unanswered {
            doing: format!("answering {:?}", self.name),
        }
    }
}

/// Which part of an answer a message is, and of how many; the only one if it does not say.
fn part_of(headers: Option<&HeaderMap>) -> (usize, usize) {
    let number = |name| headers?.get(name)?.as_str().parse().ok();
    number(PART_NUMBER).zip(number(PARTS)).unwrap_or((1, 1))
}

fn json(question: &str, value: &impl Serialize) -> Result<Vec<u8>, BusError> {
    serde_json::to_vec(value).map_err(|reason| BusError::Json {
        what: format!("the question {question:?} or its answer"),
        reason,
    })
}
