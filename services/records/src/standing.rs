//! Every hold that stands, as far as one message carries.

use std::collections::BTreeSet;

use ::holds::Rights;
use chrono::{DateTime, Utc};
use facts::{FactId, HoldId, PersonId, WheelId};
use serde::{Deserialize, Serialize};
use trace::{HoldStanding, Keeps};

/// Holds in one answer.
const HOLDS: usize = 200;

/// Wheels that a line names; it counts all.
const NAMED: usize = 30;

/// Wheels in one answer about one hold.
const WHEELS: usize = 5_000;

/// Which holds are asked for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct HoldsQuery {
    /// How many were answered already.
    #[serde(default)]
    pub skip: usize,
}

/// Holds that stand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldsAnswer {
    /// Those over scopes as they were placed, those of recipes, those on single wheels.
    pub holds: Vec<HoldLine>,
    /// How many there are.
    pub total: usize,
    /// Badges of those who may release; none: anyone with a badge.
    pub may_release: Option<BTreeSet<PersonId>>,
}

/// A hold that stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldLine {
    /// The hold.
    pub hold: HoldId,
    /// What it keeps.
    pub keeps: Keeps,
    /// Why.
    pub reason: String,
    /// When it was placed, the first of several facts; none: wheels are born under it.
    pub placed_at: Option<DateTime<Utc>>,
    /// Who placed it, where known.
    pub placed_by: Option<PersonId>,
    /// The fact that placed it.
    pub fact: Option<FactId>,
    /// Wheels that it keeps.
    pub kept: Listed,
    /// Wheels of it that have left all the same.
    pub left: Listed,
    /// Wheels in its scope that a person with the right to do so let go, one by one.
    pub let_go: Listed,
    /// Wheels in its scope that still have to be told.
    pub owed: Listed,
    /// Wheels that somebody without the right to do so released: the hold stands.
    pub released_without_right: Listed,
}

/// Wheels, counted, and the first of them named.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Listed {
    /// How many.
    pub count: usize,
    /// The first of them.
    pub first: Vec<WheelId>,
}

/// Which wheels of one hold are asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct HeldQuery {
    /// The hold.
    pub hold: HoldId,
    /// The last wheel that was answered already.
    pub after: Option<WheelId>,
}

/// Wheels that a hold keeps for another reason than that every wheel of their recipe is born
/// under it, in the order of their codes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct HeldAnswer {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// Whether it lies over a scope, and so may be lifted.
    pub over_a_scope: bool,
    /// Whether there are more.
    pub more: bool,
}

impl Listed {
    fn of(wheels: &[WheelId]) -> Self {
        Self {
            count: wheels.len(),
            first: wheels.iter().take(NAMED).copied().collect(),
        }
    }
}

/// A page of the holds that stand.
#[must_use]
pub fn page(standing: &[HoldStanding], rights: &Rights, query: HoldsQuery) -> HoldsAnswer {
    let page = standing.iter().skip(query.skip).take(HOLDS);
    HoldsAnswer {
        total: standing.len(),
        may_release: match rights {
            Rights::AnyBadge => None,
            Rights::Named(badges) => Some(badges.clone()),
        },
        holds: page
            .map(|hold| HoldLine {
                hold: hold.hold,
                keeps: hold.keeps.clone(),
                reason: hold.reason.clone(),
                placed_at: hold.placed_at,
                placed_by: hold.placed_by,
                fact: hold.fact,
                kept: Listed::of(&hold.kept),
                left: Listed::of(&hold.left),
                let_go: Listed::of(&hold.let_go),
                owed: Listed::of(&hold.owed),
                released_without_right: Listed::of(&hold.released_without_right),
            })
            .collect(),
    }
}

/// A page of the wheels of one hold.
#[must_use]
pub fn held(standing: &[HoldStanding], query: HeldQuery) -> HeldAnswer {
    let of_it = standing.iter().filter(|line| line.hold == query.hold);
    let named = of_it.filter(|line| !matches!(line.keeps, Keeps::Recipe(_)));
    let wheels = named
        .clone()
        .flat_map(|line| line.kept.iter().chain(&line.left));
    let wheels: BTreeSet<WheelId> = wheels
        .copied()
        .filter(|wheel| query.after.is_none_or(|after| *wheel > after))
        .collect();
    HeldAnswer {
        over_a_scope: named
            .clone()
            .any(|line| matches!(line.keeps, Keeps::Scope(_))),
        more: wheels.len() > WHEELS,
        wheels: wheels.into_iter().take(WHEELS).collect(),
    }
}
