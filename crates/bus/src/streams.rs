//! The three streams: the facts, what is derived from them, and what cannot be read.

use std::time::Duration;

use async_nats::jetstream::context::{CreateStreamError, CreateStreamErrorKind};
use async_nats::jetstream::stream::{Config, RetentionPolicy, StorageType};

use crate::retry::Backoff;
use crate::{Bus, BusError};

/// The facts, on `floor.>`; kept for ever.
pub const FLOOR: &str = "FLOOR";
/// What is derived, on `derived.>`; kept 30 days.
pub const DERIVED: &str = "DERIVED";
/// Messages that cannot be read, on `rejected.>`; kept for ever.
pub const REJECTED: &str = "REJECTED";

const MINUTE: Duration = Duration::from_secs(60);
const DAY: Duration = Duration::from_secs(24 * 60 * 60);

/// How long the broker itself drops a fact sent twice: longer than any reconnect. What
/// comes later than that is dropped by the fold, which knows every fact's id.
pub const FLOOR_DUPLICATES: Duration = Duration::from_secs(10 * 60);

/// Largest message on `FLOOR`, headers included: small enough that a message which cannot
/// be read still fits into `REJECTED` with its headers renamed (the broker takes 1 MiB).
pub(crate) const FLOOR_LARGEST: usize = 256 * 1024;

impl Bus {
    /// Waits until the broker is there and the three streams exist, making those that do
    /// not. Safe to call any number of times, from any number of workers.
    ///
    /// # Errors
    /// When waiting cannot help: [`BusError::JetStreamOff`], [`BusError::Stream`] or
    /// [`BusError::StreamMisfit`].
    pub async fn ready(&self) -> Result<(), BusError> {
        let mut backoff = Backoff::default();
        loop {
            self.connected().await;
            match self.ensure_streams().await {
                Ok(()) => return Ok(()),
                Err(error) if error.may_pass() => {
                    tracing::debug!(%error, "the streams are not ready");
                    backoff.wait().await;
                }
                Err(error) => return Err(error),
            }
        }
    }

    async fn ensure_streams(&self) -> Result<(), BusError> {
        let floor = self.ensure(FLOOR, self.floor_config()).await?;
        check_floor(&floor)?;
        // A broker before 2.12 drops the flag silently, and would then store a batch
        // message by message without saying so.
        self.set_takes_batches(floor.allow_atomic_publish);
        self.ensure(DERIVED, self.derived_config()).await?;
        self.ensure(REJECTED, self.rejected_config()).await?;
        Ok(())
    }

    async fn ensure(&self, name: &'static str, config: Config) -> Result<Config, BusError> {
        match self.jetstream().get_or_create_stream(config).await {
            Ok(stream) => Ok(stream.cached_info().config.clone()),
            Err(error) => Err(self.stream_error(name, &error)),
        }
    }

    fn stream_error(&self, name: &'static str, error: &CreateStreamError) -> BusError {
        let unanswered = || BusError::Unanswered {
            doing: format!("looking for the stream {name}"),
        };
        match error.kind() {
            CreateStreamErrorKind::TimedOut | CreateStreamErrorKind::Response => unanswered(),
            CreateStreamErrorKind::JetStreamUnavailable => {
                match self.client().try_server_info() {
                    Some(info) if !info.jetstream => BusError::JetStreamOff,
                    // A cluster that has not elected a leader yet.
                    _ => unanswered(),
                }
            }
            // 503: a cluster that is still starting.
            CreateStreamErrorKind::JetStream(reason) if reason.code() == 503 => {
                if self
                    .client()
                    .try_server_info()
                    .is_some_and(|i| !i.jetstream)
                {
                    BusError::JetStreamOff
                } else {
                    unanswered()
                }
            }
            _ => BusError::Stream {
                name,
                reason: error.to_string(),
            },
        }
    }

    fn floor_config(&self) -> Config {
        Config {
            name: FLOOR.to_owned(),
            description: Some("every fact of the floor; the only truth".to_owned()),
            subjects: vec!["floor.>".to_owned()],
            storage: StorageType::File,
            num_replicas: self.replicas(),
            max_message_size: i32::try_from(FLOOR_LARGEST).unwrap_or(i32::MAX),
            duplicate_window: FLOOR_DUPLICATES,
            allow_atomic_publish: true,
            allow_direct: true,
            deny_delete: true,
            deny_purge: true,
            ..Config::default()
        }
    }

    fn derived_config(&self) -> Config {
        Config {
            name: DERIVED.to_owned(),
            description: Some("alerts, label jobs and plans; can be derived again".to_owned()),
            subjects: vec!["derived.>".to_owned()],
            storage: StorageType::File,
            num_replicas: self.replicas(),
            max_age: 30 * DAY,
            duplicate_window: 60 * MINUTE,
            ..Config::default()
        }
    }

    fn rejected_config(&self) -> Config {
        Config {
            name: REJECTED.to_owned(),
            description: Some("messages of the floor that could not be read, whole".to_owned()),
            subjects: vec!["rejected.>".to_owned()],
            storage: StorageType::File,
            num_replicas: self.replicas(),
            deny_delete: true,
            deny_purge: true,
            ..Config::default()
        }
    }
}

/// Refuses a log under which facts would disappear by themselves.
fn check_floor(config: &Config) -> Result<(), BusError> {
    let misfit = if config.retention != RetentionPolicy::Limits {
        Some("its retention must be \"limits\"".to_owned())
    } else if !config.max_age.is_zero() {
        Some(format!("it forgets messages after {:?}", config.max_age))
    } else if config.max_messages > 0 || config.max_messages_per_subject > 0 {
        Some("it has a largest number of messages".to_owned())
    } else if config.max_bytes > 0 {
        Some("it has a largest size".to_owned())
    } else if config.storage != StorageType::File {
        Some("it is kept in memory".to_owned())
    } else {
        None
    };
    match misfit {
        Some(what) => Err(BusError::StreamMisfit { name: FLOOR, what }),
        None => Ok(()),
    }
}
