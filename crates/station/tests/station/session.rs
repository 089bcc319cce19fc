//! Given these scans, then this answer and these facts.

use crate::floor::{Floor, at, wheel};
use facts::{Event, ToolCheck, WheelPortioned};
use station::Kept;

/// Plays lines, each with its answer; a line `= <grams>` is a weight. Then compares facts.
pub fn conversation(mut floor: Floor, lines: &[(&str, &str)], facts: &[&str]) -> Floor {
    for (line, answer) in lines {
        let said = match line.strip_prefix("= ") {
            Some(grams) => floor.weighs(grams.parse().unwrap()),
            None => floor.scan(line),
        };
        assert_eq!(said, *answer, "after {line}");
    }
    assert_eq!(floor.recorded(), facts);
    floor
}

#[test]
fn a_vat_needs_its_four_scans_in_any_order_and_takes_its_milk_lots() {
    let floor = conversation(
        Floor::empty(),
        &[
            ("A.VAT", "NEXT  VAT: scan vat, batch, recipe and litres"),
            ("C.blue", "NEXT  recipe blue: scan vat, batch, litres"),
            ("E.milk-1", "NEXT  lot milk-1: scan vat, batch, litres"),
            ("N.2000", "NEXT  number 2000: scan vat, batch"),
            ("V.V1", "NEXT  vat V1: scan batch"),
            ("B.311", "OK  batch 311, 2000 L of milk in vat V1"),
        ],
        &["vat.started"],
    );
    let Event::VatStarted(started) = &floor.facts[0].event else {
        panic!("{:?}", floor.facts);
    };
    assert_eq!(started.recipe_version, 3);
    assert_eq!(started.milk_lots, ["milk-1".parse().unwrap()]);
}

#[test]
fn a_vat_refuses_what_the_site_does_not_have_and_flags_a_batch_started_twice() {
    conversation(
        Floor::with_a_batch(),
        &[
            ("A.VAT", "NEXT  VAT: scan vat, batch, recipe and litres"),
            (
                "C.red",
                "WRONG  recipe red is not in the site file: scan a recipe's own card",
            ),
            (
                "N.60000",
                "WRONG  a volume must be between 0 and 50000 L, but is 60000: scan the litres again",
            ),
            (
                "N.0",
                "WRONG  the milk must be more than 0 L, but is 0 L: nothing recorded. Measure it and enter it again",
            ),
            (
                "H.H1",
                "WRONG  VAT takes a vat, batch, recipe, milk lot and litres, not hoop H1",
            ),
            ("V.V1", "NEXT  vat V1: scan batch, recipe, litres"),
            ("C.blue", "NEXT  recipe blue: scan batch, litres"),
            ("N.1800", "NEXT  number 1800: scan batch"),
            (
                "B.311",
                "WRONG  batch 311, 1800 L of milk in vat V1, but batch 311 was started before: recorded and flagged",
            ),
        ],
        &["vat.started"],
    );
}

#[test]
fn portioning_takes_hoop_and_weight_in_either_order_and_numbers_the_wheels() {
    let floor = conversation(
        Floor::with_a_batch(),
        &[
            ("P.17", "NEXT  badge 17: scan an action card"),
            ("A.PORTION", "NEXT  PORTION: scan the batch"),
            ("B.311", "NEXT  batch 311: weigh, and scan the hoop"),
            ("K.K2", "NEXT  stack K2: weigh, and scan the hoop"),
            ("= 11020", "NEXT  11.020 kg: scan its hoop"),
            ("H.H5", "OK  wheel 311-05, 11.020 kg, hoop H5"),
            ("H.H6", "NEXT  hoop H6: put the curd on the scale"),
            ("= 10980", "OK  wheel 311-06, 10.980 kg, hoop H6"),
        ],
        &[
            "wheel.portioned 311-05",
            "wheel.hooped 311-05",
            "wheel.portioned 311-06",
            "wheel.hooped 311-06",
        ],
    );
    let Event::WheelPortioned(born) = &floor.facts[0].event else {
        panic!("{:?}", floor.facts);
    };
    assert_eq!(born.mixer, Some("17".parse().unwrap()));
    assert_eq!(born.scale, Some("scale-1".parse().unwrap()));
}

#[test]
fn portioning_in_the_wrong_order_says_what_comes_first() {
    conversation(
        Floor::empty(),
        &[
            (
                "= 11000",
                "WRONG  11.000 kg, but nothing asked for a weight: scan PORTION or WEIGH, then weigh again",
            ),
            ("A.PORTION", "NEXT  PORTION: scan the batch"),
            (
                "= 11000",
                "WRONG  11.000 kg, but no batch yet: scan the batch, then weigh again",
            ),
            ("H.H1", "WRONG  scan the batch first, then the hoop"),
            (
                "S.S1",
                "WRONG  PORTION takes a batch, stack or hoop, not stillage S1",
            ),
            (
                "B.312",
                "WRONG  hoop H1 without a weight was not recorded. Now batch 312",
            ),
            ("H.H1", "NEXT  hoop H1: put the curd on the scale"),
            (
                "A.TURN",
                "WRONG  hoop H1 without a weight was not recorded. TURN: scan what you turned",
            ),
        ],
        &[],
    );
}

#[test]
fn a_portion_of_an_unknown_batch_or_into_a_full_hoop_is_recorded_and_flagged() {
    conversation(
        Floor::with_a_batch(),
        &[
            ("A.PORTION", "NEXT  PORTION: scan the batch"),
            (
                "B.999",
                "WRONG  batch 999 was never started here: check the card. Its portions will be flagged",
            ),
            ("= 11000", "NEXT  11.000 kg: scan its hoop"),
            (
                "H.H9",
                "WRONG  wheel 999-01, 11.000 kg, hoop H9, but batch 999 was never started here: recorded and flagged",
            ),
            ("B.311", "NEXT  batch 311: weigh, and scan the hoop"),
            ("= 11000", "NEXT  11.000 kg: scan its hoop"),
            (
                "H.H1",
                "WRONG  wheel 311-05, 11.000 kg, hoop H1, but hoop H1 still holds 311-01 by the records: recorded and flagged",
            ),
        ],
        &[
            "wheel.portioned 999-01",
            "wheel.hooped 999-01",
            "wheel.portioned 311-05",
            "wheel.hooped 311-05",
        ],
    );
}

#[test]
fn turning_takes_whatever_is_scanned_and_resolves_its_wheels() {
    conversation(
        Floor::with_a_batch(),
        &[
            ("A.TURN", "NEXT  TURN: scan what you turned"),
            ("W.311-02", "OK  wheel 311-02 turned"),
            ("H.H1", "OK  wheel 311-01 in hoop H1 turned"),
            (
                "K.K1",
                "OK  4 wheels in stack K1 turned; 2 of them already turned today at 06:15",
            ),
            (
                "S.S1",
                "WRONG  stillage S1 holds no wheel by the records: nothing recorded. Scan each wheel",
            ),
            (
                "N.4",
                "WRONG  TURN takes a wheel, hoop, stack or stillage, not number 4",
            ),
        ],
        &[
            "wheel.turned 311-02",
            "wheel.turned 311-01",
            "wheel.turned 311-01 311-02 311-03 311-04",
        ],
    );
}

#[test]
fn a_second_turn_on_the_same_dairy_day_is_recorded_and_said() {
    let mut floor = Floor::with_a_stillage();
    floor.now = at("2026-03-04T03:10:00Z");
    assert_eq!(
        floor.scans(&["A.TURN", "S.S1"]),
        "OK  4 wheels on S1 turned"
    );
    assert_eq!(
        floor.scan("S.S1"),
        "OK  4 wheels on S1 turned; already turned today at 03:12: recorded again"
    );
    floor.now = at("2026-03-04T04:00:00Z");
    assert_eq!(floor.scan("S.S1"), "OK  4 wheels on S1 turned");
    assert_eq!(floor.facts.len(), 3);
}

#[test]
fn a_wheel_goes_from_hoop_to_stillage_to_room() {
    let floor = conversation(
        Floor::with_a_batch(),
        &[
            ("A.UNHOOP", "NEXT  UNHOOP: scan what you unhooped"),
            ("H.H1", "OK  wheel 311-01 in hoop H1 unhooped"),
            (
                "H.H1",
                "WRONG  hoop H1 holds no wheel by the records: nothing recorded. Scan each wheel",
            ),
            (
                "W.311-01",
                "WRONG  wheel 311-01 unhooped, but 311-01 is in no hoop by the records: recorded and flagged",
            ),
            ("A.RUBUP", "NEXT  RUBUP: scan what you rubbed up"),
            ("W.311-01", "OK  wheel 311-01 rubbed up"),
            ("A.LOAD", "NEXT  LOAD: scan the stillage"),
            ("W.311-01", "WRONG  wheel 311-01 first: scan the stillage"),
            ("S.S1", "NEXT  LOAD, stillage S1: scan the wheels"),
            ("W.311-01", "OK  wheel 311-01 loaded on S1"),
            ("H.H2", "OK  wheel 311-02 in hoop H2 loaded on S1"),
            ("A.MOVE", "NEXT  MOVE: scan the room"),
            (
                "R.R9",
                "WRONG  there is no room R9; did you mean R1 or R2? Nothing recorded",
            ),
            (
                "R.R2.P999",
                "WRONG  there is no place R2.P999; did you mean R2.P09, R2.P19 or R2.P01? Nothing recorded",
            ),
            ("R.R2.14", "NEXT  MOVE, room R2 place 14: scan the wheels"),
            ("S.S1", "OK  2 wheels on S1 moved to R2 place 14"),
            ("R.R1", "NEXT  MOVE, room R1: scan the wheels"),
            ("K.K1", "OK  2 wheels in stack K1 moved to R1"),
        ],
        &[
            "wheel.unhooped 311-01",
            "wheel.unhooped 311-01",
            "wheel.rubbed_up 311-01",
            "wheel.loaded 311-01",
            "wheel.loaded 311-02",
            "wheel.moved 311-01 311-02",
            "wheel.moved 311-03 311-04",
        ],
    );
    let place = floor.placement.place(wheel("311-02")).unwrap();
    assert_eq!(
        (place.room.as_str(), place.position),
        ("R2", "14".parse().ok())
    );
}

#[test]
fn piercing_needs_its_machine_and_needles_that_miss_stop_the_work() {
    let floor = conversation(
        Floor::with_a_stillage(),
        &[
            ("A.PIERCE", "NEXT  PIERCE: scan the machine"),
            ("S.S1", "WRONG  4 wheels on S1 first: scan the machine"),
            ("T.P1", "NEXT  PIERCE, tool P1: scan the wheels"),
            ("S.S1", "OK  4 wheels on S1 pierced on P1"),
            ("A.NEEDLES", "NEXT  NEEDLES: scan the machine"),
            ("N.40", "WRONG  scan the machine first, then the numbers"),
            (
                "T.P1",
                "NEXT  machine P1: scan how many needles it should have",
            ),
            (
                "N.40.5",
                "WRONG  40.5 is no count of needles: scan it again",
            ),
            ("N.40", "NEXT  40 expected: scan how many are whole"),
            (
                "N.39",
                "STOP  39 of 40 needles on P1: recorded. Stop piercing, keep the last wheels apart, call your supervisor",
            ),
            (
                "T.P1",
                "NEXT  machine P1: scan how many needles it should have",
            ),
            ("N.40", "NEXT  40 expected: scan how many are whole"),
            ("N.40", "OK  40 of 40 needles on P1"),
        ],
        &[
            "wheel.pierced 311-01 311-02 311-03 311-04",
            "tool.checked",
            "tool.checked",
        ],
    );
    let Event::ToolChecked(checked) = &floor.facts[1].event else {
        panic!("{:?}", floor.facts);
    };
    let (expected, counted) = (40, 39);
    assert_eq!(checked.check, ToolCheck::Needles { expected, counted });
}

#[test]
fn readings_take_the_wheels_and_then_the_value() {
    conversation(
        Floor::with_a_stillage(),
        &[
            ("A.RIND", "NEXT  RIND: scan what you looked at"),
            ("N.35", "WRONG  RIND first: scan what you looked at"),
            ("S.S1", "NEXT  4 wheels on S1: scan the rind cover"),
            (
                "N.135",
                "WRONG  a percentage must be between 0 and 100 %, but is 135: scan the number again",
            ),
            ("N.35", "OK  4 wheels on S1: 35 % rind cover"),
            ("A.IRON", "NEXT  IRON: scan the iron or the wheel"),
            ("T.I1", "NEXT  iron I1: scan the wheel"),
            (
                "S.S1",
                "WRONG  IRON is for one wheel, and 4 wheels on S1 were scanned: scan the wheel itself",
            ),
            ("W.311-03", "NEXT  wheel 311-03: scan the blue coverage"),
            ("N.60", "OK  wheel 311-03: 60 % blue"),
            ("A.GRADE", "NEXT  GRADE: scan what you graded"),
            ("G.A", "WRONG  GRADE first: scan what you graded"),
            ("S.S1", "NEXT  4 wheels on S1: scan the grade"),
            ("G.B", "OK  4 wheels on S1 graded B"),
            ("A.WEIGH", "NEXT  WEIGH: scan the wheel"),
            (
                "= 8200",
                "WRONG  8.200 kg, but no wheel yet: scan the wheel, then weigh again",
            ),
            ("W.311-03", "NEXT  wheel 311-03: put it on the scale"),
            ("= 8200", "OK  wheel 311-03 weighs 8.200 kg"),
            ("W.311-04", "NEXT  wheel 311-04: put it on the scale"),
            (
                "A.TURN",
                "WRONG  WEIGH of wheel 311-04 was not recorded. TURN: scan what you turned",
            ),
        ],
        &[
            "rind.observed 311-01 311-02 311-03 311-04",
            "wheel.ironed 311-03",
            "wheel.graded 311-01 311-02 311-03 311-04",
            "wheel.weighed 311-03",
        ],
    );
}

#[test]
fn what_cannot_be_right_is_recorded_and_flagged() {
    conversation(
        Floor::with_a_stillage(),
        &[
            ("A.RETURN", "NEXT  RETURN: scan what came back"),
            (
                "W.311-01",
                "WRONG  wheel 311-01 taken back, but 311-01 never left: recorded and flagged",
            ),
            ("A.DISPATCH", "NEXT  DISPATCH: scan the order"),
            ("O.77", "NEXT  DISPATCH, order 77: scan the wheels"),
            ("W.311-01", "OK  wheel 311-01 dispatched for order 77"),
            (
                "W.311-01",
                "STOP  311-01 was dispatched today at 06:25: nothing recorded, none may leave. Set aside",
            ),
            ("A.TURN", "NEXT  TURN: scan what you turned"),
            (
                "W.311-01",
                "WRONG  wheel 311-01 turned, but 311-01 was dispatched today at 06:25: recorded and flagged",
            ),
            (
                "W.400-01",
                "WRONG  wheel 400-01 turned, but 400-01 is not known here: recorded and flagged",
            ),
            ("S.S1", "OK  3 wheels on S1 turned"),
            ("A.RETURN", "NEXT  RETURN: scan what came back"),
            ("W.311-01", "OK  wheel 311-01 taken back"),
            ("A.DISCARD", "NEXT  DISCARD: scan what you throw away"),
            ("W.311-01", "OK  wheel 311-01 thrown away"),
            ("A.RIND", "NEXT  RIND: scan what you looked at"),
            ("W.311-01", "NEXT  wheel 311-01: scan the rind cover"),
            (
                "N.10",
                "WRONG  wheel 311-01: 10 % rind cover, but 311-01 was thrown away today at 06:34: recorded and flagged",
            ),
        ],
        &[
            "wheel.returned 311-01",
            "wheel.dispatched 311-01",
            "wheel.turned 311-01",
            "wheel.turned 400-01",
            "wheel.turned 311-02 311-03 311-04",
            "wheel.returned 311-01",
            "wheel.discarded 311-01",
            "rind.observed 311-01",
        ],
    );
}

#[test]
fn two_wheels_with_one_number_are_flagged_wherever_they_are_scanned() {
    let mut floor = Floor::with_a_batch();
    floor.hears(WheelPortioned {
        wheel: wheel("311-02"),
        batch: "311".parse().unwrap(),
        weight_g: quantity::Grams::new(10_500).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    });
    assert_eq!(
        floor.scans(&["A.TURN", "K.K1"]),
        "WRONG  4 wheels in stack K1 turned, but two wheels carry the number 311-02: recorded and flagged"
    );
}

#[test]
fn what_is_no_code_or_comes_too_early_records_nothing() {
    let long = format!("W.{}", "9".repeat(5_000));
    conversation(
        Floor::with_a_batch(),
        &[
            (
                "W.311-01",
                "WRONG  wheel 311-01, but no action yet: scan an action card such as TURN, then scan this again",
            ),
            ("A.TURN", "NEXT  TURN: scan what you turned"),
            ("", "WRONG  nothing was read: scan again"),
            (
                "\u{0}\u{1b}[31mW\u{fffd}\u{fffd}",
                "WRONG  \"[31mW\u{fffd}\u{fffd}\" is no code of ours: a code looks like W.311-04, S.S07 or A.TURN",
            ),
            (
                "W.311 01",
                "WRONG  \"311 01\" cannot be a wheel: use only A-Z, a-z, 0-9, '-' and '_'",
            ),
            (
                &long,
                "WRONG  5002 characters are too many for one code: scan one card at a time",
            ),
            ("W.311-01", "OK  wheel 311-01 turned"),
        ],
        &["wheel.turned 311-01"],
    );
}

#[test]
fn a_kept_scan_counts_when_it_was_made_and_means_the_wheels_that_were_there() {
    let mut floor = Floor::with_a_stillage();
    let made = "2026-03-03T07:00:00Z";
    floor.now = at("2026-03-03T08:00:00Z");
    floor.kept = Kept::LineDown;
    // Since then a wheel came off the stillage, and another left.
    floor.scans(&["A.LOAD", "S.S2", "W.311-01"]);
    floor.scans(&["P.17", "A.DISPATCH", "O.77", "W.311-02"]);
    floor.facts.clear();
    floor.scan("A.TURN");
    assert_eq!(
        floor.scan(&format!("@{made} S.S1")),
        "OK  4 wheels on S1 turned"
    );
    assert_eq!(floor.facts[0].occurred_at, at(made));
    assert_eq!(floor.facts[0].recorded_at, floor.now);
    assert_eq!(floor.placement.last_turned(wheel("311-01")), Some(at(made)));
}

#[test]
fn a_station_without_a_scale_sends_the_person_to_one() {
    let mut setup = crate::floor::setup();
    setup.scale = None;
    let mut floor = Floor::empty();
    floor.restart_with(setup);
    assert_eq!(
        floor.scan("A.PORTION"),
        "WRONG  PORTION needs a scale: go to a station with one. Nothing recorded"
    );
}
