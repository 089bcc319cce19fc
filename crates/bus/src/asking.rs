//! Questions and answers: JSON both ways on `ask.<site>.<question>`.

use std::time::Duration;

use async_nats::{Request, Subject};
use bytes::Bytes;
use facts::SiteId;
use futures::StreamExt as _;
use futures::stream::SelectAll;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::publishing::{check_tail, nobody_listens};
use crate::{Bus, BusError};

/// How long an answer may take: a day plan of a large site is ready well within.
const ANSWER_WITHIN: Duration = Duration::from_secs(10);

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
    /// [`BusError::Refused`] with the answerer's own sentence, [`BusError::NobodyAnswers`],
    /// [`BusError::Unanswered`] after 10 s, or [`BusError::Json`].
    pub async fn ask<A: DeserializeOwned>(
        &self,
        site: &SiteId,
        question: &str,
        q: &impl Serialize,
    ) -> Result<A, BusError> {
        check_tail(question)?;
        let body = json(question, q)?;
        let request = Request::new()
            .payload(body.into())
            .timeout(Some(ANSWER_WITHIN));
        let asking = self
            .client()
            .send_request(format!("ask.{site}.{question}"), request);
        let unanswered = || BusError::Unanswered {
            doing: format!("asking {question:?}"),
        };
        let reply = tokio::time::timeout(2 * ANSWER_WITHIN, asking)
            .await
            .map_err(|_| unanswered())?
            .map_err(|error| {
                if nobody_listens(&error) {
                    BusError::NobodyAnswers {
                        question: question.to_owned(),
                        site: *site,
                    }
                } else {
                    unanswered()
                }
            })?;
        match serde_json::from_slice(&reply.payload) {
            Ok(Reply::Answer(answer)) => Ok(answer),
            Ok(Reply::Refused(sentence)) => Err(BusError::Refused(sentence)),
            Ok(Reply::Reading(percent)) => Err(BusError::StillReading {
                question: question.to_owned(),
                percent,
            }),
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
        let body = json(&self.name, &Reply::Answer(answer))?;
        let most = self.client.max_payload();
        if body.len() > most {
            let error = BusError::TooLarge {
                subject: format!("the answer to {:?}", self.name),
                size: body.len(),
                most,
            };
            self.refuse(&error.to_string()).await?;
            return Err(error);
        }
        self.send(body).await
    }

    /// Says no, with a sentence for the person who asked.
    ///
    /// # Errors
    /// When the broker is away.
    pub async fn refuse(self, sentence: &str) -> Result<(), BusError> {
        let body = json(&self.name, &Reply::<()>::Refused(sentence.to_owned()))?;
        self.send(body).await
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
        self.send(body).await
    }

    async fn send(self, body: Vec<u8>) -> Result<(), BusError> {
        self.client
            .publish(self.reply, body.into())
            .await
            .map_err(|_| BusError::Unanswered {
                doing: format!("answering {:?}", self.name),
            })
    }
}

fn json(question: &str, value: &impl Serialize) -> Result<Vec<u8>, BusError> {
    serde_json::to_vec(value).map_err(|reason| BusError::Json {
        what: format!("the question {question:?} or its answer"),
        reason,
    })
}
