//! Given these facts, at this time, then these checks were done, missed or out of limits.

use facts::{
    Consequence, ControlChecked, DeviationDecided, DeviationFound, MilkPasteurised, MilkReceived,
    Reading, RoomClimateRead, Scope, ToolCheck, ToolChecked, VatMeasured, VatMilled, VatStarted,
    Voided, WheelPierced,
};
use quantity::{Celsius, Litres, Ph};
use safety::{Check, Standing, alerts, checks};

use crate::given::{Log, clock, id, parse, time};

const PLAN: &str = r#"
[release]
badges = ["01"]
[milk]
heat = "eu"
[[control]]
id = "heat"
name = "heat treatment"
reads = "milk_heat"
every = "milk_lot"
within_h = 12
when_wrong = "do not use the milk; tell the cheesemaker"
[[control]]
id = "ph-mill"
name = "pH before milling"
reads = "vat_ph"
before = "milled"
most = 5.6
every = "batch"
within_h = 30
when_wrong = "hold the batch"
[[control]]
id = "needles"
name = "needles"
reads = "needles"
tool = "PM1"
every = "day_of_use"
when_wrong = "stop piercing"
[[control]]
id = "cold"
name = "cold room"
reads = "room_temperature"
room = "R4"
most = 4.0
every = "day"
when_wrong = "tell the maturing manager"
[[control]]
id = "hands"
name = "hands and boots"
reads = "by_hand"
every = "day"
when_wrong = "speak to the shift"
"#;

fn of(log: &Log, control: &str, now: &str) -> Vec<Check> {
    let plan = parse(PLAN).unwrap();
    let mut all = checks(&plan, &log.diary(), &clock(), time(now));
    all.retain(|check| check.control == id(control));
    all
}

fn standings(log: &Log, control: &str, now: &str) -> Vec<Standing> {
    of(log, control, now)
        .into_iter()
        .map(|check| check.standing)
        .collect()
}

fn started(batch: &str) -> VatStarted {
    VatStarted {
        batch: id(batch),
        vat: id("V1"),
        recipe: id("blue"),
        recipe_version: 1,
        milk_l: Litres::new(220.0).unwrap(),
        milk_lots: Vec::new(),
    }
}

fn ph(batch: &str, value: f64) -> VatMeasured {
    VatMeasured {
        batch: id(batch),
        reading: Reading::Ph(Ph::new(value).unwrap()),
    }
}

#[test]
fn a_reading_counts_before_its_step_and_not_after() {
    let mut log = Log::default();
    log.fact("5 06:00", started("b1"));
    assert_eq!(standings(&log, "ph-mill", "5 09:00"), [Standing::Waits]);
    log.fact("5 18:00", ph("b1", 5.9));
    log.fact("6 05:00", ph("b1", 5.4));
    assert_eq!(standings(&log, "ph-mill", "6 06:00"), [Standing::Done]);
    log.fact(
        "6 06:00",
        VatMilled {
            batch: id("b1"),
            note: None,
        },
    );
    log.fact("6 07:00", ph("b1", 6.5));
    assert_eq!(
        standings(&log, "ph-mill", "6 08:00"),
        [Standing::Done],
        "read after milling"
    );
}

#[test]
fn out_of_limits_is_told_until_a_named_person_has_decided() {
    let mut log = Log::default();
    log.fact("5 06:00", started("b1"));
    log.fact("6 05:00", ph("b1", 5.9));
    let checks = of(&log, "ph-mill", "6 08:00");
    assert_eq!(checks[0].standing, Standing::Out { decided: false });
    assert_eq!(
        alerts(&checks),
        [
            "OUT OF LIMITS: pH before milling, batch b1: 5.9 pH, wanted at most 5.6 pH. hold the batch"
        ]
    );
    let found = DeviationFound {
        about: Scope::Batch(id("b1")),
        control: Some(id("ph-mill")),
        found: "pH 5.9".to_owned(),
        wanted: None,
    };
    let deviation = log.fact("6 05:10", found);
    let decided = DeviationDecided {
        deviation,
        decided_by: id("01"),
        action: "milled an hour later".to_owned(),
        consequence: Consequence::Held,
    };
    log.fact("6 05:30", decided);
    let checks = of(&log, "ph-mill", "6 08:00");
    assert_eq!(checks[0].standing, Standing::Out { decided: true });
    assert!(alerts(&checks).is_empty());
    let diary = log.diary();
    assert_eq!(diary.deviations()[0].decided[0].1.decided_by, id("01"));
}

#[test]
fn what_nobody_did_in_time_is_missed() {
    let mut log = Log::default();
    log.fact("5 06:00", started("b1"));
    let checks = of(&log, "ph-mill", "6 12:00");
    assert_eq!(
        alerts(&checks),
        ["MISSED: pH before milling, batch b1: not done by 2026-01-06 12:00 UTC. hold the batch"]
    );
}

#[test]
fn milk_is_asked_for_its_heat_and_pooled_milk_once() {
    let milk = |lot: &str| MilkReceived {
        lot: id(lot),
        supplier: "Upper Lark Farm".to_owned(),
        volume_l: Litres::new(100.0).unwrap(),
        temperature_c: None,
        fat_pct: None,
        protein_pct: None,
        supplier_lot: None,
        document: None,
        extensions: None,
    };
    let heat = |lot: &str, c: f64| MilkPasteurised {
        lot: id(lot),
        temperature_c: Celsius::new(c).unwrap(),
        held_s: 16.0,
    };
    let mut log = Log::default();
    for lot in ["m1", "m2", "m3"] {
        log.fact("5 04:00", milk(lot));
    }
    log.fact("5 05:00", heat("m1", 71.8));
    assert_eq!(
        standings(&log, "heat", "5 16:00"),
        [
            Standing::Out { decided: false },
            Standing::Missed,
            Standing::Missed
        ]
    );
    let from = ["m2", "m3"].map(|lot| facts::MilkPart {
        lot: id(lot),
        volume_l: Litres::new(100.0).unwrap(),
    });
    log.fact(
        "5 05:00",
        facts::MilkPooled {
            lot: id("silo"),
            from: from.to_vec(),
        },
    );
    log.fact("5 06:00", heat("silo", 72.4));
    let checks = of(&log, "heat", "5 16:00");
    let about: Vec<String> = checks.iter().map(|check| check.about.to_string()).collect();
    assert_eq!(about, ["milk lot m1", "milk lot silo"]);
    assert_eq!(checks[1].standing, Standing::Done);
}

#[test]
fn needles_are_counted_on_days_of_piercing_and_one_bad_count_stays() {
    let mut log = Log::default();
    let pierced = WheelPierced {
        wheels: vec![id("w1")],
        via: None,
        machine: id("PM1"),
    };
    let count = |counted| ToolChecked {
        tool: id("PM1"),
        check: ToolCheck::Needles {
            expected: 60,
            counted,
        },
    };
    log.fact("5 09:00", pierced.clone());
    log.fact("6 09:00", pierced.clone());
    log.fact("6 10:00", count(60));
    log.fact("8 09:00", pierced);
    log.fact("8 09:30", count(59));
    log.fact("8 12:00", count(60));
    assert_eq!(
        standings(&log, "needles", "9 08:00"),
        [
            Standing::Missed,
            Standing::Done,
            Standing::Out { decided: false }
        ],
        "a needle found again does not undo that one was missing"
    );
}

#[test]
fn a_day_without_a_reading_is_missed_and_the_worst_of_a_day_counts() {
    let mut log = Log::default();
    let cold = |c: f64| RoomClimateRead {
        room: id("R4"),
        sensor: None,
        temperature_c: Celsius::new(c).unwrap(),
        humidity_pct: None,
        co2_ppm: None,
        nh3_ppm: None,
    };
    log.fact("5 08:00", cold(3.0));
    log.fact("7 08:00", cold(3.0));
    log.fact("7 09:00", cold(4.5));
    log.fact("7 10:00", cold(3.0));
    assert_eq!(
        standings(&log, "cold", "8 05:00"),
        [
            Standing::Done,
            Standing::Missed,
            Standing::Out { decided: false },
            Standing::Waits
        ]
    );
}

#[test]
fn a_check_by_hand_says_something_or_does_not_count_as_in_order() {
    let mut log = Log::default();
    let by_hand = |in_order, note: Option<&str>| ControlChecked {
        control: id("hands"),
        about: None,
        value: None,
        in_order,
        note: note.map(str::to_owned),
    };
    log.fact("5 08:00", by_hand(Some(true), None));
    log.fact(
        "6 08:00",
        by_hand(Some(false), Some("a boot without cover")),
    );
    let wrong = log.fact("7 08:00", by_hand(None, None));
    assert_eq!(
        standings(&log, "hands", "7 12:00"),
        [
            Standing::Done,
            Standing::Out { decided: false },
            Standing::Out { decided: false }
        ]
    );
    assert_eq!(
        of(&log, "hands", "7 12:00")[1].read.as_deref(),
        Some("NOT in order, a boot without cover")
    );
    log.fact(
        "7 08:01",
        Voided {
            fact: wrong,
            reason: "empty".to_owned(),
        },
    );
    assert_eq!(standings(&log, "hands", "7 12:00")[2], Standing::Waits);
}
