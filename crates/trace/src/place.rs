//! What wheels share: surfaces and air.

use std::fmt;

use facts::{HoopId, RoomId, Sscc, StackId, StillageId, ToolId, VatId, stored_enum};
use serde::Serialize;

/// Something that two wheels can have in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// A vat.
    Vat(VatId),
    /// A hoop.
    Hoop(HoopId),
    /// A stack of hoops.
    Stack(StackId),
    /// A stillage.
    Stillage(StillageId),
    /// A room.
    Room(RoomId),
    /// A piercing machine or an iron.
    Tool(ToolId),
    /// A case.
    Case(Sscc),
}

stored_enum!(Place {
    0 = Vat(id),
    1 = Hoop(id),
    2 = Stack(id),
    3 = Stillage(id),
    4 = Room(id),
    5 = Tool(id),
    6 = Case(id),
});

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Vat(id) => write!(f, "vat {id}"),
            Self::Hoop(id) => write!(f, "hoop {id}"),
            Self::Stack(id) => write!(f, "stack {id}"),
            Self::Stillage(id) => write!(f, "stillage {id}"),
            Self::Room(id) => write!(f, "room {id}"),
            Self::Tool(id) => write!(f, "{id}"),
            Self::Case(id) => write!(f, "case {id}"),
        }
    }
}
