//! What every worker that follows the log shares.
//!
//! A [`Follower`] is the one loop: messages of the log, questions and the time come to the
//! worker in an order that it can rely on. A [`Store`] keeps what was made of the log, with
//! the position that it stands for and the effects that it asks for, written in one batch; a
//! [`Publisher`] hands the effects on, and [`Unwritten`] is what is about to lie in a store.
//! [`floor`] says how a floor lies in a store.
//!
//! A store is a projection: nothing is lost if its folder is deleted, the log is read again.
//! So one that cannot be opened, or in which a single record does not read, is put aside
//! whole, never repaired and never half believed.

mod effects;
pub mod floor;
mod follower;
mod records;
mod store;
mod unwritten;

pub use effects::{Effect, Publisher};
pub use follower::{Follower, News};
pub use records::{Record, Records};
pub use store::{Aside, Batch, Store, StoreError, recover};
pub use unwritten::Unwritten;
