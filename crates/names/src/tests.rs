use proptest::prelude::*;

use super::*;

fn said(kind: Kind, asked: &str, known: &[&str]) -> String {
    UnknownName::among(kind, asked, known).to_string()
}

#[test]
fn a_code_that_is_not_known_is_answered_with_those_that_may_be_meant() {
    let lots = [
        "CUL2026W10",
        "CUL2026W11",
        "REN-7",
        "SALT-1",
        "M-1",
        "M-2",
        "M-3",
    ];
    assert_eq!(
        said(Kind::Lot, "CUL2027", &lots),
        "there is no lot CUL2027; did you mean CUL2026W10 or CUL2026W11?"
    );
    assert_eq!(
        said(Kind::Lot, "ren7", &lots),
        "there is no lot ren7; did you mean REN-7?"
    );
    assert_eq!(
        said(Kind::Lot, "PACKAGING", &lots),
        "there is no lot PACKAGING, nor one that is written nearly so: check the code"
    );
    assert_eq!(
        said(Kind::Order, "O-1", &[]),
        "there is no order O-1: no order is known yet"
    );
    // Where there are only a few, all are told.
    assert_eq!(
        said(Kind::Room, "X9", &["R2", "R1"]),
        "there is no room X9; did you mean R1 or R2?"
    );
    assert_eq!(
        said(Kind::Batch, "260304b", &["260304C", "260305A", "260306A"]),
        "there is no batch 260304b; did you mean 260304C, 260305A or 260306A?"
    );
}

#[test]
fn what_is_known_is_found_in_any_case_and_given_as_it_was_entered() {
    let known = Known::default().with(Kind::Room, ["R1", "r1", "Drain"]);
    assert_eq!(known.find(Kind::Room, "r1"), Ok("R1"));
    assert_eq!(known.find(Kind::Room, "DRAIN"), Ok("Drain"));
    assert!(known.has(Kind::Room, "drain") && !known.has(Kind::Lot, "drain"));
    let none = known.find(Kind::Lot, "R1").unwrap_err();
    assert_eq!((none.kind, none.any), (Kind::Lot, false));
    assert_eq!(known.of(Kind::Room).count(), 2);
}

#[test]
fn it_travels_as_json() {
    let name = UnknownName::among(Kind::BatchOrWheel, "31", ["311"]);
    let json = serde_json::to_string(&name).unwrap();
    assert_eq!(
        json,
        r#"{"kind":"batch_or_wheel","asked":"31","nearest":["311"],"any":true}"#
    );
    assert_eq!(serde_json::from_str::<UnknownName>(&json).unwrap(), name);
}

proptest! {
    /// Whatever is asked and known: never a panic, never more than a few offered, and only
    /// what is known.
    #[test]
    fn only_what_is_known_is_offered(
        asked in ".{0,60}", known in prop::collection::vec("[A-Za-z0-9_-]{1,20}", 0..90)
    ) {
        let name = UnknownName::among(Kind::Wheel, &asked, &known);
        prop_assert!(name.nearest.len() <= 6);
        prop_assert!(name.nearest.iter().all(|near| known.contains(near)));
        prop_assert_eq!(name.any, !known.is_empty());
        prop_assert!(name.to_string().contains(name.asked.as_str()));
    }

    /// One wrong character in a code still finds it.
    #[test]
    fn one_wrong_character_still_finds_it(
        code in "[A-Z0-9]{3,20}", at in any::<prop::sample::Index>()
    ) {
        let at = at.index(code.len());
        let mut wrong: Vec<u8> = code.bytes().collect();
        wrong[at] = b'_';
        let wrong = String::from_utf8(wrong).unwrap();
        let name = UnknownName::among(Kind::Lot, wrong, [&code]);
        prop_assert_eq!(name.nearest, vec![code]);
    }
}
