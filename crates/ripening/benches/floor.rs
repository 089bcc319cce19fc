//! What deriving costs on a floor of 200 000 wheels: from cold, for one fact, and for a
//! clock tick with k wheels falling due. Run with `cargo bench -p ripening`; a number after
//! `--` asks for a floor of as many wheels, measured once.
//!
//! Times are of one processor core, not of the clock on the wall: what else the machine
//! does takes no part in them, but for what it pushes out of the caches.
#![allow(clippy::unwrap_used)] // a failed bench panics

use std::time::Duration;

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use cpu_time::ThreadTime;
use facts::{Event, Fact, FactIdSource, WheelId};
use quantity::{DairyClock, Grams, Percent};
use recipe::{Origin, Recipe, RecipeBook};
use ripening::{Floor, Practice};

const STILLAGE: usize = 24;

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
        closed_after_days: 60,
        recipes,
        rights: ripening::Rights::AnyBadge,
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
            claimed_at: None,
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

fn stillages(wheels: usize) -> Vec<Vec<WheelId>> {
    let wheels: Vec<WheelId> = (0..wheels)
        .map(|n| format!("B{}-{:02}", n / 48, n % 48).parse().unwrap())
        .collect();
    wheels.chunks(STILLAGE).map(<[WheelId]>::to_vec).collect()
}

/// A floor of pierced wheels, the first `daily` of which stand where wheels are turned
/// daily, the others where they are turned weekly.
fn floor(stillages: &[Vec<WheelId>], daily: usize, teller: &mut Teller) -> Floor {
    let mut floor = Floor::new(practice(), made_at());
    for (n, wheels) in stillages.iter().enumerate() {
        for wheel in wheels {
            let batch = wheel.as_str().split('-').next().unwrap().parse().unwrap();
            let weight_g = Grams::new(10_886).unwrap();
            let portioned = facts::WheelPortioned {
                wheel: *wheel,
                batch,
                weight_g,
                scale: None,
                tare_g: None,
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

/// Processor time that the work takes on this thread.
fn timed(work: impl FnOnce()) -> Duration {
    let began = ThreadTime::now();
    work();
    began.elapsed()
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}

fn us(time: Duration) -> f64 {
    time.as_secs_f64() * 1e6
}

/// Next actions of every wheel, from nothing.
#[inline(never)] // a profiler finds it by name
fn cold(floor: &mut Floor, evening: DateTime<Utc>) -> Duration {
    timed(|| floor.refresh(evening))
}

/// One turn of a stillage after the other, each folded and derived.
#[inline(never)]
fn turns(
    floor: &mut Floor,
    teller: &mut Teller,
    stillages: &[Vec<WheelId>],
    evening: DateTime<Utc>,
) -> Duration {
    let facts: Vec<Fact> = stillages
        .iter()
        .zip(1..)
        .map(|(wheels, n)| {
            let wheels = wheels.clone();
            let turned = facts::WheelTurned { wheels, via: None };
            teller.fact(evening + TimeDelta::seconds(n), turned)
        })
        .collect();
    timed(|| {
        for fact in &facts {
            floor.apply(fact);
            floor.refresh(fact.occurred_at);
        }
    })
}

/// The next morning, on which some wheels fall due.
#[inline(never)]
fn tick(floor: &mut Floor) -> Duration {
    let morning: DateTime<Utc> = "2026-03-15T04:00:00Z".parse().unwrap();
    timed(|| floor.refresh(morning))
}

fn main() {
    // `cargo test` builds and runs benches without this flag: nothing is measured then.
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let asked = std::env::args().find_map(|argument| argument.parse().ok());
    let (wheels, rounds) = asked.map_or((200_000, 5), |wheels| (wheels, 1));
    let stillages = stillages(wheels);
    let some = &stillages[..stillages.len().min(1_000)];
    let mut teller = Teller {
        ids: FactIdSource::default(),
        number: 0,
    };
    let evening = turned_at() + TimeDelta::hours(10);

    let (from_cold, for_turns): (Vec<_>, Vec<_>) = (0..rounds)
        .map(|_| {
            let mut floor = floor(&stillages, 0, &mut teller);
            let from_cold = cold(&mut floor, evening);
            (from_cold, turns(&mut floor, &mut teller, some, evening))
        })
        .unzip();
    let from_cold = median(from_cold);
    println!(
        "next actions of {wheels} wheels from cold: {:.0} wheels/s",
        wheels as f64 / from_cold.as_secs_f64()
    );
    let one_turn = us(median(for_turns)) / some.len() as f64;
    println!(
        "one turn of {STILLAGE} wheels, folded and derived: {one_turn:.1} us, {:.2} us a wheel",
        one_turn / STILLAGE as f64
    );
    for k in [0, 96, 1_008, 10_008, 100_008] {
        if k > wheels {
            continue;
        }
        let ticks = (0..rounds).map(|_| {
            let mut floor = floor(&stillages, k, &mut teller);
            floor.refresh(evening);
            tick(&mut floor)
        });
        let one_tick = us(median(ticks.collect()));
        let a_wheel = match k {
            0 => String::new(),
            k => format!(", {:.2} us a wheel", one_tick / k as f64),
        };
        println!("a tick over {wheels} wheels with {k} falling due: {one_tick:.0} us{a_wheel}");
    }
}
