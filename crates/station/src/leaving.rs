//! What is asked before wheels may leave: a dispatch desk knows the orders, a station does
//! not.

use facts::{CustomerId, Event, MarketId, OrderId, WheelId};
use serde::{Deserialize, Serialize};

/// The name of the question.
pub const LEAVING: &str = "leaving";

/// Wheels that someone at a station wants to let leave; none where only the names are asked
/// about under which wheels will leave.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Leaving {
    /// The answer must know the log at least up to this number.
    pub after_seq: u64,
    /// For which order.
    pub order: Option<OrderId>,
    /// To which customer, where there is no order.
    #[serde(default)]
    pub customer: Option<CustomerId>,
    /// For which market.
    pub market: Option<MarketId>,
    /// Which.
    pub wheels: Vec<WheelId>,
}

/// The answer: why they must stay, each reason in words that name its wheel; nothing when
/// nothing is known against it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stays {
    /// The reasons.
    pub reasons: Vec<String>,
}

/// What was asked, and what the dispatch desk said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Asked {
    /// What was asked. It counts for nothing else.
    pub leaving: Leaving,
    /// What the desk said; none when it did not answer.
    pub said: Option<Stays>,
}

impl Leaving {
    /// What a fact would let leave; `None` when nothing.
    pub(crate) fn of(event: &Event) -> Option<Self> {
        let Event::WheelDispatched(sent) = event else {
            return None;
        };
        Some(Self {
            after_seq: 0,
            order: sent.order,
            customer: sent.sale.as_ref().map(|sale| sale.customer),
            market: sent.market,
            wheels: sent.wheels.clone(),
        })
    }
}

impl Asked {
    /// Why wheels must stay; `None`: they may leave.
    pub(crate) fn stays(&self) -> Option<String> {
        match &self.said {
            None => Some(
                "NOT dispatched: the dispatch desk does not answer, so nobody knows whether it may leave. Wait for it, or ask the office".to_owned(),
            ),
            Some(stays) => (!stays.reasons.is_empty()).then(|| stays.words()),
        }
    }
}

impl Stays {
    /// What the person is told.
    #[must_use]
    pub fn words(&self) -> String {
        match self.reasons.as_slice() {
            [] => "may leave".to_owned(),
            [only] => format!("NOT dispatched. {only}"),
            [first, rest @ ..] => {
                format!("NOT dispatched. {first}; and {} wheels more", rest.len())
            }
        }
    }
}
