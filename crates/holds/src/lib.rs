//! Whether a wheel is held, by which holds, since when, by whom, why, and who may release it.
//!
//! One owner of the rule: the station at its door, the floor, the trace, the dispatch desk
//! and the pages ask here.
//!
//! - A hold that a fact sets on a wheel stands until a person who has the right to it
//!   releases that wheel from it. A release by nobody, or without the right, ends nothing.
//! - A hold that a recipe puts on every wheel stands whether or not any fact says so. Where
//!   nobody knows which recipe a wheel was made by, it is under the holds of all of them.
//! - A hold over a scope stands for every wheel in it, from the fact on that brings the wheel
//!   into it, until it is lifted or the wheel is released from it. One over a lot, a room, a
//!   stillage or a tool keeps every wheel until whoever keeps the records has worked out which
//!   are in it.
//! - A voided fact never happened; a voided voiding voids nothing. A station takes back only
//!   what it stated itself and keeps nobody safe; what keeps wheels from leaving is taken back
//!   only by somebody who may release them.

mod ledger;
mod moment;
mod reach;
mod rule;
mod scope;
mod voids;

pub use ledger::{Birth, By, Held, Ledger, Note, Over, Says, Standing, untraced_words};
pub use moment::Moment;
pub use reach::{Known, Source, Spot, Stay, Step, stays, with_moves_of_stillages};
pub use rule::{Born, BornUnder, Course, Rights, Rule};
pub use scope::{Laid, Placed, Scopes};
pub use voids::{Guard, Target, Voiding, Voids, counting};
