//! What a round comes to, whatever the worker lived through.
#![allow(clippy::disallowed_methods)] // measures how long

mod book;
mod layout;
mod measure;

use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};
use facts::wire::{self, Read};
use facts::{Event, Fact, FactId, ForecastTold, Voided, WheelDispatched, WheelReturned};
use forecast::Query;
use rand::rngs::StdRng;
use rand::seq::IndexedRandom as _;
use rand::{Rng as _, SeedableRng as _};
use recipe::Origin;
use site::Site;
use tempfile::TempDir;

use crate::known::{Known, Opened};
use crate::round::Pass;

const RECORDED: &str = include_str!("../../../tests/data/larkholm-70-days.ndjson");
const SITE: &str = include_str!("../../../deploy/demo/larkholm.toml");
const RECIPE: &str = include_str!("../../../deploy/demo/larkholm-blue.toml");

fn site() -> Site {
    let origin = Origin {
        file: "larkholm.toml",
        text: SITE,
    };
    let read = |_: &Path| Ok(RECIPE.to_owned());
    Site::parse(&origin, Path::new(""), read).unwrap()
}

fn recorded() -> Vec<Fact> {
    let facts = RECORDED
        .lines()
        .filter_map(|line| match wire::from_line(line) {
            Ok(Read::Fact(fact)) => Some(fact),
            _ => None,
        });
    facts.collect()
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// A fact of the office about an instant, with a name of its own.
fn office(nth: u64, at: DateTime<Utc>, event: impl Into<Event>) -> Fact {
    Fact {
        id: named(nth),
        site: site().id,
        station: "gateway".parse().unwrap(),
        station_seq: nth,
        person: Some("01".parse().unwrap()),
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event: event.into(),
    }
}

fn named(nth: u64) -> FactId {
    format!("0190b6b0-0000-7000-8000-{nth:012x}")
        .parse()
        .unwrap()
}

/// A worker without a broker.
struct Worker {
    folder: TempDir,
    known: Option<Known>,
}

impl Worker {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let known = Some(open(folder.path()).known);
        Self { folder, known }
    }

    fn known(&mut self) -> &mut Known {
        self.known.as_mut().unwrap()
    }

    /// It stops, having written or not, and starts again. What it had not written it reads again
    /// from the log.
    fn restart(&mut self, unwritten: &[Fact]) {
        self.known = None;
        self.known = Some(open(self.folder.path()).known);
        self.hear(unwritten);
    }

    fn hear(&mut self, facts: &[Fact]) {
        for fact in facts {
            self.known().fact(fact.clone());
        }
    }

    fn write(&mut self) {
        self.known().write(None).unwrap();
    }

    fn round(&mut self, now: DateTime<Utc>) -> Came {
        let round = self.known().round(now).unwrap().unwrap();
        let pass = round.work().unwrap();
        let came = Came::of(&pass);
        self.known().back(pass.book, pass.told).unwrap();
        came
    }
}

fn open(folder: &Path) -> Opened {
    Known::open(&site(), &folder.join("store")).unwrap()
}

/// What a round came to.
#[derive(Debug, PartialEq)]
struct Came {
    told: Vec<ForecastTold>,
    said: String,
}

impl Came {
    fn of(pass: &Pass) -> Self {
        let all = pass.desk.answer(&Query::default(), 2).unwrap();
        let all = serde_json::to_string(&all).unwrap();
        let habits = &pass.desk.habits;
        let said = format!("{all} {habits:?} {:?} {:?}", pass.unexplained, pass.drying);
        Self {
            told: pass.told.clone(),
            said,
        }
    }
}

#[test]
fn one_that_lived_through_the_day_and_one_started_late_come_to_the_same() {
    let facts = recorded();
    let evening = at("2026-03-12T20:00:00Z");
    let morning = evening - TimeDelta::hours(15);
    let until = |at| facts.partition_point(|fact| fact.recorded_at <= at);
    let mut lived = Worker::new();
    let mut from = 0;
    for hours in [0, 4, 9, 15] {
        let now = morning + TimeDelta::hours(hours);
        let to = until(now);
        lived.hear(&facts[from..to]);
        from = to;
        lived.round(now);
    }
    assert!(until(evening) > until(morning) + 20);
    // Somebody's handheld had kept something since the day before.
    let mut late = facts[..until(morning)]
        .iter()
        .rfind(|fact| matches!(fact.event, Event::WheelMoved(_) | Event::RindObserved(_)))
        .unwrap()
        .clone();
    late.id = named(1);
    late.station_seq += 100_000;
    lived.hear(std::slice::from_ref(&late));
    assert!(lived.known().is_stirred());
    let lived = lived.round(evening);

    let mut started = Worker::new();
    started.hear(&facts[..from]);
    started.hear(&[late]);
    let started = started.round(evening + TimeDelta::hours(2));
    assert!(started.told.len() > 20);
    assert_eq!(started, lived);
}

/// Late and wrong things between the recorded ones: facts again, facts taken back, that taken
/// back, and wheels that come back, all in the order of the log.
fn mixed_up(seed: u64) -> Vec<Fact> {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut log: Vec<Fact> = Vec::new();
    let mut nth = 0;
    for fact in recorded() {
        let now = fact.recorded_at;
        log.push(fact);
        if !rng.random_bool(0.01) {
            continue;
        }
        nth += 1;
        let earlier = log.choose(&mut rng).unwrap().clone();
        let is_void = |fact: &&Fact| matches!(fact.event, Event::Voided(_));
        let lately_void = log.iter().rfind(is_void).map(|fact| fact.id);
        let is_birth = |fact: &&Fact| matches!(fact.event, Event::WheelPortioned(_));
        let births: Vec<&Fact> = log.iter().filter(is_birth).collect();
        let reason = "wrong".to_owned();
        let new = match (rng.random_range(0..5), lately_void) {
            (0, _) => earlier, // again
            (1, _) => Fact {
                id: named(nth), // it lay in a handheld
                recorded_at: now,
                ..earlier
            },
            (2, _) => {
                // Another batch claims the wheel.
                let births = births.choose(&mut rng).zip(births.choose(&mut rng));
                let Some((wheel, other)) = births else {
                    continue;
                };
                let mut again = Fact {
                    id: named(nth),
                    recorded_at: now,
                    ..(*wheel).clone()
                };
                if let (Event::WheelPortioned(again), Event::WheelPortioned(other)) =
                    (&mut again.event, &other.event)
                {
                    again.batch = other.batch;
                }
                again
            }
            (3, Some(fact)) => office(nth, now, Voided { fact, reason }),
            _ => {
                let fact = earlier.id;
                office(nth, now, Voided { fact, reason })
            }
        };
        log.push(new);
        let left = |fact: &&Fact| matches!(&fact.event, Event::WheelDispatched(_));
        if let Some(Event::WheelDispatched(WheelDispatched { wheels, .. })) =
            log.iter().rfind(left).map(|fact| fact.event.clone())
            && rng.random_bool(0.2)
        {
            nth += 1;
            let wheels = wheels.into_iter().take(1).collect();
            log.push(office(nth, now, returned(wheels)));
        }
    }
    log
}

fn returned(wheels: Vec<facts::WheelId>) -> WheelReturned {
    WheelReturned {
        wheels,
        reason: "not ordered".to_owned(),
    }
}

#[test]
fn one_that_was_stopped_anywhere_tells_what_one_tells_that_never_was() {
    let seed = std::env::var("WHEELWARD_TEST_SEED").map_or(1, |seed| seed.parse().unwrap());
    println!("WHEELWARD_TEST_SEED={seed} plays this run again");
    let log = mixed_up(seed);
    let mut rng = StdRng::seed_from_u64(seed);
    let (mut never, mut stopped) = (Worker::new(), Worker::new());
    let mut written = 0;
    for (n, fact) in log.iter().enumerate() {
        let heard = std::slice::from_ref(fact);
        never.hear(heard);
        stopped.hear(heard);
        if rng.random_bool(0.002) {
            stopped.write();
            written = n + 1;
        }
        if rng.random_bool(0.001) {
            stopped.restart(&log[written..=n]);
        }
        if n == log.len() / 2 || n == log.len() * 9 / 10 {
            let now = fact.recorded_at + TimeDelta::minutes(rng.random_range(0..600));
            assert_eq!(stopped.round(now), never.round(now), "after {n}");
        }
    }
    let now = log.iter().map(|fact| fact.recorded_at).max().unwrap();
    let mut anew = Worker::new();
    anew.hear(&log);
    let anew = anew.round(now);
    assert!(anew.told.len() > 20);
    assert_eq!(never.round(now), anew);
    stopped.write();
    stopped.restart(&[]);
    assert_eq!(stopped.round(now), anew);
    // And the habits that it kept are those that it would learn.
    stopped.write();
    stopped.restart(&[]);
    assert_eq!(stopped.round(now), anew);
}
