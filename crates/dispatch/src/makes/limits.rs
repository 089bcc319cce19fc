//! What keeps a vat from being made: positions in the rooms, and people's minutes.

use std::collections::BTreeMap;

use plan::rooms::{Makes, PlannedVat};
use plan::{Crew, Kind};
use quantity::DairyDay;
use recipe::Recipe;
use ripening::Floor;

use super::{WEEKS, Wanting};
use crate::demand::monday;

/// Days that rooms and hands are looked at: until what is made last has left.
fn days_ahead(floor: &Floor) -> usize {
    let recipes = floor.practice().recipes.iter();
    let longest = recipes.map(|recipe| recipe.dispatch_ages().most).max();
    usize::try_from(7 * WEEKS + longest.unwrap_or(0) + 7).unwrap_or_default()
}

/// Positions taken by day and room, with what was added.
pub(super) struct Fill {
    first: DairyDay,
    days: usize,
    taken: Vec<Vec<u32>>,
}

impl Fill {
    pub(super) fn new(wanting: &Wanting<'_>, first: DairyDay) -> Self {
        let floor = wanting.office.floor();
        let days = days_ahead(floor);
        let now = plan::forecast(floor, first, days, wanting.rooms, wanting.planned);
        Self {
            first,
            days,
            taken: now.rooms.into_iter().map(|room| room.taken).collect(),
        }
    }

    /// Takes one more vat.
    pub(super) fn add(&mut self, wanting: &Wanting<'_>, vat: &PlannedVat) {
        let alone = self.of(wanting, vat);
        for (taken, more) in self.taken.iter_mut().zip(alone) {
            for (taken, more) in taken.iter_mut().zip(more) {
                *taken += more;
            }
        }
    }

    /// What one vat alone takes, room by room.
    fn of(&self, wanting: &Wanting<'_>, vat: &PlannedVat) -> Vec<Vec<u32>> {
        let empty = Floor::new(
            wanting.office.floor().practice().clone(),
            wanting.office.floor().now(),
        );
        let makes = Makes {
            vats: vec![vat.clone()],
            wheels_per_stillage: wanting.planned.wheels_per_stillage,
        };
        let alone = plan::forecast(&empty, self.first, self.days, wanting.rooms, &makes);
        alone.rooms.into_iter().map(|room| room.taken).collect()
    }

    pub(super) fn takes(&self, wanting: &Wanting<'_>, vat: &PlannedVat) -> Result<(), String> {
        let alone = self.of(wanting, vat);
        for ((room, taken), more) in wanting.rooms.iter().zip(&self.taken).zip(&alone) {
            for (day, (taken, more)) in (0..).zip(taken.iter().zip(more)) {
                if *more > 0 && taken + more > room.positions {
                    return Err(format!(
                        "{} ({}) has {taken} of {} positions taken on {}",
                        room.id,
                        room.name,
                        room.positions,
                        self.first.plus(day)
                    ));
                }
            }
        }
        Ok(())
    }
}

/// Minutes of work by week, and what people have.
///
/// Counted are the turns, unhooping, rubbing up and placing, looks at the rind, moves,
/// piercings, grading and making ready; who has which skill is the day plan's business.
pub(super) struct Hands {
    first: DairyDay,
    /// Seconds that each kind of work takes for a wheel.
    seconds: BTreeMap<Kind, u64>,
    /// Seconds of work by week (its Monday).
    work: BTreeMap<DairyDay, u64>,
    /// Seconds that people have in a week.
    there: BTreeMap<DairyDay, u64>,
}

impl Hands {
    pub(super) fn new(wanting: &Wanting<'_>, crew: &Crew, first: DairyDay) -> Self {
        let floor = wanting.office.floor();
        let seconds = crew.rules.iter().map(|(kind, rule)| {
            let seconds = u64::try_from(rule.seconds_per_wheel).unwrap_or(0);
            (*kind, seconds)
        });
        let mut hands = Self {
            first,
            seconds: seconds.collect(),
            work: BTreeMap::new(),
            there: BTreeMap::new(),
        };
        let days = i64::try_from(days_ahead(floor)).unwrap_or_default();
        for day in (0..days).map(|n| monday(first).plus(n)) {
            let people = crew.people.iter().map(|person| person.seconds_on(day));
            let there = u64::try_from(people.sum::<i64>()).unwrap_or(0);
            *hands.there.entry(monday(day)).or_default() += there;
        }
        let mut cohorts: BTreeMap<(DairyDay, facts::BatchId), u32> = BTreeMap::new();
        for (id, wheel) in floor.wheels() {
            let case = floor.case(*id).filter(|_| wheel.state().on_floor());
            if let (Some(case), Some(batch)) = (case, wheel.state().batch) {
                *cohorts.entry((case.made, batch)).or_default() += 1;
            }
        }
        for ((made, batch), wheels) in cohorts {
            if let Some(recipe) = floor.recipe_of(batch) {
                hands.add(recipe, made, wheels);
            }
        }
        for vat in wanting.planned.vats.iter().filter(|vat| vat.day >= first) {
            if let Some(recipe) = floor.practice().recipes.newest(vat.recipe) {
                hands.add(recipe, vat.day, vat.wheels);
            }
        }
        hands
    }

    /// What wheels of one make day ask for, s by week, from today on.
    fn of_wheels(&self, recipe: &Recipe, made: DairyDay, wheels: u32) -> BTreeMap<DairyDay, u64> {
        let mut work: BTreeMap<DairyDay, u64> = BTreeMap::new();
        for (age, kind) in life(recipe) {
            let day = made.plus(age);
            if day >= self.first {
                let seconds = self.seconds.get(&kind).copied().unwrap_or(0);
                *work.entry(monday(day)).or_default() += seconds * u64::from(wheels);
            }
        }
        work
    }

    pub(super) fn add(&mut self, recipe: &Recipe, made: DairyDay, wheels: u32) {
        for (week, seconds) in self.of_wheels(recipe, made, wheels) {
            *self.work.entry(week).or_default() += seconds;
        }
    }

    pub(super) fn takes(&self, recipe: &Recipe, made: DairyDay, wheels: u32) -> Result<(), String> {
        for (week, more) in self.of_wheels(recipe, made, wheels) {
            let (work, there) = (self.work.get(&week), self.there.get(&week));
            let (work, there) = (work.copied().unwrap_or(0), there.copied().unwrap_or(0));
            if work + more > there {
                return Err(format!(
                    "hands: the week of {week} already asks for {} of {} min",
                    work / 60,
                    there / 60
                ));
            }
        }
        Ok(())
    }

    /// Minutes that a week asks for, and that people have.
    pub(super) fn of(&self, week: DairyDay) -> (u64, u64) {
        let minutes = |of: &BTreeMap<DairyDay, u64>| of.get(&week).copied().unwrap_or(0) / 60;
        (minutes(&self.work), minutes(&self.there))
    }
}

/// What a wheel asks for over its life: ages in days, and the work. Stages last as long as
/// the recipe allows, as for the rooms: the careful side.
fn life(recipe: &Recipe) -> Vec<(i64, Kind)> {
    let unhoop = recipe.drain.unhoop.due;
    let leaves = recipe.dispatch_ages().most;
    let mut life = Vec::new();
    let turns = |from: i64, until: i64, every: i64, life: &mut Vec<(i64, Kind)>| {
        let every = usize::try_from(every.max(1)).unwrap_or(1);
        life.extend((from..until).step_by(every).map(|age| (age, Kind::Turn)));
    };
    turns(1, unhoop, recipe.drain.turn_every_days, &mut life);
    life.extend([Kind::Unhoop, Kind::RubUp, Kind::Place].map(|kind| (unhoop, kind)));
    let mut from = unhoop;
    for (n, stage) in recipe.stages.iter().enumerate() {
        if from >= leaves {
            break;
        }
        if n > 0 {
            life.push((from, Kind::MoveOn));
        }
        let last = n + 1 == recipe.stages.len();
        let until = if last {
            leaves
        } else {
            leaves.min(from + stage.stay_days.most)
        };
        turns(from + 1, until, stage.turn_every_days, &mut life);
        if stage.leave_at_cover_pct.is_some() {
            let every = usize::try_from(recipe.rind.check_every_days.max(1)).unwrap_or(1);
            let looks = (from + 1..until).step_by(every);
            life.extend(looks.map(|age| (age, Kind::RindCheck)));
        }
        from = until;
    }
    let pierced = recipe.pierce.age.due;
    life.push((pierced, Kind::Pierce));
    life.extend(
        recipe
            .pierce
            .again
            .map(|again| (pierced + again.due, Kind::Pierce)),
    );
    life.push((
        recipe.iron.from_age_days + recipe.grading.within_days,
        Kind::Grade,
    ));
    life.push((leaves, Kind::Dispatch));
    life.retain(|(age, _)| *age <= leaves);
    life
}
