//! The simulated people before the real stations: what they scan is understood, and the
//! picture of the floor that the stations build agrees with the ledger.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::BTreeSet;

use chrono::{DateTime, NaiveDate, Utc};
use facts::{Event, Fact};
use floor_sim::{Dairy, Ledger, Mistakes, Size};
use quantity::DairyDay;
use station::Left;

#[path = "support/stations.rs"]
mod stations;
use stations::Stations;

fn count(stations: &Stations, wheels: impl Fn(&Event) -> Option<usize>) -> usize {
    let voided: BTreeSet<_> = stations
        .facts
        .iter()
        .filter_map(|fact| match &fact.event {
            Event::Voided(void) => Some(void.fact),
            _ => None,
        })
        .collect();
    let standing = |fact: &&Fact| !voided.contains(&fact.id);
    let facts = stations.facts.iter().filter(standing);
    facts.filter_map(|fact| wheels(&fact.event)).sum()
}

fn assert_agrees(stations: &Stations, ledger: &Ledger, first: NaiveDate) {
    let states = ledger.known_at(DateTime::<Utc>::MAX_UTC);
    let known = stations
        .placement
        .wheels()
        .filter(|wheel| stations.placement.knows(*wheel));
    assert_eq!(known.count(), states.len());
    let strangers = stations.placement.wheels().count() - states.len();
    let named: BTreeSet<_> = ledger.strangers().iter().map(|s| &s.wheel).collect();
    assert_eq!(strangers, named.len());
    for state in &states {
        let id = state.id.parse().unwrap();
        let standing = stations.placement.standing(id).unwrap();
        let name = &state.id;
        if state.in_house() {
            let text = |id: Option<&str>| id.map(str::to_owned);
            let stillage = standing.stillage.as_ref().map(|s| s.as_str());
            assert_eq!(
                text(standing.hoop.as_ref().map(|h| h.as_str())),
                state.hoop,
                "{name}"
            );
            assert_eq!(
                text(standing.stack.as_ref().map(|k| k.as_str())),
                state.stack,
                "{name}"
            );
            assert_eq!(text(stillage), state.stillage, "{name}");
            let place = stations.placement.place(id);
            assert_eq!(
                place.map(|place| place.room.to_string()),
                state.room.map(str::to_owned),
                "{name}"
            );
            if !state.holds.is_empty() || !stations.held(id).is_empty() {
                let holds = stations
                    .held(id)
                    .into_iter()
                    .map(|held| held.hold.to_string());
                assert_eq!(holds.collect::<BTreeSet<_>>(), state.holds, "{name}");
            }
        }
        let left = stations.placement.left(id);
        assert_eq!(
            matches!(left, Some(Left::Dispatched(_))),
            state.dispatched,
            "{name}"
        );
        assert_eq!(
            matches!(left, Some(Left::Discarded(_))),
            state.discarded,
            "{name}"
        );
        for day in &state.turn_days {
            let (day, clock) = (DairyDay::starting(*day), stations.site.clock);
            let (from, to) = (clock.start_of(day), clock.end_of(day));
            assert!(
                stations.placement.turned_between(id, from, to).is_some(),
                "{name}, {day}"
            );
        }
        for day in &state.missed_turn_days {
            let (day, clock) = (DairyDay::starting(*day), stations.site.clock);
            let (from, to) = (clock.start_of(day), clock.end_of(day));
            assert!(
                stations.placement.turned_between(id, from, to).is_none(),
                "{name}, {day}"
            );
        }
    }
    let sum = ledger.summary(first, ledger.last_day().unwrap());
    let counted = |wheels: usize| Some(wheels);
    let turned = count(stations, |event| match event {
        Event::WheelTurned(e) => counted(e.wheels.len()),
        _ => None,
    });
    let of = |topic: &str| {
        count(stations, |event| {
            (event.topic() == topic).then(|| event.wheels().len().max(1))
        })
    };
    assert_eq!(turned, sum.turns + sum.strangers, "turned");
    for (topic, in_ledger) in [
        ("vat.started", sum.vats),
        ("wheel.portioned", sum.made),
        ("wheel.hooped", sum.made),
        ("wheel.unhooped", sum.unhooped),
        ("wheel.rubbed_up", sum.rubbed_up),
        ("wheel.loaded", sum.loaded),
        ("wheel.moved", sum.moved),
        ("rind.observed", sum.rinds_seen),
        ("wheel.pierced", sum.pierced),
        ("wheel.ironed", sum.ironed),
        ("wheel.graded", sum.graded),
        ("wheel.held", sum.held),
        ("wheel.released", sum.released),
        ("wheel.dispatched", sum.dispatched),
        ("wheel.returned", sum.returned),
        ("wheel.discarded", sum.discarded),
        ("fact.voided", sum.voided),
    ] {
        assert_eq!(of(topic), in_ledger, "{topic}");
    }
}

fn everything_at_once() -> Mistakes {
    Mistakes {
        missed_turn: 0.02,
        double_scan: 0.03,
        late_round: 0.15,
        night_round: 0.1,
        undone: 0.15,
        nonsense: 0.2,
        turned_after_dispatch_on: vec![70, 80, 90],
        stranger_on: vec![6, 16, 60],
        hold_on: vec![12, 55, 75],
        needle_short_on: vec![40, 70],
        warm_room_on: vec![20],
        swap_on: vec![10, 12, 14, 50],
        discard_on: vec![9, 15, 70],
        return_on: vec![72, 80],
    }
}

fn plays_through(seed: u64, size: Size, days: usize) {
    let first = NaiveDate::from_ymd_opt(2026, 3, 2).unwrap();
    let mut dairy = Dairy::new(seed, first, size, everything_at_once());
    let mut stations = Stations::new();
    for _ in 0..days {
        for doing in dairy.next_day().doings {
            stations.take(&doing);
        }
    }
    let ledger = stations.take_the_rest(dairy);
    assert_agrees(&stations, &ledger, first);
}

#[test]
fn thirty_full_days_are_understood_by_the_stations_and_agree_with_the_ledger() {
    plays_through(1, Size::larkholm(), 30);
}

#[test]
fn whole_lives_are_understood_by_the_stations_and_agree_with_the_ledger() {
    for seed in 2..5 {
        plays_through(seed, Size::small(), 100);
    }
}
