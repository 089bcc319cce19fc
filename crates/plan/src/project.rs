//! What the floor will need: each wheel's work over the coming days, from its state, its
//! recipe and the rules, gathered by what stands together.
//!
//! The next action of each kind comes from the rules. What follows it is projected as if
//! each were done on its due day: the turns of every coming day at the rhythm of the room
//! the wheel is then in, rind checks until piercing, the way through the rooms. Work for
//! the office (finding a lost wheel, looking into a contradiction) is not planned.

use std::collections::{BTreeMap, HashMap};

use facts::{BatchId, Carrier, PositionId, RoomId, WheelId};
use quantity::{DairyDay, calendar};
use recipe::Recipe;
use ripening::rule::{self, Case};
use ripening::{Action, Blocked, Floor, NextAction, Severity, Wheel, answer};

use crate::{Kind, Task, Waiting};

/// The coming work.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Projected {
    /// Work with windows, in the order of their due days.
    pub tasks: Vec<Task>,
    /// Work that waits for something else.
    pub waiting: Vec<Waiting>,
}

/// Wheels that stand together and need the same: projected once for all of them.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct Alike {
    room: Option<RoomId>,
    carrier: Option<Carrier>,
    batch: Option<BatchId>,
    made: DairyDay,
    pierced: bool,
    needs: Vec<Need>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct Need {
    action: Action,
    earliest: DairyDay,
    due: DairyDay,
    latest: DairyDay,
    severity: Severity,
    little_rind: bool,
    blocked: bool,
}

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    due: DairyDay,
    kind: Kind,
    room: Option<RoomId>,
    carrier: Option<Carrier>,
    batch: Option<BatchId>,
    to: Option<RoomId>,
    earliest: DairyDay,
    latest: DairyDay,
    severity: Severity,
}

struct Gathered {
    wheels: Vec<WheelId>,
    batch: Option<BatchId>,
    grams: f64,
    position: Option<PositionId>,
    because: String,
}

/// Projects the coming `days` dairy days from `first` on. `loss_pct_per_week` is what a
/// maturing wheel loses of its weight since it was last weighed.
#[must_use]
pub fn project(floor: &Floor, first: DairyDay, days: usize, loss_pct_per_week: f64) -> Projected {
    let mut alike: HashMap<Alike, Vec<WheelId>> = HashMap::new();
    for (id, wheel) in floor.wheels() {
        if wheel.state().on_floor()
            && let Some(case) = floor.case(*id)
        {
            alike.entry(group(wheel, &case)).or_default().push(*id);
        }
    }
    let mut groups: Vec<_> = alike.into_iter().collect();
    groups.sort_unstable_by(|a, b| a.0.cmp(&b.0));
    let mut all = Gathering {
        floor,
        first,
        last: first.plus(i64::try_from(days).unwrap_or(1) - 1),
        loss_pct_per_week,
        tasks: BTreeMap::new(),
        waiting: Vec::new(),
    };
    for (group, mut wheels) in groups {
        wheels.sort_unstable();
        all.group(&group, &wheels);
    }
    all.finish()
}

fn group(wheel: &Wheel, case: &Case<'_>) -> Alike {
    let clock = case.clock;
    let state = wheel.state();
    let need = |asked: &NextAction| {
        let due = clock.day_of(asked.window.due);
        let end = calendar::earlier(asked.window.latest, chrono::TimeDelta::microseconds(1));
        Need {
            action: asked.action,
            earliest: clock.day_of(asked.window.earliest),
            due,
            latest: clock.day_of(end).max(due),
            severity: asked.severity,
            little_rind: asked.because.blocked == Some(Blocked::TooLittleRind),
            blocked: asked.because.blocked.is_some(),
        }
    };
    Alike {
        room: state.room.map(|room| room.value),
        carrier: answer::carrier(state),
        batch: state.batch,
        made: case.made,
        pierced: state.pierced.is_some(),
        needs: wheel.actions().iter().map(need).collect(),
    }
}

struct Gathering<'f> {
    floor: &'f Floor,
    first: DairyDay,
    last: DairyDay,
    loss_pct_per_week: f64,
    tasks: BTreeMap<Key, Gathered>,
    waiting: Vec<Waiting>,
}

/// A window of days and what it costs to break it.
#[derive(Clone, Copy)]
struct Span {
    earliest: DairyDay,
    due: DairyDay,
    latest: DairyDay,
    severity: Severity,
}

impl Span {
    const fn of(need: &Need) -> Self {
        Self {
            earliest: need.earliest,
            due: need.due,
            latest: need.latest,
            severity: need.severity,
        }
    }
}

impl Gathering<'_> {
    fn group(&mut self, group: &Alike, wheels: &[WheelId]) {
        let Some(id) = wheels.first() else {
            return;
        };
        let floor = self.floor;
        let Some(case) = floor.case(*id) else {
            return;
        };
        let recipe = case.recipe;
        let find = |action: fn(&Action) -> bool| group.needs.iter().find(|n| action(&n.action));
        let why = |action: Action| reason(floor, *id, action);
        let place = (group.room, None);

        // Where it is when: the room chain as if every move were made on its due day.
        let mut stays: Vec<(DairyDay, usize)> = Vec::new();
        if let Some((stage, _)) = group.room.and_then(|room| recipe.stage_of(room)) {
            stays.push((DairyDay::starting(chrono::NaiveDate::MIN), stage));
        }
        if let Some(unhoop) = find(|a| matches!(a, Action::Unhoop)) {
            let to = recipe.stages.first().map(|stage| stage.room);
            let because = why(unhoop.action);
            self.add(
                group,
                wheels,
                Kind::Unhoop,
                (group.room, to),
                Span::of(unhoop),
                because,
            );
            stays.push((unhoop.due.max(self.first), 0));
            self.later_rind_checks(group, wheels, recipe, unhoop.due.max(self.first));
        }
        if let Some(rub) = find(|a| matches!(a, Action::RubUp)) {
            self.add(
                group,
                wheels,
                Kind::RubUp,
                place,
                Span::of(rub),
                why(rub.action),
            );
            if let Some(stage) = recipe.stages.first()
                && stays.is_empty()
            {
                let because = format!("to {} once it is rubbed up", stage.room);
                let to = (group.room, Some(stage.room));
                self.add(group, wheels, Kind::Place, to, Span::of(rub), because);
                stays.push((rub.due.max(self.first), 0));
            }
        }
        for need in &group.needs {
            if let Action::Place(room) = need.action {
                let to = (group.room, Some(room));
                self.add(
                    group,
                    wheels,
                    Kind::Place,
                    to,
                    Span::of(need),
                    why(need.action),
                );
                stays.push((need.due.max(self.first), 0));
            }
        }
        self.moves(group, wheels, recipe, &mut stays);
        if let Some(check) = find(|a| matches!(a, Action::RindCheck)) {
            self.add(
                group,
                wheels,
                Kind::RindCheck,
                place,
                Span::of(check),
                why(check.action),
            );
            self.later_rind_checks(group, wheels, recipe, check.due.max(self.first));
        }
        self.piercing(group, wheels, &why);
        self.cores(group, wheels, recipe, &why);
        if let Some(grade) = find(|a| matches!(a, Action::Grade)) {
            self.add(
                group,
                wheels,
                Kind::Grade,
                place,
                Span::of(grade),
                why(grade.action),
            );
        }
        if let Some(leave) = find(|a| matches!(a, Action::Dispatch)) {
            if leave.blocked {
                self.wait(group, wheels, Kind::Dispatch, why(leave.action));
            } else {
                self.add(
                    group,
                    wheels,
                    Kind::Dispatch,
                    place,
                    Span::of(leave),
                    why(leave.action),
                );
            }
        }
        if let Some(turn) = find(|a| matches!(a, Action::Turn)) {
            self.turns(group, wheels, recipe, turn, &stays, why(turn.action));
        }
    }

    fn moves(
        &mut self,
        group: &Alike,
        wheels: &[WheelId],
        recipe: &Recipe,
        stays: &mut Vec<(DairyDay, usize)>,
    ) {
        for need in &group.needs {
            if let Action::MoveOn(room) = need.action {
                let because = wheels
                    .first()
                    .map_or(String::new(), |id| reason(self.floor, *id, need.action));
                let to = (group.room, Some(room));
                self.add(group, wheels, Kind::MoveOn, to, Span::of(need), because);
                if let Some((stage, _)) = recipe.stage_of(room) {
                    stays.push((need.due.max(self.first), stage));
                }
            }
        }
        let starts_here = stays.len() > 1
            || stays
                .first()
                .is_some_and(|(since, _)| since.date() != chrono::NaiveDate::MIN);
        while let Some((entered, stage)) = stays.last().copied().filter(|_| starts_here) {
            let (Some(here), Some(next)) = (recipe.stages.get(stage), recipe.stages.get(stage + 1))
            else {
                return;
            };
            let least = entered.plus(here.stay_days.least);
            let most = entered.plus(here.stay_days.most);
            if most > self.last {
                return;
            }
            let span = Span {
                earliest: if here.leave_at_cover_pct.is_some() {
                    most
                } else {
                    least
                },
                due: most,
                latest: most,
                severity: Severity::Warning,
            };
            let because = format!(
                "expected in {} from {entered}; stays at most {} days",
                here.room, here.stay_days.most
            );
            let way = (Some(here.room), Some(next.room));
            self.add(group, wheels, Kind::MoveOn, way, span, because);
            stays.push((most, stage + 1));
        }
    }

    fn later_rind_checks(
        &mut self,
        group: &Alike,
        wheels: &[WheelId],
        recipe: &Recipe,
        after: DairyDay,
    ) {
        if group.pierced {
            return;
        }
        let pierced = group.made.plus(recipe.pierce.age.due);
        let every = recipe.rind.check_every_days;
        let first = after.plus(every);
        for day in first.every(every, self.last.min(pierced.plus(-1))) {
            let span = Span {
                earliest: day,
                due: day,
                latest: day.plus(1),
                severity: Severity::Notice,
            };
            let because = format!("looked at every {every} days until pierced");
            self.add(
                group,
                wheels,
                Kind::RindCheck,
                (group.room, None),
                span,
                because,
            );
        }
    }

    fn piercing(&mut self, group: &Alike, wheels: &[WheelId], why: &dyn Fn(Action) -> String) {
        let pierce = group.needs.iter().find(|n| n.action == Action::Pierce);
        let Some(pierce) = pierce else {
            return;
        };
        let mut span = Span::of(pierce);
        if pierce.little_rind {
            let check = group.needs.iter().find(|n| n.action == Action::RindCheck);
            let looked = check.map_or(self.first, |check| check.due.max(self.first));
            if span.earliest <= self.first {
                self.wait(group, wheels, Kind::Pierce, why(pierce.action));
            }
            // Pierced at the soonest on the day of the next look.
            span.earliest = span.earliest.max(looked);
        }
        self.add(
            group,
            wheels,
            Kind::Pierce,
            (group.room, None),
            span,
            why(pierce.action),
        );
    }

    fn cores(
        &mut self,
        group: &Alike,
        wheels: &[WheelId],
        recipe: &Recipe,
        why: &dyn Fn(Action) -> String,
    ) {
        let Some(core) = group.needs.iter().find(|n| n.action == Action::Iron) else {
            return;
        };
        let place = (group.room, None);
        self.add(
            group,
            wheels,
            Kind::Iron,
            place,
            Span::of(core),
            why(core.action),
        );
        let every = recipe.iron.every_days;
        let first = core.due.max(self.first).plus(every);
        for day in first.every(every, self.last) {
            let span = Span {
                earliest: day,
                due: day,
                latest: day.plus(every - 1),
                severity: core.severity,
            };
            let because = format!("again every {every} days until blue has run through");
            self.add(group, wheels, Kind::Iron, place, span, because);
        }
    }

    fn turns(
        &mut self,
        group: &Alike,
        wheels: &[WheelId],
        recipe: &Recipe,
        turn: &Need,
        stays: &[(DairyDay, usize)],
        because: String,
    ) {
        let mut because = Some(because);
        let mut day = turn.due.max(self.first);
        while day <= self.last {
            // A wheel that moves on this day is turned where it stands in the morning.
            let stage = stays
                .iter()
                .filter(|(since, _)| *since < day)
                .max_by_key(|(since, _)| *since)
                .and_then(|(_, stage)| recipe.stages.get(*stage));
            let every = stage.map_or(recipe.drain.turn_every_days, |s| s.turn_every_days);
            let room = stage.map_or(group.room, |s| Some(s.room));
            let span = Span {
                earliest: day,
                due: day,
                latest: day,
                severity: turn.severity,
            };
            let words = because.take().unwrap_or_else(|| match every {
                1 => "turned every dairy day".to_owned(),
                n => format!("turned every {n} dairy days"),
            });
            self.add(group, wheels, Kind::Turn, (room, None), span, words);
            let next = day.plus(every.max(1));
            if next == day {
                break; // the calendar ends
            }
            day = next;
        }
    }

    fn add(
        &mut self,
        group: &Alike,
        wheels: &[WheelId],
        kind: Kind,
        (room, to): (Option<RoomId>, Option<RoomId>),
        span: Span,
        because: String,
    ) {
        if span.due > self.last {
            return;
        }
        let earliest = span.earliest.max(self.first);
        // What has missed its window is still done, as soon as may be.
        let latest = if span.latest < self.first {
            self.last
        } else {
            span.latest.max(earliest)
        };
        // One stop for everything on a stillage, where the batch does not matter.
        let batch = group
            .batch
            .filter(|_| !matches!(kind, Kind::Turn | Kind::RindCheck));
        let key = Key {
            due: span.due,
            kind,
            room,
            carrier: group.carrier,
            batch,
            to,
            earliest,
            latest,
            severity: span.severity,
        };
        let gathered = self.tasks.entry(key).or_insert_with(|| Gathered {
            wheels: Vec::new(),
            batch: group.batch,
            grams: 0.0,
            position: None,
            because,
        });
        gathered.batch = gathered.batch.filter(|_| gathered.batch == group.batch);
        for id in wheels {
            let Some(state) = self.floor.wheel(*id).map(Wheel::state) else {
                continue;
            };
            gathered.wheels.push(*id);
            gathered.position = gathered.position.or(state.position);
            if let Some(weight) = state.weight {
                let clock = &self.floor.practice().clock;
                let days = span.due.days_since(clock.day_of(weight.moment.at)).max(0);
                let left = 1.0 - self.loss_pct_per_week / 100.0 * days as f64 / 7.0;
                gathered.grams += f64::from(weight.value.get()) * left.max(0.0);
            }
        }
    }

    fn wait(&mut self, group: &Alike, wheels: &[WheelId], kind: Kind, because: String) {
        self.waiting.push(Waiting {
            kind,
            room: group.room,
            carrier: group.carrier,
            batch: group.batch,
            wheels: wheels.len(),
            because,
        });
    }

    fn finish(self) -> Projected {
        let mut used: HashMap<String, u32> = HashMap::new();
        let tasks = self.tasks.into_iter().map(|(key, gathered)| {
            let mut id = format!("{}/{}", key.kind.key(), key.due.date());
            for part in [
                key.carrier.map(|c| c.to_string()),
                key.batch.map(|b| b.to_string()),
            ] {
                id.push('/');
                id.push_str(&part.unwrap_or_else(|| "-".to_owned()));
            }
            let again = used.entry(id.clone()).or_default();
            *again += 1;
            if *again > 1 {
                id.push_str(&format!("/{again}"));
            }
            let mut wheels = gathered.wheels;
            wheels.sort_unstable();
            Task {
                id,
                kind: key.kind,
                room: key.room,
                to: key.to,
                carrier: key.carrier,
                position: gathered.position,
                batch: gathered.batch,
                earliest: key.earliest,
                due: key.due,
                latest: key.latest,
                severity: key.severity,
                wheel_kg: gathered.grams / 1000.0 / wheels.len().max(1) as f64,
                because: gathered.because,
                wheels,
            }
        });
        Projected {
            tasks: tasks.collect(),
            waiting: self.waiting,
        }
    }
}

fn reason(floor: &Floor, id: WheelId, action: Action) -> String {
    let asked = floor
        .wheel(id)
        .and_then(|wheel| wheel.actions().iter().find(|a| a.action == action));
    match (floor.case(id), asked) {
        (Some(case), Some(asked)) => rule::explain(&case, &asked.because),
        _ => String::new(),
    }
}
