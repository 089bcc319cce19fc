//! What must hold for every element string.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use chrono::NaiveDate;
use facts::{Sscc, gs1_check_digit};
use gs1::{Element, ElementString, Gtin, SEPARATOR, looks_like, read};
use proptest::prelude::*;
use quantity::Grams;

/// Every character that a lot may have.
const SET_82: &str = "[!\"%&'()*+,./0-9:;<=>?A-Z_a-z-]{1,20}";

fn any_gtin() -> impl Strategy<Value = Gtin> {
    (0..10_000_000_000_000_u64).prop_map(|d| {
        format!("{:014}", d * 10 + gs1_check_digit(d))
            .parse()
            .unwrap()
    })
}

fn any_date() -> impl Strategy<Value = NaiveDate> {
    (730_000..745_000).prop_map(|d| NaiveDate::from_num_days_from_ce_opt(d).unwrap())
}

fn any_wheel() -> impl Strategy<Value = Vec<Element>> {
    let item = (
        any_gtin(),
        SET_82,
        SET_82,
        any_date(),
        any_date(),
        0..1_000_000_u32,
    );
    item.prop_map(|(gtin, lot, serial, made, best, grams)| {
        vec![
            Element::Gtin(gtin),
            Element::lot(&lot).unwrap(),
            Element::serial(&serial).unwrap(),
            Element::made(made),
            Element::best_before(best),
            Element::net_weight(Grams::new(grams).unwrap()).unwrap(),
        ]
    })
}

proptest! {
    #[test]
    fn whatever_is_built_is_read_back_in_all_three_forms(elements in any_wheel()) {
        let string = ElementString::new(elements).unwrap();
        let data = string.data();
        for mark in ["", "]d2", "]C1", "]Q3", "\u{1d}", "]d2\u{1d}"] {
            let line = format!("{mark}{data}");
            prop_assert!(looks_like(&line));
            prop_assert_eq!(&read(&line).unwrap(), &string);
        }
        let link = string.digital_link("https://id.example.org/cheese").unwrap();
        prop_assert!(looks_like(&link), "{}", link);
        let from_link = read(&link).unwrap();
        prop_assert_eq!(&ElementString::new(from_link.elements().to_vec()).unwrap().gtin(), &string.gtin());
        prop_assert_eq!(from_link.lot(), string.lot());
        prop_assert_eq!(from_link.serial(), string.serial());
        prop_assert_eq!(from_link.elements().len(), string.elements().len());
    }

    #[test]
    fn people_read_it_back_unless_a_value_looks_like_an_identifier(elements in any_wheel()) {
        let string = ElementString::new(elements).unwrap();
        let brackets = string.elements().iter().any(|e| e.value().contains('('));
        prop_assume!(!brackets);
        prop_assert_eq!(read(&string.to_string()).unwrap(), string);
    }

    #[test]
    fn predefined_lengths_come_first_and_only_the_others_are_ended(elements in any_wheel()) {
        let data = ElementString::new(elements).unwrap().data();
        prop_assert_eq!(data.matches(SEPARATOR).count(), 1);
        prop_assert!(!data.ends_with(SEPARATOR));
        prop_assert!(data.starts_with("01"));
    }

    #[test]
    fn no_scan_whatever_is_in_it_does_harm(line in any::<String>(), mark in "(\\]d2|\\]C1|\\(01\\)|https://x/01/|31|25)?") {
        let line = format!("{mark}{line}");
        let _ = looks_like(&line);
        if let Ok(string) = read(&line) {
            prop_assert!(!string.elements().is_empty());
        }
    }
}

#[test]
fn what_our_own_short_codes_look_like_is_not_gs1() {
    for line in [
        "W.311-04",
        "A.TURN",
        "N.35",
        "4006381333931",
        "R.R2.14",
        "(no)",
        "",
    ] {
        assert!(!looks_like(line), "{line}");
    }
}

#[test]
fn a_case_of_one_product_tells_how_many_are_inside() {
    let case = [
        Element::Sscc(Sscc::with_check_digit(10_614_141_123_456_789).unwrap()),
        Element::Contents("99521234543216".parse().unwrap()),
        Element::Inside(gs1::Count::new(4).unwrap()),
        Element::net_weight(Grams::new(16_020).unwrap()).unwrap(),
    ];
    let string = ElementString::new(case.clone()).unwrap();
    assert_eq!(
        string.to_string(),
        "(00)106141411234567897(02)99521234543216(3103)016020(37)4"
    );
}

#[test]
fn a_missing_neighbour_is_named() {
    let gtin = Element::Gtin("99521234543216".parse().unwrap());
    let words = |elements: Vec<Element>| ElementString::new(elements).unwrap_err().to_string();
    assert_eq!(
        words(vec![gtin.clone()]),
        "(99521234543216) is of a product whose weight varies (its number starts with 9): it \
         needs a net weight beside it"
    );
    assert_eq!(
        words(vec![Element::serial("1").unwrap()]),
        "(21) needs (01) beside it"
    );
    assert_eq!(words(Vec::new()), "a symbol needs at least one element");
    assert_eq!(words(vec![gtin.clone(), gtin]), "(01) stands here twice");
}

#[test]
fn a_scan_that_ends_early_or_is_no_gs1_says_so() {
    let words = |line: &str| read(line).unwrap_err().to_string();
    assert_eq!(
        words("]C1019952"),
        "(01) needs 14 characters, and only \"9952\" was read: scan again"
    );
    assert_eq!(words("]d2"), "nothing was read: scan again");
    assert!(words("]d2hello").contains("no application identifier starts with \"hell\""));
    assert!(words("https://example.org/").contains("names no product"));
    assert!(words("https://example.org/01/99521234543216/21/%G1").contains("cannot be read"));
}

#[test]
fn an_unknown_identifier_is_passed_over_by_its_length_or_its_separator() {
    let string = read("]d20199521234543216421123\u{1d}20012103").unwrap();
    assert_eq!(string.to_string(), "(01)99521234543216(421123)(2001)(21)03");
    assert_eq!(string.serial(), Some("03"));
}
