//! What a fact did to its wheels, in a few dozen bytes.

use chrono::{DateTime, Utc};
use facts::{
    BatchId, Carrier, CustomerId, Event, FactId, HoldId, LotId, MarketId, OrderId, PersonId,
    RoomId, StillageId, ToolId, WheelId, stored_enum, stored_struct,
};
use holds::Guard;

use crate::Place;
use crate::index::Index;

/// What was done to wheels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Act {
    Portioned {
        batch: BatchId,
        grams: u32,
    },
    Hooped {
        hoop: Place,
        stack: Option<Place>,
    },
    Unhooped,
    Loaded {
        stillage: StillageId,
    },
    Moved {
        room: RoomId,
        /// The stillage that was scanned, if it was one: all that stand on it moved.
        with: Option<StillageId>,
    },
    /// A tool went into the cheese.
    Touched {
        tool: ToolId,
    },
    Weighed {
        grams: u32,
    },
    Used {
        lot: LotId,
    },
    Sampled {
        /// Grams taken of all wheels together.
        grams: u32,
    },
    Held {
        hold: HoldId,
        reason: String,
    },
    Released {
        hold: HoldId,
    },
    Packed {
        order: OrderId,
        case: Place,
    },
    Dispatched {
        order: Option<OrderId>,
        market: Option<MarketId>,
        /// Who took it without an order.
        customer: Option<CustomerId>,
    },
    Delivered,
    Refused,
    Returned,
    Discarded,
    /// Turned, rubbed up, looked at: tells who had it in their hands, and no more.
    Handled,
}

stored_enum!(Act {
    0 = Portioned { batch, grams },
    1 = Hooped { hoop, stack },
    2 = Unhooped,
    3 = Loaded { stillage },
    4 = Moved { room, with },
    5 = Touched { tool },
    6 = Weighed { grams },
    7 = Used { lot },
    8 = Sampled { grams },
    9 = Held { hold, reason },
    10 = Released { hold },
    11 = Packed { order, case },
    12 = Dispatched { order, market, customer },
    13 = Delivered,
    14 = Refused,
    15 = Returned,
    16 = Discarded,
    17 = Handled,
});

/// What a fact says about wheels, beside when it says so.
#[derive(Debug, Clone)]
pub(crate) struct Said {
    pub(crate) person: Option<PersonId>,
    pub(crate) act: Act,
    pub(crate) void: bool,
    /// Who takes it back.
    pub(crate) guard: Guard,
    /// Its place in the caller's log; 0 if the caller did not say.
    pub(crate) place: u32,
}

stored_struct!(Said {
    person,
    act,
    void,
    guard,
    place,
});

/// One fact about wheels.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    pub(crate) at: DateTime<Utc>,
    pub(crate) id: FactId,
    pub(crate) said: Said,
}

impl Entry {
    /// Where it stands among the others, whatever order they came in.
    pub(crate) const fn order(&self) -> (DateTime<Utc>, FactId) {
        (self.at, self.id)
    }
}

impl Index {
    /// What a fact did to wheels, with codes as they were first written; `None` when it is not
    /// about wheels.
    pub(crate) fn act(&mut self, event: &Event) -> Option<Act> {
        Some(match event {
            Event::WheelPortioned(e) => Act::Portioned {
                batch: self.name(e.batch),
                grams: e.weight_g.get(),
            },
            Event::WheelHooped(e) => Act::Hooped {
                hoop: Place::Hoop(self.name(e.hoop)),
                stack: e.stack.map(|stack| Place::Stack(self.name(stack))),
            },
            Event::WheelUnhooped(_) => Act::Unhooped,
            Event::WheelLoaded(e) => Act::Loaded {
                stillage: self.name(e.stillage),
            },
            Event::WheelMoved(e) => Act::Moved {
                room: self.name(e.room),
                with: match e.via {
                    Some(Carrier::Stillage(id)) => Some(self.name(id)),
                    _ => None,
                },
            },
            Event::WheelPierced(e) => Act::Touched {
                tool: self.name(e.machine),
            },
            Event::WheelIroned(e) => match e.iron {
                Some(iron) => Act::Touched {
                    tool: self.name(iron),
                },
                None => Act::Handled,
            },
            Event::WheelWeighed(e) => Act::Weighed {
                grams: e.weight_g.get(),
            },
            Event::LotUsed(e) => Act::Used {
                lot: self.name(e.lot),
            },
            Event::LabSampled(e) => Act::Sampled {
                grams: e.taken_g.map_or(0, |g| g.get()),
            },
            Event::WheelHeld(e) => Act::Held {
                hold: self.name(e.hold),
                reason: e.reason.clone(),
            },
            Event::WheelReleased(e) => Act::Released {
                hold: self.name(e.hold),
            },
            Event::HoldLifted(e) => Act::Released {
                hold: self.name(e.hold),
            },
            Event::OrderPacked(e) => Act::Packed {
                order: self.name(e.order),
                case: Place::Case(e.case),
            },
            Event::WheelDispatched(e) => Act::Dispatched {
                order: e.order.map(|order| self.name(order)),
                market: e.market.map(|market| self.name(market)),
                customer: e.sale.as_ref().map(|sale| self.name(sale.customer)),
            },
            Event::WheelDelivered(_) => Act::Delivered,
            Event::OrderRefused(_) => Act::Refused,
            Event::WheelReturned(_) => Act::Returned,
            Event::WheelDiscarded(_) => Act::Discarded,
            Event::WheelTurned(_)
            | Event::WheelRubbedUp(_)
            | Event::WheelGraded(_)
            | Event::RindObserved(_) => Act::Handled,
            _ => return None,
        })
    }
}

/// The wheels that an event names, the wheels of cases among them.
pub(crate) fn wheels(event: &Event) -> &[WheelId] {
    match event {
        Event::OrderPacked(e) => &e.wheels,
        Event::OrderRefused(e) => &e.wheels,
        other => other.wheels(),
    }
}
