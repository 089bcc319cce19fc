//! A year of an invented dairy, dispatched four times over with the same milk, the same
//! orders and the same luck: by three rules that people use, and by the allocation.
//! `cargo run --release -p dispatch --example year [SEED ...]`
//!
//! The rules look at what is ready on the day a line must leave. *Oldest first* takes the
//! oldest wheels. *By the calendar* takes wheels nearest to a fixed age for the market.
//! *Nearest due date first* reserves the oldest wheels that should be ready in time for all
//! lines that are known, in the order of their arrival. All of them keep the law, the grade
//! and the age that an order asks for where they can, and none sends a wheel twice.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed check panics
#![allow(clippy::disallowed_methods)] // this measures elapsed time

#[path = "../benches/invented.rs"]
#[allow(dead_code)] // its dairy of any size is for the bench
mod invented;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::{Datelike as _, NaiveTime};
use dispatch::fit::fit;
use dispatch::stock::Place;
use dispatch::wanted::{Amount, Shipment, want, weight_limits};
use dispatch::{
    Cheese, Customers, GradeCounts, LineKey, Memory, Now, Readiness, Stock, Wanted, Yesterday,
};
use facts::{AgeRange, Grade, OrderLine, WheelId};
use invented::Chance;
use quantity::DairyDay;
use recipe::Recipe;

/// Days that are counted, and days before them that fill the rooms.
const DAYS: i64 = 364;
const BEFORE: i64 = 140;
/// Wheels of a vat; a vat every working day.
const VAT: usize = 60;
/// Days ahead that orders are looked at.
const AHEAD: i64 = 60;
/// Days after which what never came is no longer wanted.
const GIVEN_UP: i64 = 7;

#[derive(Clone, Copy, PartialEq, Eq)]
enum Rule {
    OldestFirst,
    Calendar,
    DueFirst,
    Allocation,
}

impl Rule {
    const ALL: [Self; 4] = [
        Self::OldestFirst,
        Self::Calendar,
        Self::DueFirst,
        Self::Allocation,
    ];

    const fn name(self) -> &'static str {
        match self {
            Self::OldestFirst => "oldest first",
            Self::Calendar => "by the calendar",
            Self::DueFirst => "nearest due first",
            Self::Allocation => "allocation",
        }
    }
}

/// An order of the year.
struct Order {
    key: LineKey,
    customer: usize,
    line: OrderLine,
    known_on: DairyDay,
    left: usize,
}

/// What happens whatever is decided.
struct World {
    recipe: Arc<Recipe>,
    customers: Customers,
    names: [&'static str; 4],
    first: DairyDay,
    /// Batches: make day, the age at which each gets ready, and its wheels' grades.
    batches: Vec<(DairyDay, i64, Vec<Grade>)>,
    orders: Vec<Order>,
    seed: u64,
}

#[derive(Default)]
struct Score {
    ordered: usize,
    arrived_in_time: usize,
    arrived: usize,
    in_window: usize,
    grams_past_best: u64,
    millis: f64,
}

fn whole(n: u64) -> i64 {
    i64::try_from(n).unwrap()
}

impl World {
    fn new(seed: u64) -> Self {
        let (_, recipe, customers) = invented::Dairy::empty();
        let mut chance = Chance(seed * 7_919 + 1);
        let first = DairyDay::starting("2025-06-02".parse().unwrap());
        let mut batches = Vec::new();
        for n in 0..BEFORE + DAYS {
            let made = first.plus(n - BEFORE);
            if made.date().weekday().num_days_from_monday() < 5 {
                // Ready at 57 to 75 days, most likely at 64.
                let ready = 57 + whole(chance.below(10) + chance.below(10));
                let grades = (0..VAT).map(|_| match chance.below(100) {
                    0..78 => Grade::A,
                    78..95 => Grade::B,
                    _ => Grade::C,
                });
                batches.push((made, ready, grades.collect()));
            }
        }
        let names = ["HARBOUR", "TWOBELLS", "SOUTHGATE", "FARSHORE"];
        let mut orders = Vec::new();
        for n in 0..DAYS + 30 {
            let day = first.plus(n);
            let weekday = day.date().weekday().num_days_from_monday();
            // Winter sells more than summer.
            let season = 100
                + match day.date().month() {
                    11 | 12 => 30,
                    6 | 7 => -15,
                    1 | 2 => -20,
                    _ => 0,
                };
            for (customer, name) in names.iter().enumerate() {
                let lane = customers.customers[&name.parse().unwrap()].lanes[0];
                let delivers = &customers.lanes[&lane].delivers;
                let comes =
                    delivers.contains(&weekday) && chance.happens([50, 40, 35, 14][customer]);
                if !comes {
                    continue;
                }
                let mean = [26, 26, 32, 64][customer] * season / 100;
                let wheels =
                    u32::try_from(mean / 2 + whole(chance.below(u64::try_from(mean).unwrap())))
                        .unwrap();
                let ahead = if chance.happens(50) {
                    45
                } else {
                    14 + whole(chance.below(14))
                };
                orders.push(Order {
                    key: LineKey {
                        arrive_on: day,
                        order: orders.len().to_string().parse().unwrap(),
                        line: 1,
                    },
                    customer,
                    line: OrderLine {
                        recipe: recipe.id,
                        grade: if chance.happens(75) {
                            Grade::A
                        } else {
                            Grade::B
                        },
                        wheels,
                        weight_g: None,
                        each_g: None,
                        age_days: chance.happens(15).then_some(AgeRange {
                            least_days: 63,
                            most_days: 77,
                        }),
                        least_life_days: None,
                        mixing: None,
                    },
                    known_on: day.plus(-ahead),
                    left: wheels as usize,
                });
            }
        }
        Self {
            recipe,
            customers,
            names,
            first,
            batches,
            orders,
            seed,
        }
    }

    /// What is known of a batch's readiness on a day: the middle of the distribution is off
    /// by up to four days, half of that once it was cored.
    fn readiness(&self, batch: usize, today: DairyDay) -> Readiness {
        let (made, ready, _) = &self.batches[batch];
        let mut chance = Chance(self.seed * 31 + batch as u64 * 977 + 3);
        let off = whole(chance.below(9)) - 4;
        let cored = today.days_since(*made) >= 56;
        let middle = made.plus(ready + if cored { off / 2 } else { off });
        let steps = [
            (-5, 0.1),
            (-3, 0.25),
            (-1, 0.45),
            (0, 0.55),
            (2, 0.75),
            (4, 0.9),
            (6, 0.98),
        ];
        // It is not ready today, so what lies behind has not come true.
        let late = today.days_since(middle.plus(-1)).max(0);
        Readiness::by(steps.map(|(n, p)| (middle.plus(n + late), p)))
    }

    fn play(mut self, rule: Rule) -> Score {
        let mut score = Score::default();
        let mut luck = Chance(self.seed * 104_729 + 11);
        let mut cheeses: Vec<Cheese> = Vec::new();
        let mut next = 0;
        let mut ready: BTreeSet<usize> = BTreeSet::new();
        let mut grades = GradeCounts::default();
        let mut yesterday = Yesterday::default();
        let mut memory = Memory::default();
        for n in -BEFORE..DAYS {
            let today = self.first.plus(n);
            while let Some((made, _, wheels)) = self.batches.get(next).filter(|b| b.0 <= today) {
                for (wheel, _) in wheels.iter().enumerate() {
                    cheeses.push(Cheese {
                        wheel: format!("{next}-{wheel}").parse().unwrap(),
                        batch: format!("B{next}").parse().unwrap(),
                        recipe: self.recipe.clone(),
                        made: *made,
                        grade: None,
                        weight_g: 3_700 + u32::try_from(luck.below(400)).unwrap(),
                        place: Place::default(),
                        kept: None,
                        awaits: None,
                        reserved: None,
                    });
                }
                next += 1;
            }
            for (batch, (made, at, wheels)) in self.batches.iter().enumerate() {
                if made.plus(*at) <= today && ready.insert(batch) {
                    for cheese in cheeses.iter_mut().filter(|c| number(c) == batch) {
                        let place: usize = cheese
                            .wheel
                            .as_str()
                            .split_once('-')
                            .unwrap()
                            .1
                            .parse()
                            .unwrap();
                        cheese.grade = Some(wheels[place]);
                        grades.note(self.recipe.id, wheels[place], 1);
                    }
                }
            }
            // What is past its best leaves the rooms, for no money.
            let last = self.recipe.dispatch_ages().most;
            cheeses.retain(|cheese| {
                let keep = cheese.made.plus(last) >= today;
                if !keep && n >= 0 {
                    score.grams_past_best += u64::from(cheese.weight_g);
                }
                keep
            });
            if n < 0 {
                continue;
            }
            let lines = self.open(today);
            let start = std::time::Instant::now();
            let leaves = if rule == Rule::Allocation {
                let readiness = |cheese: &Cheese| self.readiness(number(cheese), today);
                let stock = Stock::group(&cheeses, &weight_limits(&lines), readiness, &grades);
                let problem = dispatch::Problem {
                    now: now(today),
                    until: today.plus(AHEAD),
                    cheeses: &cheeses,
                    stock: &stock,
                    lines: &lines,
                    yesterday: &yesterday,
                };
                let allocation = dispatch::allocate(&problem, &mut memory);
                yesterday = Yesterday::of(&allocation);
                let mut leaves = Vec::new();
                for (line, outcome) in lines.iter().zip(&allocation.lines) {
                    for part in outcome
                        .assigned
                        .iter()
                        .filter(|part| part.leave_on == today)
                    {
                        let way = line.ways.iter().find(|way| way.leave_on == today).unwrap();
                        leaves.push((line.key, way.clone(), part.wheels.clone()));
                    }
                }
                leaves
            } else {
                self.by_rule(rule, &lines, &cheeses, today)
            };
            score.millis += start.elapsed().as_secs_f64() * 1e3;
            for (key, way, wheels) in leaves {
                self.send(key, &way, &wheels, &mut cheeses, &mut score);
            }
        }
        let counted =
            |order: &&Order| (self.first..self.first.plus(DAYS - 1)).contains(&order.key.arrive_on);
        score.ordered = self
            .orders
            .iter()
            .filter(counted)
            .map(|order| order.line.wheels as usize)
            .sum();
        score
    }

    fn open(&self, today: DairyDay) -> Vec<Wanted> {
        let mut lines: Vec<Wanted> = self
            .orders
            .iter()
            .filter(|order| order.left > 0 && order.known_on <= today)
            .filter(|order| order.key.arrive_on.plus(GIVEN_UP) >= today)
            .map(|order| {
                let customer =
                    &self.customers.customers[&self.names[order.customer].parse().unwrap()];
                let who = (customer, customer.market);
                let amount = Amount::Wheels(order.left);
                want(
                    order.key,
                    &order.line,
                    amount,
                    Vec::new(),
                    who,
                    &self.recipe,
                    &self.customers,
                    now(today),
                )
            })
            .collect();
        lines.sort_by_key(|line| line.key);
        lines
    }

    /// What leaves today by a rule.
    fn by_rule(
        &self,
        rule: Rule,
        lines: &[Wanted],
        cheeses: &[Cheese],
        today: DairyDay,
    ) -> Vec<(LineKey, Shipment, Vec<WheelId>)> {
        let mut leaves = Vec::new();
        let mut free: Vec<&Cheese> = cheeses.iter().collect();
        free.sort_by_key(|cheese| (cheese.made, cheese.wheel));
        for line in lines {
            let Some(way) = line.ways.first() else {
                continue;
            };
            let Amount::Wheels(wheels) = line.amount else {
                continue;
            };
            let due_today = way.leave_on == today;
            if !due_today && rule != Rule::DueFirst {
                continue;
            }
            let mut suits: Vec<&Cheese> = free
                .iter()
                .copied()
                .filter(|cheese| {
                    // Ready by then, as far as a person knows: graded, or, for what leaves
                    // later, old enough by the recipe's calendar.
                    let by_then = if due_today {
                        cheese.grade.is_some()
                    } else {
                        cheese.grade.is_some() || cheese.made.plus(64) <= way.leave_on
                    };
                    by_then && self.suits(cheese, line, way, today)
                })
                .collect();
            if rule == Rule::Calendar {
                // Common practice, no source: shops at nine weeks, export earlier on.
                let age = if line.market.as_str() == "EXPORT" {
                    62
                } else {
                    66
                };
                suits.sort_by_key(|cheese| (today.days_since(cheese.made) - age).abs());
            }
            suits.truncate(wheels);
            let taken: BTreeSet<WheelId> = suits.iter().map(|cheese| cheese.wheel).collect();
            free.retain(|cheese| !taken.contains(&cheese.wheel));
            if due_today {
                leaves.push((line.key, way.clone(), taken.into_iter().collect()));
            }
        }
        leaves
    }

    /// Grade, law, life and the ages that an order asks for.
    fn suits(&self, cheese: &Cheese, line: &Wanted, way: &Shipment, today: DairyDay) -> bool {
        let grade = cheese.grade.unwrap_or(Grade::A);
        let lot = dispatch::stock::Lot {
            key: dispatch::stock::LotKey {
                recipe: self.recipe.id,
                source: dispatch::stock::Source::Batch(cheese.batch),
                grade,
                graded: true,
                class: 0,
                awaits: None,
                reserved: None,
            },
            recipe: self.recipe.clone(),
            made: cheese.made,
            count: 1,
            mean_g: cheese.weight_g,
            weighs_g: (cheese.weight_g, cheese.weight_g),
            readiness: Arc::new(Readiness::now()),
            wheels: Vec::new(),
        };
        fit(&lot, line, way, today).is_ok()
    }

    fn send(
        &mut self,
        key: LineKey,
        way: &Shipment,
        wheels: &[WheelId],
        cheeses: &mut Vec<Cheese>,
        score: &mut Score,
    ) {
        let lane = &self.customers.lanes[&way.lane];
        let order = self
            .orders
            .iter_mut()
            .find(|order| order.key == key)
            .unwrap();
        let customer = &self.customers.customers[&self.names[order.customer].parse().unwrap()];
        // The road's luck is the same for every rule.
        let mut luck = Chance(
            self.seed * 17
                + u64::from(way.leave_on.date().num_days_from_ce().unsigned_abs()) * 131
                + way.lane.as_str().len() as u64
                + 5,
        );
        luck.below(2);
        let roll = luck.below(1_000) as f64 / 1_000.0;
        let mut sum = 0.0;
        let arrivals = lane.arrivals(way.leave_on);
        let arrives = arrivals.days().iter().find(|(_, p)| {
            sum += p;
            roll < sum
        });
        let arrives = arrives.map_or(way.leave_on, |(day, _)| *day);
        let window =
            dispatch::wanted::window(&order.line, customer.market, &self.recipe, &self.customers);
        let counts = key.arrive_on < self.first.plus(DAYS);
        let gone: BTreeMap<WheelId, DairyDay> = cheeses
            .iter()
            .filter(|cheese| wheels.contains(&cheese.wheel))
            .map(|cheese| (cheese.wheel, cheese.made))
            .collect();
        assert_eq!(
            gone.len(),
            wheels.len(),
            "a wheel was sent that was not there"
        );
        for made in gone.values() {
            order.left -= 1;
            if counts {
                score.arrived += 1;
                score.in_window += usize::from(window.holds(arrives.days_since(*made)));
                score.arrived_in_time += usize::from(arrives <= key.arrive_on);
            }
        }
        cheeses.retain(|cheese| !gone.contains_key(&cheese.wheel));
    }
}

fn number(cheese: &Cheese) -> usize {
    cheese.batch.as_str()[1..].parse().unwrap()
}

fn now(today: DairyDay) -> Now {
    Now {
        today,
        time: NaiveTime::from_hms_opt(8, 0, 0).unwrap(),
    }
}

fn main() {
    let mut seeds: Vec<u64> = std::env::args()
        .skip(1)
        .map(|arg| arg.parse().unwrap())
        .collect();
    if seeds.is_empty() {
        seeds = vec![1, 2, 3];
    }
    println!(
        "{:>4}  {:18} {:>10} {:>10} {:>10} {:>12} {:>9}",
        "seed", "", "in window", "outside", "in time", "kg past best", "ms a day"
    );
    for seed in seeds {
        for rule in Rule::ALL {
            let score = World::new(seed).play(rule);
            let pct = |part: usize, of: usize| 100.0 * part as f64 / of.max(1) as f64;
            let inside = pct(score.in_window, score.arrived);
            println!(
                "{seed:>4}  {:18} {inside:>8.2} % {:>8.2} % {:>8.2} % {:>12} {:>9.1}",
                rule.name(),
                100.0 - inside,
                pct(score.arrived_in_time, score.ordered),
                score.grams_past_best / 1_000,
                score.millis / DAYS as f64
            );
        }
    }
}
