//! Who may state, take back or correct which fact. One owner: the station, the gateway, the
//! folds and the broker's permissions ask here.
//!
//! [`people`] says what a person may do, by role and by how well it is known who they are;
//! [`workers`] says which worker may state which fact.

pub mod people;
pub mod workers;

pub use people::{Proof, Role};
