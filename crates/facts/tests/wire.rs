//! A fact survives the wire, whatever it says; a broken message says what is broken.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use facts::wire::{self, Read, Unreadable};
use facts::{Event, Fact, FactId, PersonId, SiteId, StationId, TYPES};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;

fn any_time() -> impl Strategy<Value = chrono::DateTime<chrono::Utc>> {
    (0i64..4_102_444_800_000).prop_filter_map("a time", chrono::DateTime::from_timestamp_millis)
}

fn any_fact(event: impl Strategy<Value = Event>) -> impl Strategy<Value = Fact> {
    let who = any::<(FactId, SiteId, StationId, u64, Option<PersonId>)>();
    (who, any_time(), any_time(), event).prop_map(
        |((id, site, station, station_seq, person), occurred_at, recorded_at, event)| Fact {
            id,
            site,
            station,
            station_seq,
            person,
            occurred_at,
            recorded_at,
            event,
        },
    )
}

fn read_binary(headers: &[(&'static str, String)], body: &[u8]) -> Result<Read, Unreadable> {
    wire::from_binary(
        |name| {
            headers
                .iter()
                .find(|(n, _)| *n == name)
                .map(|(_, v)| v.as_str())
        },
        body,
    )
}

#[test]
fn every_type_of_the_catalogue_round_trips_in_both_modes() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut left: std::collections::BTreeSet<_> = TYPES.iter().map(|t| t.ty).collect();
    for _ in 0..20_000 {
        let fact = any_fact(any::<Event>())
            .new_tree(&mut runner)
            .unwrap()
            .current();
        let binary = wire::to_binary(&fact).unwrap();
        assert_eq!(
            read_binary(&binary.headers, &binary.body).unwrap(),
            Read::Fact(fact.clone())
        );
        let line = wire::to_line(&fact).unwrap();
        assert!(!line.contains('\n'));
        left.remove(fact.event.ty());
        assert_eq!(wire::from_line(&line).unwrap(), Read::Fact(fact));
    }
    assert!(left.is_empty(), "never generated: {left:?}");
}

proptest! {
    #[test]
    fn no_bytes_make_the_reader_panic(line in ".*", body in prop::collection::vec(any::<u8>(), 0..200), header in ".{0,40}") {
        let _ = wire::from_line(&line);
        let _ = wire::from_binary(|_| Some(header.as_str()), &body);
        for info in TYPES {
            let _ = Event::read(info.ty, &body);
        }
    }

    // CloudEvents 1.0.2, "Context Attributes": names are lower-case letters and digits;
    // required attributes are non-empty strings; `time` is RFC 3339; `source` is a
    // URI-reference. "Type System": no control characters in strings.
    #[test]
    fn headers_obey_the_cloudevents_attribute_rules(fact in any_fact(any::<Event>())) {
        let binary = wire::to_binary(&fact).unwrap();
        for (name, value) in &binary.headers {
            let attribute = name.strip_prefix("ce-").unwrap();
            prop_assert!(attribute.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit()));
            prop_assert!(attribute.len() <= 20 && !value.is_empty());
            prop_assert!(value.bytes().all(|b| (0x21..=0x7e).contains(&b) && b != b'"' && b != b'%'),
                "{value:?} would need percent-encoding");
        }
        for required in ["ce-id", "ce-source", "ce-specversion", "ce-type"] {
            prop_assert_eq!(binary.headers.iter().filter(|(n, _)| *n == required).count(), 1);
        }
    }
}

fn headers_of_a_turn() -> (Vec<(&'static str, String)>, Vec<u8>) {
    let line = r#"{"specversion":"1.0","id":"0190b6b0-0000-7000-8000-000000000001",
        "source":"/sites/larkholm/stations/drain","type":"floor.wheel.turned.v1",
        "time":"2026-03-03T05:00:00Z","sequence":"000000000007",
        "data":{"wheels":["318-01"],"via":{"stillage":"S07"}}}"#;
    let Read::Fact(fact) = wire::from_line(line).unwrap() else {
        panic!("a turn")
    };
    assert_eq!(fact.station_seq, 7);
    assert_eq!(
        fact.recorded_at, fact.occurred_at,
        "no recordedtime: written down at once"
    );
    let binary = wire::to_binary(&fact).unwrap();
    (binary.headers, binary.body)
}

#[test]
fn a_broken_message_names_the_header_that_is_wrong() {
    let (headers, body) = headers_of_a_turn();
    let with = |name: &str, value: Option<&str>| {
        let changed: Vec<_> = headers
            .iter()
            .filter(|(n, _)| value.is_some() || *n != name)
            .map(|(n, v)| {
                (
                    *n,
                    if *n == name {
                        value.unwrap().to_owned()
                    } else {
                        v.clone()
                    },
                )
            })
            .collect();
        read_binary(&changed, &body).map_err(|e| e.to_string())
    };
    assert_eq!(with("ce-id", None).unwrap_err(), "header ce-id is missing");
    assert!(
        with("ce-time", Some("yesterday"))
            .unwrap_err()
            .starts_with("header ce-time is")
    );
    assert!(
        with("ce-source", Some("drain"))
            .unwrap_err()
            .contains("/sites/<site>/stations")
    );
    assert!(
        with("ce-specversion", Some("0.3"))
            .unwrap_err()
            .contains("only 1.0")
    );
    assert!(
        with("ce-datacontenttype", Some("text/xml"))
            .unwrap_err()
            .contains("application/json")
    );
    let Read::UnknownType(unknown) = with("ce-type", Some("floor.wheel.turned.v9")).unwrap() else {
        panic!("an unknown version is kept and counted, not an error");
    };
    assert_eq!(unknown.ty, "floor.wheel.turned.v9");
    assert_eq!(
        (unknown.station.as_str(), unknown.station_seq),
        ("drain", 7),
        "its number has arrived all the same"
    );
    let wrong_body = read_binary(&headers, br#"{"wheels":"318-01"}"#)
        .unwrap_err()
        .to_string();
    assert!(
        wrong_body.starts_with("the body is not a floor.wheel.turned.v1"),
        "{wrong_body}"
    );
}

/// RFC 9562 appendix A.6: UUIDv7 test vector.
#[test]
fn fact_ids_match_the_published_uuid_version_7_vector() {
    let id: facts::FactId = "017F22E2-79B0-7CC3-98C4-DC0C0C07398F".parse().unwrap();
    let uuid = id.uuid();
    assert_eq!(uuid.get_version_num(), 7);
    // 0x017F22E279B0 ms = Tuesday, February 22, 2022 2:22:22.00 PM GMT-05:00
    let at: chrono::DateTime<chrono::Utc> = "2022-02-22T14:22:22-05:00".parse().unwrap();
    assert_eq!(
        uuid.get_timestamp().unwrap().to_unix().0,
        u64::try_from(at.timestamp()).unwrap()
    );

    let made = facts::FactIdSource::default().next(at).uuid();
    assert_eq!(made.get_version_num(), 7);
    assert_eq!(made.get_variant(), uuid.get_variant());
    assert_eq!(
        made.as_bytes()[..6],
        uuid.as_bytes()[..6],
        "same 48-bit time"
    );
}

#[test]
fn fact_ids_rise_in_the_order_they_are_asked_for() {
    let source = facts::FactIdSource::default();
    let at = "2026-03-03T05:00:00Z".parse().unwrap();
    let ids: Vec<_> = (0..5_000).map(|_| source.next(at)).collect();
    assert!(ids.is_sorted());
    assert_eq!(
        ids.iter().collect::<std::collections::BTreeSet<_>>().len(),
        ids.len()
    );
}
