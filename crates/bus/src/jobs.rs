//! Jobs: derived messages that must take effect, each until it is done.

use std::time::Duration;

use async_nats::jetstream::AckKind;
use async_nats::jetstream::consumer::{AckPolicy, Consumer, pull};
use bytes::Bytes;
use facts::SiteId;
use futures::StreamExt as _;
use tokio::sync::watch;

use crate::connection::Link;
use crate::publishing::check_tail;
use crate::retry::Backoff;
use crate::streams::DERIVED;
use crate::{Bus, BusError};

/// How long a job may take before the broker gives it out again, unless its holder says
/// that it is still working. Short, because after a crash the jobs behind it wait as long.
const ACK_WAIT: Duration = Duration::from_secs(15);

/// Jobs for one kind of effect, kept by the broker under a durable name: they go on where
/// they stopped, and a job that was not done comes again. They come strictly in order:
/// the next is given out only when the last one is done, also after a crash.
pub struct Jobs {
    bus: Bus,
    durable: String,
    filter: String,
    /// The consumer at the broker; `None` when it has to be looked up (again).
    consumer: Option<Consumer<pull::Config>>,
    /// Our request for one job. One only: a job that waits in a queue of ours would run out
    /// its time there, and a client that asks by itself would lose one at each reconnect.
    request: Option<pull::Batch>,
    link: watch::Receiver<Link>,
    /// The connection on which we asked: on a new one the broker has forgotten it.
    asked_on: u64,
    backoff: Backoff,
}

/// One thing to do.
#[derive(Debug)]
pub struct Job {
    /// `derived.<site>.…`.
    pub subject: String,
    /// The id it was published with: the same job again has the same id.
    pub id: String,
    /// What to do, JSON.
    pub body: Bytes,
    /// How many times it was given out, this time included.
    pub tries: u64,
    message: async_nats::jetstream::Message,
}

impl Bus {
    /// The jobs on `derived.<site>.<filter_tail>` for the effect `durable`. Several workers
    /// with the same name share them. `filter_tail` may end in `*` or `>`.
    ///
    /// # Errors
    /// When the broker is away or refuses.
    pub async fn jobs(
        &self,
        durable: &str,
        site: &SiteId,
        filter_tail: &str,
    ) -> Result<Jobs, BusError> {
        check_tail(durable)?;
        check_tail(&filter_tail.replace(['*', '>'], "x"))?;
        let mut jobs = Jobs {
            bus: self.clone(),
            durable: durable.replace('.', "-"),
            filter: format!("derived.{site}.{filter_tail}"),
            consumer: None,
            request: None,
            link: self.link(),
            asked_on: 0,
            backoff: Backoff::default(),
        };
        jobs.ask().await?;
        Ok(jobs)
    }
}

impl Jobs {
    /// The next job; `None` only when the connection is closed for good. While the broker is
    /// away it waits. A job that is dropped comes again after 15 s.
    pub async fn next(&mut self) -> Option<Job> {
        loop {
            let link = *self.link.borrow_and_update();
            if link.connected && link.connections != self.asked_on {
                self.request = None;
            }
            let Some(request) = &mut self.request else {
                self.bus.connected().await;
                if let Err(error) = self.ask().await {
                    tracing::debug!(%error, "jobs cannot be read yet");
                    self.consumer = None;
                    self.backoff.wait().await;
                }
                continue;
            };
            let next = tokio::select! {
                next = request.next() => next,
                Ok(()) = self.link.changed() => continue,
            };
            match next {
                Some(Ok(message)) => {
                    self.backoff.reset();
                    self.request = None;
                    return Some(Job::of(message));
                }
                // The stream or the consumer was deleted.
                Some(Err(error)) => {
                    tracing::debug!(%error, "asking for jobs again");
                    self.request = None;
                    self.consumer = None;
                    self.backoff.wait().await;
                }
                // No job for a while.
                None => self.request = None,
            }
        }
    }

    /// Asks the broker for one job.
    async fn ask(&mut self) -> Result<(), BusError> {
        let asked_on = self.link.borrow().connections;
        if asked_on != self.asked_on {
            self.consumer = None;
        }
        let consumer = match &mut self.consumer {
            Some(consumer) => consumer,
            none => none.insert(open(&self.bus, &self.durable, &self.filter).await?),
        };
        let request = consumer
            .fetch()
            .max_messages(1)
            .expires(Duration::from_secs(30))
            .messages()
            .await
            .map_err(|e| refused(e.to_string()))?;
        self.request = Some(request);
        self.asked_on = asked_on;
        Ok(())
    }
}

async fn open(bus: &Bus, durable: &str, filter: &str) -> Result<Consumer<pull::Config>, BusError> {
    bus.ready().await?;
    bus.jetstream()
        .create_consumer_on_stream(
            pull::Config {
                durable_name: Some(durable.to_owned()),
                filter_subject: filter.to_owned(),
                ack_policy: AckPolicy::Explicit,
                ack_wait: ACK_WAIT,
                max_deliver: -1,
                max_ack_pending: 1,
                ..pull::Config::default()
            },
            DERIVED,
        )
        .await
        .map_err(|e| refused(e.to_string()))
}

fn refused(reason: String) -> BusError {
    BusError::Stream {
        name: DERIVED,
        reason,
    }
}

impl Job {
    fn of(message: async_nats::jetstream::Message) -> Self {
        let id = message
            .headers
            .as_ref()
            .and_then(|headers| headers.get(async_nats::header::NATS_MESSAGE_ID))
            .map(|id| id.as_str().to_owned())
            .unwrap_or_default();
        let tries = message
            .info()
            .map_or(1, |info| u64::try_from(info.delivered).unwrap_or(1));
        Self {
            subject: message.subject.to_string(),
            id,
            body: message.payload.clone(),
            tries,
            message,
        }
    }

    /// It is done and must not come again. Returns once the broker knows. The broker notes
    /// this on its disk a moment later: if it crashes within that moment the job comes again
    /// with the same [`Job::id`], so an effect that must not happen twice keeps the ids that
    /// it has done.
    ///
    /// # Errors
    /// [`BusError::Unanswered`]: the job may come again, with the same id.
    pub async fn done(&self) -> Result<(), BusError> {
        self.message
            .double_ack()
            .await
            .map_err(|_| self.unanswered())
    }

    /// It cannot be done now: it comes again after `delay`, and the jobs behind it wait.
    ///
    /// # Errors
    /// [`BusError::Unanswered`]: the job comes again all the same, after 15 s.
    pub async fn later(&self, delay: Duration) -> Result<(), BusError> {
        self.message
            .ack_with(AckKind::Nak(Some(delay)))
            .await
            .map_err(|_| self.unanswered())
    }

    /// Does the work and keeps the job ours for as long as it takes.
    pub async fn hold<T>(&self, work: impl Future<Output = T>) -> T {
        tokio::pin!(work);
        loop {
            tokio::select! {
                done = &mut work => return done,
                () = tokio::time::sleep(ACK_WAIT / 3) => {
                    // Unheard, the job may come again with the same id, which its doer
                    // must bear anyway.
                    let _ = self.message.ack_with(AckKind::Progress).await;
                }
            }
        }
    }

    fn unanswered(&self) -> BusError {
        BusError::Unanswered {
            doing: format!("reporting on the job {}", self.subject),
        }
    }
}
