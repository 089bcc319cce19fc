//! The event catalogue: one line a type. Versions only add; a breaking change is a
//! new type with an upcaster at the edge.

use schemars::{Schema, SchemaGenerator};

use crate::{
    AlertAcknowledged, CaseLabelled, ControlChecked, DeviationDecided, DeviationFound,
    ForecastTold, HoldLifted, HoldPlaced, HoldTraced, LabResulted, LabSampled, LabSwabbed,
    LabelAnswered, LabelDropped, LabelWantedAgain, LotCounted, LotReceived, LotUsed, MilkHeated,
    MilkPasteurised, MilkPooled, MilkReceived, MilkScreened, OrderCancelled, OrderChanged,
    OrderConfirmed, OrderPacked, OrderPlaced, OrderRefused, OrderSubstituted, RindObserved,
    RoomCleaned, RoomClimateRead, RoomGasRead, ToolChecked, ToolSanitised, TraceDrilled, VatClosed,
    VatCut, VatDosed, VatDrained, VatFilled, VatMeasured, VatMilled, VatRecipeChanged, VatReworked,
    VatStarted, Voided, WheelAllocated, WheelDelivered, WheelDiscarded, WheelDispatched,
    WheelGraded, WheelHeld, WheelHooped, WheelId, WheelIroned, WheelLabelled, WheelLoaded,
    WheelMoved, WheelPierced, WheelPortioned, WheelReleased, WheelReturned, WheelRubbedUp,
    WheelTurned, WheelUnhooped, WheelWeighed,
};

/// What a fact type is called, and how to describe it.
#[derive(Debug, Clone, Copy)]
pub struct TypeInfo {
    /// The CloudEvents `type`: `floor.<noun>.<verb>.v<n>`.
    pub ty: &'static str,
    /// The noun, the first token of the subject after the site.
    pub noun: &'static str,
    /// The verb, the second.
    pub verb: &'static str,
    /// The name of the body's Rust type, and of its schema.
    pub body: &'static str,
    /// Its JSON Schema.
    pub schema: fn(&mut SchemaGenerator) -> Schema,
}

macro_rules! catalogue {
    ($($variant:ident = $noun:literal $verb:literal v $version:literal;)*) => {
        /// What happened: one variant a type of the catalogue.
        #[derive(Debug, Clone, PartialEq)]
        #[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
        #[allow(missing_docs)] // each variant is its body's own documentation
        pub enum Event {
            $($variant($variant),)*
        }

        /// Every type of fact, in the catalogue's order.
        pub const TYPES: &[TypeInfo] = &[
            $(TypeInfo {
                ty: concat!("floor.", $noun, ".", $verb, ".v", $version),
                noun: $noun,
                verb: $verb,
                body: stringify!($variant),
                schema: |generator| generator.subschema_for::<$variant>(),
            },)*
        ];

        impl Event {
            /// The CloudEvents `type`.
            #[must_use]
            pub const fn ty(&self) -> &'static str {
                match self {
                    $(Self::$variant(_) => concat!("floor.", $noun, ".", $verb, ".v", $version),)*
                }
            }

            /// `<noun>.<verb>`: the end of the subject.
            #[must_use]
            pub const fn topic(&self) -> &'static str {
                match self {
                    $(Self::$variant(_) => concat!($noun, ".", $verb),)*
                }
            }

            /// Reads a body of the given CloudEvents `type`. `None`: a type or version
            /// that this build does not know.
            ///
            /// # Errors
            /// The JSON error when the body does not fit its type.
            pub fn read(ty: &str, body: &[u8]) -> Option<Result<Self, serde_json::Error>> {
                match ty {
                    $(concat!("floor.", $noun, ".", $verb, ".v", $version) =>
                        Some(serde_json::from_slice(body).map(Self::$variant)),)*
                    _ => None,
                }
            }

            /// Writes the body as JSON.
            ///
            /// # Errors
            /// The JSON error; none of the catalogue's types can cause one.
            pub fn write(&self) -> Result<Vec<u8>, serde_json::Error> {
                match self {
                    $(Self::$variant(body) => serde_json::to_vec(body),)*
                }
            }
        }

        $(impl From<$variant> for Event {
            fn from(body: $variant) -> Self {
                Self::$variant(body)
            }
        })*
    };
}

catalogue! {
    MilkReceived = "milk" "received" v 1;
    MilkScreened = "milk" "screened" v 1;
    MilkPasteurised = "milk" "pasteurised" v 1;
    MilkHeated = "milk" "heated" v 1;
    MilkPooled = "milk" "pooled" v 1;
    LotReceived = "lot" "received" v 1;
    LotUsed = "lot" "used" v 1;
    LotCounted = "lot" "counted" v 1;
    VatStarted = "vat" "started" v 1;
    VatFilled = "vat" "filled" v 1;
    VatReworked = "vat" "reworked" v 1;
    VatDosed = "vat" "dosed" v 1;
    VatMeasured = "vat" "measured" v 1;
    VatCut = "vat" "cut" v 1;
    VatDrained = "vat" "drained" v 1;
    VatMilled = "vat" "milled" v 1;
    VatClosed = "vat" "closed" v 1;
    VatRecipeChanged = "vat" "recipe_changed" v 1;
    WheelPortioned = "wheel" "portioned" v 1;
    WheelHooped = "wheel" "hooped" v 1;
    WheelTurned = "wheel" "turned" v 1;
    WheelUnhooped = "wheel" "unhooped" v 1;
    WheelRubbedUp = "wheel" "rubbed_up" v 1;
    WheelLoaded = "wheel" "loaded" v 1;
    WheelMoved = "wheel" "moved" v 1;
    WheelPierced = "wheel" "pierced" v 1;
    WheelIroned = "wheel" "ironed" v 1;
    WheelGraded = "wheel" "graded" v 1;
    WheelWeighed = "wheel" "weighed" v 1;
    WheelLabelled = "wheel" "labelled" v 1;
    WheelHeld = "wheel" "held" v 1;
    WheelReleased = "wheel" "released" v 1;
    WheelAllocated = "wheel" "allocated" v 1;
    WheelDispatched = "wheel" "dispatched" v 1;
    WheelDelivered = "wheel" "delivered" v 1;
    WheelReturned = "wheel" "returned" v 1;
    WheelDiscarded = "wheel" "discarded" v 1;
    RindObserved = "rind" "observed" v 1;
    RoomClimateRead = "room" "climate_read" v 1;
    RoomGasRead = "room" "gas_read" v 1;
    RoomCleaned = "room" "cleaned" v 1;
    ForecastTold = "batch" "forecast" v 1;
    ToolChecked = "tool" "checked" v 1;
    ToolSanitised = "tool" "sanitised" v 1;
    LabSampled = "lab" "sampled" v 1;
    LabSwabbed = "lab" "swabbed" v 1;
    LabResulted = "lab" "resulted" v 1;
    ControlChecked = "control" "checked" v 1;
    DeviationFound = "deviation" "found" v 1;
    DeviationDecided = "deviation" "decided" v 1;
    HoldPlaced = "hold" "placed" v 1;
    HoldLifted = "hold" "lifted" v 1;
    HoldTraced = "hold" "traced" v 1;
    TraceDrilled = "trace" "drilled" v 1;
    OrderPlaced = "order" "placed" v 1;
    OrderChanged = "order" "changed" v 1;
    OrderCancelled = "order" "cancelled" v 1;
    OrderConfirmed = "order" "confirmed" v 1;
    OrderSubstituted = "order" "substituted" v 1;
    OrderPacked = "order" "packed" v 1;
    OrderRefused = "order" "refused" v 1;
    LabelWantedAgain = "label" "wanted_again" v 1;
    LabelAnswered = "label" "answered" v 1;
    LabelDropped = "label" "dropped" v 1;
    CaseLabelled = "case" "labelled" v 1;
    Voided = "fact" "voided" v 1;
    AlertAcknowledged = "alert" "acknowledged" v 1;
}

impl Event {
    /// The wheels that the fact happened to, as the station resolved them.
    #[must_use]
    pub fn wheels(&self) -> &[WheelId] {
        use std::slice::from_ref;
        match self {
            Self::WheelPortioned(e) => from_ref(&e.wheel),
            Self::WheelHooped(e) => from_ref(&e.wheel),
            Self::WheelTurned(e) => &e.wheels,
            Self::WheelUnhooped(e) => &e.wheels,
            Self::WheelRubbedUp(e) => &e.wheels,
            Self::WheelLoaded(e) => &e.wheels,
            Self::WheelMoved(e) => &e.wheels,
            Self::WheelPierced(e) => &e.wheels,
            Self::WheelIroned(e) => from_ref(&e.wheel),
            Self::WheelGraded(e) => &e.wheels,
            Self::WheelWeighed(e) => from_ref(&e.wheel),
            Self::WheelLabelled(e) => from_ref(&e.wheel),
            Self::WheelHeld(e) => &e.wheels,
            Self::WheelReleased(e) => &e.wheels,
            Self::WheelAllocated(e) => &e.wheels,
            Self::WheelDispatched(e) => &e.wheels,
            Self::WheelDelivered(e) => &e.wheels,
            Self::WheelReturned(e) => &e.wheels,
            Self::WheelDiscarded(e) => &e.wheels,
            Self::RindObserved(e) => &e.wheels,
            Self::LabSampled(e) => &e.wheels,
            Self::LotUsed(e) => &e.wheels,
            Self::HoldLifted(e) => &e.wheels,
            Self::MilkReceived(_)
            | Self::MilkScreened(_)
            | Self::MilkPasteurised(_)
            | Self::MilkHeated(_)
            | Self::MilkPooled(_)
            | Self::LotReceived(_)
            | Self::LotCounted(_)
            | Self::VatStarted(_)
            | Self::VatFilled(_)
            | Self::VatReworked(_)
            | Self::VatDosed(_)
            | Self::VatMeasured(_)
            | Self::VatCut(_)
            | Self::VatDrained(_)
            | Self::VatMilled(_)
            | Self::VatClosed(_)
            | Self::VatRecipeChanged(_)
            | Self::RoomClimateRead(_)
            | Self::RoomGasRead(_)
            // Of a batch, not of wheels: nothing has happened to them.
            | Self::ForecastTold(_)
            | Self::RoomCleaned(_)
            | Self::ToolChecked(_)
            | Self::ToolSanitised(_)
            | Self::LabSwabbed(_)
            | Self::LabResulted(_)
            | Self::ControlChecked(_)
            | Self::DeviationFound(_)
            | Self::DeviationDecided(_)
            // Wheels within a hold's scope are told by wheel.held facts of their own.
            | Self::HoldPlaced(_)
            | Self::HoldTraced(_)
            | Self::TraceDrilled(_)
            | Self::OrderPlaced(_)
            | Self::OrderChanged(_)
            | Self::OrderCancelled(_)
            // What became of an order. What happened to its wheels themselves, they are
            // told by facts of their own: allocated, dispatched, returned.
            | Self::OrderConfirmed(_)
            | Self::OrderSubstituted(_)
            | Self::OrderPacked(_)
            | Self::OrderRefused(_)
            // What happens to paper happens to no wheel.
            | Self::LabelWantedAgain(_)
            | Self::LabelAnswered(_)
            | Self::LabelDropped(_)
            | Self::CaseLabelled(_)
            | Self::Voided(_)
            | Self::AlertAcknowledged(_) => &[],
        }
    }
}
