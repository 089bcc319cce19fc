//! Every fact the floor can state: types, ids, envelope, schema. One place.
//!
//! A [`Fact`] is something that happened, as a station saw it. It is never changed
//! or deleted: a [`Voided`] fact names the one it corrects. On the wire a fact is a
//! CloudEvents 1.0 event ([`wire`]); in files it is the same event as one JSON line.
//!
//! To add a fact type: write its body beside its noun, add one line to the table in
//! [`event`], run `wheelward facts schema`, and let the round-trip test tell you
//! what you forgot.

pub mod event;
mod fact;
mod id;
mod lab;
mod milk;
mod order;
mod room;
pub mod schema;
mod tool;
mod vat;
mod wheel;
pub mod wire;

pub use event::{Event, TYPES, TypeInfo};
pub use fact::{Draft, Fact, FactId, FactIdSource, Voided};
pub use id::{
    BadCode, BatchId, HoldId, HoopId, LotId, MarketId, OrderId, PersonId, PositionId, RecipeId,
    RoomId, SampleId, SensorId, SiteId, StackId, StationId, StillageId, ToolId, VatId, WheelId,
};
pub use lab::{LabResulted, LabSampled, Verdict};
pub use milk::{MilkPasteurised, MilkReceived, MilkScreened};
pub use order::{OrderCancelled, OrderChanged, OrderLine, OrderPlaced};
pub use room::{RoomCleaned, RoomClimateRead};
pub use tool::{ToolCheck, ToolChecked, ToolSanitised};
pub use vat::{
    Ingredient, Reading, VatClosed, VatCut, VatDosed, VatDrained, VatMeasured, VatMilled,
    VatRecipeChanged, VatStarted,
};
pub use wheel::{
    Carrier, Grade, RindObserved, WheelAllocated, WheelDelivered, WheelDiscarded, WheelDispatched,
    WheelGraded, WheelHeld, WheelHooped, WheelIroned, WheelLabelled, WheelLoaded, WheelMoved,
    WheelPierced, WheelPortioned, WheelReleased, WheelReturned, WheelRubbedUp, WheelTurned,
    WheelUnhooped, WheelWeighed,
};
