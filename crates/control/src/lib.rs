//! Portion weights in control: is every vat portioned to the aim, by everybody, and since
//! when not?
//!
//! [`Study`] looks at the portions of a vat or of a person: samples of a few portions
//! weighed one after the other, Shewhart's limits for their means and ranges ([`Limits`]),
//! Nelson's tests ([`nelson`]), capability against the recipe's tolerance ([`Capability`])
//! and the curd given away ([`Giveaway`]). [`Watch`] looks on while portions are weighed and
//! says when they leave the aim, since when and by how much ([`Finding`]); [`judge`] says the
//! same of portions that are all there. [`Finish`] compares finished weights with what the
//! recipe leads to expect. [`draw`] makes charts of it, [`report`] the page for the end of a
//! make.

mod aim;
mod capability;
pub mod draw;
mod drift;
mod factors;
mod finding;
mod finish;
mod gather;
mod giveaway;
mod judge;
mod limits;
mod monitor;
pub mod nelson;
mod page;
mod sample;
mod study;
pub mod survey;
mod watch;

pub use aim::{Aim, Portion, Rules, Spread};
pub use capability::Capability;
pub use drift::since;
pub use factors::{BadSize, Factors, Size};
pub use finding::{Finding, Lean, What};
pub use finish::{Finish, Finished};
pub use gather::{day_of_batch, line_of, portions_of, rules_for};
pub use giveaway::Giveaway;
pub use judge::{Episode, judge};
pub use limits::Limits;
pub use monitor::Monitor;
pub use page::{figures, found, report};
pub use sample::{Sample, mean_and_range, samples};
pub use study::{Point, Study, Whose};
pub use watch::{Notice, Said, Told, Watch};
