//! Allocation: the cheapest flow of [`crate::model`], and round it what breaks the
//! structure of a flow.
//!
//! - What customers were told is taken out beforehand and stays, as long as the wheels are
//!   there; so are wheels that were reserved by name.
//! - A line that is ordered by weight is turned into wheels by what the wheels that fit it
//!   weigh; where the lots it is given weigh otherwise, the number is set right and the
//!   flow solved again.
//! - Limits on mixing batches are kept by [`crate::mixing`]. The flow without these limits
//!   is a bound: the difference is stated with the allocation.

use std::collections::BTreeMap;

use facts::Grade;
use flow::Flow;
use quantity::DairyDay;

use crate::allocation::{Allocation, Size, Yesterday};
use crate::deal::{self, Share};
use crate::fit::{Fit, LEAST_CHANCE, best_way};
use crate::mixing::Mixer;
use crate::model::{Given, Memory, Model, Objective, RANKS, Yesterdays};
use crate::stock::{Cheese, Lot, Source, Stock};
use crate::wanted::{Amount, Now, Shipment, Told, WEIGHT_TOLERANCE, Wanted};
use crate::words::Words;

/// How often the wheels of lines that are ordered by weight are set right.
const WEIGHT_ROUNDS: usize = 4;

/// What is to be allocated.
#[derive(Debug, Clone, Copy)]
pub struct Problem<'a> {
    /// The moment that is looked from.
    pub now: Now,
    /// The last day that is looked at.
    pub until: DairyDay,
    /// The wheels.
    pub cheeses: &'a [Cheese],
    /// The same, grouped into lots.
    pub stock: &'a Stock,
    /// The open lines.
    pub lines: &'a [Wanted],
    /// Yesterday's allocation.
    pub yesterday: &'a Yesterday,
}

/// Allocates wheels to lines. `memory` is where the last allocation left off; it is only
/// about speed: any memory gives a flow of the same cost. Only how many wheels make up an
/// order by weight may differ, as that is rounded from whichever of equal flows was found.
#[must_use]
pub fn allocate(problem: &Problem<'_>, memory: &mut Memory) -> Allocation {
    deal::deal(problem, solve(problem, memory))
}

/// How many wheels of which lot go to which line.
pub(crate) fn solve(problem: &Problem<'_>, memory: &mut Memory) -> Settled {
    let mut work = Work::new(problem);
    work.keep_word();
    work.use_reserved();
    work.settle(memory)
}

/// What the solver came to.
pub(crate) struct Settled {
    /// Who gets how much of what.
    pub(crate) shares: Vec<Share>,
    /// Wheels of each lot that are left.
    pub(crate) left: Vec<i64>,
    /// Wheels that each line is short of.
    pub(crate) short: Vec<i64>,
    pub(crate) objective: Objective,
    pub(crate) bound: Objective,
    pub(crate) size: Size,
}

pub(crate) struct Work<'a> {
    problem: &'a Problem<'a>,
    lots: &'a [Lot],
    free: Vec<i64>,
    need: Vec<i64>,
    fixed: Vec<Share>,
    /// How often each lot's wheels were at each line yesterday.
    yesterdays: Yesterdays,
}

impl<'a> Work<'a> {
    pub(crate) fn new(problem: &'a Problem<'a>) -> Self {
        let lots = &problem.stock.lots;
        let need = problem.lines.iter().map(|line| match line.amount {
            Amount::Wheels(wheels) => whole(wheels),
            Amount::Grams(grams) => {
                let each = mean_of_fitting(lots, line);
                ((f64::from(grams) / each).round() as i64).max(1)
            }
        });
        let mut work = Self {
            problem,
            lots,
            free: lots.iter().map(|lot| whole(lot.count)).collect(),
            need: need.collect(),
            fixed: Vec::new(),
            yesterdays: Yesterdays::new(),
        };
        work.yesterdays = work.count_yesterday();
        work
    }

    fn count_yesterday(&self) -> Yesterdays {
        let mut counts = Yesterdays::new();
        if self.problem.yesterday.is_empty() {
            return counts;
        }
        let lines = self.problem.lines.iter().enumerate();
        let lines: BTreeMap<_, usize> = lines.map(|(place, line)| (line.key, place)).collect();
        for (place, lot) in self.lots.iter().enumerate() {
            for wheel in &lot.wheels {
                let wheel = self.problem.cheeses[*wheel as usize].wheel;
                let line = self.problem.yesterday.wheels.get(&wheel);
                if let Some(line) = line.and_then(|key| lines.get(key)) {
                    *counts.entry((place, *line)).or_default() += 1;
                }
            }
        }
        let mut by_kind: BTreeMap<(Source, Grade, u16), usize> = BTreeMap::new();
        let mut by_source: BTreeMap<(Source, Grade), usize> = BTreeMap::new();
        for (place, lot) in self.lots.iter().enumerate() {
            let key = &lot.key;
            if lot.wheels.is_empty() && key.reserved.is_none() {
                by_kind.insert((key.source, key.grade, key.class), place);
                by_source.entry((key.source, key.grade)).or_insert(place);
            }
        }
        for ((source, grade, class, key), count) in &self.problem.yesterday.unnamed {
            // Other limits on weights make other classes.
            let lot = by_kind.get(&(*source, *grade, *class));
            let lot = lot.or_else(|| by_source.get(&(*source, *grade)));
            if let (Some(lot), Some(line)) = (lot, lines.get(key)) {
                *counts.entry((*lot, *line)).or_default() += whole(*count);
            }
        }
        counts
    }

    /// What customers were told comes first, in the order of arrival: each takes what suits it
    /// best, and what one takes makes way where it serves another's word as well.
    pub(crate) fn keep_word(&mut self) {
        let lines = self.problem.lines;
        let mut words = Words::new(self.free.clone());
        let mut told_of = Vec::new();
        for (line, wanted) in lines.iter().enumerate() {
            let mut need = self.need[line];
            for told in &wanted.told {
                let lots = lots_told(self.lots, wanted, told);
                need -= words.keep(lots, i64::from(told.promised.wheels).min(need));
                told_of.push((line, told));
            }
        }
        for ((line, told), taken) in told_of.into_iter().zip(words.taken()) {
            for (lot, count) in taken {
                self.fix(lot, line, count, told.way.as_ref(), true);
            }
        }
    }

    /// Wheels that were reserved by name go to the order they were reserved for.
    pub(crate) fn use_reserved(&mut self) {
        for (lot, of) in self.lots.iter().enumerate() {
            let Some(order) = of.key.reserved else {
                continue;
            };
            for (line, wanted) in self.problem.lines.iter().enumerate() {
                if wanted.key.order != order {
                    continue;
                }
                // One that is too old, too young by law or of another weight serves nobody:
                // it is left over, and says for whom it was reserved.
                if let Ok((way, _)) = best_way(of, wanted, self.problem.now.today) {
                    let take = self.free[lot].min(self.need[line]);
                    self.fix(lot, line, take, wanted.ways.get(way), false);
                }
            }
        }
    }

    fn fix(&mut self, lot: usize, line: usize, count: i64, way: Option<&Shipment>, locked: bool) {
        let wanted = &self.problem.lines[line];
        let Some(way) = way.or_else(|| wanted.ways.first()) else {
            return;
        };
        if count <= 0 {
            return;
        }
        self.free[lot] -= count;
        self.need[line] -= count;
        let fit = plain_fit(&self.lots[lot], wanted, way);
        self.fixed.push(Share {
            lot,
            line,
            count,
            way: way.clone(),
            fit,
            locked,
        });
    }

    pub(crate) fn given(&self) -> Given<'_> {
        Given {
            today: self.problem.now.today,
            until: self.problem.until,
            lots: self.lots,
            lines: self.problem.lines,
            free: &self.free,
            need: &self.need,
            yesterday: &self.yesterdays,
        }
    }

    fn settle(&mut self, memory: &mut Memory) -> Settled {
        let mut need = self.need.clone();
        let given = self.given();
        let mut model = Model::new(&given);
        let mut run = Run {
            flow: model.solve_from(&model.recall(&given, memory)),
            steps: 0,
            solutions: 1,
        };
        run.steps = run.flow.steps;
        *memory = model.remember(&given, &run.flow.basis);
        for _ in 0..WEIGHT_ROUNDS {
            if !self.set_weights_right(&mut model, &run.flow, &mut need) {
                break;
            }
            run.again(&model);
        }
        let bound = model.cost(&run.flow);
        Mixer::new(self.problem, &self.fixed).limit(&mut model, &mut run);
        let objective = model.cost(&run.flow);
        let pairs = model.pairs.iter();
        let through = pairs.map(|pair| (pair, model.through(pair, &run.flow)));
        let shares = through
            .filter(|(_, count)| *count > 0)
            .map(|(pair, count)| Share {
                lot: pair.lot,
                line: pair.line,
                count,
                way: self.problem.lines[pair.line].ways[pair.way].clone(),
                fit: pair.fit,
                locked: false,
            });
        let mut shares: Vec<Share> = shares.collect();
        let mut left = self.free.clone();
        let mut short = need;
        for share in &shares {
            left[share.lot] -= share.count;
            short[share.line] -= share.count;
        }
        shares.append(&mut self.fixed);
        Settled {
            shares,
            left,
            short,
            objective,
            bound,
            size: Size {
                wheels: self.problem.cheeses.len(),
                lots: self.lots.len(),
                lines: self.problem.lines.len(),
                arcs: model.network.arcs.len(),
                steps: run.steps,
                solutions: run.solutions,
            },
        }
    }

    /// Sets the number of wheels of lines that are ordered by weight right. Whether any
    /// changed.
    fn set_weights_right(&self, model: &mut Model, flow: &Flow<RANKS>, need: &mut [i64]) -> bool {
        let mut changed = false;
        for (line, wanted) in self.problem.lines.iter().enumerate() {
            let Amount::Grams(target) = wanted.amount else {
                continue;
            };
            let fixed = self.fixed.iter().filter(|share| share.line == line);
            let fixed = fixed.map(|share| (share.lot, share.count));
            let pairs = model.of_line[line].iter().map(|pair| &model.pairs[*pair]);
            let given = pairs.map(|pair| (pair.lot, model.through(pair, flow)));
            let (mut wheels, mut grams, mut free) = (0, 0.0, 0);
            for (lot, count) in fixed.clone() {
                wheels += count;
                grams += count as f64 * f64::from(self.lots[lot].mean_g);
            }
            for (lot, count) in given {
                wheels += count;
                free += count;
                grams += count as f64 * f64::from(self.lots[lot].mean_g);
            }
            if wheels == 0 || free < need[line] {
                continue;
            }
            let each = grams / wheels as f64;
            let off = f64::from(target) - grams;
            // Whole wheels come no nearer than half a wheel, and the choice of heavier or
            // lighter ones makes good for half the tolerance.
            if off.abs() <= (each / 2.0).max(f64::from(target) * WEIGHT_TOLERANCE / 2.0) {
                continue;
            }
            let more = (off / each).round() as i64;
            let right = (need[line] + more).max(0);
            if right != need[line] {
                need[line] = right;
                model.set_need(line, right);
                changed = true;
            }
        }
        changed
    }
}

/// A solution and the work that it took.
pub(crate) struct Run {
    pub(crate) flow: Flow<RANKS>,
    pub(crate) steps: usize,
    pub(crate) solutions: usize,
}

impl Run {
    pub(crate) fn again(&mut self, model: &Model) {
        model.hang_on_yard(&mut self.flow.basis);
        self.flow = model.solve_from(&self.flow.basis);
        self.steps += self.flow.steps;
        self.solutions += 1;
    }
}

/// Lots that a promise can be kept from: wheels reserved for the order first, then the
/// grade that comes nearest to what was said.
fn lots_told(lots: &[Lot], wanted: &Wanted, told: &Told) -> Vec<usize> {
    let order = wanted.key.order;
    let mut fits: Vec<usize> = (0..lots.len())
        .filter(|lot| {
            let key = &lots[*lot].key;
            key.source == Source::Batch(told.promised.batch)
                && key.recipe == wanted.recipe
                && key.grade <= told.promised.grade.max(wanted.grade)
                && key.reserved.is_none_or(|reserved| reserved == order)
                && weighs_right(&lots[*lot], wanted)
        })
        .collect();
    fits.sort_by_key(|lot| {
        let key = &lots[*lot].key;
        let other_grade = key.grade != told.promised.grade;
        (
            key.reserved.is_none(),
            other_grade,
            std::cmp::Reverse(key.grade),
            *key,
        )
    });
    fits
}

pub(crate) fn weighs_right(lot: &Lot, wanted: &Wanted) -> bool {
    wanted.each_g.is_none_or(|each| {
        each.least_g.get() <= lot.weighs_g.0 && lot.weighs_g.1 <= each.most_g.get()
    })
}

/// How well wheels suit a line that they were promised to in any case.
fn plain_fit(lot: &Lot, wanted: &Wanted, way: &Shipment) -> Fit {
    let age = |day: DairyDay| day.days_since(lot.made);
    Fit {
        ready: lot.readiness.p_ready_by(way.leave_on),
        on_time: way.on_time,
        in_window: way.arrivals.share(|day| wanted.window.holds(age(day))),
        window_asked: wanted.window.asked,
    }
}

/// What one wheel of those that may go to a line weighs on average, g.
fn mean_of_fitting(lots: &[Lot], wanted: &Wanted) -> f64 {
    let (mut wheels, mut grams) = (0.0, 0.0);
    for lot in lots {
        let fits = lot.key.recipe == wanted.recipe
            && lot.key.grade <= wanted.grade
            && weighs_right(lot, wanted)
            && wanted
                .ways
                .first()
                .is_some_and(|way| lot.readiness.p_ready_by(way.leave_on) >= LEAST_CHANCE);
        if fits {
            wheels += lot.count as f64;
            grams += lot.count as f64 * f64::from(lot.mean_g);
        }
    }
    if grams > 0.0 {
        return grams / wheels;
    }
    // Nothing fits, so nothing will be given: any weight says how much is missing.
    let each = wanted
        .each_g
        .map(|each| f64::from(each.least_g.get().midpoint(each.most_g.get())));
    let recipe = lots.iter().find(|lot| lot.key.recipe == wanted.recipe);
    let recipe = recipe.map(|lot| f64::from(lot.mean_g));
    each.or(recipe).unwrap_or(4_000.0).max(1.0)
}

fn whole(count: usize) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX / 4)
}
