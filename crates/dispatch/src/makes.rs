//! How many vats to make in the coming weeks: what is expected to be ordered against what
//! stands in the rooms, within the rooms' positions and people's minutes.
//!
//! Weeks are filled in the order of arrival. Wheels that stand on the floor, or that a
//! planned vat will give, go to the earliest week in whose best weeks they arrive, the
//! oldest first; as all windows of a market are equally long, no order serves more. What
//! then is still missing is made: in the week from which it arrives nearest to the middle of
//! its window, as long as every room has a position for it on every day, and the people of
//! the crew file have the minutes. Everything that cannot be made says why.

mod limits;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike as _, Weekday};
use facts::{Grade, MarketId, RecipeId};
use plan::Crew;
use plan::rooms::{Makes, PlannedVat, Room};
use quantity::DairyDay;
use recipe::Recipe;
use serde::{Deserialize, Serialize};

use crate::demand::{WeekDemand, demand, monday};
use crate::office::Office;
use crate::stock;
use limits::{Fill, Hands};

/// Weeks in which vats are planned.
pub const WEEKS: i64 = 12;

/// Days into a week on which what arrives in it is taken to arrive: Thursday.
const ARRIVES: i64 = 3;

/// Everything that vats are planned by.
#[derive(Clone, Copy)]
pub struct Wanting<'a> {
    /// Orders and wheels.
    pub office: &'a Office,
    /// The rooms.
    pub rooms: &'a [Room],
    /// Who works; without, hands are not counted.
    pub crew: Option<&'a Crew>,
    /// Vats that are planned already, and how wheels stand.
    pub planned: &'a Makes,
    /// Wheels that a vat gives; by default what the recipe's last vats gave.
    pub wheels_per_vat: Option<u32>,
    /// Most vats in a week, if the make room has a limit.
    pub most_vats: Option<usize>,
}

/// The vats of the coming weeks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MakePlan {
    /// The weeks, in order.
    pub weeks: Vec<MakeWeek>,
    /// What is missing and cannot be made.
    pub missing: Vec<Missing>,
    /// Wheels that nobody is expected to order in their best weeks.
    pub over: usize,
    /// What was reckoned with.
    pub demand: Vec<WeekDemand>,
}

/// The vats of one week.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MakeWeek {
    /// Its Monday.
    pub monday: DairyDay,
    /// Vats to make, beside those that are planned, by recipe.
    pub vats: BTreeMap<RecipeId, usize>,
    /// Vats that were planned already.
    pub planned: usize,
    /// Minutes of work in that week by everything that will stand in the rooms, and minutes
    /// that people have; nothing without a crew file.
    pub minutes: Option<(u64, u64)>,
}

/// What is missing in a week and cannot be made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Missing {
    /// The Monday of the week of arrival.
    pub monday: DairyDay,
    /// The cheese.
    pub recipe: RecipeId,
    /// The market.
    pub market: MarketId,
    /// Wheels.
    pub wheels: usize,
    /// Why it cannot be made.
    pub why: String,
}

/// Wheels that were made, or will be, on one day.
struct Cohort {
    recipe: RecipeId,
    made: DairyDay,
    left: usize,
}

/// Wheels that a week still wants.
struct Need {
    monday: DairyDay,
    recipe: RecipeId,
    market: MarketId,
    ages: (i64, i64),
    left: usize,
}

impl Need {
    fn arrives(&self) -> DairyDay {
        self.monday.plus(ARRIVES)
    }

    /// The day from which it arrives in the middle of its window.
    fn best_made(&self) -> DairyDay {
        self.arrives()
            .plus(-i64::midpoint(self.ages.0, self.ages.1))
    }

    fn takes(&self, cohort: &Cohort) -> bool {
        let age = self.arrives().days_since(cohort.made);
        cohort.recipe == self.recipe && self.ages.0 <= age && age <= self.ages.1
    }
}

/// Plans the vats.
#[must_use]
pub fn makes(wanting: &Wanting<'_>) -> MakePlan {
    let mut planner = Planner::new(wanting);
    planner.serve_from_stock();
    planner.add_vats();
    planner.finish()
}

struct Planner<'a> {
    wanting: &'a Wanting<'a>,
    today: DairyDay,
    demand: Vec<WeekDemand>,
    needs: Vec<Need>,
    stock: Vec<Cohort>,
    over: usize,
    fill: Fill,
    hands: Option<Hands>,
    vats: Vec<PlannedVat>,
    missing: Vec<Missing>,
}

impl<'a> Planner<'a> {
    fn new(wanting: &'a Wanting<'a>) -> Self {
        let office = wanting.office;
        let floor = office.floor();
        let today = office.now().today;
        let recipes = &floor.practice().recipes;
        let clock = &floor.practice().clock;
        let is_of = |wheel| Some(office.what_it_was(wheel)?.0);
        let demand = demand(office.book(), recipes, (clock, today), is_of);
        let mut needs = Vec::new();
        for week in &demand {
            let Some(recipe) = recipes.newest(week.recipe) else {
                continue;
            };
            let theirs = recipe.market(week.market);
            let ages = theirs.map_or((recipe.iron.from_age_days, recipe.best_before_days), |m| {
                let legal = m.legal_least_age_days.unwrap_or(0);
                (m.arrive_age_days.least.max(legal), m.arrive_age_days.most)
            });
            let law = office.customers().market(week.market).legal_least_age_days;
            needs.push(Need {
                monday: week.monday,
                recipe: week.recipe,
                market: week.market,
                ages: (ages.0.max(law.unwrap_or(0)), ages.1),
                left: week.wheels(),
            });
        }
        needs.retain(|need| need.left > 0 && need.arrives() >= today);
        needs.sort_by_key(|need| (need.monday, need.ages.1, need.recipe, need.market));
        Self {
            today,
            demand,
            needs,
            stock: stock_of(wanting, today),
            over: 0,
            fill: Fill::new(wanting, today),
            hands: wanting.crew.map(|crew| Hands::new(wanting, crew, today)),
            vats: Vec::new(),
            missing: Vec::new(),
            wanting,
        }
    }

    /// The first day after the weeks that are planned.
    fn end(&self) -> DairyDay {
        monday(self.today).plus(7 * WEEKS)
    }

    fn serve_from_stock(&mut self) {
        for need in &mut self.needs {
            // Oldest first.
            for cohort in &mut self.stock {
                if need.takes(cohort) {
                    let take = need.left.min(cohort.left);
                    cohort.left -= take;
                    need.left -= take;
                }
            }
        }
        self.over = self.stock.iter().map(|cohort| cohort.left).sum();
    }

    /// Makes what is missing, week after week of arrival.
    fn add_vats(&mut self) {
        let end = self.end();
        for at in 0..self.needs.len() {
            // What is best made after these weeks is not missing.
            if self.needs[at].best_made() >= end {
                continue;
            }
            while self.needs[at].left > 0 {
                if let Err(why) = self.add_vat_for(at) {
                    let need = &mut self.needs[at];
                    self.missing.push(Missing {
                        monday: need.monday,
                        recipe: need.recipe,
                        market: need.market,
                        wheels: std::mem::take(&mut need.left),
                        why,
                    });
                }
            }
        }
    }

    fn add_vat_for(&mut self, at: usize) -> Result<(), String> {
        let recipes = &self.wanting.office.floor().practice().recipes;
        let need = &self.needs[at];
        let recipe = recipes.newest(need.recipe).ok_or("no recipe")?.clone();
        let wheels = self.wheels_of_a_vat(&recipe).ok_or_else(|| {
            "no vat of it was ever made: say with --wheels-per-vat what one gives".to_owned()
        })?;
        let sold = self.sold_share(&recipe);
        let gives = ((f64::from(wheels) * sold).floor() as usize).max(1);
        let (least, most) = need.ages;
        let arrives = need.arrives();
        if arrives.plus(-least) < self.today {
            return Err(format!(
                "it should have been made by {}: only other ages or another grade help now",
                arrives.plus(-least)
            ));
        }
        let (middle, end) = (need.best_made(), self.end());
        let mut days: Vec<DairyDay> = (least..=most)
            .map(|age| arrives.plus(-age))
            .filter(|day| *day >= self.today && *day < end && is_working_day(*day))
            .collect();
        days.sort_by_key(|day| (monday(*day).days_since(middle).abs(), *day));
        let reach = |day: DairyDay| -> usize {
            let cohort = Cohort {
                recipe: recipe.id,
                made: day,
                left: gives,
            };
            let wanted = self.needs.iter().filter(|need| need.takes(&cohort));
            wanted.map(|need| need.left).sum()
        };
        let mut why = BTreeSet::new();
        let mut best = None;
        for day in days {
            if reach(day) * 2 < gives {
                why.insert("too few wheels for a vat".to_owned());
                continue;
            }
            match self.room_for(day, &recipe, wheels) {
                Ok(()) => {
                    best = Some(day);
                    break;
                }
                Err(no) => {
                    why.insert(no);
                }
            }
        }
        let Some(day) = best else {
            let why: Vec<String> = why.into_iter().take(2).collect();
            return Err(if why.is_empty() {
                "no working day is left on which to make it".to_owned()
            } else {
                why.join("; ")
            });
        };
        let vat = PlannedVat {
            day,
            recipe: recipe.id,
            wheels,
        };
        self.fill.add(self.wanting, &vat);
        if let Some(hands) = &mut self.hands {
            hands.add(&recipe, day, wheels);
        }
        self.vats.push(vat);
        let mut cohort = Cohort {
            recipe: recipe.id,
            made: day,
            left: gives,
        };
        for need in self.needs.iter_mut().skip(at) {
            if need.takes(&cohort) {
                let take = need.left.min(cohort.left);
                need.left -= take;
                cohort.left -= take;
            }
        }
        self.over += cohort.left;
        Ok(())
    }

    /// Whether rooms, hands and the make room take one more vat.
    fn room_for(&self, day: DairyDay, recipe: &Recipe, wheels: u32) -> Result<(), String> {
        let week = monday(day);
        let there = |vats: &[PlannedVat]| vats.iter().filter(|v| monday(v.day) == week).count();
        let vats = there(&self.vats) + there(&self.wanting.planned.vats);
        if self.wanting.most_vats.is_some_and(|most| vats >= most) {
            return Err(format!("the week of {week} has all its {vats} vats"));
        }
        let vat = PlannedVat {
            day,
            recipe: recipe.id,
            wheels,
        };
        self.fill.takes(self.wanting, &vat)?;
        if let Some(hands) = &self.hands {
            hands.takes(recipe, day, wheels)?;
        }
        Ok(())
    }

    /// What a vat of a recipe gives: as told, else as the last ones gave.
    fn wheels_of_a_vat(&self, recipe: &Recipe) -> Option<u32> {
        if self.wanting.wheels_per_vat.is_some() {
            return self.wanting.wheels_per_vat;
        }
        let floor = self.wanting.office.floor();
        let mut made: Vec<(DairyDay, usize)> = Vec::new();
        for (id, batch) in floor.batches() {
            let of = floor.recipe_of(*id).is_some_and(|r| r.id == recipe.id);
            let first = batch.wheels.iter().next().and_then(|w| floor.case(*w));
            if let Some(first) = first.filter(|_| of) {
                made.push((first.made, batch.wheels.len()));
            }
        }
        // The middle of the last dozen: one that went wrong does not count.
        made.sort_unstable();
        let mut last: Vec<usize> = made.iter().rev().take(12).map(|(_, n)| *n).collect();
        last.sort_unstable();
        let middle = last.get(last.len() / 2)?;
        u32::try_from(*middle).ok().filter(|n| *n > 0)
    }

    /// The share of a vat's wheels that are sold, by the grades that were given so far.
    fn sold_share(&self, recipe: &Recipe) -> f64 {
        let counts = stock::GradeCounts::of_floor(self.wanting.office.floor());
        let of = counts.expected(recipe.id, 1_000);
        let sold = of.iter().filter(|(grade, _)| *grade != Grade::Reject);
        sold.map(|(_, n)| *n as f64).sum::<f64>() / 1_000.0
    }

    fn finish(self) -> MakePlan {
        let first = monday(self.today);
        let weeks = (0..WEEKS).map(|n| {
            let week = first.plus(7 * n);
            let mut vats: BTreeMap<RecipeId, usize> = BTreeMap::new();
            for vat in self.vats.iter().filter(|vat| monday(vat.day) == week) {
                *vats.entry(vat.recipe).or_default() += 1;
            }
            let planned = self.wanting.planned.vats.iter();
            MakeWeek {
                monday: week,
                vats,
                planned: planned.filter(|vat| monday(vat.day) == week).count(),
                minutes: self.hands.as_ref().map(|hands| hands.of(week)),
            }
        });
        MakePlan {
            weeks: weeks.collect(),
            missing: self.missing,
            over: self.over,
            demand: self.demand,
        }
    }
}

fn is_working_day(day: DairyDay) -> bool {
    !matches!(day.date().weekday(), Weekday::Sat | Weekday::Sun)
}

/// What stands on the floor or is planned, oldest first: what can be sold of it.
fn stock_of(wanting: &Wanting<'_>, today: DairyDay) -> Vec<Cohort> {
    let floor = wanting.office.floor();
    let grades = stock::GradeCounts::of_floor(floor);
    let mut graded: BTreeMap<(DairyDay, RecipeId), usize> = BTreeMap::new();
    let mut ungraded = graded.clone();
    for cheese in stock::of_floor(floor, &[]) {
        // A held wheel may be released in time, and may not: it is not reckoned with.
        if cheese.kept.is_none() {
            let of = match cheese.grade {
                Some(_) => &mut graded,
                None => &mut ungraded,
            };
            *of.entry((cheese.made, cheese.recipe.id)).or_default() += 1;
        }
    }
    for vat in wanting.planned.vats.iter().filter(|vat| vat.day >= today) {
        *ungraded.entry((vat.day, vat.recipe)).or_default() += vat.wheels as usize;
    }
    for ((made, recipe), wheels) in ungraded {
        let sold = grades.expected(recipe, wheels);
        let sold = sold.iter().filter(|(grade, _)| *grade != Grade::Reject);
        *graded.entry((made, recipe)).or_default() += sold.map(|(_, n)| n).sum::<usize>();
    }
    let cohorts = graded
        .into_iter()
        .map(|((made, recipe), left)| Cohort { recipe, made, left });
    cohorts.collect()
}
