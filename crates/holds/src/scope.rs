//! Holds over more than named facts about wheels: over a batch, wheels, a time of making; and
//! over what only whoever keeps the records can trace to wheels.

use std::collections::BTreeMap;
use std::ops::Bound;

use facts::{Event, Fact, FactId, HoldId, PersonId, Scope, WheelId, Window, stored_struct};

use crate::{Birth, Guard, Ledger, Moment, Rights, Target, Voids};

/// A hold that a fact placed over a scope.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    /// When, and by which fact.
    pub moment: Moment,
    /// The hold.
    pub hold: HoldId,
    /// What it keeps.
    pub scope: Scope,
    /// Why.
    pub reason: String,
    /// Who placed it, where known.
    pub person: Option<PersonId>,
}

/// Who lifted a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Lifted {
    hold: HoldId,
    person: Option<PersonId>,
}

/// Every hold that was ever placed over a scope, and every lifting, in order.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Scopes {
    placed: BTreeMap<Moment, Placed>,
    lifted: BTreeMap<Moment, Lifted>,
    /// Which fact's hold was worked out.
    traced: BTreeMap<Moment, FactId>,
}

stored_struct!(Placed {
    moment,
    hold,
    scope via stored,
    reason,
    person,
});

stored_struct!(Lifted { hold, person });
stored_struct!(Scopes {
    placed,
    lifted,
    traced,
});

impl Scopes {
    /// Takes a fact in. `false`: it says nothing of a hold over a scope, or was there.
    pub fn apply(&mut self, fact: &Fact) -> bool {
        let moment = Moment::of(fact);
        match &fact.event {
            Event::HoldPlaced(e) => {
                let placed = Placed {
                    moment,
                    hold: e.hold,
                    scope: e.scope.clone(),
                    reason: e.reason.clone(),
                    person: fact.person,
                };
                self.placed.insert(moment, placed).is_none()
            }
            Event::HoldLifted(e) => {
                let lifted = Lifted {
                    hold: e.hold,
                    person: fact.person,
                };
                self.lifted.insert(moment, lifted).is_none()
            }
            Event::HoldTraced(e) => self.traced.insert(moment, e.placed).is_none(),
            _ => false,
        }
    }

    /// Who takes a fact back that is kept here, and the hold that it names.
    fn find(&self, fact: FactId) -> Option<(Guard, Option<HoldId>)> {
        let placed = self.placed.iter();
        let placed = placed.map(|(order, placed)| (order, Guard::Keeps, Some(placed.hold)));
        let lifted = self.lifted.iter();
        let lifted = lifted.map(|(order, lifted)| (order, Guard::Frees, Some(lifted.hold)));
        let traced = self.traced.keys().map(|order| (order, Guard::Frees, None));
        let mut all = placed.chain(lifted).chain(traced);
        let found = all.find(|(order, ..)| order.fact == fact);
        found.map(|(_, guard, hold)| (guard, hold))
    }

    /// Who takes a fact back, if it is kept here.
    #[must_use]
    pub fn guard_of(&self, fact: FactId) -> Option<Guard> {
        self.find(fact).map(|(guard, _)| guard)
    }

    /// All that were ever placed, lifted or voided ones too, in order.
    pub fn placed(&self) -> impl Iterator<Item = &Placed> {
        self.placed.values()
    }

    /// Whether any of them, lifted or voided ones too, was ever placed over a wheel.
    #[must_use]
    pub fn reach(&self, wheel: WheelId, ledger: &Ledger) -> bool {
        let mut placed = self.placed.values();
        placed.any(|placed| placed.lies_over(wheel, ledger.births()))
    }

    /// Whether a fact that is kept here may change what keeps any wheel, in the scope or not: it
    /// is about a hold that has to be worked out.
    #[must_use]
    pub fn concerns_every_wheel(&self, fact: FactId) -> bool {
        let of = |hold: HoldId| {
            let mut placed = self.placed.values().filter(|placed| placed.hold == hold);
            placed.any(|placed| placed.needs_tracing())
        };
        let found = self.find(fact);
        found.is_some_and(|(_, hold)| hold.is_none_or(of))
    }

    /// Every hold over a scope, in order, with its end.
    #[must_use]
    pub fn laid<'a>(&'a self, voids: &Voids, rights: &Rights) -> Vec<Laid<'a>> {
        let counts = |order: &Moment, guard| !voids.takes_back(Target::kept(order.fact, guard));
        let placed = self.placed.values();
        let placed = placed.filter(|placed| counts(&placed.moment, Guard::Keeps));
        let laid = placed.map(|placed| {
            let after = (Bound::Excluded(placed.moment), Bound::Unbounded);
            let mut ends = self.lifted.range(after).filter(|(order, lifted)| {
                lifted.hold == placed.hold
                    && rights.may_release(lifted.person)
                    && counts(order, Guard::Frees)
            });
            let said = self
                .traced
                .iter()
                .filter(|(order, of)| **of == placed.moment.fact && counts(order, Guard::Frees));
            Laid {
                placed,
                lifted: ends.next().map(|(order, _)| *order),
                traced: said.map(|(order, _)| *order).next_back(),
            }
        });
        laid.collect()
    }
}

/// A hold over a scope, and when somebody with the right to do so lifted it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Laid<'a> {
    /// The hold.
    pub placed: &'a Placed,
    /// Its end.
    pub lifted: Option<Moment>,
    /// When it was last said that every wheel in its scope has been told, where that is needed.
    pub traced: Option<Moment>,
}

impl Laid<'_> {
    /// Whether nobody has said yet which wheels it keeps: until then it keeps every wheel.
    #[must_use]
    pub const fn is_untraced(&self) -> bool {
        self.placed.needs_tracing() && self.lifted.is_none() && self.traced.is_none()
    }

    /// Whether it has to be said again which wheels it keeps, because one was portioned since.
    #[must_use]
    pub fn is_traced_before(&self, birth: Moment) -> bool {
        let stands = self.placed.needs_tracing() && self.lifted.is_none();
        stands && self.traced.is_some_and(|traced| traced < birth)
    }
}

impl Placed {
    /// Whether it lies over a wheel by what every place knows of it: its code, the batch it
    /// is of, and when it was portioned. A hold over a lot, a room, a stillage or a tool comes
    /// down to wheels by facts that whoever keeps the records states.
    pub(crate) fn lies_over(&self, wheel: WheelId, births: &[Birth]) -> bool {
        let made = |window: &Window, at| at >= window.from && window.to.is_none_or(|to| at < to);
        match &self.scope {
            Scope::Wheels(wheels) => wheels.contains(&wheel),
            Scope::Batch(batch) => births.iter().any(|birth| birth.batch == *batch),
            Scope::Made(window) => births.iter().any(|birth| made(window, birth.moment.at)),
            Scope::Lot(_) | Scope::Room { .. } | Scope::Stillage { .. } | Scope::Tool { .. } => {
                false
            }
        }
    }

    /// Whether it comes down to wheels by facts alone.
    pub(crate) const fn needs_tracing(&self) -> bool {
        match self.scope {
            Scope::Wheels(_) | Scope::Batch(_) | Scope::Made(_) => false,
            Scope::Lot(_) | Scope::Room { .. } | Scope::Stillage { .. } | Scope::Tool { .. } => {
                true
            }
        }
    }
}

/// A scope as it is stored: the form in which it travels leaves out what is empty, which
/// stored forms cannot.
mod stored {
    use chrono::{DateTime, Utc};
    use facts::stored::borsh::{BorshDeserialize, BorshSerialize};
    use facts::stored::instant;
    use facts::{
        BatchId, LotId, RoomId, Scope, StillageId, ToolId, WheelId, Window, stored_enum,
        stored_struct,
    };

    struct At {
        at: DateTime<Utc>,
    }

    stored_struct!(At { at via instant });

    struct Time {
        from: At,
        to: Option<At>,
    }

    stored_struct!(Time { from, to });

    stored_enum!(Stored {
        0 = Wheels(wheels),
        1 = Batch(batch),
        2 = Lot(lot),
        3 = Room(room, time),
        4 = Stillage(stillage, time),
        5 = Tool(tool, time),
        6 = Made(time),
    });

    enum Stored {
        Wheels(Vec<WheelId>),
        Batch(BatchId),
        Lot(LotId),
        Room(RoomId, Time),
        Stillage(StillageId, Time),
        Tool(ToolId, Time),
        Made(Time),
    }

    impl From<&Scope> for Stored {
        fn from(scope: &Scope) -> Self {
            let time = |window: &Window| Time {
                from: At { at: window.from },
                to: window.to.map(|at| At { at }),
            };
            match scope {
                Scope::Wheels(wheels) => Self::Wheels(wheels.clone()),
                Scope::Batch(batch) => Self::Batch(*batch),
                Scope::Lot(lot) => Self::Lot(*lot),
                Scope::Room { room, window } => Self::Room(*room, time(window)),
                Scope::Stillage { stillage, window } => Self::Stillage(*stillage, time(window)),
                Scope::Tool { tool, window } => Self::Tool(*tool, time(window)),
                Scope::Made(window) => Self::Made(time(window)),
            }
        }
    }

    impl From<Stored> for Scope {
        fn from(stored: Stored) -> Self {
            let window = |time: Time| Window {
                from: time.from.at,
                to: time.to.map(|to| to.at),
            };
            match stored {
                Stored::Wheels(wheels) => Self::Wheels(wheels),
                Stored::Batch(batch) => Self::Batch(batch),
                Stored::Lot(lot) => Self::Lot(lot),
                Stored::Room(room, time) => Self::Room {
                    room,
                    window: window(time),
                },
                Stored::Stillage(stillage, time) => Self::Stillage {
                    stillage,
                    window: window(time),
                },
                Stored::Tool(tool, time) => Self::Tool {
                    tool,
                    window: window(time),
                },
                Stored::Made(time) => Self::Made(window(time)),
            }
        }
    }

    pub(super) fn write<W: std::io::Write>(scope: &Scope, to: &mut W) -> std::io::Result<()> {
        BorshSerialize::serialize(&Stored::from(scope), to)
    }

    pub(super) fn read<R: std::io::Read>(from: &mut R) -> std::io::Result<Scope> {
        Stored::deserialize_reader(from).map(Scope::from)
    }
}
