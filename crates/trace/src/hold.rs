//! Holds over batches, lots, rooms, tools and times, brought down to wheels.
//!
//! What keeps a wheel here is its own `wheel.held` fact, which every way out of the dairy
//! looks at. A hold over a scope owes such a fact to each wheel in the scope: to those that
//! are in it when the hold is placed, and to those that come into it later.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::{Event, Fact, FactId, HoldId, PersonId, Scope, WheelHeld, WheelId};
use serde::Serialize;

use crate::Trace;

/// Who may end a hold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Rights {
    /// Anyone with a badge: the stations' own rule.
    AnyBadge,
    /// Only these badges, as the dairy's safety file names them.
    Named(BTreeSet<PersonId>),
}

impl Rights {
    /// Whether a release by this badge counts. Nobody's never does.
    #[must_use]
    pub fn may_release(&self, person: Option<PersonId>) -> bool {
        match (self, person) {
            (_, None) => false,
            (Self::AnyBadge, Some(_)) => true,
            (Self::Named(badges), Some(person)) => badges.contains(&person),
        }
    }
}

/// A hold over a scope that nobody with the right to do so has ended.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HoldStanding {
    /// The hold.
    pub hold: HoldId,
    /// What it keeps.
    pub scope: Scope,
    /// Why.
    pub reason: String,
    /// When it was placed.
    pub placed_at: DateTime<Utc>,
    /// The fact that placed it.
    pub fact: FactId,
    /// Wheels in its scope that it keeps.
    pub kept: Vec<WheelId>,
    /// Wheels in its scope that a person with the right to do so let go, one by one.
    pub let_go: Vec<WheelId>,
    /// Wheels in its scope that still have to be told.
    pub owed: Vec<WheelId>,
    /// Of these, wheels that somebody without the right to do so released: the hold stands.
    pub released_without_right: Vec<WheelId>,
}

impl Trace<'_> {
    /// Every hold over a scope that stands.
    #[must_use]
    pub fn standing_holds(&self, rights: &Rights) -> Vec<HoldStanding> {
        let mut standing = Vec::new();
        for (hold, kept) in &self.index.of_hold {
            let facts = self.index.facts(kept);
            let lifted = |placed: &Fact| {
                facts.iter().any(|fact| {
                    matches!(fact.event, Event::HoldLifted(_))
                        && fact.order() > placed.order()
                        && rights.may_release(fact.person)
                })
            };
            for fact in &facts {
                if let Event::HoldPlaced(placed) = &fact.event
                    && !lifted(fact)
                {
                    let over = self.over(*hold, fact, &placed.scope, &placed.reason, rights);
                    standing.push(over);
                }
            }
        }
        standing
    }

    /// The facts that standing holds owe to wheels: whoever states facts for the dairy's
    /// records has to state these, whenever there are any.
    #[must_use]
    pub fn owed_holds(&self, rights: &Rights) -> Vec<WheelHeld> {
        let mut owed: BTreeMap<HoldId, (BTreeSet<WheelId>, String)> = BTreeMap::new();
        for hold in self.standing_holds(rights) {
            let entry = owed
                .entry(hold.hold)
                .or_insert_with(|| (BTreeSet::new(), hold.reason));
            entry.0.extend(hold.owed);
        }
        let told = owed
            .into_iter()
            .filter(|(_, (wheels, _))| !wheels.is_empty());
        told.map(|(hold, (wheels, reason))| WheelHeld {
            wheels: wheels.into_iter().collect(),
            hold,
            reason,
        })
        .collect()
    }

    fn over(
        &self,
        hold: HoldId,
        placed: &Fact,
        scope: &Scope,
        reason: &str,
        rights: &Rights,
    ) -> HoldStanding {
        let mut over = HoldStanding {
            hold,
            scope: scope.clone(),
            reason: reason.to_owned(),
            placed_at: placed.occurred_at,
            fact: placed.id,
            kept: Vec::new(),
            let_go: Vec::new(),
            owed: Vec::new(),
            released_without_right: Vec::new(),
        };
        for wheel in self.index.within(scope).reasons.into_keys() {
            let Some(number) = self.index.names.wheels.find(wheel) else {
                continue;
            };
            let story = self.index.story(number);
            let mut kept = false;
            let (mut let_go, mut without_right) = (false, false);
            for note in &story.hold_notes {
                if self.index.names.holds.name(note.hold) != hold {
                    continue;
                }
                let after = (note.at, note.id) > placed.order();
                match note.released_by {
                    None => kept = true,
                    Some(None) => {}
                    Some(Some(person)) => {
                        let right = rights.may_release(Some(self.index.names.people.name(person)));
                        kept = false;
                        let_go |= after && right;
                        without_right |= after && !right;
                    }
                }
            }
            if kept {
                over.kept.push(wheel);
            } else if let_go {
                over.let_go.push(wheel);
            } else {
                over.owed.push(wheel);
                if without_right {
                    over.released_without_right.push(wheel);
                }
            }
        }
        over
    }
}
