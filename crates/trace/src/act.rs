//! What a fact did to its wheels, in a dozen bytes.

use chrono::{DateTime, Utc};
use facts::{
    BatchId, Carrier, CustomerId, Event, FactId, HoldId, LotId, MarketId, OrderId, PersonId,
    StationId, WheelId,
};
use holds::Guard;

use crate::Place;
use crate::number::{Names, Number};

/// What was done to wheels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Act {
    Portioned {
        batch: Number<BatchId>,
        grams: u32,
    },
    Hooped {
        hoop: Number<Place>,
        stack: Option<Number<Place>>,
    },
    Unhooped,
    Loaded {
        stillage: Number<Place>,
    },
    Moved {
        room: Number<Place>,
        /// The stillage that was scanned, if it was one: all that stand on it moved.
        with: Option<Number<Place>>,
    },
    /// A tool went into the cheese.
    Touched {
        tool: Number<Place>,
    },
    Weighed {
        grams: u32,
    },
    Used {
        lot: Number<LotId>,
    },
    Sampled {
        /// Grams taken of all wheels together.
        grams: u32,
    },
    Held {
        hold: Number<HoldId>,
    },
    Released {
        hold: Number<HoldId>,
    },
    Packed {
        order: Number<OrderId>,
        case: Number<Place>,
    },
    Dispatched {
        order: Option<Number<OrderId>>,
        market: Option<Number<MarketId>>,
        /// Who took it without an order.
        customer: Option<Number<CustomerId>>,
    },
    Delivered,
    Refused,
    Returned,
    Discarded,
    /// Turned, rubbed up, looked at: tells who had it in their hands, and no more.
    Handled,
}

/// One fact about wheels.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Entry {
    pub(crate) at: DateTime<Utc>,
    pub(crate) id: FactId,
    pub(crate) person: Option<Number<PersonId>>,
    pub(crate) act: Act,
    pub(crate) void: bool,
    /// Who takes it back.
    pub(crate) guard: Guard<Number<StationId>>,
    /// Its place in the caller's log; 0 if the caller did not say.
    pub(crate) place: u32,
}

impl Entry {
    /// Where it stands among the others, whatever order they came in.
    pub(crate) const fn order(&self) -> (DateTime<Utc>, FactId) {
        (self.at, self.id)
    }
}

/// The names that acts speak of.
#[derive(Debug, Default)]
pub(crate) struct Dictionary {
    pub(crate) wheels: Names<WheelId>,
    pub(crate) batches: Names<BatchId>,
    pub(crate) lots: Names<LotId>,
    pub(crate) places: Names<Place>,
    pub(crate) people: Names<PersonId>,
    pub(crate) orders: Names<OrderId>,
    pub(crate) markets: Names<MarketId>,
    pub(crate) customers: Names<CustomerId>,
    pub(crate) holds: Names<HoldId>,
    pub(crate) stations: Names<StationId>,
}

impl Dictionary {
    /// What a fact did to wheels; `None` when it is not about wheels.
    pub(crate) fn act(&mut self, event: &Event) -> Option<Act> {
        Some(match event {
            Event::WheelPortioned(e) => Act::Portioned {
                batch: self.batches.number(e.batch),
                grams: e.weight_g.get(),
            },
            Event::WheelHooped(e) => Act::Hooped {
                hoop: self.places.number(Place::Hoop(e.hoop)),
                stack: e.stack.map(|stack| self.places.number(Place::Stack(stack))),
            },
            Event::WheelUnhooped(_) => Act::Unhooped,
            Event::WheelLoaded(e) => Act::Loaded {
                stillage: self.places.number(Place::Stillage(e.stillage)),
            },
            Event::WheelMoved(e) => Act::Moved {
                room: self.places.number(Place::Room(e.room)),
                with: match e.via {
                    Some(Carrier::Stillage(id)) => Some(self.places.number(Place::Stillage(id))),
                    _ => None,
                },
            },
            Event::WheelPierced(e) => Act::Touched {
                tool: self.places.number(Place::Tool(e.machine)),
            },
            Event::WheelIroned(e) => match e.iron {
                Some(iron) => Act::Touched {
                    tool: self.places.number(Place::Tool(iron)),
                },
                None => Act::Handled,
            },
            Event::WheelWeighed(e) => Act::Weighed {
                grams: e.weight_g.get(),
            },
            Event::LotUsed(e) => Act::Used {
                lot: self.lots.number(e.lot),
            },
            Event::LabSampled(e) => Act::Sampled {
                grams: e.taken_g.map_or(0, |g| g.get()),
            },
            Event::WheelHeld(e) => Act::Held {
                hold: self.holds.number(e.hold),
            },
            Event::WheelReleased(e) => Act::Released {
                hold: self.holds.number(e.hold),
            },
            Event::HoldLifted(e) => Act::Released {
                hold: self.holds.number(e.hold),
            },
            Event::OrderPacked(e) => Act::Packed {
                order: self.orders.number(e.order),
                case: self.places.number(Place::Case(e.case)),
            },
            Event::WheelDispatched(e) => Act::Dispatched {
                order: e.order.map(|order| self.orders.number(order)),
                market: e.market.map(|market| self.markets.number(market)),
                customer: e
                    .sale
                    .as_ref()
                    .map(|sale| self.customers.number(sale.customer)),
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
