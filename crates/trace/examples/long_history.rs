//! Plausible histories of a large dairy, as many facts as wanted, and how fast they are traced.
//!
//! ```text
//! cargo run --release -p trace --example long_history -- 10000000            # measures
//! cargo run --release -p trace --example long_history -- 10000000 out.ndjson  # writes facts
//! ```
//!
//! Everything in it is invented. A vat a make day gives 24 wheels on a stillage of its own,
//! each wheel turned daily, moved through four rooms, pierced, ironed, graded and sent; tools
//! and vats are sanitised daily. Room air is read every half hour.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::disallowed_methods)] // a tool

use std::io::Write as _;
use std::time::Instant;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{Carrier, Event, Fact, FactId, Scope, wire};
use quantity::{Celsius, Grams, Litres, Percent};
use trace::{Index, Level, Settings};

/// Vats a day.
const VATS: u64 = 8;
/// Wheels a vat.
const WHEELS: u64 = 24;

fn id<T: std::str::FromStr>(text: &str) -> T
where
    T::Err: std::fmt::Debug,
{
    text.parse().unwrap()
}

struct Maker<F: FnMut(&Fact)> {
    take: F,
    made: u64,
    most: u64,
}

impl<F: FnMut(&Fact)> Maker<F> {
    fn fact(&mut self, at: DateTime<Utc>, station: &str, event: impl Into<Event>) {
        if self.made == self.most {
            return;
        }
        self.made += 1;
        // A UUIDv7 of the time, with a counter in place of randomness.
        let ms = u128::try_from(at.timestamp_millis()).unwrap();
        let number = ms << 80 | 7 << 76 | 2 << 62 | u128::from(self.made);
        let fact = Fact {
            id: FactId::from_uuid(format!("{number:032x}").parse().unwrap()),
            site: id("larkholm"),
            station: id(station),
            station_seq: self.made,
            person: Some(id(&format!("{:02}", self.made % 9 + 1))),
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        };
        (self.take)(&fact);
    }
}

struct Batch {
    name: String,
    wheels: Vec<facts::WheelId>,
    stillage: String,
    made: u64,
    vat: u64,
}

/// Day after day until there are enough facts.
fn make(most: u64, take: impl FnMut(&Fact)) {
    let mut maker = Maker {
        take,
        made: 0,
        most,
    };
    let start: DateTime<Utc> = id("2020-01-01T00:00:00Z");
    let mut batches: Vec<Batch> = Vec::new();
    let mut day = 0_u64;
    while maker.made < most {
        let at = |hour: i64, minute: i64| {
            start + TimeDelta::days(day as i64) + TimeDelta::minutes(hour * 60 + minute)
        };
        for vat in 0..VATS {
            let name = format!("{day:05}{}", char::from(b'A' + vat as u8));
            let minute = vat as i64;
            for farm in ["a", "b"] {
                let milk = facts::MilkReceived {
                    lot: id(&format!("M{name}{farm}")),
                    supplier: format!("Farm {farm}"),
                    volume_l: Litres::new(600.0).unwrap(),
                    temperature_c: None,
                    fat_pct: None,
                    protein_pct: None,
                    supplier_lot: None,
                    document: None,
                    extensions: None,
                };
                maker.fact(at(4, minute), "intake", milk);
            }
            let started = facts::VatStarted {
                batch: id(&name),
                vat: id(&format!("V{vat}")),
                recipe: id("blue"),
                recipe_version: 1,
                milk_l: Litres::new(1_150.0).unwrap(),
                milk_lots: vec![id(&format!("M{name}a")), id(&format!("M{name}b"))],
            };
            maker.fact(at(5, minute), "vat", started);
            let culture = format!("C{:05}", day / 7);
            let dosed = facts::VatDosed {
                batch: id(&name),
                ingredient: facts::Ingredient::Culture,
                lot: id(&culture),
                amount: 100.0,
            };
            maker.fact(at(5, 30 + minute), "vat", dosed);
            let mut wheels = Vec::new();
            for n in 1..=WHEELS {
                let wheel: facts::WheelId = id(&format!("{name}-{n:02}"));
                wheels.push(wheel);
                let portioned = facts::WheelPortioned {
                    wheel,
                    batch: id(&name),
                    weight_g: Grams::new(4_100 + (n * 7 % 200) as u32).unwrap(),
                    tare_g: None,
                    scale: Some(id("SC1")),
                    mixer: None,
                };
                maker.fact(at(13, minute), "portion", portioned);
                let hooped = facts::WheelHooped {
                    wheel,
                    hoop: id(&format!("H{}", (day % 7) * 1_000 + vat * WHEELS + n)),
                    stack: Some(id(&format!("K{}", (day % 7) * 100 + vat * 5 + n % 5))),
                };
                maker.fact(at(13, minute), "portion", hooped);
            }
            let tool = format!("V{vat}");
            let cleaned = facts::ToolSanitised {
                tool: id(&tool),
                method: "hot caustic".to_owned(),
            };
            maker.fact(at(15, minute), "vat", cleaned);
            batches.push(Batch {
                stillage: format!("S{}", (day * VATS + vat) % 1_000),
                name,
                wheels,
                made: day,
                vat,
            });
        }
        for batch in &batches {
            let age = day - batch.made;
            let via = Some(Carrier::Stillage(id(&batch.stillage)));
            let wheels = batch.wheels.clone();
            let minute = batch.vat as i64;
            if age == 5 {
                let unhooped = facts::WheelUnhooped {
                    wheels: wheels.clone(),
                    via: None,
                };
                maker.fact(at(8, minute), "rub", unhooped);
                let loaded = facts::WheelLoaded {
                    wheels: wheels.clone(),
                    stillage: id(&batch.stillage),
                };
                maker.fact(at(8, minute), "rub", loaded);
            }
            for (room, from) in [("R1", 5), ("R2", 20), ("R3", 45), ("R4", 75)] {
                if age == from {
                    let moved = facts::WheelMoved {
                        wheels: wheels.clone(),
                        via,
                        room: id(room),
                        position: None,
                    };
                    maker.fact(at(9, minute), "room", moved);
                }
            }
            if age == 35 {
                let pierced = facts::WheelPierced {
                    wheels: wheels.clone(),
                    via,
                    machine: id("PM1"),
                };
                maker.fact(at(10, minute), "pierce", pierced);
            }
            if age == 70 {
                for wheel in wheels.iter().take(3) {
                    let ironed = facts::WheelIroned {
                        wheel: *wheel,
                        blue_coverage_pct: Percent::new(70.0).unwrap(),
                        iron: Some(id("IR1")),
                        note: None,
                    };
                    maker.fact(at(11, minute), "iron", ironed);
                }
                let graded = facts::WheelGraded {
                    wheels: wheels.clone(),
                    via,
                    grade: facts::Grade::A,
                };
                maker.fact(at(11, 30 + minute), "iron", graded);
            }
            if age > 5 && age < 90 {
                let turned = facts::WheelTurned {
                    wheels: wheels.clone(),
                    via,
                };
                maker.fact(at(7, minute), "turn", turned);
            }
            if age == 90 {
                for (n, part) in wheels.chunks(6).enumerate() {
                    let order = format!("O{}-{n}", batch.name);
                    let placed = facts::OrderPlaced {
                        order: id(&order),
                        customer: format!("Customer {}", (day * 7 + n as u64) % 400),
                        market: id("home"),
                        arrive_on: at(0, 0).date_naive(),
                        lines: Vec::new(),
                        standing: None,
                    };
                    maker.fact(at(12, minute), "office", placed);
                    for wheel in part {
                        let weighed = facts::WheelWeighed {
                            wheel: *wheel,
                            weight_g: Grams::new(3_300).unwrap(),
                            tare_g: None,
                            scale: Some(id("SC2")),
                        };
                        maker.fact(at(13, minute), "dispatch", weighed);
                    }
                    let dispatched = facts::WheelDispatched {
                        wheels: part.to_vec(),
                        via: None,
                        order: Some(id(&order)),
                        market: Some(id("home")),
                        sale: None,
                    };
                    maker.fact(at(14, minute), "dispatch", dispatched);
                    let delivered = facts::WheelDelivered {
                        wheels: part.to_vec(),
                        order: Some(id(&order)),
                    };
                    maker.fact(at(20, minute), "dispatch", delivered);
                }
            }
        }
        for tool in ["PM1", "IR1"] {
            let cleaned = facts::ToolSanitised {
                tool: id(tool),
                method: "hot water".to_owned(),
            };
            maker.fact(at(16, 0), "pierce", cleaned);
        }
        for half_hour in 0..48 {
            for room in ["R1", "R2", "R3", "R4"] {
                let air = facts::RoomClimateRead {
                    room: id(room),
                    sensor: None,
                    temperature_c: Celsius::new(9.5).unwrap(),
                    humidity_pct: Some(Percent::new(93.0).unwrap()),
                    co2_ppm: None,
                    nh3_ppm: None,
                };
                maker.fact(at(0, 30 * half_hour), "air", air);
            }
        }
        batches.retain(|batch| day - batch.made < 90);
        day += 1;
    }
}

fn memory_mb() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmRSS"));
    let kb = line.and_then(|line| line.split_whitespace().nth(1)?.parse::<u64>().ok());
    kb.unwrap_or(0) / 1024
}

fn timed<T>(what: &str, work: impl FnOnce() -> T) -> T {
    let began = Instant::now();
    let done = work();
    println!("{what}: {:.1} ms", began.elapsed().as_secs_f64() * 1000.0);
    done
}

fn main() {
    let mut args = std::env::args().skip(1);
    let most: u64 = args
        .next()
        .map_or(1_000_000, |n| n.parse().expect("how many facts"));
    if let Some(path) = args.next() {
        let mut out =
            std::io::BufWriter::with_capacity(1 << 20, std::fs::File::create(path).unwrap());
        make(most, |fact| {
            writeln!(out, "{}", wire::to_line(fact).unwrap()).unwrap()
        });
        out.flush().unwrap();
        return;
    }
    let mut index = Index::default();
    let began = Instant::now();
    let mut last: DateTime<Utc> = DateTime::UNIX_EPOCH;
    make(most, |fact| {
        last = last.max(fact.occurred_at);
        index.apply(fact);
    });
    println!(
        "{most} facts made and folded in {:.1} s: {} kept, {} wheels, {} MB",
        began.elapsed().as_secs_f64(),
        index.len(),
        index.wheel_count(),
        memory_mb()
    );
    timed("what wheels share, worked out once", || {
        let _ = index.trace();
    });
    println!("{} MB", memory_mb());
    let middle = (last - DateTime::<Utc>::UNIX_EPOCH).num_days() - 18_262; // days since 2020
    let lot = format!("M{:05}Aa", middle / 2);
    let alone = Settings {
        sideways: false,
        ..Settings::default()
    };
    let trace = index.trace();
    for _ in 0..5 {
        let recall = timed(&format!("trace of milk lot {lot}"), || {
            trace.recall(&Scope::Lot(id(&lot)), &alone, last)
        });
        assert_eq!(recall.at_level(Level::Certain).count() as u64, WHEELS);
    }
    for _ in 0..5 {
        let recall = timed(&format!("with contact, milk lot {lot}"), || {
            trace.recall(&Scope::Lot(id(&lot)), &Settings::default(), last)
        });
        println!(
            "  {} certain, {} probable, {} possible",
            recall.at_level(Level::Certain).count(),
            recall.at_level(Level::Probable).count(),
            recall.at_level(Level::Possible).count()
        );
    }
    let culture = format!("C{:05}", middle / 14);
    let recall = timed(&format!("with contact, a week's culture {culture}"), || {
        trace.recall(&Scope::Lot(id(&culture)), &Settings::default(), last)
    });
    println!("  {} wheels", recall.wheels.len());
    // One fact more, and the same question again: the cost of staying up to date.
    let more = |n: u128| Fact {
        id: FactId::from_uuid(format!("{:032x}", u128::MAX - n).parse().unwrap()),
        site: id("larkholm"),
        station: id("s1"),
        station_seq: 1,
        person: None,
        occurred_at: last,
        claimed_at: None,
        recorded_at: last,
        event: facts::WheelDiscarded {
            wheels: vec![id(&format!("{:05}A-01", middle - 20))],
            reason: String::new(),
        }
        .into(),
    };
    index.apply(&more(1));
    timed("one fact more: brought up to date", || {
        let _ = index.trace();
    });
}
