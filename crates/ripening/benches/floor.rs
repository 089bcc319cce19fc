//! What deriving costs on a floor of 200 000 wheels: from cold, for one fact, and for a
//! clock tick with k wheels falling due. Run with `cargo bench -p ripening`.
#![allow(clippy::unwrap_used)] // a failed bench panics
#![allow(clippy::disallowed_methods)] // this measures elapsed time

use std::time::{Duration, Instant};

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use facts::{Event, Fact, FactIdSource, WheelId};
use quantity::{DairyClock, Grams, Percent};
use recipe::{Origin, Recipe, RecipeBook};
use ripening::{Floor, Practice};

const WHEELS: usize = 200_000;
const STILLAGE: usize = 24;
const ROUNDS: usize = 5;

/// Common practice (no source), with a last room where wheels are turned once a week.
fn practice() -> Practice {
    let text = include_str!("../../recipe/tests/common-practice.toml");
    let last = text.rfind("turn_every_days = 1").unwrap();
    let weekly = format!("{}turn_every_days = 7{}", &text[..last], &text[last + 19..]);
    let origin = Origin {
        file: "common-practice.toml",
        text: &weekly,
    };
    let mut recipes = RecipeBook::default();
    recipes.add(Recipe::parse(&origin).unwrap());
    Practice {
        clock: DairyClock::new(
            chrono_tz::Europe::London,
            NaiveTime::from_hms_opt(4, 0, 0).unwrap(),
        ),
        turn_by: NaiveTime::from_hms_opt(18, 0, 0).unwrap(),
        lost_after_days: 4,
        recipes,
    }
}

/// States facts one after the other.
struct Teller {
    ids: FactIdSource,
    number: u64,
}

impl Teller {
    fn fact(&mut self, at: DateTime<Utc>, event: impl Into<Event>) -> Fact {
        self.number += 1;
        Fact {
            id: self.ids.next(at),
            site: "bench".parse().unwrap(),
            station: "here".parse().unwrap(),
            station_seq: self.number,
            person: None,
            occurred_at: at,
            recorded_at: at,
            event: event.into(),
        }
    }
}

fn made_at() -> DateTime<Utc> {
    "2026-02-02T09:00:00Z".parse().unwrap()
}

/// The morning on which every wheel was turned last: 40 days later.
fn turned_at() -> DateTime<Utc> {
    made_at() + TimeDelta::days(40)
}

fn stillages() -> Vec<Vec<WheelId>> {
    let wheels: Vec<WheelId> = (0..WHEELS)
        .map(|n| format!("B{}-{:02}", n / 48, n % 48).parse().unwrap())
        .collect();
    wheels.chunks(STILLAGE).map(<[WheelId]>::to_vec).collect()
}

/// A floor of pierced wheels, the first `daily` of which stand where wheels are turned
/// daily, the others where they are turned weekly.
fn floor(stillages: &[Vec<WheelId>], daily: usize, teller: &mut Teller) -> Floor {
    let mut floor = Floor::new(practice());
    for (n, wheels) in stillages.iter().enumerate() {
        for wheel in wheels {
            let batch = wheel.as_str().split('-').next().unwrap().parse().unwrap();
            let weight_g = Grams::new(10_886).unwrap();
            let portioned = facts::WheelPortioned {
                wheel: *wheel,
                batch,
                weight_g,
                scale: None,
                mixer: None,
            };
            floor.apply(&teller.fact(made_at(), portioned));
        }
        let wheels = wheels.clone();
        let room = if n * STILLAGE < daily { "R1" } else { "R3" }
            .parse()
            .unwrap();
        let at = |days: i64| made_at() + TimeDelta::days(days);
        let unhooped = facts::WheelUnhooped {
            wheels: wheels.clone(),
            via: None,
        };
        let rubbed = facts::WheelRubbedUp {
            wheels: wheels.clone(),
            via: None,
        };
        let rind = facts::RindObserved {
            wheels: wheels.clone(),
            via: None,
            cover_pct: Percent::new(95.0).unwrap(),
        };
        let machine = "PM1".parse().unwrap();
        let pierced = facts::WheelPierced {
            wheels: wheels.clone(),
            via: None,
            machine,
        };
        // Brought to its room today, so that nothing but turning falls due tomorrow.
        let moved = facts::WheelMoved {
            wheels: wheels.clone(),
            via: None,
            room,
            position: None,
        };
        let turned = facts::WheelTurned { wheels, via: None };
        floor.apply(&teller.fact(at(5), unhooped));
        floor.apply(&teller.fact(at(5) + TimeDelta::hours(1), rubbed));
        floor.apply(&teller.fact(at(35), rind));
        floor.apply(&teller.fact(at(36), pierced));
        floor.apply(&teller.fact(turned_at(), moved));
        floor.apply(&teller.fact(turned_at() + TimeDelta::minutes(1), turned));
    }
    floor
}

fn timed(work: impl FnOnce()) -> Duration {
    let began = Instant::now();
    work();
    began.elapsed()
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}

fn main() {
    // `cargo test` builds and runs benches without this flag: nothing is measured then.
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let stillages = stillages();
    let mut teller = Teller {
        ids: FactIdSource::default(),
        number: 0,
    };
    let evening = turned_at() + TimeDelta::hours(10);

    let mut cold = Vec::new();
    let mut one_fact = Vec::new();
    for _ in 0..ROUNDS {
        let mut floor = floor(&stillages, 0, &mut teller);
        cold.push(timed(|| floor.refresh(evening)));
        let turns: Vec<Fact> = stillages[..1_000]
            .iter()
            .zip(1..)
            .map(|(wheels, n)| {
                let turned = facts::WheelTurned {
                    wheels: wheels.clone(),
                    via: None,
                };
                teller.fact(evening + TimeDelta::seconds(n), turned)
            })
            .collect();
        let all = timed(|| {
            for turn in &turns {
                floor.apply(turn);
                floor.refresh(turn.occurred_at);
            }
        });
        one_fact.push(all / u32::try_from(turns.len()).unwrap());
    }
    let cold = median(cold);
    let one_fact = median(one_fact);
    println!(
        "next actions of {WHEELS} wheels from cold: {:.0} wheels/s",
        WHEELS as f64 / cold.as_secs_f64()
    );
    println!(
        "one turn of {STILLAGE} wheels, folded and derived: {:.1} us, {:.2} us a wheel",
        one_fact.as_secs_f64() * 1e6,
        one_fact.as_secs_f64() * 1e6 / STILLAGE as f64
    );
    let morning: DateTime<Utc> = "2026-03-15T04:00:00Z".parse().unwrap();
    let mut first = None;
    for k in [0, 96, 1_008, 10_008, 100_008] {
        let mut ticks = Vec::new();
        for _ in 0..ROUNDS {
            let mut floor = floor(&stillages, k, &mut teller);
            floor.refresh(evening);
            ticks.push(timed(|| floor.refresh(morning)));
        }
        let tick = median(ticks).as_secs_f64() * 1e6;
        if k == 1_008 {
            first = Some(tick / k as f64);
        }
        let ratio = first.map_or(String::new(), |one| {
            format!(
                ", {:.2} of the cost a wheel at 1 008",
                tick / k as f64 / one
            )
        });
        println!("a tick over {WHEELS} wheels with {k} falling due: {tick:.0} us{ratio}");
    }
}
