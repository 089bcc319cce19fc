//! Holds over scopes: wheels, a batch, a time of making, a lot, a room, a stillage, a tool.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::ops::Bound;

use facts::{Event, Fact, FactId, HoldId, LotId, PersonId, Scope, WheelId, stored_struct};

use crate::reach::Subject;
use crate::{Guard, Known, Ledger, Moment, Rights, Target, Voids};

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
    /// Milk that was put together with other milk: a lot goes on in another.
    pooled: BTreeMap<Moment, Pooled>,
}

/// Lots that were pooled into one.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Pooled {
    into: LotId,
    from: Vec<LotId>,
    /// Who takes the fact back.
    guard: Guard,
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
    pooled,
});
stored_struct!(Pooled { into, from, guard });

/// Puts what a fact says in its place, unless a fact of that name is there: what was said first
/// stays. Whether it is new.
pub(crate) fn is_new<V>(place: Entry<'_, Moment, V>, said: V) -> bool {
    match place {
        Entry::Vacant(free) => {
            free.insert(said);
            true
        }
        Entry::Occupied(_) => false,
    }
}

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
                is_new(self.placed.entry(moment), placed)
            }
            Event::HoldLifted(e) => {
                let lifted = Lifted {
                    hold: e.hold,
                    person: fact.person,
                };
                is_new(self.lifted.entry(moment), lifted)
            }
            Event::HoldTraced(e) => is_new(self.traced.entry(moment), e.placed),
            Event::MilkPooled(e) => {
                let pooled = Pooled {
                    into: e.lot,
                    from: e.from.iter().map(|part| part.lot).collect(),
                    guard: Guard::of(fact),
                };
                is_new(self.pooled.entry(moment), pooled)
            }
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
        let pooled = self.pooled.iter();
        let pooled = pooled.map(|(order, pooled)| (order, pooled.guard, None));
        let mut all = placed.chain(lifted).chain(traced).chain(pooled);
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
    pub fn reach(&self, wheel: WheelId, ledger: &Ledger, known: &dyn Known) -> bool {
        let births = ledger.births();
        let subject = Subject {
            wheel,
            births,
            known,
        };
        // Those that have to be worked out concern every wheel anyway.
        let mut placed = self
            .placed
            .values()
            .filter(|placed| !placed.needs_tracing());
        placed.any(|placed| subject.is_within(&placed.scope, &[], &|_| true, None))
    }

    /// Whether any of them was ever placed over a batch or over what goes into one.
    #[must_use]
    pub fn follow_makes(&self) -> bool {
        let mut placed = self.placed.values();
        placed.any(|placed| matches!(placed.scope, Scope::Batch(_) | Scope::Lot(_)))
    }

    /// Whether any of them was ever placed over a room.
    #[must_use]
    pub fn follow_rooms(&self) -> bool {
        let mut placed = self.placed.values();
        placed.any(|placed| matches!(placed.scope, Scope::Room { .. }))
    }

    /// Whether a fact that is kept here may change what keeps any wheel, in the scope or not: it
    /// is about a hold that has to be worked out.
    #[must_use]
    pub fn concerns_every_wheel(&self, fact: FactId) -> bool {
        let of = |hold: HoldId| {
            let mut placed = self.placed.values().filter(|placed| placed.hold == hold);
            placed.any(|placed| placed.needs_tracing())
        };
        if self.pooled.keys().any(|order| order.fact == fact) {
            return self.follow_makes();
        }
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
                lots: match placed.scope {
                    Scope::Lot(lot) => self.with_pooled(lot, voids),
                    _ => Vec::new(),
                },
            }
        });
        laid.collect()
    }

    /// A lot and every lot that some of it was pooled into.
    fn with_pooled(&self, lot: LotId, voids: &Voids) -> Vec<LotId> {
        let pooled = self.pooled.iter();
        let mut pooled: Vec<&Pooled> = pooled
            .filter(|(order, pooled)| !voids.takes_back(Target::kept(order.fact, pooled.guard)))
            .map(|(_, pooled)| pooled)
            .collect();
        let mut lots = vec![lot];
        let mut next = 0;
        while let Some(lot) = lots.get(next).copied() {
            pooled.retain(|pooled| {
                let goes_on = pooled.from.contains(&lot);
                if goes_on && !lots.contains(&pooled.into) {
                    lots.push(pooled.into);
                }
                !goes_on
            });
            next += 1;
        }
        lots
    }
}

/// A hold over a scope, and when somebody with the right to do so lifted it.
#[derive(Debug, Clone, PartialEq)]
pub struct Laid<'a> {
    /// The hold.
    pub placed: &'a Placed,
    /// Its end.
    pub lifted: Option<Moment>,
    /// When it was last said that every wheel in its scope has been told, where that is needed.
    pub traced: Option<Moment>,
    /// The lot that it lies over, and every lot that some of that was pooled into.
    pub(crate) lots: Vec<LotId>,
}

impl Laid<'_> {
    /// Whether it lies over a wheel by what was said by then; since it was released from it, if
    /// it was.
    pub(crate) fn lies_over(
        &self,
        subject: &Subject<'_>,
        by_then: &dyn Fn(Moment) -> bool,
        released: Option<Moment>,
    ) -> bool {
        subject.is_within(&self.placed.scope, &self.lots, by_then, released)
    }

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
    /// Whether it keeps every wheel until somebody has worked out which are in it.
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
