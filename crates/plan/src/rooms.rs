//! How full the rooms will be: positions taken per room per day, from the wheels on the
//! floor and the vats that are planned.
//!
//! One stillage takes one position. Everything is taken to move on its due day and to be
//! dispatched on the last day of its window: the careful side. A held wheel is counted as
//! staying.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike as _, NaiveDate, Weekday};
use facts::{BatchId, Carrier, RecipeId, RoomId, StackId, StillageId};
use quantity::DairyDay;
use recipe::{Located, Origin, Recipe, RecipeBook};
use ripening::rule::Case;
use ripening::{Action, Floor};
use serde::{Deserialize, Serialize};
use toml::Spanned;

/// A vat that is planned.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlannedVat {
    /// Its make day.
    pub day: DairyDay,
    /// What it becomes.
    pub recipe: RecipeId,
    /// How many wheels.
    pub wheels: u32,
}

/// The make plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Makes {
    /// The vats, in order.
    pub vats: Vec<PlannedVat>,
    /// Wheels on a full stillage.
    pub wheels_per_stillage: u32,
}

/// A room of the site.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Room {
    /// Its code.
    pub id: RoomId,
    /// Its name.
    pub name: String,
    /// How many stillages fit.
    pub positions: u32,
}

/// How full the rooms will be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// The days.
    pub days: Vec<DairyDay>,
    /// The rooms, in the site's order.
    pub rooms: Vec<RoomForecast>,
}

/// How full one room will be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RoomForecast {
    /// The room.
    pub room: RoomId,
    /// Its name.
    pub name: String,
    /// How many stillages fit.
    pub positions: u32,
    /// Positions taken on each day.
    pub taken: Vec<u32>,
    /// Of them, by wheels of vats that are only planned.
    pub planned: Vec<u32>,
    /// The first day on which it overflows.
    pub overflow: Option<DairyDay>,
    /// Why, in words.
    pub why: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    wheels_per_stillage: Spanned<u32>,
    #[serde(default)]
    vat: Vec<Spanned<VatTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct VatTable {
    day: Spanned<String>,
    recipe: Spanned<RecipeId>,
    wheels: Spanned<u32>,
    until: Option<Spanned<String>>,
    on: Option<Spanned<Vec<String>>>,
}

impl Makes {
    /// No vats.
    #[must_use]
    pub const fn none(wheels_per_stillage: u32) -> Self {
        Self {
            vats: Vec::new(),
            wheels_per_stillage,
        }
    }

    /// Reads a make plan.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that is wrong.
    pub fn parse(origin: &Origin<'_>, recipes: &RecipeBook) -> Result<Self, Located> {
        let file: File = origin.toml()?;
        let wheels_per_stillage = *file.wheels_per_stillage.get_ref();
        if !(1..=1_000).contains(&wheels_per_stillage) {
            let message = "wheels_per_stillage must be 1 to 1000";
            return Err(origin.error(file.wheels_per_stillage.span(), message));
        }
        let mut vats = Vec::new();
        for table in &file.vat {
            let table = table.get_ref();
            let recipe = *table.recipe.get_ref();
            if recipes.newest(recipe).is_none() {
                let message = format!("the site has no recipe {recipe}");
                return Err(origin.error(table.recipe.span(), message));
            }
            let wheels = *table.wheels.get_ref();
            if !(1..=10_000).contains(&wheels) {
                let message = format!("wheels is {wheels}, but a vat gives 1 to 10000");
                return Err(origin.error(table.wheels.span(), message));
            }
            let first = date(origin, &table.day)?;
            let last = match &table.until {
                Some(until) => date(origin, until)?,
                None => first,
            };
            if last < first || (last - first).num_days() > 400 {
                let span = table.until.as_ref().map_or(0..0, Spanned::span);
                let message = format!("until must be from {first} on, at most 400 days later");
                return Err(origin.error(span, message));
            }
            let on = weekdays(origin, table.on.as_ref())?;
            for day in first.iter_days().take_while(|day| *day <= last) {
                if on.contains(&day.weekday().num_days_from_monday()) {
                    vats.push(PlannedVat {
                        day: DairyDay::starting(day),
                        recipe,
                        wheels,
                    });
                }
            }
        }
        vats.sort_by_key(|vat| vat.day);
        Ok(Self {
            vats,
            wheels_per_stillage,
        })
    }
}

fn weekdays(
    origin: &Origin<'_>,
    given: Option<&Spanned<Vec<String>>>,
) -> Result<BTreeSet<u32>, Located> {
    let Some(given) = given else {
        return Ok((0..7).collect());
    };
    let days = given.get_ref().iter().map(|day| {
        day.parse::<Weekday>()
            .map(|d| d.num_days_from_monday())
            .map_err(|_| {
                let message = format!("{day:?} is no weekday: write \"Mon\" to \"Sun\"");
                origin.error(given.span(), message)
            })
    });
    days.collect()
}

fn date(origin: &Origin<'_>, value: &Spanned<String>) -> Result<NaiveDate, Located> {
    let day = value.get_ref().parse().map_err(|_| {
        let message = format!(
            "{:?} is no day: write it as \"2026-03-04\"",
            value.get_ref()
        );
        origin.error(value.span(), message)
    })?;
    quantity::calendar::date(day).map_err(|outside| origin.error(value.span(), outside.to_string()))
}

/// Where something stands from one day up to, but not on, another.
#[derive(Clone, Copy)]
struct Stay {
    room: RoomId,
    from: DairyDay,
    until: DairyDay,
}

/// What takes positions together.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Load {
    Stillage(StillageId),
    Stack(StackId),
    /// Wheels that stand on nothing known: as many stillages as they fill.
    Loose(Option<RoomId>, Option<BatchId>),
}

struct Coming {
    stays: Vec<Stay>,
    wheels: u32,
    batch: Option<BatchId>,
    planned: bool,
}

/// Forecasts the coming `days` dairy days from `first` on.
#[must_use]
pub fn forecast(
    floor: &Floor,
    first: DairyDay,
    days: usize,
    rooms: &[Room],
    makes: &Makes,
) -> Forecast {
    let mut loads: BTreeMap<Load, Coming> = BTreeMap::new();
    for (id, wheel) in floor.wheels() {
        let state = wheel.state();
        let Some(case) = floor.case(*id).filter(|_| state.on_floor()) else {
            continue;
        };
        let room = state.room.map(|room| room.value);
        let load = match (state.stillage, state.stack) {
            (Some(stillage), _) => Load::Stillage(stillage),
            (None, Some(stack)) if room.is_some() => Load::Stack(stack),
            _ => Load::Loose(room, state.batch),
        };
        let stays = stays(floor, &case, first);
        let coming = loads.entry(load).or_insert_with(|| Coming {
            stays: Vec::new(),
            wheels: 0,
            batch: state.batch,
            planned: false,
        });
        coming.wheels += 1;
        // A stillage leaves when its last wheel does.
        let end = |stays: &[Stay]| stays.last().map(|stay| stay.until);
        if end(&stays) > end(&coming.stays) || coming.stays.is_empty() {
            coming.stays = stays;
        }
    }
    let mut all: Vec<(u32, Coming)> = loads
        .into_iter()
        .map(|(load, coming)| match load {
            Load::Stillage(_) | Load::Stack(_) => (1, coming),
            Load::Loose(..) => (
                coming.wheels.div_ceil(makes.wheels_per_stillage.max(1)),
                coming,
            ),
        })
        .collect();
    for vat in makes.vats.iter().filter(|vat| vat.day >= first) {
        if let Some(recipe) = floor.practice().recipes.newest(vat.recipe) {
            let positions = vat.wheels.div_ceil(makes.wheels_per_stillage.max(1));
            let coming = Coming {
                stays: chain(recipe, vat.day, 0, vat.day.plus(recipe.drain.unhoop.due)),
                wheels: vat.wheels,
                batch: None,
                planned: true,
            };
            all.push((positions, coming));
        }
    }
    let dates: Vec<DairyDay> = (0..days)
        .map(|d| first.plus(i64::try_from(d).unwrap_or_default()))
        .collect();
    let rooms = rooms.iter().map(|room| room_forecast(room, &dates, &all));
    Forecast {
        rooms: rooms.collect(),
        days: dates,
    }
}

fn room_forecast(room: &Room, days: &[DairyDay], all: &[(u32, Coming)]) -> RoomForecast {
    let mut taken = vec![0_u32; days.len()];
    let mut planned = vec![0_u32; days.len()];
    for (positions, coming) in all {
        for stay in coming.stays.iter().filter(|stay| stay.room == room.id) {
            for (d, day) in days.iter().enumerate() {
                if stay.from <= *day && *day < stay.until {
                    taken[d] = taken[d].saturating_add(*positions);
                    if coming.planned {
                        planned[d] = planned[d].saturating_add(*positions);
                    }
                }
            }
        }
    }
    let over = taken.iter().position(|taken| *taken > room.positions);
    let why = over.map(|d| {
        let day = days[d];
        let (mut come, mut go) = (0_u32, 0_u32);
        let mut batches = BTreeSet::new();
        let mut vats = 0;
        for (positions, coming) in all {
            for stay in coming.stays.iter().filter(|stay| stay.room == room.id) {
                if stay.from == day {
                    come = come.saturating_add(*positions);
                    batches.extend(coming.batch);
                    vats += u32::from(coming.planned);
                }
                if stay.until == day {
                    go = go.saturating_add(*positions);
                }
            }
        }
        let mut who: Vec<String> = batches.iter().map(|b| format!("batch {b}")).collect();
        if vats > 0 {
            who.push(format!("{vats} planned vats"));
        }
        let who = if who.is_empty() {
            String::new()
        } else {
            format!(" ({})", who.join(", "))
        };
        format!(
            "{} of {} positions on {day}: {come} come in that day{who}, {go} leave; {} of them are for planned vats",
            taken[d], room.positions, planned[d]
        )
    });
    RoomForecast {
        room: room.id,
        name: room.name.clone(),
        positions: room.positions,
        overflow: over.map(|d| days[d]),
        taken,
        planned,
        why,
    }
}

/// Where a wheel will stand.
fn stays(floor: &Floor, case: &Case<'_>, first: DairyDay) -> Vec<Stay> {
    let recipe = case.recipe;
    let clock = case.clock;
    let actions = floor.wheel(case.wheel).map_or(&[][..], |w| w.actions());
    let due = |wanted: fn(&Action) -> bool| {
        let asked = actions.iter().find(|asked| wanted(&asked.action))?;
        Some(clock.day_of(asked.window.due).max(first))
    };
    if let Some(unhoop) = due(|a| matches!(a, Action::Unhoop)) {
        let mut stays: Vec<Stay> = case
            .state
            .room
            .map(|room| Stay {
                room: room.value,
                from: first,
                until: unhoop,
            })
            .into_iter()
            .collect();
        stays.extend(chain(recipe, case.made, 0, unhoop));
        return stays;
    }
    let Some(room) = case.state.room else {
        return chain(recipe, case.made, 0, first);
    };
    let end = if case.holds.iter().all(|held| held.is_routine()) {
        leaves(recipe, case.made).max(first.plus(1))
    } else {
        first.plus(1_000)
    };
    let moves = due(|a| matches!(a, Action::MoveOn(_)));
    let mut stays = vec![Stay {
        room: room.value,
        from: first,
        until: moves.map_or(end, |day| day.min(end)),
    }];
    if let (Some(moves), Some((stage, _))) = (moves, recipe.stage_of(room.value))
        && moves < end
    {
        stays.extend(chain(recipe, case.made, stage + 1, moves));
    }
    stays
}

/// The last day of the dispatch window.
fn leaves(recipe: &Recipe, made: DairyDay) -> DairyDay {
    made.plus(recipe.dispatch_ages().most)
}

/// The stays from a stage on, each as long as the recipe allows.
fn chain(recipe: &Recipe, made: DairyDay, stage: usize, from: DairyDay) -> Vec<Stay> {
    let end = leaves(recipe, made);
    let mut stays = Vec::new();
    let mut from = from;
    for (n, stage) in recipe.stages.iter().enumerate().skip(stage) {
        let last = n + 1 == recipe.stages.len();
        let until = if last {
            end
        } else {
            from.plus(stage.stay_days.most).min(end)
        };
        if until <= from {
            break;
        }
        stays.push(Stay {
            room: stage.room,
            from,
            until,
        });
        from = until;
    }
    stays
}

/// How many wheels a full stillage holds, as the floor shows it: the most that stand on
/// any; at least 1.
#[must_use]
pub fn fullest_stillage(floor: &Floor) -> u32 {
    let mut on: BTreeMap<StillageId, u32> = BTreeMap::new();
    for (_, wheel) in floor.wheels() {
        if let Some(Carrier::Stillage(stillage)) = ripening::answer::carrier(wheel.state())
            && wheel.state().on_floor()
        {
            *on.entry(stillage).or_default() += 1;
        }
    }
    on.into_values().max().unwrap_or(1)
}
