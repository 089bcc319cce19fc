//! Every hold that keeps a wheel: over batches, lots, rooms, tools and times, from recipes,
//! and on single wheels.
//!
//! A hold over a scope owes a `wheel.held` fact to each wheel in the scope: to those that
//! are in it when the hold is placed, and to those that come into it later.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::{FactId, HoldId, HoldTraced, PersonId, RecipeId, Scope, WheelHeld, WheelId};
use holds::{By, Course, Held, Laid, Ledger, Moment, Note, Over, Placed, Says};
use serde::{Deserialize, Serialize};

use crate::Trace;
use crate::act::{Act, Entry};
use crate::index::Index;

/// What a hold keeps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Keeps {
    /// Whatever is in a scope.
    Scope(Scope),
    /// Every wheel of a recipe that nobody has released yet.
    Recipe(RecipeId),
    /// Wheels that facts named one by one.
    Wheels,
}

/// A hold that keeps wheels, or would keep any that came under it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldStanding {
    /// The hold.
    pub hold: HoldId,
    /// What it keeps.
    pub keeps: Keeps,
    /// Why.
    pub reason: String,
    /// When it was placed, the first of several facts; `None`: wheels are born under it.
    pub placed_at: Option<DateTime<Utc>>,
    /// Who placed it, where known.
    pub placed_by: Option<PersonId>,
    /// The fact that placed it.
    pub fact: Option<FactId>,
    /// Whether nobody has said yet which wheels it keeps: until then no wheel may leave.
    #[serde(default)]
    pub untraced: bool,
    /// Whether wheels were portioned since that was said last: until it is said again, those
    /// may not leave.
    #[serde(default)]
    pub behind: bool,
    /// Wheels that it keeps.
    pub kept: Vec<WheelId>,
    /// Wheels of it that have left all the same.
    pub left: Vec<WheelId>,
    /// Wheels in its scope that a person with the right to do so let go, one by one.
    pub let_go: Vec<WheelId>,
    /// Wheels in its scope that still have to be told.
    pub owed: Vec<WheelId>,
    /// Wheels that somebody without the right to do so released: the hold stands.
    pub released_without_right: Vec<WheelId>,
}

/// Whether a wheel is still in the dairy.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Gone {
    Here,
    Left,
    Discarded,
}

/// Writes what an entry says of a wheel's holds, and of the batch whose recipe it is held by.
pub(crate) fn write(ledger: &mut Ledger, entry: &Entry) {
    let moment = Moment::new(entry.at, entry.id);
    let (hold, says) = match entry.said.act {
        Act::Portioned { batch, .. } => return ledger.born(moment, batch),
        Act::Held { hold, .. } => (hold, Says::Held),
        Act::Released { hold } => (hold, Says::Released),
        _ => return,
    };
    ledger.note(Note {
        moment,
        hold,
        person: entry.said.person,
        says,
    });
}

/// What facts say of a wheel's holds, and whether it is still in the dairy.
pub(crate) fn ledger_and_end(life: &[Entry]) -> (Ledger, Gone) {
    let mut ledger = Ledger::default();
    let mut gone = Gone::Here;
    for entry in life {
        write(&mut ledger, entry);
        match entry.said.act {
            Act::Dispatched { .. } => gone = Gone::Left,
            Act::Returned => gone = Gone::Here,
            Act::Discarded => gone = Gone::Discarded,
            _ => {}
        }
    }
    (ledger, gone)
}

impl Index {
    /// By which recipe the batch of a wheel goes.
    pub(crate) fn course_of(&self, ledger: &Ledger) -> Option<Course> {
        ledger.batch().and_then(|batch| self.course(batch))
    }

    /// Every hold over a scope.
    pub(crate) fn laid(&self) -> Vec<Laid<'_>> {
        self.scopes.laid(&self.voids, self.rule.rights())
    }

    /// What lies over a wheel beside the facts about it. `course`: [`Index::course_of`].
    pub(crate) fn over<'a>(
        &'a self,
        wheel: WheelId,
        course: Option<&Course>,
        laid: &'a [Laid<'a>],
    ) -> Over<'a> {
        Over {
            wheel,
            born: self.rule.born(course, &self.voids),
            scopes: laid,
            known: self,
            rights: self.rule.rights(),
        }
    }
}

impl Trace<'_> {
    /// Every hold that keeps a wheel, in the order of their codes.
    #[must_use]
    pub fn held(&self, wheel: WheelId) -> Vec<Held> {
        let (ledger, _) = ledger_and_end(&self.index.life(wheel));
        self.held_by(wheel, &ledger)
    }

    /// The same, of a wheel of which facts say so.
    pub(crate) fn held_by(&self, wheel: WheelId, ledger: &Ledger) -> Vec<Held> {
        let course = self.index.course_of(ledger);
        let laid = self.index.laid();
        let over = self.index.over(wheel, course.as_ref(), &laid);
        ledger.holds(over).into_iter().map(Held::from).collect()
    }

    /// Every hold that stands: those over scopes in the order they were placed, then those
    /// that recipes put on every wheel, then those on single wheels.
    #[must_use]
    pub fn standing_holds(&self) -> Vec<HoldStanding> {
        let index = self.index;
        let mut standing = self.standing_scopes();
        let told: BTreeMap<HoldId, BTreeSet<WheelId>> =
            standing.iter().fold(BTreeMap::new(), |mut told, over| {
                let wheels: &mut BTreeSet<_> = told.entry(over.hold).or_default();
                wheels.extend(over.kept.iter().chain(&over.left));
                told
            });
        let laid = index.laid();
        let mut by_recipe: BTreeMap<(HoldId, RecipeId), HoldStanding> = BTreeMap::new();
        let mut by_fact: BTreeMap<HoldId, HoldStanding> = BTreeMap::new();
        for wheel in index.may_be_held() {
            let life = index.life(wheel);
            let (ledger, gone) = ledger_and_end(&life);
            if gone == Gone::Discarded || !index.was_in_hands(wheel) {
                continue;
            }
            let course = index.course_of(&ledger);
            for held in ledger.holds(index.over(wheel, course.as_ref(), &laid)) {
                let line = match held.by {
                    By::Scope(_) | By::Untraced(_) => continue,
                    By::Recipe(born) => {
                        by_recipe
                            .entry((born.hold, born.recipe))
                            .or_insert_with(|| HoldStanding {
                                reason: born.reason.clone(),
                                ..HoldStanding::new(born.hold, Keeps::Recipe(born.recipe))
                            })
                    }
                    By::Fact(note) => {
                        if told
                            .get(&note.hold)
                            .is_some_and(|told| told.contains(&wheel))
                        {
                            continue;
                        }
                        let line = by_fact
                            .entry(note.hold)
                            .or_insert_with(|| HoldStanding::new(note.hold, Keeps::Wheels));
                        let first = line.placed_at.zip(line.fact);
                        if first.is_none_or(|first| (note.moment.at, note.moment.fact) < first) {
                            line.placed_at = Some(note.moment.at);
                            line.fact = Some(note.moment.fact);
                            line.placed_by = note.person;
                            line.reason = why(&life, note.moment.fact);
                        }
                        line
                    }
                };
                match gone {
                    Gone::Here => line.kept.push(wheel),
                    Gone::Left | Gone::Discarded => line.left.push(wheel),
                }
                if self.released_without_right(&ledger, held.hold) {
                    line.released_without_right.push(wheel);
                }
            }
        }
        standing.extend(by_recipe.into_values().chain(by_fact.into_values()));
        for line in &mut standing {
            for wheels in [
                &mut line.kept,
                &mut line.left,
                &mut line.released_without_right,
            ] {
                wheels.sort_unstable();
            }
        }
        standing
    }

    /// Holds over scopes that nobody with the right to do so has lifted.
    fn standing_scopes(&self) -> Vec<HoldStanding> {
        let laid = self.index.laid();
        let stand = laid.iter().filter(|laid| laid.lifted.is_none());
        let last_birth = self.index.counts.last_birth;
        let over = |laid: &Laid<'_>| HoldStanding {
            untraced: laid.is_untraced(),
            behind: last_birth.is_some_and(|birth| laid.is_traced_before(birth)),
            ..self.over(laid.placed)
        };
        stand.map(over).collect()
    }

    /// Holds of which it is still to be said that every wheel in their scope has been told; none
    /// while any has not.
    #[must_use]
    pub fn untraced_holds(&self) -> Vec<HoldTraced> {
        let untraced = self.standing_scopes().into_iter();
        let untraced =
            untraced.filter(|hold| (hold.untraced || hold.behind) && hold.owed.is_empty());
        let traced = untraced.filter_map(|hold| {
            let wheels = hold.kept.len() + hold.left.len() + hold.let_go.len();
            Some(HoldTraced {
                hold: hold.hold,
                placed: hold.fact?,
                wheels: u32::try_from(wheels).unwrap_or(u32::MAX),
            })
        });
        traced.collect()
    }

    /// The facts that standing holds owe to wheels: whoever states facts for the dairy's
    /// records has to state these, whenever there are any.
    #[must_use]
    pub fn owed_holds(&self) -> Vec<WheelHeld> {
        let mut owed: BTreeMap<HoldId, (BTreeSet<WheelId>, String)> = BTreeMap::new();
        for hold in self.standing_scopes() {
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

    /// Whether somebody tried to release a wheel from a hold that keeps it.
    fn released_without_right(&self, ledger: &Ledger, hold: HoldId) -> bool {
        let rights = self.index.rule.rights();
        let mut last = ledger.notes().iter().rev().filter(|note| note.hold == hold);
        last.next().is_some_and(|note| {
            note.says == Says::Released && note.person.is_some() && !note.ends(rights)
        })
    }

    /// Whether a hold over a scope keeps a wheel that was released from it.
    fn is_in_again(&self, wheel: WheelId, ledger: &Ledger, hold: HoldId) -> bool {
        let laid = self.index.laid();
        let course = self.index.course_of(ledger);
        let over = self.index.over(wheel, course.as_ref(), &laid);
        let mut holds = ledger.holds(over).into_iter();
        holds.any(|standing| standing.hold == hold && matches!(standing.by, By::Scope(_)))
    }

    fn over(&self, placed: &Placed) -> HoldStanding {
        let rights = self.index.rule.rights();
        let mut over = HoldStanding {
            reason: placed.reason.clone(),
            placed_at: Some(placed.moment.at),
            placed_by: placed.person,
            fact: Some(placed.moment.fact),
            ..HoldStanding::new(placed.hold, Keeps::Scope(placed.scope.clone()))
        };
        for wheel in self.index.within(&placed.scope).reasons.into_keys() {
            let (ledger, gone) = ledger_and_end(&self.index.life(wheel));
            let mut notes = ledger
                .notes()
                .iter()
                .rev()
                .filter(|n| n.hold == placed.hold);
            // What was said last and counts.
            match notes.find(|note| note.says == Says::Held || note.ends(rights)) {
                Some(note) if note.says == Says::Held => match gone {
                    Gone::Here => over.kept.push(wheel),
                    Gone::Left => over.left.push(wheel),
                    Gone::Discarded => {}
                },
                // It may have come into the scope again since.
                Some(release)
                    if release.moment > placed.moment
                        && !self.is_in_again(wheel, &ledger, placed.hold) =>
                {
                    over.let_go.push(wheel);
                    continue;
                }
                _ => over.owed.push(wheel),
            }
            if self.released_without_right(&ledger, placed.hold) {
                over.released_without_right.push(wheel);
            }
        }
        over
    }
}

/// Why a fact held a wheel.
fn why(life: &[Entry], fact: FactId) -> String {
    let held = life.iter().find(|entry| entry.id == fact);
    match held.map(|entry| &entry.said.act) {
        Some(Act::Held { reason, .. }) => reason.clone(),
        _ => String::new(),
    }
}

impl HoldStanding {
    const fn new(hold: HoldId, keeps: Keeps) -> Self {
        Self {
            hold,
            keeps,
            reason: String::new(),
            placed_at: None,
            placed_by: None,
            fact: None,
            untraced: false,
            behind: false,
            kept: Vec::new(),
            left: Vec::new(),
            let_go: Vec::new(),
            owed: Vec::new(),
            released_without_right: Vec::new(),
        }
    }
}
