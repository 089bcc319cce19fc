//! The broker: streams, outbox, consuming, asking, and the clock.
//!
//! A station records facts in its [`Outbox`] and may tell the person "OK" at once;
//! the outbox sends them to the stream `FLOOR` whenever the broker is there. Whoever
//! folds the floor reads it with a [`FloorLog`] from its own [`Position`]. What is
//! derived goes to `DERIVED`, where effects take it as [`Jobs`]; what cannot be read
//! goes whole to `REJECTED`. Questions are asked with [`Bus::ask`] and answered from
//! [`Questions`]. This is the only crate that knows NATS.

mod asking;
pub mod broker;
mod clock;
mod connection;
mod error;
mod floor_log;
pub mod health;
mod jobs;
pub mod kept;
mod keys;
pub mod outbox;
pub mod permissions;
mod publishing;
pub mod retry;
mod shutdown;
mod streams;
pub mod telling;
mod whole;

pub use asking::{LARGEST_ANSWER, Question, Questions, Refusal};
pub use clock::{BusClock, Clock, Tick};
pub use connection::{Access, Bus, without_password};
pub use error::{BusError, OutboxError};
pub use facts::Draft;
pub use floor_log::{FloorLog, Position, Stored};
pub use jobs::{Job, Jobs};
pub use keys::{Keys, nkeys, signed};
pub use outbox::{Looked, Note, Outbox, Written, look as look_at_outbox};
pub use shutdown::Shutdown;
pub use streams::{DERIVED, FLOOR, FLOOR_DUPLICATES, REJECTED};
pub use whole::write_whole;
