//! The planning problem as a network.
//!
//! Work that differs only in where it stands is one *class*: so many wheels, each so many
//! seconds, on some day from its earliest to its latest. Seconds flow from each class
//! through a day (and, where it applies, through that day's free places in the room it
//! leads to and that day's machine hours) to the people who have the skill that day.
//! What finds no way is a broken window. The cheapest flow is the best plan in which
//! wheels may be cut into seconds; [`crate::make()`] then deals whole wheels.
//!
//! Four costs, ranked (each in whole numbers per second, see [`SCALE`]):
//! 1. broken windows, in missed turns (a task's `counts_as`),
//! 2. wheel-days of lateness past the due day, times 1, 4 or 16 by severity,
//! 3. unevenness: each tenth of a day's capacity costs one more per second than the last,
//! 4. wheels on another day than yesterday's plan had them.

use std::collections::BTreeMap;

use facts::{RoomId, ToolId};
use flow::Cost;
use ripening::Severity;
use serde::Serialize;

use crate::{Crew, Kind};

/// A way for seconds of work.
pub type Arc = flow::Arc<4>;
/// Where seconds of work may flow.
pub type Network = flow::Network<4>;
/// The cheapest plan with divisible wheels.
pub type Flow = flow::Flow<4>;

/// Costs of a wheel are spread over its seconds in millionths.
pub const SCALE: i64 = 1_000_000;

/// Into how many equal parts a day's capacity is cut to measure unevenness.
pub const TIERS: i64 = 10;

/// What a wheel-day of lateness weighs.
#[must_use]
pub const fn lateness_weight(severity: Severity) -> i64 {
    match severity {
        Severity::Notice => 1,
        Severity::Warning => 4,
        Severity::Alarm => 16,
    }
}

/// Wheels that may be planned alike. Days count from 0, the first planned day.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub struct Class {
    /// The kind of work.
    pub kind: Kind,
    /// The room it leads to, when moving there needs a free place.
    pub to: Option<RoomId>,
    /// First day allowed.
    pub earliest: usize,
    /// Last day that is not late; may lie in the past.
    pub due: i64,
    /// Last day allowed within the plan.
    pub latest: usize,
    /// Whether the window goes on beyond the plan.
    pub later: bool,
    /// What lateness costs.
    pub severity: Severity,
    /// The day that yesterday's plan had it on.
    pub yesterday: Option<usize>,
}

/// People with the same skills.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pool {
    /// Their skills.
    pub skills: Vec<usize>,
    /// Their places in the crew file.
    pub people: Vec<usize>,
    /// Their time on each day, s.
    pub seconds: Vec<i64>,
}

/// How many wheels may be moved into a room on a day.
pub type Gates = BTreeMap<(RoomId, usize), i64>;

/// A change to try: what would it help?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Relief {
    /// More time of people with a skill on a day, s.
    People(usize, usize, i64),
    /// More time of a machine on a day, s; people must still be there.
    Machine(usize, usize, i64),
}

/// The problem.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Model {
    /// How many days are planned.
    pub days: usize,
    /// The classes, and how many wheels each has.
    pub classes: BTreeMap<Class, i64>,
    /// Skills by name.
    pub skills: Vec<String>,
    /// People by skills.
    pub pools: Vec<Pool>,
    /// Machines, with their time on each day, s.
    pub machines: Vec<(ToolId, Vec<i64>)>,
    /// What each kind of work needs.
    pub needs: BTreeMap<Kind, Needs>,
    /// Free places.
    pub gates: Gates,
    /// Changes to try.
    pub relief: Vec<Relief>,
}

/// What one wheel of a kind of work needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Needs {
    /// Time, s.
    pub seconds: i64,
    /// Skill.
    pub skill: usize,
    /// Machine.
    pub machine: Option<usize>,
    /// What its broken window counts as, in missed turns.
    pub counts_as: i64,
}

/// The network with the places of what matters in it.
#[derive(Debug, Clone)]
pub struct Net {
    /// The network.
    pub network: Network,
    /// Where everything starts.
    pub source: usize,
    /// Where everything ends.
    pub sink: usize,
    /// Of each class, its arc to each day it may be done on.
    pub on_day: Vec<Vec<(usize, usize)>>,
    /// Of each class, its arc to "after the plan".
    pub later: Vec<Option<usize>>,
    /// Of each class, its arc to "not at all".
    pub unmet: Vec<usize>,
    /// Day, skill, pool, arc.
    pub by_pool: Vec<(usize, usize, usize, usize)>,
}

impl Model {
    /// The crew's side of the problem; classes are still to be added. `days` are the
    /// planned dairy days.
    #[must_use]
    pub fn of_crew(crew: &Crew, days: &[quantity::DairyDay]) -> Self {
        let mut skills: Vec<String> = crew.rules.values().map(|r| r.skill.clone()).collect();
        skills.sort();
        skills.dedup();
        let skill = |name: &str| skills.iter().position(|s| s == name).unwrap_or_default();
        let needs = crew.rules.iter().map(|(kind, rule)| {
            let after = |kind: Kind| crew.rules.get(&kind).map_or(0, |r| r.seconds_per_wheel);
            let seconds = match kind {
                Kind::Unhoop => rule.seconds_per_wheel + after(Kind::RubUp) + after(Kind::Place),
                _ => rule.seconds_per_wheel,
            };
            let machine = rule
                .machine
                .and_then(|id| crew.machines.iter().position(|m| m.id == id));
            let needs = Needs {
                seconds,
                skill: skill(&rule.skill),
                machine,
                counts_as: rule.counts_as,
            };
            (*kind, needs)
        });
        let needs = needs.collect();
        let mut pools: BTreeMap<Vec<usize>, Pool> = BTreeMap::new();
        for (place, person) in crew.people.iter().enumerate() {
            let has: Vec<usize> = person.skills.iter().map(|s| skill(s)).collect();
            let pool = pools.entry(has.clone()).or_insert_with(|| Pool {
                skills: has,
                people: Vec::new(),
                seconds: vec![0; days.len()],
            });
            pool.people.push(place);
            for (sum, day) in pool.seconds.iter_mut().zip(days) {
                *sum += person.seconds_on(*day);
            }
        }
        let machines = crew.machines.iter().map(|machine| {
            let seconds = days.iter().map(|day| machine.seconds_on(*day));
            (machine.id, seconds.collect())
        });
        Self {
            days: days.len(),
            classes: BTreeMap::new(),
            pools: pools.into_values().collect(),
            machines: machines.collect(),
            needs,
            gates: Gates::new(),
            relief: Vec::new(),
            skills,
        }
    }

    /// What a wheel of a class costs on a day; a day beyond the last is "after the plan",
    /// `None` is "not at all". Per wheel, times [`SCALE`].
    #[must_use]
    pub fn cost(&self, class: &Class, day: Option<usize>) -> [i64; 4] {
        let broken = match day {
            None => self.needs.get(&class.kind).map_or(1, |n| n.counts_as),
            Some(_) => 0,
        };
        let late = day.map_or(0, |day| {
            let days = i64::try_from(day).unwrap_or(i64::MAX) - class.due;
            days.max(0) * lateness_weight(class.severity)
        });
        let changed = i64::from(class.yesterday.is_some() && class.yesterday != day);
        [broken * SCALE, late * SCALE, 0, changed * SCALE]
    }

    /// What a load on a pool's day costs in unevenness.
    #[must_use]
    pub fn unevenness(&self, pool: usize, day: usize, load: i64) -> i64 {
        let capacity = self.pools.get(pool).map_or(0, |p| p.seconds[day]);
        let mut left = load;
        let mut cost = 0;
        for (tier, width) in (0..).zip(tiers(capacity)) {
            let here = left.min(width);
            cost += tier * here;
            left -= here;
        }
        cost + left * TIERS
    }

    /// The network.
    #[must_use]
    pub fn net(&self) -> Net {
        let mut network = Network::default();
        let source = network.node(0);
        let sink = network.node(0);
        let grid = |network: &mut Network, many: usize| -> Vec<Vec<usize>> {
            (0..self.days)
                .map(|_| (0..many).map(|_| network.node(0)).collect())
                .collect()
        };
        let skill_at = grid(&mut network, self.skills.len());
        let pool_at = grid(&mut network, self.pools.len());
        let machine_at = grid(&mut network, self.machines.len());
        let mut by_pool = Vec::new();
        for day in 0..self.days {
            for (p, pool) in self.pools.iter().enumerate() {
                for skill in &pool.skills {
                    let (from, to) = (skill_at[day][*skill], pool_at[day][p]);
                    let arc = network.arc(from, to, pool.seconds[day], Cost::default());
                    by_pool.push((day, *skill, p, arc));
                }
                for (tier, width) in (0..).zip(tiers(pool.seconds[day])) {
                    network.arc(pool_at[day][p], sink, width, Cost([0, 0, tier, 0]));
                }
            }
            for (m, (_, seconds)) in self.machines.iter().enumerate() {
                let needed = self.needs.values().find(|n| n.machine == Some(m));
                if let Some(needs) = needed {
                    let more: i64 = self.relief.iter().map(|r| r.machine(m, day)).sum();
                    let (from, to) = (machine_at[day][m], skill_at[day][needs.skill]);
                    network.arc(from, to, seconds[day] + more, Cost::default());
                }
            }
            for relief in &self.relief {
                if let Relief::People(skill, on, seconds) = *relief
                    && on == day
                {
                    let from = skill_at[day][skill];
                    network.arc(from, sink, seconds, Cost([0, 0, TIERS, 0]));
                }
            }
        }
        let mut gates: BTreeMap<(RoomId, usize, Kind), usize> = BTreeMap::new();
        let mut net = Net {
            source,
            sink,
            on_day: Vec::new(),
            later: Vec::new(),
            unmet: Vec::new(),
            by_pool,
            network,
        };
        for (class, wheels) in &self.classes {
            let Some(needs) = self.needs.get(&class.kind).copied() else {
                net.on_day.push(Vec::new());
                net.later.push(None);
                net.unmet.push(0);
                continue;
            };
            let all = wheels * needs.seconds;
            let node = net.network.node(0);
            net.network.arc(source, node, all, Cost::default());
            let per_second =
                |cost: [i64; 4]| Cost(cost.map(|c| (c + needs.seconds / 2) / needs.seconds));
            let mut days = Vec::new();
            for day in class.earliest..=class.latest.min(self.days.saturating_sub(1)) {
                let entrance = match needs.machine {
                    Some(machine) => machine_at[day][machine],
                    None => skill_at[day][needs.skill],
                };
                let gate = class.to.and_then(|room| {
                    let wheels = *self.gates.get(&(room, day))?;
                    let key = (room, day, class.kind);
                    Some(*gates.entry(key).or_insert_with(|| {
                        let node = net.network.node(0);
                        let most = wheels * needs.seconds;
                        net.network.arc(node, entrance, most, Cost::default());
                        node
                    }))
                });
                let cost = per_second(self.cost(class, Some(day)));
                let to = gate.unwrap_or(entrance);
                days.push((day, net.network.arc(node, to, all, cost)));
            }
            net.on_day.push(days);
            let later = class.later.then(|| {
                let cost = per_second(self.cost(class, Some(self.days)));
                net.network.arc(node, sink, all, cost)
            });
            net.later.push(later);
            let cost = per_second(self.cost(class, None));
            net.unmet.push(net.network.arc(node, sink, all, cost));
        }
        net
    }

    /// Wheels that find no place, and the flow: the best plan with divisible wheels.
    #[must_use]
    pub fn solve(&self) -> (Net, Flow) {
        let net = self.net();
        let flow = net.network.cheapest(net.source, net.sink).0;
        (net, flow)
    }

    /// How many wheels of each class the flow leaves undone.
    #[must_use]
    pub fn unmet(&self, net: &Net, flow: &Flow) -> Vec<f64> {
        let classes = self.classes.keys().zip(&net.unmet);
        classes
            .map(|(class, arc)| {
                let seconds = self.needs.get(&class.kind).map_or(1, |n| n.seconds);
                flow.through.get(*arc).copied().unwrap_or(0) as f64 / seconds as f64
            })
            .collect()
    }
}

impl Relief {
    const fn machine(self, machine: usize, day: usize) -> i64 {
        match self {
            Self::Machine(m, d, seconds) if m == machine && d == day => seconds,
            _ => 0,
        }
    }
}

/// A day's capacity in equal parts; the last takes what does not divide.
fn tiers(capacity: i64) -> impl Iterator<Item = i64> {
    let part = capacity / TIERS;
    (0..TIERS).map(move |tier| {
        if tier == TIERS - 1 {
            capacity - part * (TIERS - 1)
        } else {
            part
        }
    })
}

/// The network as plain data, for another solver: minimise the ranked costs one after
/// the other over all flows that send everything.
#[derive(Debug, Clone, Serialize)]
pub struct Export {
    /// What the numbers mean.
    pub about: &'static str,
    /// How many nodes; they are numbered from 0.
    pub nodes: usize,
    /// Where everything starts.
    pub source: usize,
    /// Where everything ends.
    pub sink: usize,
    /// How much must flow.
    pub amount: i64,
    /// The arcs.
    pub arcs: Vec<Arc>,
    /// What the cheapest flow costs here, rank by rank.
    pub cost: [i128; 4],
}

impl Net {
    /// How many seconds of work leave the source.
    fn sent(&self, flow: &Flow) -> i64 {
        let arcs = self.network.arcs.iter().zip(&flow.through);
        arcs.filter(|(arc, _)| arc.from == self.source)
            .map(|(_, through)| through)
            .sum()
    }
}

impl Export {
    /// The network and what it costs here.
    #[must_use]
    pub fn of(net: &Net, flow: &Flow) -> Self {
        Self {
            about: "A min-cost flow of seconds of work. Send `amount` from `source` to `sink`. \
                    Each arc carries at most `capacity` and costs four numbers a unit, in order of \
                    rank: broken windows, lateness, unevenness, changes. Minimise the first total; \
                    among those flows the second; and so on. `cost` is what was found here. Ranks \
                    1, 2 and 4 are in millionths.",
            nodes: net.network.supply.len(),
            source: net.source,
            sink: net.sink,
            amount: net.sent(flow),
            arcs: net.network.arcs.clone(),
            cost: flow.cost,
        }
    }
}
