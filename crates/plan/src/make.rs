//! Making the plan.

use std::collections::BTreeMap;

use facts::{BatchId, Carrier, PersonId, PositionId, RoomId, ToolId, WheelId};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::deal::{Deal, Unit, deal, keep};
use crate::explain;
use crate::lift::{self, LiftingLine};
use crate::model::Flow;
use crate::model::{Class, Export, Model, Net, SCALE};
use crate::{Crew, Kind, Task, Waiting};

/// Everything a plan is made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Problem {
    /// The days to plan, one after the other.
    pub days: Vec<DairyDay>,
    /// The work.
    pub tasks: Vec<Task>,
    /// Work that waits for something else: told, not planned.
    pub waiting: Vec<Waiting>,
    /// Who does it.
    pub crew: Crew,
    /// Rooms in walking order.
    pub walk: Vec<RoomId>,
    /// Rooms whose places are limited.
    pub rooms: Vec<Space>,
}

/// How much fits into a room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Space {
    /// The room.
    pub room: RoomId,
    /// Wheels that fit: positions times wheels on a full stillage.
    pub fits: i64,
    /// Wheels there now, counted by the places that they take.
    pub taken: i64,
}

/// How good a plan is: the first number decides, the next only among equals.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Objective {
    /// Broken windows, each counted as the crew file's `counts_as` says.
    pub broken: i64,
    /// Wheel-days past the due day, times 1, 4 or 16 by severity.
    pub late: i64,
    /// How uneven the days are: each tenth of a day's capacity costs one more per second.
    pub uneven: i64,
    /// Wheels on another day than yesterday's plan had them.
    pub changed: i64,
}

/// One stop of someone's walk.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stop {
    /// The dairy day.
    pub day: DairyDay,
    /// Who.
    pub person: PersonId,
    /// The task it is of.
    pub task: String,
    /// What.
    pub kind: Kind,
    /// Where.
    pub room: Option<RoomId>,
    /// Where to, for work that moves wheels.
    pub to: Option<RoomId>,
    /// On what.
    pub carrier: Option<Carrier>,
    /// Where that stands.
    pub position: Option<PositionId>,
    /// Which batch.
    pub batch: Option<BatchId>,
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// Of how many on the same carrier.
    pub of: usize,
    /// How long it takes.
    pub minutes: f64,
    /// When it should be done.
    pub due: DairyDay,
    /// After which day it is too late.
    pub latest: DairyDay,
    /// Why it is asked for.
    pub because: String,
}

/// Work done later than it should be, or later than yesterday's plan said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Postponed {
    /// The task.
    pub task: String,
    /// In words: what, from when to when, why.
    pub words: String,
    /// Wheels.
    pub wheels: usize,
    /// From.
    pub from: DairyDay,
    /// To; `None` is after the plan.
    pub to: Option<DairyDay>,
}

/// Work whose window breaks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Unmet {
    /// The task.
    pub task: String,
    /// What.
    pub kind: Kind,
    /// In words: what, where, why.
    pub words: String,
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// The last day on which it would not break.
    pub latest: DairyDay,
}

/// A single change that would help.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fix {
    /// The change, in words.
    pub words: String,
    /// How many wheels it saves from a broken window.
    pub saves: i64,
    /// How many wheel-days of lateness, weighted, it saves.
    pub saves_late: i64,
}

/// How full a day is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DayLoad {
    /// The day.
    pub day: DairyDay,
    /// Minutes of people's work planned.
    pub minutes: i64,
    /// Minutes of people there.
    pub of: i64,
    /// Machines: minutes planned, minutes there.
    pub machines: Vec<(ToolId, i64, i64)>,
}

/// A plan. It advises: only what people then do changes a wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Its first day.
    pub from: DairyDay,
    /// Its last day.
    pub until: DairyDay,
    /// Everyone's walk, by day, person and walking order.
    pub stops: Vec<Stop>,
    /// What is late, with the reason.
    pub postponed: Vec<Postponed>,
    /// What cannot be met.
    pub unmet: Vec<Unmet>,
    /// What would help, best first.
    pub fixes: Vec<Fix>,
    /// What waits for something else.
    pub waiting: Vec<Waiting>,
    /// How full each day is.
    pub load: Vec<DayLoad>,
    /// Lifts above an index of 1 on the first day.
    pub lifting: Vec<LiftingLine>,
    /// How good the plan is.
    pub objective: Objective,
    /// What no plan can be better than: the exact best when wheels may be cut up.
    pub bound: Objective,
}

/// Who was to do what on which day by yesterday's plan.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Yesterday(BTreeMap<String, BTreeMap<DairyDay, BTreeMap<PersonId, i64>>>);

impl Yesterday {
    /// From a plan.
    #[must_use]
    pub fn of(plan: &Plan) -> Self {
        let mut plan_of = Self::default();
        for stop in &plan.stops {
            let days = plan_of.0.entry(stop.task.clone()).or_default();
            let people = days.entry(stop.day).or_default();
            *people.entry(stop.person).or_default() += count(stop.wheels.len());
        }
        plan_of
    }
}

/// Makes a plan.
#[must_use]
pub fn make(problem: &Problem, yesterday: &Yesterday) -> Plan {
    make_with(problem, yesterday).0
}

/// Makes a plan, with the network behind it.
#[must_use]
pub fn make_with(problem: &Problem, yesterday: &Yesterday) -> (Plan, Export) {
    let units = units(problem, yesterday);
    let mut model = Model::of_crew(&problem.crew, &problem.days);
    for unit in &units {
        *model.classes.entry(unit.class.clone()).or_default() += unit.wheels;
    }
    let (net, flow) = fit_into_rooms(&mut model, problem);
    let export = Export::of(&net, &flow);
    let bound = bound(&flow);
    let capacity: Vec<Vec<i64>> = problem
        .crew
        .people
        .iter()
        .map(|person| problem.days.iter().map(|d| person.seconds_on(*d)).collect())
        .collect();
    let mut dealt = deal(&model, &net, &flow, &units, &capacity);
    let mut objective = judge(&model, &units, &dealt, &capacity);
    if units.iter().any(|unit| unit.class.yesterday.is_some()) {
        // Yesterday's plan with the new work fitted in may be as good: then it stands.
        let other = keep(&model, &flow, &units, &capacity);
        let other_objective = judge(&model, &units, &other, &capacity);
        // Dealing whole wheels shifts the load by up to a wheel a day and pool: being
        // that much more even is not worth a change.
        let wheel = model.needs.values().map(|n| n.seconds).max().unwrap_or(0);
        let noise = count(model.pools.len() * model.days) * wheel;
        let rank = |o: &Objective, noise| (o.broken, o.late, o.uneven - noise, o.changed);
        if rank(&other_objective, noise) <= rank(&objective, 0) {
            (dealt, objective) = (other, other_objective);
        }
    }
    let parts = explain::Parts {
        problem,
        model: &model,
        units: &units,
        deal: &dealt,
        flow: &flow,
        net: &net,
    };
    let stops = stops(problem, &model, &units, &dealt);
    let plan = Plan {
        from: problem.days.first().copied().unwrap_or(epoch()),
        until: problem.days.last().copied().unwrap_or(epoch()),
        postponed: parts.postponed(),
        unmet: parts.unmet(),
        fixes: parts.fixes(),
        waiting: problem.waiting.clone(),
        load: load(problem, &model, &dealt, &capacity),
        lifting: lift::judge(problem, &model, &stops),
        stops,
        objective,
        bound,
    };
    (plan, export)
}

const fn epoch() -> DairyDay {
    DairyDay::starting(chrono::NaiveDate::MIN)
}

fn count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// Tasks as units: one for each day that yesterday's plan had some of its wheels on.
fn units(problem: &Problem, yesterday: &Yesterday) -> Vec<Unit> {
    let Some(first) = problem.days.first().copied() else {
        return Vec::new();
    };
    let days = count(problem.days.len());
    let place = |badge: &PersonId| problem.crew.people.iter().position(|p| p.badge == *badge);
    let mut walk: Vec<usize> = (0..problem.tasks.len()).collect();
    walk.sort_by_key(|t| {
        let task = &problem.tasks[*t];
        let room = task
            .room
            .map(|room| problem.walk.iter().position(|r| *r == room));
        (room, task.position, task.carrier, task.kind, task.batch, *t)
    });
    let mut units = Vec::new();
    for (order, t) in walk.into_iter().enumerate() {
        let task = &problem.tasks[t];
        let index = |day: DairyDay| day.days_since(first);
        let within = |day: i64| usize::try_from(day.clamp(0, days - 1)).unwrap_or_default();
        if index(task.earliest) >= days {
            continue;
        }
        let limited = |room: &RoomId| problem.rooms.iter().any(|space| space.room == *room);
        let class = Class {
            kind: task.kind,
            to: task.to.filter(limited),
            earliest: within(index(task.earliest)),
            due: index(task.due),
            latest: within(index(task.latest)),
            later: index(task.latest) >= days,
            severity: task.severity,
            yesterday: None,
        };
        let mut left = count(task.wheels.len());
        let was = yesterday.0.get(&task.id).into_iter().flatten();
        for (day, people) in was {
            let on = index(*day);
            let wheels = left.min(people.values().sum());
            if (0..days).contains(&on) && wheels > 0 {
                left -= wheels;
                units.push(Unit {
                    task: t,
                    class: Class {
                        yesterday: Some(within(on)),
                        ..class.clone()
                    },
                    wheels,
                    order,
                    kept: people
                        .iter()
                        .filter_map(|(badge, n)| Some((place(badge)?, *n)))
                        .collect(),
                });
            }
        }
        if left > 0 {
            units.push(Unit {
                task: t,
                class,
                wheels: left,
                order,
                kept: Vec::new(),
            });
        }
    }
    units
}

/// Solves, and closes rooms on days on which they would overflow, until none does. A
/// wheel counts as gone from a room on the due day of its leaving.
fn fit_into_rooms(model: &mut Model, problem: &Problem) -> (Net, Flow) {
    let (mut net, mut flow) = model.solve();
    let rounds = problem.rooms.len() * model.days;
    for _ in 0..rounds {
        let mut closed = false;
        for space in &problem.rooms {
            let moving_in = moving_in(model, &net, &flow, space.room);
            let mut there = space.taken;
            for (day, coming) in moving_in.into_iter().enumerate() {
                there += coming - leaving(problem, space.room, day);
                let gate = (space.room, day);
                let known = model.gates.get(&gate).copied();
                if there > space.fits && coming > 0 && known != Some(0) {
                    let most = (coming - (there - space.fits)).max(0);
                    model
                        .gates
                        .insert(gate, known.map_or(most, |k| k.min(most)));
                    closed = true;
                    break;
                }
            }
        }
        if !closed {
            break;
        }
        (net, flow) = model.solve();
    }
    (net, flow)
}

fn moving_in(model: &Model, net: &Net, flow: &Flow, room: RoomId) -> Vec<i64> {
    let mut wheels = vec![0; model.days];
    for (c, class) in model.classes.keys().enumerate() {
        let seconds = model.needs.get(&class.kind).map_or(1, |n| n.seconds);
        if class.to == Some(room) {
            for (day, arc) in &net.on_day[c] {
                // A wheel cut up by the flow needs its place on both days.
                wheels[*day] += (flow.through[*arc] + seconds - 1) / seconds;
            }
        }
    }
    wheels
}

fn leaving(problem: &Problem, room: RoomId, day: usize) -> i64 {
    let Some(on) = problem.days.get(day) else {
        return 0;
    };
    let leaves = |task: &&Task| {
        matches!(task.kind, Kind::MoveOn | Kind::Dispatch)
            && task.room == Some(room)
            && (task.due == *on || (day == 0 && task.due < *on))
    };
    let wheels = problem.tasks.iter().filter(leaves).map(|t| t.wheels.len());
    count(wheels.sum())
}

fn bound(flow: &Flow) -> Objective {
    let millionths = |total: i128| {
        // Spreading a wheel over its seconds rounds; so does cutting it up.
        let scale = i128::from(SCALE);
        i64::try_from((total + scale / 2) / scale).unwrap_or(i64::MAX)
    };
    let [broken, late, uneven, changed] = flow.cost;
    Objective {
        broken: millionths(broken),
        late: millionths(late),
        uneven: i64::try_from(uneven).unwrap_or(i64::MAX),
        changed: millionths(changed),
    }
}

fn judge(model: &Model, units: &[Unit], deal: &Deal, capacity: &[Vec<i64>]) -> Objective {
    let mut sum = [0_i64; 4];
    let mut add = |unit: &Unit, day: Option<usize>, wheels: i64| {
        for (sum, cost) in sum.iter_mut().zip(model.cost(&unit.class, day)) {
            *sum += cost / SCALE * wheels;
        }
    };
    for dealt in &deal.dealt {
        add(&units[dealt.unit], Some(dealt.day), dealt.wheels);
    }
    for (unit, (later, unmet)) in units.iter().zip(deal.later.iter().zip(&deal.unmet)) {
        add(unit, Some(model.days), *later);
        add(unit, None, *unmet);
    }
    let mut uneven = 0;
    for (p, pool) in model.pools.iter().enumerate() {
        for (day, left) in deal.left.people.iter().enumerate() {
            let used = |person: &usize| capacity[*person][day] - left[*person];
            uneven += model.unevenness(p, day, pool.people.iter().map(used).sum());
        }
    }
    Objective {
        broken: sum[0],
        late: sum[1],
        uneven,
        changed: sum[3],
    }
}

fn stops(problem: &Problem, model: &Model, units: &[Unit], deal: &Deal) -> Vec<Stop> {
    let mut named: Vec<usize> = vec![0; problem.tasks.len()];
    let mut stops: Vec<Stop> = Vec::with_capacity(deal.dealt.len());
    for dealt in &deal.dealt {
        let t = units[dealt.unit].task;
        let task = &problem.tasks[t];
        let (Some(day), Some(person)) = (
            problem.days.get(dealt.day),
            problem.crew.people.get(dealt.person),
        ) else {
            continue;
        };
        let wheels = usize::try_from(dealt.wheels).unwrap_or_default();
        let names = task.wheels.iter().skip(named[t]).take(wheels);
        let names: Vec<WheelId> = names.copied().collect();
        named[t] += wheels;
        let seconds = model.needs.get(&task.kind).map_or(0, |n| n.seconds);
        let minutes = (dealt.wheels * seconds) as f64 / 60.0;
        if let Some(last) = stops.last_mut()
            && last.task == task.id
            && last.day == *day
            && last.person == person.badge
        {
            last.wheels.extend(names);
            last.minutes += minutes;
            continue;
        }
        stops.push(Stop {
            day: *day,
            person: person.badge,
            task: task.id.clone(),
            kind: task.kind,
            room: task.room,
            to: task.to,
            carrier: task.carrier,
            position: task.position,
            batch: task.batch,
            wheels: names,
            of: task.wheels.len(),
            minutes,
            due: task.due,
            latest: task.latest,
            because: task.because.clone(),
        });
    }
    stops
}

fn load(problem: &Problem, model: &Model, deal: &Deal, capacity: &[Vec<i64>]) -> Vec<DayLoad> {
    let days = problem.days.iter().enumerate();
    days.map(|(d, day)| {
        let of: i64 = capacity.iter().map(|person| person[d]).sum();
        let left: i64 = deal.left.people[d].iter().sum();
        let machines = model.machines.iter().enumerate().map(|(m, (id, seconds))| {
            let used = seconds[d] - deal.left.machines[d][m];
            (*id, used / 60, seconds[d] / 60)
        });
        DayLoad {
            day: *day,
            minutes: (of - left) / 60,
            of: of / 60,
            machines: machines.collect(),
        }
    })
    .collect()
}
