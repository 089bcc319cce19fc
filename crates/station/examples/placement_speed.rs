//! How long the placement takes on a large floor: `cargo run --release -p station --example placement_speed`.

#![allow(clippy::disallowed_methods, clippy::unwrap_used)] // a bench measures elapsed time

use std::time::Instant;

use chrono::{DateTime, Duration, Utc};
use facts::{
    Carrier, Event, Fact, FactIdSource, WheelId, WheelLoaded, WheelMoved, WheelPortioned,
    WheelTurned,
};
use quantity::Grams;
use station::Placement;

const GROUPS: usize = 2_000;
const WHEELS: usize = 24;
const TURNS: i64 = 30;

fn main() {
    let ids = FactIdSource::default();
    let start: DateTime<Utc> = "2026-03-03T06:00:00Z".parse().unwrap();
    let fact = |at: DateTime<Utc>, event: Event| Fact {
        id: ids.next(at),
        site: "larkholm".parse().unwrap(),
        station: "st-1".parse().unwrap(),
        station_seq: 1,
        person: None,
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event,
    };
    let mut placement = Placement::default();
    let mut groups = Vec::new();
    for group in 0..GROUPS {
        let batch = format!("b{group}").parse().unwrap();
        let wheels: Vec<WheelId> = (1..=WHEELS)
            .map(|n| format!("b{group}-{n:02}").parse().unwrap())
            .collect();
        for &wheel in &wheels {
            let weight_g = Grams::new(11_000).unwrap();
            let (scale, mixer) = (None, None);
            let born = WheelPortioned {
                wheel,
                batch,
                weight_g,
                scale,
                tare_g: None,
                mixer,
            };
            placement.apply(&fact(start, born.into()));
        }
        let stillage = format!("S{group}").parse().unwrap();
        let loaded = WheelLoaded {
            wheels: wheels.clone(),
            stillage,
        };
        placement.apply(&fact(start, loaded.into()));
        groups.push((stillage, wheels));
    }
    let mut turns = Vec::new();
    for day in 1..=TURNS {
        for (stillage, wheels) in &groups {
            let turned = WheelTurned {
                wheels: wheels.clone(),
                via: Some(Carrier::Stillage(*stillage)),
            };
            turns.push(fact(start + Duration::days(day), turned.into()));
        }
    }
    let per = |began: Instant, count: usize| began.elapsed() / u32::try_from(count).unwrap();

    let began = Instant::now();
    for turn in &turns {
        placement.apply(turn);
    }
    println!("turn of {WHEELS} wheels   {:?}", per(began, turns.len()));

    let began = Instant::now();
    let found: usize = groups
        .iter()
        .map(|(s, _)| placement.wheels_on(Carrier::Stillage(*s)).len())
        .sum();
    println!("wheels on a stillage  {:?}", per(began, groups.len()));
    assert_eq!(found, GROUPS * WHEELS);

    let moves: Vec<Fact> = groups
        .iter()
        .map(|(stillage, wheels)| {
            let moved = WheelMoved {
                wheels: wheels.clone(),
                via: Some(Carrier::Stillage(*stillage)),
                room: "R1".parse().unwrap(),
                position: None,
            };
            fact(start + Duration::days(40), moved.into())
        })
        .collect();
    let began = Instant::now();
    for moved in &moves {
        placement.apply(moved);
    }
    println!("move of {WHEELS} wheels   {:?}", per(began, moves.len()));

    let began = Instant::now();
    let (stillage, wheels) = &groups[0];
    let then = placement.wheels_on_at(Carrier::Stillage(*stillage), start + Duration::days(2));
    println!("wheels on it at a time {:?}", began.elapsed());
    assert_eq!(&then, wheels);

    let began = Instant::now();
    let bytes = facts::stored::borsh::to_vec(&placement).unwrap();
    println!(
        "snapshot of {} wheels  {:?}, {} MB",
        GROUPS * WHEELS,
        began.elapsed(),
        bytes.len() / 1_000_000
    );
    let began = Instant::now();
    let restored: Placement = facts::stored::borsh::from_slice(&bytes).unwrap();
    println!("restore  {:?}", began.elapsed());
    assert!(restored == placement);
}
