//! Alerts: one message per situation, not per wheel.
//!
//! A situation is a kind of trouble at a place. Wheels join and leave it; a person hears
//! of it when it is raised, when it gets worse, and when it is over. That work was done is said
//! only where a fact says so: a wheel that was brought elsewhere takes its trouble with it.

mod board;
mod of_wheel;
mod situation;
mod told;

use std::fmt;

use chrono::{DateTime, Utc};
use facts::{BatchId, RoomId, StackId, StationId, StillageId, ToolId, WheelId, stored_enum};
use serde::{Deserialize, Serialize};

use crate::Severity;

pub(crate) use board::{Board, Trouble};
pub(crate) use of_wheel::of_wheel;
pub use situation::Situation;
pub use told::{Open, Over, recall};

/// What a situation is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Subject {
    Stillage(StillageId),
    Stack(StackId),
    Wheel(WheelId),
    Room(RoomId),
    Tool(ToolId),
    Station(StationId),
    /// A batch.
    Batch(BatchId),
}

impl fmt::Display for Subject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Stillage(id) => write!(f, "stillage {id}"),
            Self::Stack(id) => write!(f, "stack {id}"),
            Self::Wheel(id) => write!(f, "wheel {id}"),
            Self::Room(id) => write!(f, "room {id}"),
            Self::Tool(id) => write!(f, "{id}"),
            Self::Station(id) => write!(f, "station {id}"),
            Self::Batch(id) => write!(f, "batch {id}"),
        }
    }
}

/// How bad a situation is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// Someone should act.
    Raised,
    /// It has got worse.
    Escalated,
}

/// What a message says of its situation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Step {
    /// It began.
    Raised,
    /// It got worse.
    Escalated,
    /// It is over.
    Cleared,
}

impl Step {
    /// The step as a subject token.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Escalated => "escalated",
            Self::Cleared => "cleared",
        }
    }
}

/// One message about one situation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alert {
    /// The situation's own name: the same from raised to cleared.
    pub alert: String,
    /// What this message says of it.
    pub step: Step,
    /// How bad.
    pub severity: Severity,
    /// The kind of trouble.
    pub situation: Situation,
    /// Where.
    pub subject: Subject,
    /// One sentence for a chat.
    pub text: String,
    /// How many wheels it concerns; 0 when it is not about wheels.
    pub wheel_count: usize,
    /// The wheels, at most 50 of them.
    pub wheels: Vec<WheelId>,
    /// Since when.
    pub since: DateTime<Utc>,
}

impl Alert {
    /// The message's own name: one a step of a situation, the same if it is made again.
    #[must_use]
    pub fn id(&self) -> String {
        format!("{}-{}", self.alert, self.step.as_str())
    }
}

/// A wheel's part in a situation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Told {
    pub(crate) key: Key,
    pub(crate) level: Level,
    /// Since when, by the facts and the rules alone: the same whenever it is looked at.
    pub(crate) since: DateTime<Utc>,
    /// When what is missing was last done to it, as far as the facts say.
    pub(crate) done: Option<DateTime<Utc>>,
}

pub(crate) type Key = (Situation, Subject);

// A number stands for its variant for ever: what is new gets a new one.
stored_enum!(Subject {
    0 = Stillage(id),
    1 = Stack(id),
    2 = Wheel(id),
    3 = Room(id),
    4 = Tool(id),
    5 = Station(id),
    6 = Batch(id),
});

stored_enum!(Level {
    0 = Raised,
    1 = Escalated,
});
