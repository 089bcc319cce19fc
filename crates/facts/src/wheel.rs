//! A wheel's life, from the scale to the customer.

use std::fmt;

use quantity::{Grams, Percent};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{
    BatchId, CustomerId, FactId, HoldId, HoopId, MarketId, OrderId, PersonId, PositionId, RoomId,
    StackId, StillageId, ToolId, WheelId,
};

/// The thing that was really scanned, when a group of wheels was acted on at once.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
#[serde(rename_all = "snake_case")]
pub enum Carrier {
    /// A hoop.
    Hoop(HoopId),
    /// A stack of hoops.
    Stack(StackId),
    /// A stillage.
    Stillage(StillageId),
}

impl fmt::Display for Carrier {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Hoop(id) => write!(f, "hoop {id}"),
            Self::Stack(id) => write!(f, "stack {id}"),
            Self::Stillage(id) => write!(f, "stillage {id}"),
        }
    }
}

/// How good a wheel is.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub enum Grade {
    /// Best.
    A,
    /// Good.
    B,
    /// For processing.
    C,
    /// Not for sale.
    Reject,
}

impl fmt::Display for Grade {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
            Self::Reject => "reject",
        })
    }
}

/// Curd was weighed out: a wheel was born.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelPortioned {
    /// The new wheel.
    pub wheel: WheelId,
    /// Its batch.
    pub batch: BatchId,
    /// Weight of the drained curd.
    pub weight_g: Grams,
    /// The scale.
    pub scale: Option<ToolId>,
    /// What was taken off for its hoop: the scale showed this much more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tare_g: Option<Grams>,
    /// Who mixed and salted it.
    pub mixer: Option<PersonId>,
}

/// A wheel's curd went into a hoop.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelHooped {
    /// The wheel.
    pub wheel: WheelId,
    /// The hoop, whose card carries the wheel's identity while it drains.
    pub hoop: HoopId,
    /// The stack the hoop stands in.
    pub stack: Option<StackId>,
}

/// Wheels were weighed again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelWeighed {
    /// The wheel.
    pub wheel: WheelId,
    /// Net weight.
    pub weight_g: Grams,
    /// The scale.
    pub scale: Option<ToolId>,
    /// What was taken off for its hoop: the scale showed this much more.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tare_g: Option<Grams>,
}

/// Wheels were put on a stillage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelLoaded {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// The stillage they stand on now.
    pub stillage: StillageId,
}

/// Wheels went to a room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelMoved {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// What was scanned, if not each wheel.
    pub via: Option<Carrier>,
    /// The room they are in now.
    pub room: RoomId,
    /// The place in the room.
    pub position: Option<PositionId>,
}

/// Wheels were pierced.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelPierced {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// What was scanned, if not each wheel.
    pub via: Option<Carrier>,
    /// The piercing machine.
    pub machine: ToolId,
}

/// A core was drawn with the iron.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelIroned {
    /// The wheel.
    pub wheel: WheelId,
    /// Share of the core's length that shows blue.
    pub blue_coverage_pct: Percent,
    /// The iron.
    pub iron: Option<ToolId>,
    /// Body, aroma and anything else the ironer noted.
    pub note: Option<String>,
}

/// Wheels were graded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelGraded {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// What was scanned, if not each wheel.
    pub via: Option<Carrier>,
    /// The grade.
    pub grade: Grade,
}

/// A label was printed for a wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelLabelled {
    /// The wheel.
    pub wheel: WheelId,
    /// The fact that asked for the label: the wheel's portioning.
    pub cause: FactId,
    /// Where it was printed.
    pub printer: String,
}

/// Wheels may not leave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelHeld {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// The hold; a wheel may be under several.
    pub hold: HoldId,
    /// Why.
    pub reason: String,
}

/// A named person ended a hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelReleased {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// The hold that no longer keeps them.
    pub hold: HoldId,
    /// Why they may go.
    pub reason: String,
}

/// Wheels were promised to an order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelAllocated {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// The order.
    pub order: OrderId,
}

/// Wheels left the dairy.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelDispatched {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// What was scanned, if not each wheel.
    pub via: Option<Carrier>,
    /// The order they go to.
    pub order: Option<OrderId>,
    /// The market they go to.
    pub market: Option<MarketId>,
    /// Who takes them where there is no order, and why.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sale: Option<Sale>,
}

/// Wheels that leave without an order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct Sale {
    /// The customer.
    pub customer: CustomerId,
    /// Why there is no order, in a person's words.
    pub reason: String,
}

/// Wheels arrived at the customer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WheelDelivered {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// The order they went to.
    pub order: Option<OrderId>,
}

macro_rules! group_steps {
    ($($(#[$doc:meta])* $name:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
        pub struct $name {
            /// The wheels.
            pub wheels: Vec<WheelId>,
            /// What was scanned, if not each wheel.
            pub via: Option<Carrier>,
        }
    )*};
}

group_steps! {
    /// Wheels were turned.
    WheelTurned;
    /// Wheels left their hoops.
    WheelUnhooped;
    /// Wheels were rubbed up: the surface smoothed so that no air gets in.
    WheelRubbedUp;
}

macro_rules! reasoned_steps {
    ($($(#[$doc:meta])* $name:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
        pub struct $name {
            /// The wheels.
            pub wheels: Vec<WheelId>,
            /// Why.
            pub reason: String,
        }
    )*};
}

reasoned_steps! {
    /// Wheels came back.
    WheelReturned;
    /// Wheels were thrown away.
    WheelDiscarded;
}

/// Someone looked at the rind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct RindObserved {
    /// The wheels it holds for.
    pub wheels: Vec<WheelId>,
    /// What was scanned, if not each wheel.
    pub via: Option<Carrier>,
    /// Share of the surface covered by mould.
    pub cover_pct: Percent,
}
