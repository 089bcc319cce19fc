//! Holds over more than named wheels, and what a finding is about.

use std::fmt;

use chrono::{DateTime, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{BatchId, FactId, HoldId, LotId, RoomId, StillageId, ToolId, WheelId};

/// From when to when; open at the end where nothing is said. The end is not part of it.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct Window {
    /// The first instant.
    #[cfg_attr(feature = "testing", proptest(strategy = "any_instant()"))]
    #[serde(deserialize_with = "quantity::calendar::read::instant")]
    pub from: DateTime<Utc>,
    /// The first instant after it.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        deserialize_with = "quantity::calendar::read::instant_or_none"
    )]
    #[cfg_attr(
        feature = "testing",
        proptest(strategy = "proptest::option::of(any_instant())")
    )]
    pub to: Option<DateTime<Utc>>,
}

/// What a hold, a sample or a recall is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum Scope {
    /// These wheels.
    Wheels(Vec<WheelId>),
    /// A batch: its wheels, those that are not portioned yet among them.
    Batch(BatchId),
    /// A lot of milk or of anything else: whatever it went into.
    Lot(LotId),
    /// Wheels that were in a room.
    Room {
        /// The room.
        room: RoomId,
        /// When.
        window: Window,
    },
    /// Wheels that were on a stillage.
    Stillage {
        /// The stillage.
        stillage: StillageId,
        /// When.
        window: Window,
    },
    /// Wheels that a tool touched.
    Tool {
        /// The tool.
        tool: ToolId,
        /// When.
        window: Window,
    },
    /// Wheels portioned in a time.
    Made(Window),
}

impl Scope {
    /// The time that it is about, if it is about one.
    #[must_use]
    pub const fn window(&self) -> Option<Window> {
        match self {
            Self::Wheels(_) | Self::Batch(_) | Self::Lot(_) => None,
            Self::Room { window, .. }
            | Self::Stillage { window, .. }
            | Self::Tool { window, .. }
            | Self::Made(window) => Some(*window),
        }
    }
}

impl fmt::Display for Window {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let minute = |at: &DateTime<Utc>| at.format("%Y-%m-%d %H:%M UTC").to_string();
        write!(f, "from {}", minute(&self.from))?;
        match &self.to {
            Some(to) => write!(f, " to {}", minute(to)),
            None => Ok(()),
        }
    }
}

impl fmt::Display for Scope {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Wheels(wheels) => match wheels.as_slice() {
                [] => f.write_str("no wheel"),
                [one] => write!(f, "wheel {one}"),
                [first, rest @ ..] => write!(f, "wheel {first} and {} more", rest.len()),
            },
            Self::Batch(id) => write!(f, "batch {id}"),
            Self::Lot(id) => write!(f, "lot {id}"),
            Self::Room { room, window } => write!(f, "room {room} {window}"),
            Self::Stillage { stillage, window } => write!(f, "stillage {stillage} {window}"),
            Self::Tool { tool, window } => write!(f, "tool {tool} {window}"),
            Self::Made(window) => write!(f, "wheels made {window}"),
        }
    }
}

/// Nothing within a scope may leave, whatever comes into it later. Each wheel is told by a
/// `wheel.held` fact of the same hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct HoldPlaced {
    /// The hold.
    pub hold: HoldId,
    /// What it keeps.
    pub scope: Scope,
    /// Why.
    pub reason: String,
    /// The fact that made it necessary, for example a laboratory result.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<FactId>,
}

/// A named person ended a hold over a scope: nothing comes under it any more, and the wheels
/// named here are released from it by the same act. Taking this back takes both back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct HoldLifted {
    /// The hold.
    pub hold: HoldId,
    /// The wheels that were shown as kept, each released. Older facts name none: their wheels
    /// were released by `wheel.released` facts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub wheels: Vec<WheelId>,
    /// Why it may go.
    pub reason: String,
}

/// Which wheels a hold over a lot, a room, a stillage or a tool keeps has been worked out, and
/// each of them has its `wheel.held` fact. Until this is said, the hold keeps every wheel of the
/// site.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct HoldTraced {
    /// The hold.
    pub hold: HoldId,
    /// The fact that placed it.
    pub placed: FactId,
    /// How many wheels were in its scope by then.
    pub wheels: u32,
}

#[cfg(feature = "testing")]
pub(crate) fn any_instant() -> impl proptest::strategy::Strategy<Value = DateTime<Utc>> {
    use proptest::strategy::Strategy as _;
    let (first, last) = (quantity::calendar::EARLIEST, quantity::calendar::LATEST);
    (first.timestamp_millis()..last.timestamp_millis())
        .prop_filter_map("an instant", DateTime::from_timestamp_millis)
}
