//! What to mind where people act. General cautions: the dairy's own HACCP plan, its
//! authority and its laboratory decide.

use std::fmt;

use facts::Scope;
use serde::{Serialize, Serializer};

use crate::flag::Flag;
use crate::recall::Recall;
use crate::{Level, Whereabouts};

/// A caution in plain words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Caution {
    /// Before every recall.
    Recall,
    /// Food that has reached customers.
    Withdraw,
    /// Wheels that are still here.
    StillHere,
    /// Milk that was not heated.
    RawMilk,
    /// Listeria.
    Listeria,
    /// Moulds that do not belong.
    Mycotoxins,
    /// Broken needles.
    Needles,
    /// Gas in rooms.
    Gas,
    /// Age rules.
    MarketAge,
}

impl Caution {
    /// Every caution.
    pub const ALL: [Self; 9] = [
        Self::Recall,
        Self::Withdraw,
        Self::StillHere,
        Self::RawMilk,
        Self::Listeria,
        Self::Mycotoxins,
        Self::Needles,
        Self::Gas,
        Self::MarketAge,
    ];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Recall => {
                "This list shows what the records say. Whether and what to recall is decided by the person your HACCP plan names, together with your authority and your laboratory."
            }
            Self::Withdraw => {
                "Food that may harm has left the dairy: tell your authority and your customers without delay, by the way that your plan and the law of each market lay down."
            }
            Self::StillHere => {
                "Wheels in question are still here: hold them, keep them apart, and do not taste them."
            }
            Self::RawMilk => {
                "Made of milk of which no heat treatment is recorded. Raw-milk cheese has its own limits, label words and, in some markets, a least age; it is a risk for pregnant women, small children, the old and the ill."
            }
            Self::Listeria => {
                "Listeria grows in the cold and on surfaces, and 60 days of maturing do not kill it. A wheel is never safe because it looks, smells or tastes right: only your plan and your laboratory say so."
            }
            Self::Mycotoxins => {
                "A mould that is not the culture's own may make toxins that stay in the cheese when the mould is cut away: hold the wheel and ask your laboratory."
            }
            Self::Needles => {
                "A missing piece of a needle may be in a cheese: stop piercing, keep every wheel since the last full count apart, and search them with a detector before any is cut."
            }
            Self::Gas => {
                "Ammonia and carbon dioxide gather in maturing rooms: air the room and check the gas alarm before you go in, and never go in alone when it sounds."
            }
            Self::MarketAge => {
                "Some markets lay down how old this cheese must be when it is sold; a wheel that comes back or is re-sent must be checked against the market it goes to now."
            }
        }
    }

    /// The cautions that a recall calls for.
    pub(crate) fn of_recall(recall: &Recall) -> Vec<Self> {
        let mut cautions = vec![Self::Recall];
        let any = |place| recall.wheels.iter().any(|wheel| wheel.whereabouts == place);
        if !recall.customers.is_empty() {
            cautions.push(Self::Withdraw);
        }
        if any(Whereabouts::InStock) || any(Whereabouts::NotSeen) {
            cautions.push(Self::StillHere);
        }
        if recall.flags.iter().any(|flag| matches!(flag, Flag::Raw(_))) {
            cautions.push(Self::RawMilk);
        }
        if recall
            .wheels
            .iter()
            .any(|wheel| wheel.level != Level::Certain)
        {
            cautions.push(Self::Listeria);
        }
        match recall.about {
            Scope::Tool { .. } => cautions.push(Self::Needles),
            Scope::Room { .. } => cautions.push(Self::Gas),
            _ => {}
        }
        if any(Whereabouts::Refused) {
            cautions.push(Self::MarketAge);
        }
        cautions
    }
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

impl Serialize for Caution {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}
