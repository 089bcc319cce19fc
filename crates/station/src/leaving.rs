//! What is asked before wheels may leave: a dispatch desk knows the orders, a station does
//! not.

use facts::{Event, MarketId, OrderId, WheelId};
use serde::{Deserialize, Serialize};

use crate::answer::Outcome;

/// The name of the question.
pub const LEAVING: &str = "leaving";

/// Wheels that someone at a station wants to let leave.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Leaving {
    /// The answer must know the log at least up to this number.
    pub after_seq: u64,
    /// For which order.
    pub order: Option<OrderId>,
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

impl Leaving {
    /// What an outcome would let leave; `None` when nothing.
    pub(crate) fn of(outcome: &Outcome) -> Option<Self> {
        let sent = outcome.drafts.iter().find_map(|draft| match &draft.event {
            Event::WheelDispatched(sent) => Some(sent),
            _ => None,
        })?;
        Some(Self {
            after_seq: 0,
            order: sent.order,
            market: sent.market,
            wheels: sent.wheels.clone(),
        })
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
