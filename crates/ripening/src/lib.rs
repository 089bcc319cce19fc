//! A wheel's life: facts to state to next actions, alerts and answers.
//!
//! [`Floor`] folds facts in any order and, for a given instant, derives what every
//! wheel needs next. It is pure: no clock, no file, no socket. The [`rule`] table holds
//! the rules of maturing; [`answer`] turns the folded floor into what people ask for.

mod action;
pub mod alert;
pub mod answer;

mod batch;
mod calendar;
mod drift;
mod floor;
mod note;
mod notes;
mod odd;
mod practice;
mod room;
pub mod rule;
mod state;
mod station_log;
mod stored;
mod tool;
mod wheel;
mod wheels;

pub use action::{Action, Because, Blocked, NextAction, Severity, Urgency, Window};
pub use alert::{Alert, Level, Situation, Step, Subject};
pub use batch::{Batch, Progress, Started};
pub use calendar::Calendar;
pub use drift::Drift;
pub use floor::{
    Away, Carried, Changed, Closed, Counts, Damaged, Floor, Folding, Gap, LabelWanted, Needs,
    Reopens,
};
pub use holds::{Guard, Moment, Rights, Target, Voiding, Voids};
pub use note::{Claim, Note, What};
pub use notes::NoteNo;
pub use practice::Practice;
pub use room::{Excursion, Reading, Room, RoomLook};
pub use state::{Flag, FlagKind, Piercing, Seen, State};
pub use station_log::StationLog;
pub use tool::Tool;
pub use wheel::Wheel;
