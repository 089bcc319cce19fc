//! Every fact the floor can state: types, ids, envelope, schema. One place.
//!
//! A [`Fact`] is something that happened, as a station saw it. It is never changed
//! or deleted: a [`Voided`] fact names the one it corrects. On the wire a fact is a
//! CloudEvents 1.0 event ([`wire`]); in files it is the same event as one JSON line.
//!
//! To add a fact type: write its body beside its noun, add one line to the table in
//! [`event`], run `wheelward facts schema`, and let the round-trip test tell you
//! what you forgot.

mod alert;
mod control;
mod drill;
pub mod event;
mod fact;
mod forecast;
mod hold;
mod id;
mod lab;
mod label;
mod lot;
mod milk;
mod order;
mod room;
pub mod schema;
mod sense;
mod sscc;
pub mod stored;
mod tool;
mod vat;
mod wheel;
pub mod wire;

pub use alert::AlertAcknowledged;
pub use control::{Consequence, ControlChecked, DeviationDecided, DeviationFound};
pub use drill::TraceDrilled;
pub use event::{Event, TYPES, TypeInfo};
pub use fact::{Draft, Fact, FactId, FactIdSource, Voided, ordered};
pub use forecast::{ExpectedOn, ForecastTold};
pub use hold::{HoldLifted, HoldPlaced, HoldTraced, Scope, Window};
pub use id::{
    BadCode, BatchId, ControlId, CustomerId, HoldId, HoopId, LaneId, LotId, MarketId, OrderId,
    PersonId, PositionId, RecipeId, RoomId, SampleId, SensorId, SiteId, StackId, StationId,
    StillageId, ToolId, VatId, WheelId,
};
pub use lab::{LabResulted, LabSampled, LabSwabbed, Verdict};
pub use label::{CaseLabelled, LabelAnswered, LabelDropped, LabelOf, LabelWantedAgain};
pub use lot::{Amount, Document, LotCounted, LotKind, LotReceived, LotUsed, Unit};
pub use milk::{
    HeatReading, MilkHeated, MilkPart, MilkPasteurised, MilkPooled, MilkReceived, MilkScreened,
};
pub use order::{
    AgeRange, Mixing, OrderCancelled, OrderChanged, OrderConfirmed, OrderLine, OrderPacked,
    OrderPlaced, OrderRefused, OrderSubstituted, Promised, Standing, WeightRange,
};
pub use quantity::calendar;
pub use room::{RoomCleaned, RoomClimateRead, RoomGasRead};
pub use sense::{Nonsense, some_milk};
pub use sscc::{BadSscc, Sscc, gs1_check_digit};
pub use tool::{ToolCheck, ToolChecked, ToolSanitised};
pub use vat::{
    Ingredient, Reading, ReworkSource, VatClosed, VatCut, VatDosed, VatDrained, VatFilled,
    VatMeasured, VatMilled, VatRecipeChanged, VatReworked, VatStarted,
};
pub use wheel::{
    Carrier, Grade, RindObserved, Sale, WheelAllocated, WheelDelivered, WheelDiscarded,
    WheelDispatched, WheelGraded, WheelHeld, WheelHooped, WheelIroned, WheelLabelled, WheelLoaded,
    WheelMoved, WheelPierced, WheelPortioned, WheelReleased, WheelReturned, WheelRubbedUp,
    WheelTurned, WheelUnhooped, WheelWeighed,
};
