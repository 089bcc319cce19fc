//! Picking: which wheels are fetched from where, scanned one by one; another in the place
//! of one when there is a reason; weights caught on the way.

use std::collections::{BTreeMap, BTreeSet};

use facts::{
    BatchId, Event, Grade, LaneId, OrderId, OrderSubstituted, ToolId, WheelAllocated, WheelId,
    WheelWeighed,
};
use quantity::{DairyDay, Grams};
use serde::{Deserialize, Serialize};

use crate::allocation::Allocation;
use crate::customers::Customers;
use crate::stock::{Cheese, Place, Source};
use crate::verdict::{Verdict, may_leave};
use crate::wanted::{Amount, LineKey, Wanted};

/// What is fetched on one day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PickList {
    /// The day it leaves.
    pub day: DairyDay,
    /// Where to stop, in walking order.
    pub stops: Vec<Stop>,
    /// Wheels that were to go and may not, with why.
    pub stopped: Vec<(WheelId, LineKey, String)>,
    /// What must be done before it can be fetched.
    pub first: Vec<String>,
}

/// One place and what is fetched from it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stop {
    /// Where.
    pub place: Place,
    /// What, by line.
    pub wheels: Vec<Pick>,
}

/// One wheel to fetch.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pick {
    /// The wheel.
    pub wheel: WheelId,
    /// Its batch.
    pub batch: BatchId,
    /// Its grade.
    pub grade: Option<Grade>,
    /// What it weighs, g.
    pub weight_g: u32,
    /// Where it goes.
    pub line: LineKey,
    /// The way it goes.
    pub lane: LaneId,
}

/// What an allocation sends on a day, as a walk through the rooms. `cheeses` are in walking
/// order.
#[must_use]
pub fn pick_list(
    allocation: &Allocation,
    cheeses: &[Cheese],
    lines: &[Wanted],
    customers: &Customers,
    day: DairyDay,
) -> PickList {
    let mut list = PickList {
        day,
        stops: Vec::new(),
        stopped: Vec::new(),
        first: Vec::new(),
    };
    let mut goes: BTreeMap<WheelId, (LineKey, LaneId)> = BTreeMap::new();
    for line in &allocation.lines {
        for part in line.assigned.iter().filter(|part| part.leave_on == day) {
            if part.wheels.is_empty() {
                list.first.push(match part.source {
                    Source::Batch(batch) => format!(
                        "grade batch {batch}: {} wheels of grade {} are to go to {}",
                        part.count, part.grade, line.key
                    ),
                    Source::Planned(_) => {
                        format!(
                            "{} of {} are to go to {}",
                            part.count, part.source, line.key
                        )
                    }
                });
            }
            let wheels = part
                .wheels
                .iter()
                .map(|wheel| (*wheel, (line.key, part.lane)));
            goes.extend(wheels);
        }
    }
    let wanted: BTreeMap<LineKey, &Wanted> = lines.iter().map(|line| (line.key, line)).collect();
    for cheese in cheeses {
        let Some((key, lane)) = goes.get(&cheese.wheel) else {
            continue;
        };
        let (Some(line), Some(road)) = (wanted.get(key), customers.lanes.get(lane)) else {
            continue;
        };
        if let stop @ Verdict::Stop(_) = may_leave(cheese, line, road, day) {
            list.stopped.push((cheese.wheel, *key, stop.words()));
            continue;
        }
        let pick = Pick {
            wheel: cheese.wheel,
            batch: cheese.batch,
            grade: cheese.grade,
            weight_g: cheese.weight_g,
            line: *key,
            lane: *lane,
        };
        match list.stops.last_mut() {
            Some(stop) if stop.place == cheese.place => stop.wheels.push(pick),
            _ => list.stops.push(Stop {
                place: cheese.place,
                wheels: vec![pick],
            }),
        }
    }
    for stop in &mut list.stops {
        stop.wheels.sort_by_key(|pick| (pick.line, pick.wheel));
    }
    list
}

/// The answer to a scan.
#[derive(Debug, Clone, PartialEq)]
pub enum Scanned {
    /// It is on the list.
    Picked {
        /// Its line.
        line: LineKey,
        /// How many of the line are still to fetch.
        left: usize,
        /// What happened.
        events: Vec<Event>,
    },
    /// It was fetched before.
    Again(LineKey),
    /// It is not on the list, but may go in the place of one that is: say why.
    NeedsReason {
        /// The line it may go to.
        line: LineKey,
        /// The wheel whose place it would take.
        instead_of: WheelId,
    },
    /// It stays here.
    Stop(String),
}

/// Picking for one order: what is still to fetch and what was fetched.
#[derive(Debug, Clone)]
pub struct Picking<'a> {
    lines: Vec<&'a Wanted>,
    customers: &'a Customers,
    day: DairyDay,
    lane: LaneId,
    open: BTreeMap<LineKey, BTreeSet<WheelId>>,
    taken: BTreeMap<WheelId, (LineKey, BatchId, u32)>,
}

impl<'a> Picking<'a> {
    /// Begins to pick an order from a list. `None` when the list has nothing for it.
    #[must_use]
    pub fn new(
        list: &PickList,
        order: OrderId,
        lines: &'a [Wanted],
        customers: &'a Customers,
    ) -> Option<Self> {
        let picks = list.stops.iter().flat_map(|stop| &stop.wheels);
        let picks: Vec<&Pick> = picks.filter(|pick| pick.line.order == order).collect();
        let mut open: BTreeMap<LineKey, BTreeSet<WheelId>> = BTreeMap::new();
        for pick in &picks {
            open.entry(pick.line).or_default().insert(pick.wheel);
        }
        Some(Self {
            lines: lines
                .iter()
                .filter(|line| open.contains_key(&line.key))
                .collect(),
            customers,
            day: list.day,
            lane: picks.first()?.lane,
            open,
            taken: BTreeMap::new(),
        })
    }

    /// Takes a scanned wheel. `cheese` is what is known of it; a wheel that is not on the
    /// list goes only with a reason.
    pub fn scan(
        &mut self,
        wheel: WheelId,
        cheese: Option<&Cheese>,
        reason: Option<&str>,
    ) -> Scanned {
        if let Some((line, ..)) = self.taken.get(&wheel) {
            return Scanned::Again(*line);
        }
        let Some(cheese) = cheese else {
            return Scanned::Stop(Verdict::unknown(wheel).words());
        };
        let Some(road) = self.customers.lanes.get(&self.lane) else {
            return Scanned::Stop(format!(
                "STOP: the customers file has no lane {}",
                self.lane
            ));
        };
        let listed = self.open.iter().find(|(_, wheels)| wheels.contains(&wheel));
        let listed = listed.map(|(line, _)| *line);
        let lines: Vec<&Wanted> = self.lines.clone();
        let mut no = None;
        for line in lines {
            if listed.is_some_and(|listed| listed != line.key) {
                continue;
            }
            let left = self.open.get(&line.key).map_or(0, BTreeSet::len);
            if left == 0 {
                continue;
            }
            let verdict = may_leave(cheese, line, road, self.day);
            if !verdict.is_go() {
                no.get_or_insert(verdict.words());
                continue;
            }
            if let Some(words) = self.mixes_too_much(line, cheese.batch) {
                no.get_or_insert(words);
                continue;
            }
            return self.take(line.key, cheese, listed.is_some(), reason);
        }
        let full = "STOP: nothing more is wanted for this order: put it back".to_owned();
        Scanned::Stop(no.unwrap_or(full))
    }

    fn take(
        &mut self,
        line: LineKey,
        cheese: &Cheese,
        listed: bool,
        reason: Option<&str>,
    ) -> Scanned {
        let mut events = Vec::new();
        let open = self.open.entry(line).or_default();
        if listed {
            open.remove(&cheese.wheel);
        } else {
            let Some(instead_of) = open.last().copied() else {
                return Scanned::Stop("STOP: nothing more is wanted for this line".to_owned());
            };
            let Some(reason) = reason.filter(|reason| !reason.trim().is_empty()) else {
                return Scanned::NeedsReason { line, instead_of };
            };
            open.remove(&instead_of);
            events.push(Event::from(OrderSubstituted {
                order: line.order,
                line: line.line,
                instead_of,
                took: cheese.wheel,
                reason: reason.trim().to_owned(),
            }));
        }
        let left = open.len();
        self.taken
            .insert(cheese.wheel, (line, cheese.batch, cheese.weight_g));
        events.push(Event::from(WheelAllocated {
            wheels: vec![cheese.wheel],
            order: line.order,
        }));
        Scanned::Picked { line, left, events }
    }

    /// Why one more batch would mix too many, if it would.
    fn mixes_too_much(&self, line: &Wanted, batch: BatchId) -> Option<String> {
        let most = usize::from(line.mixing?.most_batches?);
        let taken = self.taken.values().filter(|(key, ..)| *key == line.key);
        let mut batches: BTreeSet<BatchId> = taken.map(|(_, batch, _)| *batch).collect();
        batches.insert(batch);
        (batches.len() > most).then(|| {
            format!("STOP: batch {batch} would be one batch too many: {most} may be mixed")
        })
    }

    /// Takes the weight of a wheel that was fetched. `None` when it was not.
    pub fn weigh(&mut self, wheel: WheelId, weight: Grams, scale: Option<ToolId>) -> Option<Event> {
        let (.., known) = self.taken.get_mut(&wheel)?;
        *known = weight.get();
        Some(Event::from(WheelWeighed {
            wheel,
            weight_g: weight,
            scale,
            tare_g: None,
        }))
    }

    /// What was fetched of a line, g, and what was ordered, where it was ordered by weight.
    #[must_use]
    pub fn weight_of(&self, line: LineKey) -> (u64, Option<u32>) {
        let taken = self.taken.values().filter(|(key, ..)| *key == line);
        let ordered = self.lines.iter().find(|wanted| wanted.key == line);
        let ordered = ordered.and_then(|wanted| match wanted.amount {
            Amount::Grams(grams) => Some(grams),
            Amount::Wheels(_) => None,
        });
        (taken.map(|(.., grams)| u64::from(*grams)).sum(), ordered)
    }

    /// Wheels that were fetched, by line.
    pub fn taken(&self) -> impl Iterator<Item = (WheelId, LineKey)> {
        self.taken.iter().map(|(wheel, (line, ..))| (*wheel, *line))
    }

    /// Wheels that are still to fetch.
    #[must_use]
    pub fn left(&self) -> usize {
        self.open.values().map(BTreeSet::len).sum()
    }
}
