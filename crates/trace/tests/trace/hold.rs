//! Holds over more than named wheels reach every wheel, and only a person with the right
//! to do so ends them.

use std::collections::BTreeSet;

use facts::{HoldLifted, HoldPlaced, Scope, WheelHeld, WheelReleased};
use holds::Rights;

use crate::given::{Log, id, time, wheels, window};

fn rights(badges: &str) -> Rights {
    Rights::Named(badges.split(' ').map(id).collect::<BTreeSet<_>>())
}

fn placed(hold: &str, scope: Scope) -> HoldPlaced {
    HoldPlaced {
        hold: id(hold),
        scope,
        reason: "positive swab".to_owned(),
        cause: None,
    }
}

fn released(names: &str, hold: &str) -> WheelReleased {
    WheelReleased {
        wheels: wheels(names),
        hold: id(hold),
        reason: "result is in".to_owned(),
    }
}

fn owed(log: &Log, rights: &Rights) -> Vec<(String, Vec<String>)> {
    let mut index = log.index_by(rights.clone());
    let owed = index.trace().owed_holds();
    owed.into_iter()
        .map(|held| {
            let names = held.wheels.iter().map(ToString::to_string).collect();
            (held.hold.to_string(), names)
        })
        .collect()
}

/// States what is owed, as the worker does.
fn state(log: &mut Log, at: &str, rights: &Rights) {
    let mut index = log.index_by(rights.clone());
    let owed: Vec<WheelHeld> = index.trace().owed_holds();
    for held in owed {
        log.fact_by("", at, held);
    }
}

fn floor() -> Log {
    let mut log = Log::default();
    log.milk("1 05:00", "milk-1", 440.0);
    log.vat("1 06:00", "b1", "V1", 220.0, "milk-1");
    log.vat("1 06:00", "b2", "V2", 220.0, "milk-1");
    log.portion("1 14:00", "b1", "b1-01 b1-02");
    log
}

#[test]
fn a_hold_over_a_lot_reaches_wheels_that_are_portioned_later() {
    let mut log = floor();
    let any = Rights::AnyBadge;
    log.fact("2 08:00", placed("LAB", Scope::Lot(id("milk-1"))));
    assert_eq!(
        owed(&log, &any),
        [(
            "LAB".to_owned(),
            vec!["b1-01".to_owned(), "b1-02".to_owned()]
        )]
    );
    state(&mut log, "2 08:01", &any);
    assert_eq!(owed(&log, &any), []);
    log.portion("2 14:00", "b2", "b2-01");
    assert_eq!(
        owed(&log, &any),
        [("LAB".to_owned(), vec!["b2-01".to_owned()])]
    );
}

#[test]
fn holds_are_nested_and_each_is_ended_by_itself() {
    let mut log = floor();
    let any = Rights::AnyBadge;
    log.fact("2 08:00", placed("LAB", Scope::Batch(id("b1"))));
    log.fact("2 09:00", placed("RECALL", Scope::Wheels(wheels("b1-01"))));
    state(&mut log, "2 09:01", &any);
    log.fact("3 09:00", released("b1-01 b1-02", "LAB"));
    let mut index = log.index();
    let recall = index.trace().recall(
        &Scope::Batch(id("b1")),
        &trace::Settings::default(),
        time("3 10:00"),
    );
    let holds: Vec<_> = recall
        .wheels
        .iter()
        .map(|wheel| wheel.holds.clone())
        .collect();
    assert_eq!(holds, [vec![id("RECALL")], vec![]]);
    assert_eq!(owed(&log, &any), [], "a person let these wheels go");
}

#[test]
fn a_wheel_on_the_road_is_listed_once_and_counted_as_told() {
    let mut log = floor();
    let any = Rights::AnyBadge;
    log.dispatch("2 06:00", "b1-02", None);
    log.fact("2 08:00", placed("LAB", Scope::Lot(id("milk-1"))));
    state(&mut log, "2 08:01", &any);
    let mut index = log.index();
    let trace = index.trace();
    let standing = trace.standing_holds();
    let [one] = standing.as_slice() else {
        panic!("{standing:?}")
    };
    assert_eq!((&one.kept, &one.left), (&wheels("b1-01"), &wheels("b1-02")));
    assert_eq!(trace.untraced_holds()[0].wheels, 2);
}

#[test]
fn a_release_without_the_right_to_it_ends_nothing() {
    let mut log = floor();
    let rights = rights("01 02");
    log.fact_by("07", "2 08:00", placed("LAB", Scope::Batch(id("b1"))));
    state(&mut log, "2 08:01", &rights);
    log.fact_by("07", "3 09:00", released("b1-01", "LAB"));
    log.fact_by("01", "3 09:00", released("b1-02", "LAB"));
    let mut index = log.index_by(rights.clone());
    let standing = index.trace().standing_holds();
    assert_eq!(standing[0].released_without_right, wheels("b1-01"));
    assert_eq!(standing[0].let_go, wheels("b1-02"));
    assert_eq!(standing[0].kept, wheels("b1-01"));
    assert_eq!(owed(&log, &rights), [], "the hold stands as it was stated");
}

#[test]
fn only_a_named_person_with_the_right_to_do_so_ends_a_hold_over_a_scope() {
    let mut log = floor();
    let rights = rights("01");
    let lifted = || HoldLifted {
        hold: id("LAB"),
        wheels: Vec::new(),
        reason: "all clear".to_owned(),
    };
    let stands = |log: &Log| {
        let mut index = log.index_by(rights.clone());
        !index.trace().standing_holds().is_empty()
    };
    log.fact("2 08:00", placed("LAB", Scope::Batch(id("b1"))));
    log.fact_by("", "2 09:00", lifted());
    assert!(stands(&log), "nobody's");
    log.fact_by("07", "2 10:00", lifted());
    assert!(stands(&log), "no right to it");
    log.fact_by("01", "2 11:00", lifted());
    assert!(!stands(&log));
    log.fact("2 12:00", placed("LAB", Scope::Batch(id("b1"))));
    assert!(stands(&log), "placed again");
}

#[test]
fn a_room_a_tool_a_stillage_and_a_time_can_be_held() {
    let mut log = floor();
    log.go("2 09:00", "b1-01", None, "R1");
    log.load("2 10:00", "b1-02", "S1");
    log.pierce("3 09:00", "b1-02", "PM1");
    let at = window("2 08:00", "4 08:00");
    for (scope, names) in [
        (
            Scope::Room {
                room: id("R1"),
                window: at,
            },
            "b1-01",
        ),
        (
            Scope::Stillage {
                stillage: id("S1"),
                window: at,
            },
            "b1-02",
        ),
        (
            Scope::Tool {
                tool: id("PM1"),
                window: at,
            },
            "b1-02",
        ),
        (Scope::Made(window("1 14:00", "1 15:00")), "b1-01 b1-02"),
    ] {
        let mut log = Log {
            facts: log.facts.clone(),
        };
        log.fact("5 08:00", placed("Q", scope));
        let names: Vec<String> = wheels(names).iter().map(ToString::to_string).collect();
        assert_eq!(owed(&log, &Rights::AnyBadge), [("Q".to_owned(), names)]);
    }
}

#[test]
fn a_voided_hold_owes_nothing() {
    let mut log = floor();
    let hold = log.fact("2 08:00", placed("LAB", Scope::Batch(id("b1"))));
    log.void("2 08:05", hold);
    assert_eq!(owed(&log, &Rights::AnyBadge), []);
}

#[test]
fn a_recall_says_which_holds_are_still_being_worked_out() {
    let mut log = floor();
    log.fact("2 08:00", placed("LAB", Scope::Lot(id("milk-1"))));
    let flags = |log: &Log| {
        let mut index = log.index();
        let about = Scope::Batch(id("b1"));
        let recall = index
            .trace()
            .recall(&about, &trace::Settings::default(), time("2 10:00"));
        recall
            .flags
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
    };
    let unfinished = |log: &Log| {
        flags(log)
            .iter()
            .any(|f| f.contains("hold LAB is still being worked out"))
    };
    assert!(unfinished(&log), "{:?}", flags(&log));
    state(&mut log, "2 08:01", &Rights::AnyBadge);
    let traced = {
        let mut index = log.index();
        index.trace().untraced_holds()
    };
    for traced in traced {
        log.fact_by("", "2 08:02", traced);
    }
    assert!(!unfinished(&log), "{:?}", flags(&log));
    log.portion("2 14:00", "b2", "b2-01");
    assert!(unfinished(&log), "a wheel was portioned since");
}
