//! The simulated dairy before the real rules: the folded floor equals the ledger, and the
//! demonstration's recipe fits what its people do.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::{BTreeMap, BTreeSet};

use chrono::{NaiveDate, TimeDelta};
use floor_sim::{Dairy, Ledger, Mark, Mistakes, Size};
use quantity::DairyDay;
use ripening::{Alert, Floor, Practice, Situation, Step};

#[path = "support/stations.rs"]
mod stations;
use stations::{Stations, larkholm};

fn first_day() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, 2).unwrap()
}

/// Plays some days through the stations into a floor that is looked at every half hour.
fn folded(seed: u64, size: Size, mistakes: Mistakes, days: usize) -> (Floor, Vec<Alert>, Ledger) {
    let site = larkholm();
    let mut floor = Floor::new(
        Practice {
            clock: site.clock,
            turn_by: site.turn_by,
            lost_after_days: site.lost_after_days,
            closed_after_days: site.closed_after_days,
            recipes: site.recipes.clone(),
            rights: ripening::Rights::AnyBadge,
        },
        chrono::DateTime::UNIX_EPOCH,
    );
    let mut dairy = Dairy::new(seed, first_day(), size, mistakes);
    let mut stations = Stations::new();
    let mut alerts = Vec::new();
    for _ in 0..days {
        let script = dairy.next_day();
        let day = DairyDay::starting(script.day);
        let mut now = site.clock.start_of(day);
        let mut doings = script.doings.iter().peekable();
        while now < site.clock.end_of(day) {
            now += TimeDelta::minutes(30);
            while let Some(doing) = doings.next_if(|doing| doing.arrives_at < now) {
                stations.take(doing);
            }
            for fact in stations.facts.drain(..) {
                floor.apply(&fact);
            }
            floor.refresh(now);
            alerts.extend(floor.tell());
        }
    }
    let ledger = stations.take_the_rest(dairy);
    for fact in stations.facts.drain(..) {
        floor.apply(&fact);
    }
    (floor, alerts, ledger)
}

fn assert_equals(floor: &Floor, ledger: &Ledger) {
    let away: BTreeMap<usize, usize> = ledger
        .deeds()
        .iter()
        .filter(|deed| deed.mark == Mark::Contradiction)
        .flat_map(|deed| deed.wheels.iter().map(|wheel| (*wheel, 1)))
        .collect();
    let states = ledger.known_at(chrono::DateTime::<chrono::Utc>::MAX_UTC);
    for (number, truth) in states.iter().enumerate() {
        let state = &floor.wheel(truth.id.parse().unwrap()).unwrap().state();
        let name = &truth.id;
        let text = |id: Option<&str>| id.map(str::to_owned);
        assert_eq!(
            state.batch.map(|b| b.to_string()).as_ref(),
            Some(&truth.batch)
        );
        assert_eq!(state.made, Some(DairyDay::starting(truth.made)), "{name}");
        assert_eq!(state.turns as usize, truth.turns, "{name}");
        assert_eq!(state.turn_days as usize, truth.turn_days.len(), "{name}");
        assert_eq!(state.unhooped.is_some(), truth.unhooped, "{name}");
        assert_eq!(state.rubbed_up.is_some(), truth.rubbed_up, "{name}");
        assert_eq!(state.pierced.is_some(), truth.pierced.is_some(), "{name}");
        assert_eq!(
            state.rind.map(|r| r.value.get() as i64),
            truth.rind_cover,
            "{name}"
        );
        assert_eq!(
            state.ironed.map(|r| r.value.get() as i64),
            truth.blue,
            "{name}"
        );
        let grade = state.grade.map(|g| g.value.to_string().to_uppercase());
        assert_eq!(grade.as_deref(), truth.grade, "{name}");
        let holds: BTreeSet<String> = {
            let held = floor.holds(truth.id.parse().unwrap());
            held.iter().map(ToString::to_string).collect()
        };
        assert_eq!(holds, truth.holds, "{name}");
        assert_eq!(state.on_floor(), truth.in_house(), "{name}");
        assert_eq!(state.discarded.is_some(), truth.discarded, "{name}");
        assert_eq!(state.returned.is_some(), truth.returned, "{name}");
        assert_eq!(
            state.weight.map(|w| w.value.get()),
            Some(truth.weight_g),
            "{name}"
        );
        assert_eq!(
            state.flags.len(),
            away.get(&number).copied().unwrap_or(0),
            "{name}"
        );
        if truth.in_house() {
            assert_eq!(
                text(state.hoop.as_ref().map(|h| h.as_str())),
                truth.hoop,
                "{name}"
            );
            assert_eq!(
                text(state.stillage.as_ref().map(|s| s.as_str())),
                truth.stillage,
                "{name}"
            );
            assert_eq!(
                state.room.as_ref().map(|r| r.value.as_str()),
                truth.room,
                "{name}"
            );
        }
    }
    let strangers: BTreeSet<_> = ledger.strangers().iter().map(|s| &s.wheel).collect();
    assert_eq!(floor.wheels().count(), states.len() + strangers.len());
}

#[test]
fn the_folded_floor_equals_the_ledger() {
    let (floor, _, ledger) = folded(1, Size::larkholm(), Mistakes::default(), 100);
    assert_equals(&floor, &ledger);
}

#[test]
fn in_a_dairy_without_mistakes_nobody_is_alerted() {
    for seed in 2..5 {
        let (floor, alerts, ledger) = folded(seed, Size::larkholm(), Mistakes::none(), 100);
        assert_equals(&floor, &ledger);
        let texts: BTreeSet<&str> = alerts.iter().map(|alert| alert.text.as_str()).collect();
        assert_eq!(texts, BTreeSet::new());
    }
}

#[test]
fn every_whole_day_without_a_turn_is_told() {
    let mistakes = Mistakes {
        missed_turn: 0.01,
        ..Mistakes::none()
    };
    let (_, alerts, ledger) = folded(6, Size::larkholm(), mistakes, 60);
    let clock = larkholm().clock;
    // By then a stack may have been unhooped: the wheels are told of where they stand.
    let told = |missed: &floor_sim::MissedTurn| {
        let day = DairyDay::starting(missed.day);
        let wheel = ledger.wheel_id(missed.wheels[0]).unwrap().parse().unwrap();
        alerts.iter().any(|alert| {
            let raised = alert.situation == Situation::NotTurned && alert.step == Step::Raised;
            raised && alert.wheels.contains(&wheel) && clock.day_of(alert.since) == day
        })
    };
    let untold: Vec<_> = ledger.passed_over().iter().filter(|m| !told(m)).collect();
    assert!(ledger.passed_over().len() > 20);
    assert!(untold.is_empty(), "{untold:?}");
}
