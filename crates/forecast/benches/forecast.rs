//! What forecasting costs: one more core, one batch, a whole floor of 2 000 batches with
//! 200 000 wheels. Run with `cargo bench -p forecast`.
#![allow(clippy::unwrap_used, clippy::disallowed_methods)] // a failed bench panics; it measures

use std::sync::Arc;
use std::time::{Duration, Instant};

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use facts::{
    Event, Fact, FactIdSource, RindObserved, RoomClimateRead, VatStarted, WheelId, WheelIroned,
    WheelMoved, WheelPierced, WheelPortioned, WheelUnhooped,
};
use forecast::seen::Seen;
use forecast::{
    FINE, Forecaster, Habit, Habits, History, Lattice, Link, Look, Posterior, Sensors, habits,
};
use quantity::{Celsius, DairyClock, Grams, Litres, Percent};
use recipe::{Origin, Recipe, RecipeBook};

const BATCHES: usize = 2_000;
const WHEELS: usize = 100;
const STILLAGE: usize = 20;
/// Days over which the batches were made.
const SPAN: i64 = 90;

fn recipe() -> Recipe {
    let text = include_str!("../../../deploy/demo/larkholm-blue.toml");
    let origin = Origin {
        file: "larkholm-blue.toml",
        text,
    };
    Recipe::parse(&origin).unwrap()
}

fn look(effective_days: f64, pct: f64) -> Look {
    Look {
        effective_days,
        seen: Seen::of(pct).unwrap(),
    }
}

/// The middle of some runs.
fn middle(mut runs: Vec<Duration>) -> Duration {
    runs.sort_unstable();
    runs[runs.len() / 2]
}

fn one_core() {
    let habit = Habit::by_calendar(&recipe());
    let rind_grid = Arc::new(Lattice::new(habit.rind, FINE));
    let blue_grid = Arc::new(Lattice::new(habit.blue, FINE));
    let link = Link::new(&blue_grid, habit.link);
    let mut rind = Posterior::before(&rind_grid);
    let looks = (1..10).map(|n| look(f64::from(n) * 2.5, f64::from(n) * 10.0));
    rind.look(&looks.collect::<Vec<_>>());
    let mut blue = Posterior::after(&rind, &link);
    for wheel in 0..3 {
        blue.iron(&[look(9.0, 30.0 + f64::from(wheel)), look(14.0, 60.0)]);
    }
    let runs = (0..201).map(|n| {
        let mut blue = blue.clone();
        let began = Instant::now();
        blue.iron(&[look(14.0, 55.0 + f64::from(n % 10))]);
        let took = began.elapsed();
        assert!(blue.pace().0.is_finite());
        took
    });
    println!("update after one more core: {:?}", middle(runs.collect()));
}

struct Teller {
    ids: FactIdSource,
    facts: Vec<Fact>,
}

impl Teller {
    fn state(&mut self, at: DateTime<Utc>, event: impl Into<Event>) {
        self.facts.push(Fact {
            id: self.ids.next(at),
            site: "bench".parse().unwrap(),
            station: "here".parse().unwrap(),
            station_seq: self.facts.len() as u64 + 1,
            person: None,
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        });
    }

    fn batch(&mut self, number: usize, made: DateTime<Utc>, now: DateTime<Utc>) {
        let id = format!("B{number}").parse().unwrap();
        self.state(
            made,
            VatStarted {
                batch: id,
                vat: "V1".parse().unwrap(),
                recipe: "larkholm-blue".parse().unwrap(),
                recipe_version: 1,
                milk_l: Litres::new(3_600.0).unwrap(),
                milk_lots: Vec::new(),
            },
        );
        let wheels: Vec<WheelId> = (0..WHEELS)
            .map(|n| format!("B{number}-{n}").parse().unwrap())
            .collect();
        for wheel in &wheels {
            let portion = WheelPortioned {
                wheel: *wheel,
                batch: id,
                weight_g: Grams::new(4_200).unwrap(),
                scale: None,
                tare_g: None,
                mixer: None,
            };
            self.state(made + TimeDelta::hours(6), portion);
        }
        for (n, carrier) in (0..).zip(wheels.chunks(STILLAGE)) {
            let at = |days: i64| made + TimeDelta::days(days) + TimeDelta::minutes(7 * n);
            let carried = || carrier.to_vec();
            let mut later = |days: i64, event: Event| {
                if at(days) < now {
                    self.state(at(days), event);
                }
            };
            let (wheels, via) = (carried(), None);
            later(5, WheelUnhooped { wheels, via }.into());
            for (day, room) in [(5, "R1"), (15, "R2"), (21, "R3")] {
                let moved = WheelMoved {
                    wheels: carried(),
                    via: None,
                    room: room.parse().unwrap(),
                    position: None,
                };
                later(day, moved.into());
            }
            for (day, cover) in (8..35).step_by(3).zip([2, 7, 20, 42, 63, 80, 90, 95, 98]) {
                let seen = RindObserved {
                    wheels: carried(),
                    via: None,
                    cover_pct: Percent::new(f64::from(cover)).unwrap(),
                };
                later(day, seen.into());
            }
            let pierced = WheelPierced {
                wheels: carried(),
                via: None,
                machine: "PM1".parse().unwrap(),
            };
            later(36, pierced.into());
            for (day, blue) in [(50, 45), (57, 74), (64, 92)] {
                let ironed = WheelIroned {
                    wheel: carrier[0],
                    blue_coverage_pct: Percent::new(f64::from(blue)).unwrap(),
                    iron: None,
                    note: None,
                };
                later(day, ironed.into());
            }
        }
    }

    fn air(&mut self, from: DateTime<Utc>, until: DateTime<Utc>) {
        let rooms = [("R1", 12.5, 93.0), ("R2", 10.0, 94.0), ("R3", 8.0, 93.0)];
        let hours = (until - from).num_hours();
        for hour in 0..hours {
            for (room, celsius, pct) in rooms {
                let wander = (hour % 5) as f64 / 10.0;
                let read = RoomClimateRead {
                    room: room.parse().unwrap(),
                    sensor: None,
                    temperature_c: Celsius::new(celsius + wander).unwrap(),
                    humidity_pct: Some(Percent::new(pct - wander).unwrap()),
                    co2_ppm: None,
                    nh3_ppm: None,
                };
                self.state(from + TimeDelta::hours(hour), read);
            }
        }
    }
}

/// Resident memory now and at most, as the system tells it.
fn memory() -> String {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = |name: &str| {
        let found = status.lines().find(|line| line.starts_with(name));
        found
            .map_or("?", |line| line[name.len()..].trim())
            .to_owned()
    };
    format!("{} resident, {} at most", line("VmRSS:"), line("VmHWM:"))
}

fn floor() {
    let now: DateTime<Utc> = "2026-06-01T12:00:00Z".parse().unwrap();
    let from = now - TimeDelta::days(SPAN);
    let mut teller = Teller {
        ids: FactIdSource::default(),
        facts: Vec::new(),
    };
    teller.air(from, now);
    for number in 0..BATCHES {
        let after = SPAN * 24 * 60 * number as i64 / BATCHES as i64;
        teller.batch(number, from + TimeDelta::minutes(after), now);
    }
    let facts = teller.facts;
    println!("{} facts, {}", facts.len(), memory());
    let clock = DairyClock::new(
        chrono_tz::Europe::London,
        NaiveTime::from_hms_opt(4, 0, 0).unwrap(),
    );
    let mut recipes = RecipeBook::default();
    recipes.add(recipe());
    let began = Instant::now();
    let history = History::of(
        &facts.iter().collect::<Vec<_>>(),
        clock,
        &recipes,
        &Sensors::default(),
        now,
    );
    println!("history gathered: {:?}", began.elapsed());
    drop(facts);
    println!("without the facts: {}", memory());
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get());
    let began = Instant::now();
    let habits = habits(&history, now, &Habits::new(), threads);
    println!("habits learnt on {threads} threads: {:?}", began.elapsed());
    let forecaster = Forecaster::new(&history, &habits, now);
    let runs = (0..BATCHES).step_by(BATCHES / 50).map(|number| {
        let began = Instant::now();
        assert!(
            forecaster
                .batch(format!("B{number}").parse().unwrap())
                .is_some()
        );
        began.elapsed()
    });
    println!("one batch of {WHEELS}: {:?}", middle(runs.collect()));
    for threads in [1, threads] {
        let began = Instant::now();
        let all = forecaster.all(threads);
        let took = began.elapsed();
        let wheels: usize = all.iter().map(|forecast| forecast.wheels_in_house).sum();
        println!(
            "{} batches, {wheels} wheels on {threads} threads: {took:?}; {}",
            all.len(),
            memory()
        );
    }
}

fn main() {
    one_core();
    floor();
}
