//! The way of some wheels through the rooms: what it was, and what it will be.

use facts::RoomId;
use recipe::Recipe;

use crate::history::Class;
use crate::pace::{Air, Process, Rooms};
use crate::scenario::Scenario;

/// How far ahead, in days.
const AHEAD: f64 = 400.0;

/// How finely the past is looked at, in days.
const STEP: f64 = 1.0;

/// Time in one room, days since 1970.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Leg {
    /// The room; `None` where nobody said.
    pub(crate) room: Option<RoomId>,
    pub(crate) from: f64,
    pub(crate) until: f64,
}

/// How much of a process went on, as a table over time: it never falls, and is straight
/// between its points and after them.
#[derive(Debug, Clone, Default)]
pub(crate) struct Gone {
    times: Vec<f64>,
    sums: Vec<f64>,
    /// A day's worth after the last point.
    after: f64,
}

impl Gone {
    fn push(&mut self, time: f64, more: f64) {
        let sum = self.sums.last().copied().unwrap_or(0.0) + more.max(0.0);
        self.times.push(time);
        self.sums.push(sum);
    }

    /// The sum up to an instant; zero before the first.
    pub(crate) fn at(&self, time: f64) -> f64 {
        let passed = self.times.partition_point(|t| *t <= time);
        let point = |i: usize| Some((*self.times.get(i)?, *self.sums.get(i)?));
        match (passed.checked_sub(1).and_then(point), point(passed)) {
            (None, _) => 0.0,
            (Some((t, sum)), None) => sum + (time - t) * self.after,
            (Some((t0, s0)), Some((t1, s1))) => s0 + (s1 - s0) * (time - t0) / (t1 - t0).max(1e-9),
        }
    }

    /// The first instant at which the sum is reached; a far day when it never is.
    pub(crate) fn when(&self, sum: f64) -> f64 {
        let passed = self.sums.partition_point(|s| *s < sum);
        let point = |i: usize| Some((*self.times.get(i)?, *self.sums.get(i)?));
        let last = self.times.last().copied().unwrap_or(0.0);
        match (passed.checked_sub(1).and_then(point), point(passed)) {
            (None, first) => first.map_or(last, |(t, _)| t),
            (Some((t, s)), None) if self.after > 1e-6 => t + ((sum - s) / self.after).min(AHEAD),
            (Some((t, _)), None) => t + AHEAD,
            (Some((t0, s0)), Some((t1, s1))) => t0 + (t1 - t0) * (sum - s0) / (s1 - s0).max(1e-12),
        }
    }
}

/// The way of one class of a batch, as seen at an instant.
#[derive(Debug, Clone)]
pub(crate) struct Way {
    legs: Vec<Leg>,
    /// When growth on the rind begins: out of the hoop.
    pub(crate) unhooped: f64,
    pub(crate) rind: Gone,
    pub(crate) blue: Gone,
    /// Share of the time since unhooping whose air was guessed at, 0 to 1.
    pub(crate) guessed: f64,
}

/// What a way ahead is reckoned with.
#[derive(Clone, Copy)]
pub(crate) struct Ahead<'a> {
    pub(crate) recipe: &'a Recipe,
    pub(crate) rooms: &'a Rooms,
    pub(crate) scenario: &'a Scenario,
    /// The present, days since 1970.
    pub(crate) now: f64,
    /// Effective days on the rind after which a share of it is covered, as far as known.
    pub(crate) rind_takes: &'a dyn Fn(f64) -> f64,
}

impl Way {
    /// The way of a class, born at `born`, up to `now`.
    pub(crate) fn so_far(
        class: &Class,
        born: f64,
        recipe: &Recipe,
        rooms: &Rooms,
        now: f64,
    ) -> Self {
        let known = |at: Option<f64>| at.filter(|at| *at <= now);
        let due = born + recipe.drain.unhoop.due as f64;
        let unhooped = known(class.unhooped).unwrap_or_else(|| due.max(now));
        let begins = known(class.pierced).map_or(unhooped, |pierced| pierced.min(unhooped));
        let past = past(class, begins, now);
        let first_room = recipe.stages.first().map(|stage| stage.room);
        let mut way = Self {
            legs: Vec::new(),
            unhooped,
            rind: Gone::default(),
            blue: Gone::default(),
            guessed: 0.0,
        };
        let first = begins.min(now);
        way.rind.push(first, 0.0);
        way.blue.push(first, 0.0);
        let mut guessed_days = 0.0;
        for leg in &past {
            if let Some(room) = leg.room.or(first_room) {
                guessed_days += way.walk(leg, room, rooms);
            }
        }
        if now > begins {
            way.guessed = guessed_days / (now - begins);
        }
        way.legs = past;
        way
    }

    /// Walks a leg of the past; gives the days of it that were guessed at.
    fn walk(&mut self, leg: &Leg, room: RoomId, rooms: &Rooms) -> f64 {
        let mut guessed_days = 0.0;
        let mut from = leg.from;
        while from < leg.until {
            let until = (from + STEP).min(leg.until);
            let (rind, guessed) = rooms.gone_on(room, Process::Rind, from, until);
            let (blue, _) = rooms.gone_on(room, Process::Blue, from, until);
            // In the hoop nothing grows on the rind.
            let out = (until - from.max(self.unhooped)).max(0.0) / (until - from);
            self.rind.push(until, rind * out);
            self.blue.push(until, blue);
            guessed_days += guessed * (until - from);
            from = until;
        }
        guessed_days
    }

    /// Plans the way ahead: from each room when its cover is reached and a look finds it, by
    /// the recipe's stays; where no cover is asked for, at the longest stay.
    pub(crate) fn go_on(&mut self, ahead: Ahead<'_>) {
        let stages = &ahead.recipe.stages;
        let end = ahead.now + AHEAD;
        let last = self.legs.last().copied();
        let here = last.and_then(|leg| leg.room);
        let stage = here.and_then(|room| stages.iter().position(|s| s.room == room));
        let (mut index, mut arrived) = match (stage, last) {
            (Some(index), Some(leg)) => (index, leg.from),
            // Still draining, or in a room that the recipe does not name: the chain begins.
            _ => (0, self.unhooped.max(ahead.now)),
        };
        let mut at = ahead.now;
        if stage.is_none() && arrived > at {
            let leg = Leg {
                room: here,
                from: at,
                until: arrived,
            };
            self.plan(leg, &ahead);
            at = arrived;
        }
        while let Some(stage) = stages.get(index) {
            let is_last = index + 1 == stages.len();
            let leaves = if is_last {
                end
            } else {
                let (least, most) = stay(stage, arrived);
                let found = stage.leave_at_cover_pct.map_or(most, |cover| {
                    let takes = (ahead.rind_takes)(cover.get());
                    self.covered_at(takes, stage.room, at, &ahead) + look_delay(ahead.recipe)
                });
                found.clamp(least, most).max(at)
            };
            let leg = Leg {
                room: Some(stage.room),
                from: at,
                until: leaves,
            };
            self.plan(leg, &ahead);
            (at, arrived, index) = (leaves, leaves, index + 1);
        }
    }

    /// When the rind would be covered if the wheels stayed in a room from `from` on.
    fn covered_at(&self, takes: f64, room: RoomId, from: f64, ahead: &Ahead<'_>) -> f64 {
        let so_far = self.rind.at(from) - self.rind.at(self.unhooped);
        if so_far >= takes {
            return from;
        }
        let speed = ahead.rooms.usual(room, ahead.now).speed(Process::Rind);
        from.max(self.unhooped) + ((takes - so_far) / speed.max(1e-6)).min(AHEAD)
    }

    /// Adds a leg of the future.
    fn plan(&mut self, leg: Leg, ahead: &Ahead<'_>) {
        let room = leg
            .room
            .or(ahead.recipe.stages.first().map(|stage| stage.room));
        let Some(room) = room else { return };
        let usual = ahead.rooms.usual(room, ahead.now);
        let mut edges = ahead.scenario.edges(room, leg.from, leg.until);
        if self.unhooped > leg.from && self.unhooped < leg.until {
            edges.push(self.unhooped);
            edges.sort_by(f64::total_cmp);
        }
        edges.push(leg.until);
        let mut from = leg.from;
        for until in edges {
            let middle = (from + until) / 2.0;
            let air = Air {
                temperature_c: usual.temperature_c + ahead.scenario.warmer_c(room, middle),
                ..usual
            };
            let out = if middle >= self.unhooped { 1.0 } else { 0.0 };
            let (rind, blue) = (air.speed(Process::Rind), air.speed(Process::Blue));
            self.rind.push(until, rind * out * (until - from));
            self.blue.push(until, blue * (until - from));
            (self.rind.after, self.blue.after) = (rind, blue);
            from = until;
        }
        self.legs.push(leg);
    }

    /// Rooms and times, oldest first; the last one has no end that matters.
    pub(crate) fn legs(&self) -> &[Leg] {
        &self.legs
    }

    /// Effective days on the rind from unhooping until an instant.
    pub(crate) fn rind_days(&self, until: f64) -> f64 {
        self.rind.at(until) - self.rind.at(self.unhooped)
    }

    /// Effective days of blue between two instants.
    pub(crate) fn blue_days(&self, from: f64, until: f64) -> f64 {
        self.blue.at(until) - self.blue.at(from)
    }
}

/// Shortest and longest stay, as instants.
pub(crate) fn stay(stage: &recipe::Stage, arrived: f64) -> (f64, f64) {
    let least = arrived + stage.stay_days.least as f64;
    (least, (arrived + stage.stay_days.most as f64).max(least))
}

/// Cover is found by looking, on average half the time between two looks after it is there.
pub(crate) fn look_delay(recipe: &Recipe) -> f64 {
    recipe.rind.check_every_days as f64 / 2.0
}

/// The rooms from `begins` up to `now`, gaps included.
fn past(class: &Class, begins: f64, now: f64) -> Vec<Leg> {
    let days = crate::moment::days;
    let mut legs: Vec<Leg> = Vec::new();
    let mut at = begins.min(now);
    for stay in class.path.iter() {
        let (from, until) = (days(stay.from), stay.until.map_or(now, days).min(now));
        if from > now {
            break;
        }
        let from = from.max(at);
        if until <= from && stay.until.is_some() {
            continue;
        }
        if from > at {
            legs.push(Leg {
                room: None,
                from: at,
                until: from,
            });
        }
        legs.push(Leg {
            room: Some(stay.room),
            // Where it stands now, it has been since it came.
            from,
            until: until.max(from),
        });
        at = until.max(from);
    }
    if at < now {
        legs.push(Leg {
            room: None,
            from: at,
            until: now,
        });
    }
    legs
}
