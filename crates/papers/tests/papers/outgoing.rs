//! Facts as EPCIS. Whether the documents fit the published schemas is checked by
//! `tests/epcis_check.py`, which fetches those.

use std::collections::BTreeMap;

use papers::epcis::{document, import, of_facts};
use serde_json::Value;

use crate::given::{clock, dairy, facts, now};

fn count(events: &[Value], key: &str) -> BTreeMap<String, usize> {
    let mut counts = BTreeMap::new();
    for event in events {
        let value = event[key].as_str().unwrap_or("none").to_owned();
        *counts.entry(value).or_default() += 1;
    }
    counts
}

#[test]
fn every_kind_of_event_goes_out() {
    let events = of_facts(facts(), &dairy(), &clock());
    let types = count(&events, "type");
    assert_eq!(types["TransformationEvent"], 55);
    assert_eq!(types["AggregationEvent"], 3);
    let steps = count(&events, "bizStep");
    for step in [
        "receiving",
        "commissioning",
        "creating_class_instance",
        "storing",
        "sensor_reporting",
        "sampling",
        "inspecting",
        "holding",
        "packing",
        "shipping",
        "arriving",
        "destroying",
    ] {
        assert!(steps.get(step).is_some_and(|n| *n > 0), "{step}: {steps:?}");
    }
    assert_eq!(steps["commissioning"], 316, "each wheel once");
    // Five rooms, from the first reading's day to the last's.
    assert_eq!(steps["sensor_reporting"], 5 * 70);
}

#[test]
fn a_batch_is_made_of_its_lots_in_their_amounts() {
    let events = of_facts(facts(), &dairy(), &clock());
    let make = events
        .iter()
        .find(|event| event["transformationID"] == "https://id.larkholm.example/batch/260116A")
        .unwrap();
    let inputs = make["inputQuantityList"].as_array().unwrap();
    let milk = &inputs
        .iter()
        .find(|i| i["epcClass"] == "https://id.larkholm.example/lot/M260116a")
        .unwrap();
    assert_eq!(
        (milk["quantity"].as_f64(), milk["uom"].as_str()),
        (Some(132.6), Some("LTR"))
    );
    assert_eq!(
        make["inputEPCList"],
        serde_json::json!(["https://id.gs1.org/01/99506000134355/21/260109A-07"])
    );
    assert_eq!(make["outputQuantityList"][0]["uom"], "KGM");
}

#[test]
fn times_carry_the_sites_own_offset() {
    let events = of_facts(facts(), &dairy(), &clock());
    assert!(
        events
            .iter()
            .all(|event| event["eventTimeZoneOffset"] == "+00:00"),
        "winter in London"
    );
    let berlin = quantity::DairyClock::new(chrono_tz::Europe::Berlin, chrono::NaiveTime::MIN);
    let events = of_facts(&facts()[..200], &dairy(), &berlin);
    assert!(
        events
            .iter()
            .all(|event| event["eventTimeZoneOffset"] == "+01:00")
    );
}

#[test]
fn names_of_events_are_unique_and_no_person_stands_in_them() {
    let document = document(facts(), &dairy(), &clock(), now());
    let events = document["epcisBody"]["eventList"].as_array().unwrap();
    let names = count(events, "eventID");
    assert!(names.values().all(|n| *n == 1));
    assert!(!document.to_string().contains("authid"));
}

#[test]
fn what_we_send_can_be_taken_in_by_a_dairy_like_ours() {
    let document = document(facts(), &dairy(), &clock(), now()).to_string();
    let import = import(&document, &dairy()).unwrap();
    // Lots received, wheels shipped, arrived and returned: each piece is a delivery.
    assert_eq!(import.taken.len(), 124 + 8 + 5 + 1);
}
