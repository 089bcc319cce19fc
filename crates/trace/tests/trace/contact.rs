//! Sideways: what touched what, and how sure that is.

use facts::{Carrier, OrderPacked, Scope, Sscc, WheelTurned, WheelUnhooped};
use trace::Level;

use crate::given::{Log, flags, id, names, wheels, why, window};

/// Suspect `s1` of batch `s` among wheels of others.
fn floor() -> Log {
    let mut log = Log::default();
    log.vat("1 06:00", "s", "V1", 220.0, "");
    log.vat("1 06:00", "o", "V2", 220.0, "");
    log.portion("1 14:00", "s", "s1");
    log.portion("1 14:00", "o", "o1 o2 o3 o4");
    log
}

fn suspect(log: &Log) -> trace::Recall {
    log.recall(&Scope::Wheels(wheels("s1")))
}

#[test]
fn a_stillage_at_the_same_time_is_probable_and_at_another_time_nothing() {
    let mut log = floor();
    log.load("5 09:00", "s1 o1", "S1");
    log.load("6 09:00", "s1", "S2");
    log.load("6 09:00", "o2", "S1");
    log.load("7 09:00", "o3", "S2");
    let recall = suspect(&log);
    assert_eq!(names(&recall, Level::Probable), "o1 o3");
    assert_eq!(names(&recall, Level::Possible), "");
    assert_eq!(
        why(&recall, "o1"),
        ["on stillage S1 with s1 from 2026-01-05 09:00 UTC to 2026-01-06 09:00 UTC"]
    );
    assert_eq!(
        why(&recall, "o3"),
        ["on stillage S2 with s1 from 2026-01-07 09:00 UTC to now"]
    );
}

#[test]
fn a_stack_drips_on_those_below() {
    let mut log = floor();
    log.hoop("1 15:00", "s1", "H1", Some("K1"));
    log.hoop("1 15:05", "o1", "H2", Some("K1"));
    log.hoop("1 15:10", "o2", "H3", Some("K2"));
    assert_eq!(names(&suspect(&log), Level::Probable), "o1");
}

#[test]
fn the_same_room_at_the_same_time_is_possible() {
    let mut log = floor();
    log.go("5 09:00", "s1", None, "R1");
    log.go("5 10:00", "o1", None, "R1");
    log.go("6 09:00", "s1", None, "R2");
    log.go("6 09:00", "o2", None, "R1");
    let recall = suspect(&log);
    assert_eq!(names(&recall, Level::Possible), "o1");
    assert_eq!(
        why(&recall, "o1"),
        ["in room R1 with s1 from 2026-01-05 10:00 UTC to 2026-01-06 09:00 UTC"]
    );
}

#[test]
fn a_wheel_goes_where_its_stillage_goes_though_nobody_named_it() {
    let mut log = floor();
    log.load("5 08:00", "o1", "S9");
    log.go("5 08:30", "o1", Some("S9"), "R1");
    // Loaded on a stillage that stands in R1 already.
    log.load("5 09:00", "s1", "S9");
    log.go("5 10:00", "o2", None, "R1");
    // The stillage moves on with s1 on it, though only o1 was named.
    log.go("8 09:00", "o1", Some("S9"), "R2");
    log.go("9 09:00", "o3", None, "R2");
    log.go("9 09:00", "o4", None, "R1");
    let recall = suspect(&log);
    assert_eq!(names(&recall, Level::Probable), "o1");
    assert_eq!(names(&recall, Level::Possible), "o2 o3");
}

#[test]
fn a_machine_carries_on_until_it_is_sanitised() {
    let mut log = floor();
    log.sanitise("9 07:00", "PM1");
    log.pierce("9 08:00", "o1", "PM1");
    log.pierce("9 09:00", "s1", "PM1");
    log.pierce("9 10:00", "o2", "PM1");
    log.pierce("11 10:00", "o3", "PM1");
    log.sanitise("11 12:00", "PM1");
    log.pierce("11 13:00", "o4", "PM1");
    let recall = suspect(&log);
    assert_eq!(names(&recall, Level::Probable), "o2");
    assert_eq!(names(&recall, Level::Possible), "o1 o3");
    assert_eq!(
        why(&recall, "o2"),
        [
            "PM1 went into it at 2026-01-09 10:00 UTC in the same run after s1, not sanitised in between"
        ]
    );
    assert_eq!(
        why(&recall, "o3"),
        ["PM1 went into it at 2026-01-11 10:00 UTC after s1: no sanitising is recorded in between"]
    );
    assert_eq!(
        why(&recall, "o1"),
        ["PM1 went into it at 2026-01-09 08:00 UTC before s1, not sanitised in between"]
    );
}

#[test]
fn where_sanitising_is_never_recorded_a_run_counts_and_the_report_says_so() {
    let mut log = floor();
    log.pierce("9 09:00", "s1", "PM1");
    log.pierce("9 10:00", "o2", "PM1");
    log.pierce("11 10:00", "o3", "PM1");
    let recall = suspect(&log);
    assert_eq!(names(&recall, Level::Probable), "o2");
    assert_eq!(names(&recall, Level::Possible), "");
    assert_eq!(
        flags(&recall),
        [
            "cleaning of PM1 is never recorded: contact over them is counted for 24 h only; ask the cleaning plan"
        ]
    );
}

#[test]
fn a_hoop_passes_on_to_the_next_wheel_in_it_unless_cleaned() {
    let mut log = floor();
    log.hoop("1 15:00", "s1", "H1", None);
    let out = WheelUnhooped {
        wheels: wheels("s1"),
        via: None,
    };
    log.fact("2 07:00", out);
    log.hoop("2 08:00", "o1", "H1", None);
    assert_eq!(names(&suspect(&log), Level::Possible), "o1");
    log.sanitise("2 07:30", "H1");
    assert_eq!(names(&suspect(&log), Level::Possible), "");
}

#[test]
fn a_vat_passes_on_to_the_next_batch_unless_cleaned() {
    let mut log = floor();
    log.vat("1 18:00", "n", "V1", 220.0, "");
    log.portion("2 14:00", "n", "n1");
    let whole = Scope::Batch(id("s"));
    assert_eq!(names(&log.recall(&whole), Level::Possible), "n1");
    log.sanitise("1 17:00", "V1");
    assert_eq!(names(&log.recall(&whole), Level::Possible), "");
}

#[test]
fn a_case_is_shared_until_it_comes_back() {
    let mut log = floor();
    let case = Sscc::with_check_digit(37_610_425_002_123_456).unwrap();
    let packed = OrderPacked {
        order: id("o1"),
        case,
        wheels: wheels("s1 o1"),
        pallet: None,
    };
    log.fact("20 09:00", packed);
    log.dispatch("20 10:00", "s1 o1", Some("o1"));
    assert_eq!(names(&suspect(&log), Level::Probable), "o1");
}

#[test]
fn handling_alone_is_no_contact() {
    let mut log = floor();
    let turned = WheelTurned {
        wheels: wheels("s1 o1 o2"),
        via: Some(Carrier::Stillage(id("S1"))),
    };
    log.fact("5 09:00", turned);
    let recall = suspect(&log);
    assert_eq!(recall.wheels.len(), 1);
}

#[test]
fn the_worst_level_stands_with_its_own_reasons() {
    let mut log = floor();
    log.go("5 09:00", "s1 o1", None, "R1");
    log.load("5 09:00", "s1 o1", "S1");
    let recall = suspect(&log);
    assert_eq!(names(&recall, Level::Probable), "o1");
    assert_eq!(
        why(&recall, "o1").len(),
        1,
        "the room adds nothing to the stillage"
    );
}

#[test]
fn what_was_exposed_in_a_time_is_in_without_being_certain() {
    let mut log = floor();
    log.go("5 09:00", "o1", None, "R1");
    log.go("6 09:00", "o1", None, "R2");
    log.go("7 09:00", "o2", None, "R1");
    log.pierce("8 09:00", "o3", "PM1");
    let room = Scope::Room {
        room: id("R1"),
        window: window("5 00:00", "6 12:00"),
    };
    assert_eq!(names(&log.recall(&room), Level::Possible), "o1");
    let tool = Scope::Tool {
        tool: id("PM1"),
        window: window("8 09:00", "8 10:00"),
    };
    assert_eq!(names(&log.recall(&tool), Level::Probable), "o3");
}

#[test]
fn a_voided_fact_is_no_contact() {
    let mut log = floor();
    log.load("5 09:00", "s1", "S1");
    let wrong = log.load("5 10:00", "o1", "S1");
    assert_eq!(names(&suspect(&log), Level::Probable), "o1");
    let voided = log.void("5 10:05", wrong);
    assert_eq!(names(&suspect(&log), Level::Probable), "");
    log.void("5 10:10", voided);
    assert_eq!(names(&suspect(&log), Level::Probable), "o1");
}
