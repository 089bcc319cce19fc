//! Dealing whole wheels to people, in walking order, never over anyone's day.

use std::collections::BTreeMap;

use crate::model::Flow;
use crate::model::{Class, Gates, Model, Net};

/// Most wheels for which room is made by moving other work.
const TRIES: usize = 200;

/// Some wheels of a task that belong to one class.
#[derive(Debug, Clone)]
pub struct Unit {
    /// The task's place in the problem.
    pub task: usize,
    /// Its class.
    pub class: Class,
    /// How many wheels.
    pub wheels: i64,
    /// Where it comes on a walk through the rooms.
    pub order: usize,
    /// Who was to do how many of them by yesterday's plan.
    pub kept: Vec<(usize, i64)>,
}

/// Some wheels of a unit, given to a person on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dealt {
    /// The unit.
    pub unit: usize,
    /// The day.
    pub day: usize,
    /// The person's place in the crew.
    pub person: usize,
    /// How many wheels.
    pub wheels: i64,
}

/// What each day has left.
#[derive(Debug, Clone)]
pub struct Left {
    /// Of each day, each person's time, s.
    pub people: Vec<Vec<i64>>,
    /// Of each day, each machine's time, s.
    pub machines: Vec<Vec<i64>>,
    /// Places for wheels.
    pub gates: Gates,
}

/// Everything dealt.
#[derive(Debug, Clone)]
pub struct Deal {
    /// What is done.
    pub dealt: Vec<Dealt>,
    /// Of each unit, wheels whose window goes on after the plan and that wait for it.
    pub later: Vec<i64>,
    /// Of each unit, wheels whose window breaks.
    pub unmet: Vec<i64>,
    /// What is left.
    pub left: Left,
}

/// Deals what the flow says. `capacity` is each person's time on each day.
pub fn deal(model: &Model, net: &Net, flow: &Flow, units: &[Unit], capacity: &[Vec<i64>]) -> Deal {
    let mut table = Table::new(model, units, capacity);
    let (by_day, mut over) = table.whole_wheels(net, flow);
    for (day, items) in by_day.into_iter().enumerate() {
        let shares = table.pool_shares(net, flow, day);
        over.extend(table.day(day, items, &shares));
    }
    table.finish(over, flow)
}

/// Deals what yesterday's plan says, and fits in what is new.
pub fn keep(model: &Model, flow: &Flow, units: &[Unit], capacity: &[Vec<i64>]) -> Deal {
    let mut table = Table::new(model, units, capacity);
    let mut over = Vec::new();
    for (place, unit) in units.iter().enumerate() {
        let mut left = unit.wheels;
        if let Some(day) = unit.class.yesterday {
            let window = unit.class.earliest..=unit.class.latest;
            for (person, wheels) in unit.kept.iter().filter(|_| window.contains(&day)) {
                left -= table.give(place, day, *person, left.min(*wheels));
            }
        }
        if left > 0 {
            over.push((place, left));
        }
    }
    table.finish(over, flow)
}

type Item = (usize, i64);

struct Table<'a> {
    model: &'a Model,
    units: &'a [Unit],
    deal: Deal,
}

impl<'a> Table<'a> {
    fn new(model: &'a Model, units: &'a [Unit], capacity: &[Vec<i64>]) -> Self {
        let people = (0..model.days).map(|day| capacity.iter().map(|p| p[day]).collect());
        let machines =
            (0..model.days).map(|day| model.machines.iter().map(|(_, s)| s[day]).collect());
        Self {
            model,
            units,
            deal: Deal {
                dealt: Vec::new(),
                later: vec![0; units.len()],
                unmet: vec![0; units.len()],
                left: Left {
                    people: people.collect(),
                    machines: machines.collect(),
                    gates: model.gates.clone(),
                },
            },
        }
    }

    /// Finds room for what is left over, and puts everything in order.
    fn finish(mut self, mut over: Vec<Item>, flow: &Flow) -> Deal {
        over.sort_unstable();
        for (unit, wheels) in over {
            self.squeeze_in(unit, wheels);
        }
        self.make_room(flow);
        let (mut deal, units) = (self.deal, self.units);
        deal.dealt.retain(|dealt| dealt.wheels > 0);
        deal.dealt.sort_by_key(|d| {
            let order = units.get(d.unit).map_or(0, |u| u.order);
            (d.day, d.person, order, d.unit)
        });
        deal.dealt.dedup_by(|next, kept| {
            let same = (next.unit, next.day, next.person) == (kept.unit, kept.day, kept.person);
            if same {
                kept.wheels += next.wheels;
            }
            same
        });
        deal
    }

    fn seconds(&self, unit: usize) -> i64 {
        let kind = self.units[unit].class.kind;
        self.model.needs.get(&kind).map_or(1, |n| n.seconds)
    }

    /// Whole wheels of each unit on each day, and what the flow cut up or left out.
    fn whole_wheels(&mut self, net: &Net, flow: &Flow) -> (Vec<Vec<Item>>, Vec<Item>) {
        let mut by_day = vec![Vec::new(); self.model.days];
        let mut over = Vec::new();
        let mut members: BTreeMap<&Class, Vec<usize>> = BTreeMap::new();
        for (place, unit) in self.units.iter().enumerate() {
            members.entry(&unit.class).or_default().push(place);
        }
        for (c, class) in self.model.classes.keys().enumerate() {
            let mut units = members.remove(class).unwrap_or_default();
            units.sort_by_key(|u| (self.units[*u].order, *u));
            let seconds = self.model.needs.get(&class.kind).map_or(1, |n| n.seconds);
            let mut queue = units.into_iter().map(|u| (u, self.units[u].wheels));
            let mut current: Option<Item> = queue.next();
            let mut take = |mut wanted: i64| {
                let mut taken: Vec<Item> = Vec::new();
                while wanted > 0 {
                    let Some((unit, left)) = current else {
                        break;
                    };
                    let now = left.min(wanted);
                    if now > 0 {
                        taken.push((unit, now));
                    }
                    wanted -= now;
                    current = if left > now {
                        Some((unit, left - now))
                    } else {
                        queue.next()
                    };
                }
                taken
            };
            for (day, arc) in &net.on_day[c] {
                by_day[*day].extend(take(flow.through[*arc] / seconds));
            }
            if let Some(arc) = net.later[c] {
                for (unit, wheels) in take(flow.through[arc] / seconds) {
                    self.deal.later[unit] += wheels;
                }
            }
            over.extend(take(i64::MAX));
        }
        (by_day, over)
    }

    /// How many seconds of each skill the flow asks of each pool on a day.
    fn pool_shares(&self, net: &Net, flow: &Flow, day: usize) -> Vec<Vec<i64>> {
        let mut shares = vec![vec![0; self.model.pools.len()]; self.model.skills.len()];
        for (on, skill, pool, arc) in &net.by_pool {
            if *on == day {
                shares[*skill][*pool] += flow.through[*arc];
            }
        }
        shares
    }

    /// Deals one day's work; returns what did not fit.
    fn day(&mut self, day: usize, mut items: Vec<Item>, shares: &[Vec<i64>]) -> Vec<Item> {
        items.sort_by_key(|(unit, _)| (self.units[*unit].order, *unit));
        let mut over = Vec::new();
        let mut of_pool: Vec<Vec<Item>> = vec![Vec::new(); self.model.pools.len()];
        // What a pool may take over its share without pushing another skill's work out.
        let mut slack: Vec<i64> = self
            .model
            .pools
            .iter()
            .enumerate()
            .map(|(p, pool)| pool.seconds[day] - shares.iter().map(|s| s[p]).sum::<i64>())
            .collect();
        for (skill, shares) in shares.iter().enumerate() {
            let mut pools = shares.iter().copied().enumerate().filter(|(_, s)| *s > 0);
            let mut pool = pools.next();
            for (unit, mut wheels) in items.iter().copied() {
                let kind = self.units[unit].class.kind;
                if self.model.needs.get(&kind).map(|n| n.skill) != Some(skill) {
                    continue;
                }
                let seconds = self.seconds(unit);
                while wheels > 0 {
                    let Some((p, left)) = pool else {
                        over.push((unit, wheels));
                        break;
                    };
                    let time = wheels * seconds;
                    let whole = time <= left || (time <= 2 * left && time - left <= slack[p]);
                    let now = if whole {
                        wheels
                    } else if 2 * left < time {
                        0
                    } else {
                        left / seconds
                    };
                    let rest = left - now * seconds;
                    if now > 0 {
                        of_pool[p].push((unit, now));
                        wheels -= now;
                    }
                    if wheels > 0 || rest <= 0 {
                        slack[p] += rest;
                        pool = pools.next();
                    } else {
                        pool = Some((p, rest));
                    }
                }
            }
            for (p, left) in pool.into_iter().chain(pools) {
                slack[p] += left;
            }
        }
        for (p, mut items) in of_pool.into_iter().enumerate() {
            items.sort_by_key(|(unit, _)| (self.units[*unit].order, *unit));
            over.extend(self.pool(day, p, &items));
        }
        over
    }

    /// Deals a pool's work to its people: each a stretch of the walk, in proportion to
    /// their time, stillages whole where that fits.
    fn pool(&mut self, day: usize, pool: usize, items: &[Item]) -> Vec<Item> {
        let people: Vec<usize> = self.model.pools[pool]
            .people
            .iter()
            .copied()
            .filter(|p| self.deal.left.people[day][*p] > 0)
            .collect();
        let all: i64 = people.iter().map(|p| self.deal.left.people[day][*p]).sum();
        let load: i64 = items.iter().map(|(u, w)| w * self.seconds(*u)).sum();
        let mut over = Vec::new();
        let mut turn = people.iter().copied().peekable();
        let (mut done, mut target) = (0_i64, 0_i64);
        let mut share = |person: usize, left: &Left| {
            target += load * left.people[day][person] / all.max(1);
            target
        };
        let mut aim = turn.peek().map_or(0, |p| share(*p, &self.deal.left));
        for (unit, wheels) in items.iter().copied() {
            let seconds = self.seconds(unit);
            let mut left = wheels;
            while left > 0 {
                let Some(person) = turn.peek().copied() else {
                    over.push((unit, left));
                    break;
                };
                let last = people.last() == Some(&person);
                if !last && done + left * seconds / 2 > aim {
                    turn.next();
                    if let Some(next) = turn.peek().copied() {
                        aim = share(next, &self.deal.left);
                    }
                    continue;
                }
                let given = self.give(unit, day, person, left);
                left -= given;
                done += given * seconds;
                if left > 0 {
                    turn.next();
                    if let Some(next) = turn.peek().copied() {
                        aim = share(next, &self.deal.left);
                    }
                }
            }
        }
        over
    }

    /// Gives a person as many of the wheels as fit into every limit of the day.
    fn give(&mut self, unit: usize, day: usize, person: usize, wheels: i64) -> i64 {
        let class = &self.units[unit].class;
        let Some(needs) = self.model.needs.get(&class.kind).copied() else {
            return 0;
        };
        let left = &mut self.deal.left;
        let mut most = wheels.min(left.people[day][person] / needs.seconds);
        if let Some(machine) = needs.machine {
            most = most.min(left.machines[day][machine] / needs.seconds);
        }
        let gate = class.to.map(|room| (room, day));
        if let Some(places) = gate.and_then(|gate| left.gates.get(&gate)) {
            most = most.min(*places);
        }
        if most <= 0 {
            return 0;
        }
        left.people[day][person] -= most * needs.seconds;
        if let Some(machine) = needs.machine {
            left.machines[day][machine] -= most * needs.seconds;
        }
        if let Some(places) = gate.and_then(|gate| left.gates.get_mut(&gate)) {
            *places -= most;
        }
        self.deal.dealt.push(Dealt {
            unit,
            day,
            person,
            wheels: most,
        });
        most
    }

    /// Finds room for wheels that the flow cut up or left out: any day of the window,
    /// cheapest first, anyone with the skill.
    fn squeeze_in(&mut self, unit: usize, mut wheels: i64) {
        let class = self.units[unit].class.clone();
        let Some(needs) = self.model.needs.get(&class.kind).copied() else {
            self.deal.unmet[unit] += wheels;
            return;
        };
        let last = class.latest.min(self.model.days.saturating_sub(1));
        let mut days: Vec<usize> = (class.earliest..=last).collect();
        days.sort_by_key(|day| self.model.cost(&class, Some(*day)));
        for day in days {
            for pool in &self.model.pools {
                if !pool.skills.contains(&needs.skill) {
                    continue;
                }
                for person in &pool.people {
                    if wheels > 0 {
                        wheels -= self.give(unit, day, *person, wheels);
                    }
                }
            }
        }
        if class.later {
            self.deal.later[unit] += wheels;
        } else {
            self.deal.unmet[unit] += wheels;
        }
    }

    /// Where whole wheels break windows that the flow kept, moves work that is not
    /// pressed to make room for them, one wheel at a time.
    fn make_room(&mut self, flow: &Flow) {
        let broken = |table: &Self| -> i128 {
            let units = table.units.iter().zip(&table.deal.unmet);
            units
                .map(|(unit, n)| i128::from(table.model.cost(&unit.class, None)[0] * n))
                .sum()
        };
        let mut tries = TRIES;
        for unit in 0..self.units.len() {
            while self.deal.unmet[unit] > 0 && tries > 0 && broken(self) > flow.cost[0] {
                tries -= 1;
                if !self.push_aside(unit) {
                    break;
                }
                self.deal.unmet[unit] -= 1;
            }
        }
    }

    /// Does one wheel of a unit by moving someone's other work to another day of its
    /// own window.
    fn push_aside(&mut self, unit: usize) -> bool {
        let class = self.units[unit].class.clone();
        let Some(needs) = self.model.needs.get(&class.kind).copied() else {
            return false;
        };
        let last = class.latest.min(self.model.days.saturating_sub(1));
        for day in class.earliest..=last {
            let places: Vec<usize> = (0..self.deal.dealt.len())
                .filter(|i| self.deal.dealt[*i].day == day && self.deal.dealt[*i].unit != unit)
                .collect();
            for place in places {
                let other = self.deal.dealt[place];
                let able = self.model.pools.iter().any(|pool| {
                    pool.people.contains(&other.person) && pool.skills.contains(&needs.skill)
                });
                let window = &self.units[other.unit].class;
                if !able || window.earliest == window.latest {
                    continue;
                }
                let short = needs.seconds - self.deal.left.people[day][other.person];
                let seconds = self.seconds(other.unit);
                let wheels = (short.max(1) + seconds - 1) / seconds;
                if wheels > other.wheels {
                    continue;
                }
                let Some(moved) = self.elsewhere(other.unit, day, wheels) else {
                    continue;
                };
                self.take_back(place, wheels);
                if self.give(unit, day, other.person, 1) == 0 {
                    // Its machine, or the room it leads to, is what is full.
                    self.give(other.unit, day, other.person, wheels);
                    continue;
                }
                for (day, person, wheels) in moved {
                    self.give(other.unit, day, person, wheels);
                }
                return true;
            }
        }
        false
    }

    fn take_back(&mut self, place: usize, wheels: i64) {
        let dealt = self.deal.dealt[place];
        let class = &self.units[dealt.unit].class;
        let Some(needs) = self.model.needs.get(&class.kind) else {
            return;
        };
        self.deal.dealt[place].wheels -= wheels;
        let left = &mut self.deal.left;
        left.people[dealt.day][dealt.person] += wheels * needs.seconds;
        if let Some(machine) = needs.machine {
            left.machines[dealt.day][machine] += wheels * needs.seconds;
        }
        if let Some(places) = class
            .to
            .and_then(|room| left.gates.get_mut(&(room, dealt.day)))
        {
            *places += wheels;
        }
    }

    /// Where else in its window wheels of a unit could be done, all of them: day, person,
    /// wheels.
    fn elsewhere(
        &self,
        unit: usize,
        not: usize,
        mut wheels: i64,
    ) -> Option<Vec<(usize, usize, i64)>> {
        let class = &self.units[unit].class;
        let needs = self.model.needs.get(&class.kind)?;
        let left = &self.deal.left;
        let last = class.latest.min(self.model.days.saturating_sub(1));
        let mut days: Vec<usize> = (class.earliest..=last).filter(|d| *d != not).collect();
        days.sort_by_key(|day| self.model.cost(class, Some(*day)));
        let mut found = Vec::new();
        for day in days {
            let machine = needs.machine.map(|m| left.machines[day][m] / needs.seconds);
            let gate = class
                .to
                .and_then(|room| left.gates.get(&(room, day)).copied());
            let mut most = machine.unwrap_or(i64::MAX).min(gate.unwrap_or(i64::MAX));
            for pool in &self.model.pools {
                if !pool.skills.contains(&needs.skill) {
                    continue;
                }
                for person in &pool.people {
                    let fit = (left.people[day][*person] / needs.seconds)
                        .min(most)
                        .min(wheels);
                    if fit > 0 {
                        found.push((day, *person, fit));
                        most -= fit;
                        wheels -= fit;
                    }
                    if wheels == 0 {
                        return Some(found);
                    }
                }
            }
        }
        None
    }
}
