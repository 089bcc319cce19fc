//! A label's GS1 symbol at a station: it finds the wheel as our own short code does.

use crate::floor::Floor;
use facts::Event;

/// What a reader sends of the same label: with and without the symbology identifier, from
/// the Data Matrix, typed from the line under it, and from a Digital Link QR Code.
const WAYS: [&str; 6] = [
    "]d2019952123454321611260302310301100015260900\u{1d}10311\u{1d}21311-03",
    "019952123454321611260302310301100010311\u{1d}21311-03",
    "\u{1d}019952123454321610311\u{1d}21311-03",
    "(01)99521234543216(10)311(21)311-03",
    "]Q1https://id.example.org/01/99521234543216/10/311/21/311-03?3103=011000",
    "@2026-03-03T05:59:30Z https://id.example.org/01/99521234543216/21/311-03",
];

#[test]
fn a_scanned_label_is_its_wheel_whichever_way_it_is_sent() {
    for way in WAYS
        .into_iter()
        .chain(["W.311-03", "]d1W.311-03", "]C0W.311-03"])
    {
        let mut floor = Floor::with_a_batch();
        floor.kept = station::Kept::LineDown;
        floor.scan("A.TURN");
        assert_eq!(floor.scan(way), "OK  wheel 311-03 turned", "{way:?}");
        let Event::WheelTurned(turned) = &floor.facts.last().unwrap().event else {
            panic!("{:?}", floor.facts);
        };
        assert_eq!(turned.wheels, ["311-03".parse().unwrap()]);
    }
}

#[test]
fn a_lot_without_a_serial_is_the_batch() {
    let mut floor = Floor::with_a_batch();
    floor.scan("A.PORTION");
    let answer = floor.scan("]d201995212345432163103011000\u{1d}10311");
    assert_eq!(answer, "NEXT  batch 311: weigh, and scan the hoop");
}

#[test]
fn a_label_of_something_else_or_misread_says_so_and_records_nothing() {
    let mut floor = Floor::with_a_batch();
    floor.scan("A.TURN");
    for (line, answer) in [
        (
            "]C100095212340000000013",
            "WRONG  this label is of case 095212340000000013, not of a wheel or batch: scan the wheel's own label",
        ),
        (
            "]C10112345678901231",
            "WRONG  this label is of product 12345678901231, not of a wheel or batch: scan the wheel's own label",
        ),
        (
            "]d20199521234543210\u{1d}21311-03",
            "WRONG  (01): 99521234543210 is no GTIN: its last digit should be 6",
        ),
        (
            "]d2019952",
            "WRONG  (01) needs 14 characters, and only \"9952\" was read: scan again",
        ),
        (
            "(01)99521234543216(21)a/b",
            "WRONG  \"a/b\" cannot be a wheel: use only A-Z, a-z, 0-9, '-' and '_'",
        ),
        (
            "https://example.org/news",
            "WRONG  the address \"https://example.org/news\" names no product, case or place",
        ),
    ] {
        assert_eq!(floor.scan(line), answer);
    }
    assert!(floor.recorded().is_empty());
}
