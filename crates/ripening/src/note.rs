//! What a fact means for one wheel.

use chrono::{DateTime, TimeDelta, Utc};
use facts::stored::instant;
use facts::{
    BatchId, Carrier, Event, Fact, Grade, HoldId, HoopId, LotId, MarketId, OrderId, PersonId,
    PositionId, RoomId, SampleId, StackId, StationId, StillageId, ToolId, stored_enum,
    stored_struct,
};
use holds::{Guard, Step, Target};
use quantity::{Grams, Percent};
use serde::{Deserialize, Serialize};

use crate::{Moment, Voids};

/// How long a scan may take from the device to the edge.
const ON_THE_WAY: TimeDelta = TimeDelta::seconds(5);

/// One entry of a wheel's life: a fact, as far as it concerns this wheel.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// When, and which fact.
    pub moment: Moment,
    /// The station that stated it.
    pub station: StationId,
    /// Who did it, where known.
    pub person: Option<PersonId>,
    /// What the device claimed, and when that was received, where they differ.
    pub claim: Option<Claim>,
    /// What was scanned, where it was not the wheel itself.
    pub via: Option<Carrier>,
    /// Who takes its fact back: the station is [`Self::station`].
    pub guard: Guard<()>,
    /// Where it says the wheel was, or what touched it.
    pub step: Option<Step>,
    /// What happened to the wheel.
    pub what: What,
}

/// When something happened by the device that says so, and when its word was received.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Claim {
    /// By the device's clock.
    #[serde(with = "chrono::serde::ts_microseconds")]
    pub claimed: DateTime<Utc>,
    /// By the clock of the edge that received it.
    #[serde(with = "chrono::serde::ts_microseconds")]
    pub received: DateTime<Utc>,
}

impl Claim {
    /// Whether what the device said orders a fact that counts from this instant: else its
    /// receipt does.
    #[must_use]
    pub fn is_believed(&self, counts: DateTime<Utc>) -> bool {
        let off = |at: DateTime<Utc>| counts.signed_duration_since(at).abs();
        off(self.claimed) < off(self.received)
    }

    /// The two times of a fact, where they are further apart than the way to the edge takes.
    #[must_use]
    pub fn of(fact: &Fact) -> Option<Self> {
        let (claimed, received) = (fact.claimed(), fact.recorded_at);
        let apart = claimed.signed_duration_since(received).abs();
        (apart >= ON_THE_WAY).then_some(Self { claimed, received })
    }
}

/// What happened to a wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)] // the fact types of the same names document the fields
pub enum What {
    Portioned {
        batch: BatchId,
        weight: Grams,
    },
    Hooped {
        hoop: HoopId,
        stack: Option<StackId>,
    },
    Turned,
    Unhooped,
    RubbedUp,
    Loaded {
        stillage: StillageId,
    },
    Moved {
        room: RoomId,
        position: Option<PositionId>,
    },
    RindSeen {
        cover: Percent,
    },
    Pierced {
        machine: ToolId,
    },
    Ironed {
        coverage: Percent,
        note: Option<String>,
    },
    Graded {
        grade: Grade,
    },
    Weighed {
        weight: Grams,
    },
    Labelled {
        printer: String,
    },
    Sampled {
        sample: SampleId,
    },
    Used {
        lot: LotId,
    },
    Held {
        hold: HoldId,
        reason: String,
    },
    Released {
        hold: HoldId,
        reason: String,
    },
    Allocated {
        order: OrderId,
    },
    Dispatched {
        order: Option<OrderId>,
        market: Option<MarketId>,
    },
    Delivered {
        order: Option<OrderId>,
    },
    Returned {
        reason: String,
    },
    Discarded {
        reason: String,
    },
}

impl Note {
    /// Who takes its fact back.
    #[must_use]
    pub fn target(&self) -> Target {
        Target::kept(self.moment.fact, self.guard.map(|()| self.station))
    }

    /// Whether it counts as never having happened.
    #[must_use]
    pub fn is_void(&self, voids: &Voids) -> bool {
        voids.takes_back(self.target())
    }

    /// What a fact means for each of its wheels; `None` when it is not about wheels.
    #[must_use]
    pub fn of(fact: &Fact) -> Option<Self> {
        let what = match &fact.event {
            Event::WheelPortioned(e) => What::Portioned {
                batch: e.batch,
                weight: e.weight_g,
            },
            Event::WheelHooped(e) => What::Hooped {
                hoop: e.hoop,
                stack: e.stack,
            },
            Event::WheelTurned(_) => What::Turned,
            Event::WheelUnhooped(_) => What::Unhooped,
            Event::WheelRubbedUp(_) => What::RubbedUp,
            Event::WheelLoaded(e) => What::Loaded {
                stillage: e.stillage,
            },
            Event::WheelMoved(e) => What::Moved {
                room: e.room,
                position: e.position,
            },
            Event::RindObserved(e) => What::RindSeen { cover: e.cover_pct },
            Event::WheelPierced(e) => What::Pierced { machine: e.machine },
            Event::WheelIroned(e) => What::Ironed {
                coverage: e.blue_coverage_pct,
                note: e.note.clone(),
            },
            Event::WheelGraded(e) => What::Graded { grade: e.grade },
            Event::WheelWeighed(e) => What::Weighed { weight: e.weight_g },
            Event::WheelLabelled(e) => What::Labelled {
                printer: e.printer.clone(),
            },
            Event::LabSampled(e) => What::Sampled { sample: e.sample },
            Event::LotUsed(e) => What::Used { lot: e.lot },
            Event::WheelHeld(e) => What::Held {
                hold: e.hold,
                reason: e.reason.clone(),
            },
            Event::WheelReleased(e) => What::Released {
                hold: e.hold,
                reason: e.reason.clone(),
            },
            Event::HoldLifted(e) => What::Released {
                hold: e.hold,
                reason: e.reason.clone(),
            },
            Event::WheelAllocated(e) => What::Allocated { order: e.order },
            Event::WheelDispatched(e) => What::Dispatched {
                order: e.order,
                market: e.market,
            },
            Event::WheelDelivered(e) => What::Delivered { order: e.order },
            Event::WheelReturned(e) => What::Returned {
                reason: e.reason.clone(),
            },
            Event::WheelDiscarded(e) => What::Discarded {
                reason: e.reason.clone(),
            },
            _ => return None,
        };
        Some(Self {
            moment: Moment::of(fact),
            station: fact.station,
            person: fact.person,
            claim: Claim::of(fact),
            via: via(&fact.event),
            guard: Guard::of_event(&fact.event, ()),
            step: Step::of(&fact.event),
            what,
        })
    }
}

/// What was scanned, when a group of wheels was acted on at once.
const fn via(event: &Event) -> Option<Carrier> {
    match event {
        Event::WheelTurned(e) => e.via,
        Event::WheelUnhooped(e) => e.via,
        Event::WheelRubbedUp(e) => e.via,
        Event::WheelMoved(e) => e.via,
        Event::RindObserved(e) => e.via,
        Event::WheelPierced(e) => e.via,
        Event::WheelGraded(e) => e.via,
        Event::WheelDispatched(e) => e.via,
        _ => None,
    }
}

impl Note {
    /// The happening in words, as a line of the wheel's life.
    #[must_use]
    pub fn words(&self) -> String {
        let what = self.what.words();
        self.via
            .map_or(what.clone(), |carrier| format!("{what} with {carrier}"))
    }
}

impl What {
    /// The happening in words.
    #[must_use]
    pub fn words(&self) -> String {
        let to =
            |order: &Option<OrderId>| order.map_or(String::new(), |o| format!(" for order {o}"));
        match self {
            Self::Portioned { batch, weight } => format!("portioned from batch {batch}, {weight}"),
            Self::Hooped { hoop, stack: None } => format!("into hoop {hoop}"),
            Self::Hooped {
                hoop,
                stack: Some(stack),
            } => format!("into hoop {hoop}, stack {stack}"),
            Self::Turned => "turned".to_owned(),
            Self::Unhooped => "unhooped".to_owned(),
            Self::RubbedUp => "rubbed up".to_owned(),
            Self::Loaded { stillage } => format!("loaded on stillage {stillage}"),
            Self::Moved {
                room,
                position: None,
            } => format!("moved to room {room}"),
            Self::Moved {
                room,
                position: Some(at),
            } => format!("moved to room {room}, place {at}"),
            Self::RindSeen { cover } => format!("rind cover seen: {cover}"),
            Self::Pierced { machine } => format!("pierced with {machine}"),
            Self::Ironed {
                coverage,
                note: None,
            } => format!("ironed: blue through {coverage}"),
            Self::Ironed {
                coverage,
                note: Some(note),
            } => {
                format!("ironed: blue through {coverage}, {note}")
            }
            Self::Graded { grade } => format!("graded {grade}"),
            Self::Weighed { weight } => format!("weighed {weight}"),
            Self::Labelled { printer } => format!("label printed on {printer}"),
            Self::Sampled { sample } => format!("sample {sample} taken"),
            Self::Used { lot } => format!("some of lot {lot} put on"),
            Self::Held { hold, reason } => format!("held by {hold}: {reason}"),
            Self::Released { hold, reason } => format!("released from {hold}: {reason}"),
            Self::Allocated { order } => format!("promised to order {order}"),
            Self::Dispatched {
                order,
                market: None,
            } => format!("dispatched{}", to(order)),
            Self::Dispatched {
                order,
                market: Some(m),
            } => {
                format!("dispatched{} to market {m}", to(order))
            }
            Self::Delivered { order } => format!("delivered{}", to(order)),
            Self::Returned { reason } => format!("came back: {reason}"),
            Self::Discarded { reason } => format!("discarded: {reason}"),
        }
    }
}

stored_struct!(Note {
    moment,
    station,
    person,
    claim,
    via,
    guard,
    step,
    what,
});

stored_struct!(Claim { claimed via instant, received via instant });

// A number stands for its variant for ever: what is new gets a new one.
stored_enum!(What {
    0 = Portioned { batch, weight },
    1 = Hooped { hoop, stack },
    2 = Turned,
    3 = Unhooped,
    4 = RubbedUp,
    5 = Loaded { stillage },
    6 = Moved { room, position },
    7 = RindSeen { cover },
    8 = Pierced { machine },
    9 = Ironed { coverage, note },
    10 = Graded { grade },
    11 = Weighed { weight },
    12 = Labelled { printer },
    13 = Sampled { sample },
    14 = Held { hold, reason },
    15 = Released { hold, reason },
    16 = Allocated { order },
    17 = Dispatched { order, market },
    18 = Delivered { order },
    19 = Returned { reason },
    20 = Discarded { reason },
    21 = Used { lot },
});
