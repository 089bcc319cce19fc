//! What a wheel needs next, by when, and why.

use std::fmt;

use chrono::{DateTime, Utc};
use facts::{FactId, RoomId};
use serde::{Deserialize, Serialize};

/// Something a person should do to a wheel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// Turn it.
    Turn,
    /// Take the hoop off.
    Unhoop,
    /// Smooth the surface so that no air gets in.
    RubUp,
    /// Bring it to the first room of its chain.
    Place(RoomId),
    /// Look at the rind.
    RindCheck,
    /// Move it on to the next room.
    MoveOn(RoomId),
    /// Pierce it.
    Pierce,
    /// Draw a core.
    Iron,
    /// Grade it.
    Grade,
    /// Send it to a customer.
    Dispatch,
    /// Find it: nobody has seen it for days.
    Find,
    /// Look into what cannot be right about it.
    Review,
    /// Decide what becomes of it.
    Decide,
    /// Weigh it again.
    Weigh,
    /// Look for metal in it.
    LookForMetal,
}

impl fmt::Display for Action {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Turn => f.write_str("turn"),
            Self::Unhoop => f.write_str("unhoop"),
            Self::RubUp => f.write_str("rub up"),
            Self::Place(room) => write!(f, "bring to {room}"),
            Self::RindCheck => f.write_str("look at rind"),
            Self::MoveOn(room) => write!(f, "move to {room}"),
            Self::Pierce => f.write_str("pierce"),
            Self::Iron => f.write_str("iron"),
            Self::Grade => f.write_str("grade"),
            Self::Dispatch => f.write_str("dispatch"),
            Self::Find => f.write_str("find it"),
            Self::Review => f.write_str("look into"),
            Self::Decide => f.write_str("decide on it"),
            Self::Weigh => f.write_str("weigh again"),
            Self::LookForMetal => f.write_str("look for metal"),
        }
    }
}

/// Where `now` stands in an action's window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// Its window has not opened.
    Ahead,
    /// It may be done, and is not late.
    Due,
    /// It should have been done by now.
    Overdue,
    /// Its window has closed.
    Missed,
}

impl fmt::Display for Urgency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ahead => "ahead",
            Self::Due => "due",
            Self::Overdue => "OVERDUE",
            Self::Missed => "MISSED",
        })
    }
}

/// What leaving an action undone costs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Worth knowing.
    Notice,
    /// Quality suffers.
    Warning,
    /// Cheese is lost, or must not leave.
    Alarm,
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Notice => "notice",
            Self::Warning => "warning",
            Self::Alarm => "ALARM",
        })
    }
}

/// When an action should be done: three instants that never fall.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Window {
    /// Not before.
    pub earliest: DateTime<Utc>,
    /// Should be done by.
    pub due: DateTime<Utc>,
    /// Too late after.
    pub latest: DateTime<Utc>,
}

impl Window {
    /// Where an instant stands in the window.
    #[must_use]
    pub fn urgency(&self, now: DateTime<Utc>) -> Urgency {
        if now < self.earliest {
            Urgency::Ahead
        } else if now < self.due {
            Urgency::Due
        } else if now < self.latest {
            Urgency::Overdue
        } else {
            Urgency::Missed
        }
    }

    /// The next instant at which [`Self::urgency`] changes.
    #[must_use]
    pub fn next_change(&self, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
        [self.earliest, self.due, self.latest]
            .into_iter()
            .find(|edge| *edge > now)
    }
}

/// The rule behind an action and the facts it rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Because {
    /// The rule's name in the rule table.
    pub rule: &'static str,
    /// The facts: at most two matter to any one rule.
    pub facts: [Option<FactId>; 2],
    /// What keeps it from being done now.
    pub blocked: Option<Blocked>,
}

/// What keeps an action from being done although its window is open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Blocked {
    /// Not enough rind yet.
    TooLittleRind,
    /// Under a hold.
    Held,
    /// Pierced with needles that nobody had counted that day.
    NeedlesUncounted,
    /// Made by a version of its recipe that the site does not have.
    RecipeMissing,
}

impl Blocked {
    /// In words, with what to do.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::TooLittleRind => "too little rind yet: look at it again first",
            Self::NeedlesUncounted => {
                "pierced without a good needle count that day: hold it and look for metal first"
            }
            Self::RecipeMissing => {
                "made by a version of its recipe that this site does not have: name that file in the site file first"
            }
            Self::Held => "held: it must not leave until a named person releases it",
        }
    }
}

/// An action with its window and reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NextAction {
    /// What to do.
    pub action: Action,
    /// When.
    pub window: Window,
    /// What it costs to leave it.
    pub severity: Severity,
    /// Why.
    pub because: Because,
}
