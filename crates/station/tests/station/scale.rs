//! The scale beside a station: its check, and what a hoop adds to a weight.

use chrono::Duration;
use facts::{Event, ToolCheck, WheelPortioned, WheelWeighed};
use metrology::Settled;
use proptest::prelude::*;
use quantity::Grams;
use station::{Scale, Setup};

use crate::floor::{Floor, at, scale, setup};

const PORTION: [&str; 2] = ["A.PORTION", "B.311"];

fn checks(floor: &mut Floor, grams: u32, shown: u32) -> String {
    floor.scans(&["A.CHECKWEIGHT", &format!("N.{grams}")]);
    floor.weighs(shown)
}

fn with_daily_check() -> Floor {
    let mut floor = Floor::empty();
    let setup = Setup {
        scale: Some(Scale {
            daily_check: true,
            ..scale()
        }),
        ..setup()
    };
    floor.restart_with(setup);
    floor
}

#[test]
fn a_scale_that_shows_its_check_weight_passes_and_is_recorded() {
    let mut floor = Floor::empty();
    assert_eq!(
        floor.scan("A.CHECKWEIGHT"),
        "NEXT  CHECKWEIGHT: scan the grams on the check weight"
    );
    assert_eq!(
        floor.scan("N.5000"),
        "NEXT  5.000 kg: put it on the empty scale"
    );
    assert_eq!(
        floor.weighs(5_010),
        "OK  PASS: scale scale-1 shows 5.010 kg for 5.000 kg, 10 g allowed"
    );
    let Event::ToolChecked(checked) = &floor.facts[0].event else {
        panic!("{:?}", floor.facts);
    };
    let [applied_g, shown_g, allowed_g] = [5_000, 5_010, 10].map(|g| Grams::new(g).unwrap());
    let wanted = ToolCheck::CheckWeight {
        applied_g,
        shown_g,
        allowed_g,
    };
    assert_eq!((checked.tool.as_str(), checked.check), ("scale-1", wanted));
    // In the other order, and again.
    assert_eq!(
        floor.weighs(20_010),
        "NEXT  20.010 kg shown: scan the grams on the check weight"
    );
    assert_eq!(
        floor.scan("N.20000"),
        "OK  PASS: scale scale-1 shows 20.010 kg for 20.000 kg, 20 g allowed"
    );
    floor.scan("N.5000");
    assert_eq!(
        floor.scan("A.TURN"),
        "WRONG  the check with 5.000 kg was not recorded. TURN: scan what you turned"
    );
}

#[test]
fn a_scale_that_failed_weighs_nothing_until_it_passes() {
    let mut floor = Floor::empty();
    floor.scans(&["A.VAT", "V.V1", "B.311", "C.blue", "N.2000"]);
    checks(&mut floor, 5_000, 5_000);
    floor.now += Duration::minutes(30);
    assert_eq!(
        checks(&mut floor, 5_000, 5_020),
        "STOP  FAIL: scale scale-1 shows 5.020 kg for 5.000 kg, 10 g allowed: recorded. It weighs nothing until a check passes: clean it, zero it, check again, or call your supervisor. Doubt what was weighed since today at 06:07"
    );
    let failed = "scale scale-1 failed its check today at 06:39: it weighs nothing until a check passes. Scan CHECKWEIGHT";
    assert_eq!(floor.scan("A.PORTION"), format!("WRONG  PORTION: {failed}"));
    floor.scans(&["B.311", "H.H1"]);
    assert_eq!(
        floor.weighs(11_000),
        format!("WRONG  11.000 kg not recorded: {failed}")
    );
    floor.scans(&["A.WEIGH", "W.311-01"]);
    assert!(floor.weighs(11_000).contains("not recorded"));
    // A new session does not help.
    floor.restart();
    assert_eq!(floor.scan("A.WEIGH"), format!("WRONG  WEIGH: {failed}"));
    assert!(checks(&mut floor, 5_000, 4_990).starts_with("OK  PASS"));
    floor.scans(&PORTION);
    floor.weighs(11_000);
    assert_eq!(floor.scan("H.H1"), "OK  wheel 311-01, 11.000 kg, hoop H1");
    assert_eq!(
        floor.recorded(),
        [
            "tool.checked",
            "wheel.portioned 311-01",
            "wheel.hooped 311-01"
        ]
    );
}

#[test]
fn a_failed_check_is_not_undone_even_if_it_was_a_slip_but_a_good_check_ends_it() {
    let mut floor = Floor::empty();
    checks(&mut floor, 5_000, 5_000);
    // The 500 g card in place of the 5 kg one.
    assert!(checks(&mut floor, 500, 5_000).starts_with("STOP  FAIL"));
    let refused = floor.scan("A.UNDO");
    assert!(refused.starts_with("WRONG  not undone: FAIL"), "{refused}");
    assert!(
        refused.contains("only a manager takes it back"),
        "{refused}"
    );
    assert!(checks(&mut floor, 5_000, 5_000).starts_with("OK  PASS"));
    assert_eq!(floor.scan("A.PORTION"), "NEXT  PORTION: scan the batch");
}

#[test]
fn what_a_scale_last_showed_is_remembered_for_ever_and_older_checks_are_not() {
    let mut floor = Floor::empty();
    let scale = scale().tool;
    for shown in [5_000, 5_020, 5_010, 5_030] {
        floor.now += Duration::days(1);
        checks(&mut floor, 5_000, shown);
    }
    let (last, passed) = (
        floor.placement.last_check(scale),
        floor.placement.last_pass(scale),
    );
    assert!(!last.unwrap().1.passed() && passed.is_some());
    let before = facts::stored::borsh::to_vec(&floor.placement)
        .unwrap()
        .len();
    let cutoff = floor.now + Duration::days(90);
    floor.placement.forget_before(cutoff, cutoff);
    assert_eq!(floor.placement.last_check(scale), last);
    assert_eq!(floor.placement.last_pass(scale), passed);
    assert!(
        facts::stored::borsh::to_vec(&floor.placement)
            .unwrap()
            .len()
            < before
    );
    assert!(
        floor
            .scan("A.WEIGH")
            .contains("failed its check today at 06:08")
    );
}

#[test]
fn where_a_check_is_due_each_day_nothing_is_weighed_before_it() {
    let mut floor = with_daily_check();
    let missing = "scale scale-1 was not checked today: scan CHECKWEIGHT first";
    assert_eq!(
        floor.scan("A.PORTION"),
        format!("WRONG  PORTION: {missing}")
    );
    floor.scan("B.311");
    assert_eq!(
        floor.weighs(11_000),
        format!("WRONG  11.000 kg not recorded: {missing}")
    );
    checks(&mut floor, 5_000, 5_000);
    assert_eq!(floor.scan("A.PORTION"), "NEXT  PORTION: scan the batch");
    // The dairy day ends at 04:00.
    floor.now = at("2026-03-04T03:58:00Z");
    floor.scan("B.311");
    assert_eq!(floor.weighs(11_000), "NEXT  11.000 kg: scan its hoop");
    floor.now = at("2026-03-04T04:00:00Z");
    assert_eq!(
        floor.weighs(11_000),
        format!("WRONG  11.000 kg not recorded: {missing}")
    );
}

#[test]
fn what_is_no_check_weight_is_refused_in_words() {
    let mut floor = Floor::empty();
    floor.scan("A.CHECKWEIGHT");
    for (line, words) in [
        (
            "N.100",
            "WRONG  100 g is no check weight for this scale: take one of 0.200 kg to 30.000 kg, near what you weigh, and scan its grams",
        ),
        (
            "N.31000",
            "WRONG  31000 g is no check weight for this scale: take one of 0.200 kg to 30.000 kg, near what you weigh, and scan its grams",
        ),
        (
            "N.5000.5",
            "WRONG  5000.5 g is no check weight for this scale: take one of 0.200 kg to 30.000 kg, near what you weigh, and scan its grams",
        ),
        (
            "S.S1",
            "WRONG  CHECKWEIGHT takes the grams on the check weight, such as N.5000, not stillage S1",
        ),
    ] {
        assert_eq!(floor.scan(line), words);
    }
    let setup = Setup {
        scale: None,
        ..setup()
    };
    floor.restart_with(setup);
    assert_eq!(
        floor.scan("A.CHECKWEIGHT"),
        "WRONG  CHECKWEIGHT needs a scale: go to a station with one. Nothing recorded"
    );
}

fn portioned(floor: &Floor) -> &WheelPortioned {
    match &floor.facts[0].event {
        Event::WheelPortioned(portioned) => portioned,
        other => panic!("{other:?}"),
    }
}

fn weighed(floor: &Floor) -> &WheelWeighed {
    match &floor.facts[0].event {
        Event::WheelWeighed(weighed) => weighed,
        other => panic!("{other:?}"),
    }
}

fn net(grams: u32, net: Option<bool>) -> Settled {
    Settled {
        weight: Grams::new(grams).unwrap(),
        net,
    }
}

#[test]
fn a_hoop_that_is_weighed_along_is_taken_off_and_kept_beside_the_weight() {
    let mut floor = Floor::with_a_batch();
    floor.scans(&PORTION);
    floor.weighs(12_420);
    // 1.404 kg is 1.400 kg on a scale of 10 g.
    assert_eq!(
        floor.scan("H.HS1"),
        "OK  wheel 311-05, 11.020 kg (12.420 kg with the hoop), hoop HS1"
    );
    let born = portioned(&floor);
    assert_eq!(
        (born.weight_g.get(), born.tare_g.map(Grams::get)),
        (11_020, Some(1_400))
    );
    // Weighed again in its hoop, whether the hoop or the wheel is scanned.
    for scan in ["H.HS1", "W.311-05"] {
        floor.restart();
        floor.scans(&["A.WEIGH", scan]);
        assert_eq!(
            floor.weighs(12_000),
            "OK  wheel 311-05 weighs 10.600 kg (12.000 kg with the hoop)"
        );
        let weighed = weighed(&floor);
        assert_eq!(
            (weighed.weight_g.get(), weighed.tare_g.map(Grams::get)),
            (10_600, Some(1_400))
        );
    }
    // Out of it, it is weighed alone.
    floor.scans(&["A.UNHOOP", "H.HS1"]);
    floor.restart();
    floor.scans(&["A.WEIGH", "W.311-05"]);
    assert_eq!(floor.weighs(10_590), "OK  wheel 311-05 weighs 10.590 kg");
    assert_eq!(weighed(&floor).tare_g, None);
}

#[test]
fn a_tare_is_taken_off_once() {
    for (hoop, shown, words) in [
        (
            "H.HS1",
            net(11_020, Some(true)),
            "OK  wheel 311-05, 11.020 kg, hoop HS1",
        ),
        (
            "H.HS1",
            net(12_420, Some(false)),
            "OK  wheel 311-05, 11.020 kg (12.420 kg with the hoop), hoop HS1",
        ),
        (
            "H.H5",
            net(11_020, None),
            "OK  wheel 311-05, 11.020 kg, hoop H5",
        ),
    ] {
        let mut floor = Floor::with_a_batch();
        floor.scans(&PORTION);
        floor.shows(shown);
        assert_eq!(floor.scan(hoop), words);
    }
}

#[test]
fn an_empty_hoop_is_no_wheel() {
    let mut floor = Floor::with_a_batch();
    floor.scans(&PORTION);
    floor.weighs(1_400);
    assert_eq!(
        floor.scan("H.HS1"),
        "WRONG  1.400 kg, but hoop HS1 alone weighs 1.400 kg: nothing recorded. Weigh again with the right hoop"
    );
    assert!(floor.facts.is_empty());
    // Neither is kept for the next wheel.
    floor.weighs(12_400);
    assert_eq!(
        floor.scan("H.HS1"),
        "OK  wheel 311-05, 11.000 kg (12.400 kg with the hoop), hoop HS1"
    );
}

proptest! {
    #[test]
    fn net_and_tare_together_are_what_the_scale_showed(shown in 200u32..30_000) {
        let shown = shown / 10 * 10;
        let mut floor = Floor::with_a_batch();
        floor.scans(&PORTION);
        floor.weighs(shown);
        floor.scan("H.HS1");
        if shown > 1_400 {
            let born = portioned(&floor);
            prop_assert_eq!(born.weight_g.get() + born.tare_g.unwrap().get(), shown);
        } else {
            prop_assert!(floor.facts.is_empty());
        }
    }
}
