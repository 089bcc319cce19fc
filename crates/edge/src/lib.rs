//! Where scans come in: a station's desk, its clients, its outbox and its picture of
//! the floor. Shared by the workers that serve stations.
//!
//! A scan's way: a line is read ([`Lines`]) and taken by a [`Client`] of the station's
//! [`Desk`]; its session makes drafts of it; the outbox stores them; the placement takes the facts; the
//! answer goes back. None of it waits for the broker, but a dispatch, which must know
//! every hold. In the background the worker sends its outbox, follows the floor's log and
//! keeps snapshots ([`Worker::run`]).

mod desk;
mod follow;
mod lines;
mod picture;
mod rejected;
mod seats;
mod serve;
mod setup;
mod visits;
mod worker;

pub use desk::{Client, Desk, Ended, Notes, Taken};
pub use lines::Lines;
pub use rejected::Rejected;
pub use seats::{Seat, Seats};
pub use serve::Door;
pub use setup::setup;
pub use worker::Worker;

use std::future::Future;

use tokio::task::JoinError;

/// Does work that goes on to its end though whoever waits for it has gone: what has taken its
/// turn keeps it until all is written, and nothing else is written in between.
///
/// # Errors
/// The program is stopping.
pub async fn to_its_end<T: Send + 'static>(
    work: impl Future<Output = T> + Send + 'static,
) -> Result<T, JoinError> {
    tokio::spawn(work).await
}
