//! A task: one kind of work on wheels that stand together, with its window of days.

use facts::{BatchId, Carrier, PositionId, RoomId, WheelId};
use quantity::DairyDay;
use ripening::Severity;
use serde::{Deserialize, Serialize};

/// A kind of work.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Turn.
    Turn,
    /// Take the hoops off; when it is planned ahead, the rubbing up and the way to the
    /// first room that follow the same day are part of it.
    Unhoop,
    /// Rub up wheels that are already unhooped.
    RubUp,
    /// Bring rubbed-up wheels to their first room.
    Place,
    /// Look at the rind.
    RindCheck,
    /// Move to the next room.
    MoveOn,
    /// Pierce.
    Pierce,
    /// Draw cores.
    Iron,
    /// Grade.
    Grade,
    /// Make ready for dispatch.
    Dispatch,
}

impl Kind {
    /// Every kind, in the order of the process.
    pub const ALL: [Self; 10] = [
        Self::Turn,
        Self::Unhoop,
        Self::RubUp,
        Self::Place,
        Self::RindCheck,
        Self::MoveOn,
        Self::Pierce,
        Self::Iron,
        Self::Grade,
        Self::Dispatch,
    ];

    /// As files spell it.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Turn => "turn",
            Self::Unhoop => "unhoop",
            Self::RubUp => "rub_up",
            Self::Place => "place",
            Self::RindCheck => "rind_check",
            Self::MoveOn => "move_on",
            Self::Pierce => "pierce",
            Self::Iron => "iron",
            Self::Grade => "grade",
            Self::Dispatch => "dispatch",
        }
    }

    /// As people say it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Turn => "turn",
            Self::Unhoop => "unhoop and rub up",
            Self::RubUp => "rub up",
            Self::Place => "bring to room",
            Self::RindCheck => "look at rind",
            Self::MoveOn => "move on",
            Self::Pierce => "pierce",
            Self::Iron => "iron",
            Self::Grade => "grade",
            Self::Dispatch => "make ready for dispatch",
        }
    }
}

/// One kind of work on wheels that stand together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Task {
    /// The same from day to day for the same work.
    pub id: String,
    /// What.
    pub kind: Kind,
    /// Where it is done; none for hoops and between rooms.
    pub room: Option<RoomId>,
    /// Where it leads, for work that moves wheels.
    pub to: Option<RoomId>,
    /// What the wheels stand on or in.
    pub carrier: Option<Carrier>,
    /// Where that stands.
    pub position: Option<PositionId>,
    /// Their batch.
    pub batch: Option<BatchId>,
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// Not before this dairy day.
    pub earliest: DairyDay,
    /// Should be done on or before this day.
    pub due: DairyDay,
    /// Too late after this day.
    pub latest: DairyDay,
    /// What leaving it undone costs.
    pub severity: Severity,
    /// The mean weight of the wheels on the due day, kg.
    pub wheel_kg: f64,
    /// Why.
    pub because: String,
}

/// Work that cannot be planned until something else happens.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Waiting {
    /// What.
    pub kind: Kind,
    /// Where.
    pub room: Option<RoomId>,
    /// On what.
    pub carrier: Option<Carrier>,
    /// Which batch.
    pub batch: Option<BatchId>,
    /// How many wheels.
    pub wheels: usize,
    /// Why.
    pub because: String,
}
