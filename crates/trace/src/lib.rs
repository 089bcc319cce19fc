//! Where every lot went and what touched what: genealogy, contact, recall, mass balance.
//!
//! An [`Index`] is folded from facts, in any order, and lies in a [`Storage`]; [`Index::trace`]
//! lets it be asked. A
//! [`Trace`] answers with a [`Recall`]: back to lots and people, forward to customers, and
//! sideways over what wheels shared, each wheel with a [`Level`] and its [`Reason`]s in
//! words, and with a balance that adds up to the gram. Holds over a batch, a lot, a room, a
//! time or a tool come down to wheels in [`Trace::owed_holds`].
//!
//! It advises: what to recall is decided by the person whom the dairy's plan names.

mod act;
mod balance;
mod caution;
mod contact;
mod drill;
mod evidence;
mod family;
mod flag;
mod hold;
mod index;
mod key;
mod known;
mod level;
mod milli;
mod place;
mod recall;
mod report;
mod sample;
mod stay;
mod storage;
mod story;
mod taking;

pub use balance::{BatchBalance, LotBalance, WheelBalance};
pub use caution::Caution;
pub use contact::{Contact, How, RUN};
pub use evidence::Evidence;
pub use family::{Link, Node};
pub use flag::Flag;
pub use hold::{HoldStanding, Keeps};
pub use index::Index;
pub use known::NoRecall;
pub use level::{Level, Reason};
pub use milli::{BaseUnit, Milli};
pub use place::Place;
pub use recall::{Affected, CustomerLine, LotLine, Recall, Settings, Total};
pub use report::{Report, ReportedReason, ReportedWheel};
pub use storage::{Memory, Storage};
pub use story::Whereabouts;

/// An index that is up to date: questions go here.
#[derive(Debug, Clone, Copy)]
pub struct Trace<'a> {
    index: &'a Index,
}
