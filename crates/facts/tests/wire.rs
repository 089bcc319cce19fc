//! A fact survives the wire, whatever it says; a broken message says what is broken.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use chrono::{DateTime, Utc};
use facts::wire::{self, Read, Unreadable};
use facts::{Event, Fact, FactId, PersonId, SiteId, StationId, TYPES};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use quantity::calendar::{EARLIEST, LATEST};
use serde_json::Value;

fn any_time() -> impl Strategy<Value = chrono::DateTime<chrono::Utc>> {
    (EARLIEST.timestamp_millis()..LATEST.timestamp_millis())
        .prop_filter_map("a time", chrono::DateTime::from_timestamp_millis)
}

fn any_fact(event: impl Strategy<Value = Event>) -> impl Strategy<Value = Fact> {
    let who = any::<(FactId, SiteId, StationId, u64, Option<PersonId>)>();
    (who, any_time(), any_time(), any::<bool>(), event).prop_map(
        |((id, site, station, station_seq, person), claimed, recorded_at, believed, event)| {
            let (occurred_at, claimed_at) = if believed {
                facts::ordered(claimed, recorded_at)
            } else {
                let claimed = Some(claimed).filter(|claimed| *claimed != recorded_at);
                (recorded_at, claimed)
            };
            Fact {
                id,
                site,
                station,
                station_seq,
                person,
                occurred_at,
                claimed_at,
                recorded_at,
                event,
            }
        },
    )
}

/// The subject of the turn below.
const SUBJECT: &str = "floor.larkholm.wheel.turned.drain";

fn read_binary(
    subject: &str,
    headers: &[(&'static str, String)],
    body: &[u8],
) -> Result<Read, Unreadable> {
    wire::from_binary(
        subject,
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
            read_binary(&wire::subject(&fact), &binary.headers, &binary.body).unwrap(),
            Read::Fact(fact.clone())
        );
        let line = wire::to_line(&fact).unwrap();
        assert!(!line.contains('\n'));
        // A line goes to the broker as the fact would, without being understood.
        let parcel = wire::parcel(&line).unwrap();
        assert_eq!(parcel.subject, wire::subject(&fact));
        assert_eq!((parcel.id, parcel.station_seq), (fact.id, fact.station_seq));
        assert_eq!(parcel.body, binary.body);
        let mut sent: Vec<_> = parcel
            .headers
            .iter()
            .map(|(n, v)| (n.as_str(), v))
            .collect();
        let mut written: Vec<_> = binary.headers.iter().map(|(n, v)| (*n, v)).collect();
        sent.sort();
        written.sort();
        assert_eq!(sent, written);
        left.remove(fact.event.ty());
        assert_eq!(wire::from_line(&line).unwrap(), Read::Fact(fact));
    }
    assert!(left.is_empty(), "never generated: {left:?}");
}

proptest! {
    #[test]
    fn no_bytes_make_the_reader_panic(line in ".*", body in prop::collection::vec(any::<u8>(), 0..200), header in ".{0,40}") {
        let _ = wire::from_line(&line);
        let _ = wire::parcel(&line);
        let _ = wire::from_binary(&line, |_| Some(header.as_str()), &body);
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
        read_binary(SUBJECT, &changed, &body).map_err(|e| e.to_string())
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
    let wrong_body = read_binary(SUBJECT, &headers, br#"{"wheels":"318-01"}"#)
        .unwrap_err()
        .to_string();
    assert!(
        wrong_body.starts_with("the body is not a floor.wheel.turned.v1"),
        "{wrong_body}"
    );
}

#[test]
fn a_message_whose_subject_says_otherwise_is_no_fact() {
    let (headers, body) = headers_of_a_turn();
    let on = |subject: &str| read_binary(subject, &headers, &body);
    assert!(on(SUBJECT).is_ok());
    assert!(
        on("floor.larkholm.wheel.turned").is_ok(),
        "facts of before stations stood in the subject stay readable"
    );
    for (subject, why) in [
        ("floor.larkholm.wheel.weighed.drain", "its type is"),
        ("floor.larkholm.wheel.weighed", "its type is"),
        ("floor.larkholm.room.turned.drain", "its type is"),
        ("floor.larkholm.wheel", "its type is"),
        (
            "floor.larkholm.wheel.turned.iron",
            "its source is station drain",
        ),
        (
            "floor.larkholm.wheel.turned.drain.more",
            "its source is station drain",
        ),
        (
            "floor.elsewhere.wheel.turned.drain",
            "its source is of site larkholm",
        ),
        ("derived.larkholm.wheel.turned.drain", "facts come on"),
        ("", "facts come on"),
    ] {
        let error = on(subject).unwrap_err();
        assert!(matches!(error, Unreadable::Subject { .. }), "{subject}");
        assert!(error.to_string().contains(why), "{error}");
    }
    // Also a type that this build does not know is bound to its subject.
    let mut unknown = headers.clone();
    for (name, value) in &mut unknown {
        if *name == "ce-type" {
            "floor.wheel.sung.v1".clone_into(value);
        }
    }
    assert!(read_binary(SUBJECT, &unknown, &body).is_err());
    let sung = read_binary("floor.larkholm.wheel.sung.drain", &unknown, &body);
    let Read::UnknownType(sung) = sung.unwrap() else {
        panic!("a type that this build does not know");
    };
    assert_eq!(sung.ty, "floor.wheel.sung.v1");
}

#[test]
fn a_line_of_a_type_that_only_another_version_knows_goes_to_the_broker_as_it_is() {
    let line = r#"{"specversion":"1.0","id":"0190b6b0-0000-7000-8000-000000000001",
        "source":"/sites/larkholm/stations/drain","type":"floor.wheel.sung.v3",
        "time":"2026-03-03T05:00:00Z","sequence":"000000000007","mood":"good","loud":true,
        "data":{"song" : [1,2.50]}}"#;
    let parcel = wire::parcel(line).unwrap();
    assert_eq!(parcel.subject, "floor.larkholm.wheel.sung.drain");
    assert_eq!(parcel.body, br#"{"song" : [1,2.50]}"#);
    let header = |name: &str| {
        parcel
            .headers
            .iter()
            .find(|(n, _)| n == name)
            .map(|(_, v)| v.as_str())
    };
    assert_eq!(header("ce-mood"), Some("good"));
    assert_eq!(header("ce-loud"), Some("true"));
    for broken in [
        "",
        "{}",
        &line.replace("\"1.0\"", "\"2.0\""),
        &line.replace("floor.", ""),
    ] {
        assert!(wire::parcel(broken).is_err(), "{broken}");
    }
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

/// A device's claim is kept as it was made, on the wire and in files, and a fact never
/// counts as having happened after it was received.
#[test]
fn a_scan_from_the_future_counts_from_its_receipt_and_keeps_its_claim() {
    let line = r#"{"specversion":"1.0","id":"0190b6b0-0000-7000-8000-000000000001",
        "source":"/sites/larkholm/stations/drain","type":"floor.wheel.turned.v1",
        "time":"2036-03-03T05:00:00Z","recordedtime":"2026-03-03T05:00:07Z",
        "sequence":"000000000007","data":{"wheels":["318-01"],"via":null}}"#;
    let Read::Fact(fact) = wire::from_line(line).unwrap() else {
        panic!("a turn")
    };
    let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
    assert_eq!(fact.occurred_at, at("2026-03-03T05:00:07Z"));
    assert_eq!(fact.claimed_at, Some(at("2036-03-03T05:00:00Z")));
    let again = wire::to_line(&fact).unwrap();
    assert!(
        again.contains(r#""time":"2036-03-03T05:00:00Z""#),
        "{again}"
    );
    assert_eq!(wire::from_line(&again).unwrap(), Read::Fact(fact));
}

/// What a slow device said is kept beside the time of receipt that orders the fact; a build
/// that does not know the attribute reads the same order.
#[test]
fn an_older_time_that_was_not_believed_is_kept_and_orders_nothing() {
    let line = r#"{"specversion":"1.0","id":"0190b6b0-0000-7000-8000-000000000001","source":"/sites/larkholm/stations/drain","type":"floor.wheel.turned.v1","time":"2026-03-03T04:31:00Z","recordedtime":"2026-03-03T04:31:00Z","sequence":"000000000007","datacontenttype":"application/json","claimedtime":"2026-03-03T04:12:00Z","data":{"wheels":["318-01"],"via":null}}"#;
    let Read::Fact(fact) = wire::from_line(line).unwrap() else {
        panic!("a turn")
    };
    let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
    assert_eq!(fact.occurred_at, at("2026-03-03T04:31:00Z"));
    assert_eq!(fact.claimed(), at("2026-03-03T04:12:00Z"));
    assert_eq!(wire::to_line(&fact).unwrap(), line);
    let binary = wire::to_binary(&fact).unwrap();
    let header = ("ce-claimedtime", "2026-03-03T04:12:00Z".to_owned());
    assert!(binary.headers.contains(&header), "{:?}", binary.headers);
    let sent = wire::parcel(line).unwrap();
    let header = ("ce-claimedtime".to_owned(), header.1);
    assert!(sent.headers.contains(&header), "{:?}", sent.headers);
    let without = line.replace(r#""claimedtime":"2026-03-03T04:12:00Z","#, "");
    let Read::Fact(before) = wire::from_line(&without).unwrap() else {
        panic!("a turn")
    };
    assert_eq!(before.order(), fact.order());
    // It can only be older.
    let later = line.replace("04:12", "04:50");
    assert_eq!(wire::from_line(&later).unwrap(), Read::Fact(before));
    let broken = line.replace("2026-03-03T04:12:00Z", "ten past four");
    let why = wire::from_line(&broken).unwrap_err().to_string();
    assert!(why.contains("ce-claimedtime"), "{why}");
}

/// From a draft to a fact the claim is kept, whichever way it is wrong.
#[test]
fn a_draft_keeps_the_claim_that_was_not_believed() {
    let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
    let received = at("2026-03-03T04:31:00Z");
    for (occurred, claimed, ordered) in [
        ("04:31", None, ("04:31", None)),
        ("04:12", None, ("04:12", None)),
        ("04:31", Some("04:12"), ("04:31", Some("04:12"))),
        ("04:31", Some("04:50"), ("04:31", Some("04:50"))),
        ("04:50", None, ("04:31", Some("04:50"))),
        ("04:31", Some("04:31"), ("04:31", None)),
    ] {
        let time = |text: &str| at(&format!("2026-03-03T{text}:00Z"));
        let wheels = vec!["318-01".parse().unwrap()];
        let draft = facts::Draft {
            occurred_at: time(occurred),
            claimed_at: claimed.map(time),
            person: None,
            event: facts::WheelTurned { wheels, via: None }.into(),
        };
        let (occurred_at, claimed_at) = ordered;
        assert_eq!(
            draft.ordered(received),
            (time(occurred_at), claimed_at.map(time)),
            "{occurred} {claimed:?}"
        );
    }
}

proptest! {
    #[test]
    fn no_fact_is_ordered_after_its_receipt(
        claimed in any_time(),
        received in any_time(),
        mut fact in any_fact(any::<facts::WheelTurned>().prop_map(Event::from)),
    ) {
        (fact.occurred_at, fact.claimed_at) = facts::ordered(claimed, received);
        fact.recorded_at = received;
        prop_assert_eq!(fact.order().0, claimed.min(received));
        prop_assert_eq!(fact.claimed(), claimed);
        let binary = wire::to_binary(&fact).unwrap();
        let read = read_binary(&wire::subject(&fact), &binary.headers, &binary.body).unwrap();
        prop_assert_eq!(&wire::from_line(&wire::to_line(&fact).unwrap()).unwrap(), &read);
        prop_assert_eq!(read, Read::Fact(fact));
    }
}

#[test]
fn a_time_outside_the_calendar_is_unreadable_in_the_headers() {
    let (headers, body) = headers_of_a_turn();
    let far = [
        "9999-12-31T00:00:00Z",
        "-262143-01-01T00:00:00Z",
        "1970-01-01T00:00:00Z",
    ];
    for name in ["ce-time", "ce-recordedtime"] {
        for time in far {
            let mut headers = headers.clone();
            headers.retain(|(header, _)| *header != name);
            headers.push((name, time.to_owned()));
            let error = read_binary(SUBJECT, &headers, &body)
                .unwrap_err()
                .to_string();
            assert!(error.starts_with(&format!("header {name} is")), "{error}");
            assert!(error.contains("outside the years 2000 to 2199"), "{error}");
        }
    }
}

/// Every date and every time in every body, also of fact types to come: wherever the schema
/// has one, a date outside the calendar makes the body unreadable.
#[test]
fn a_date_outside_the_calendar_is_unreadable_in_every_body() {
    // A strategy of every fact type is large where nothing is optimised.
    let room = std::thread::Builder::new().stack_size(32 << 20);
    room.spawn(try_every_date).unwrap().join().unwrap();
}

fn try_every_date() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut left = dated_types();
    assert!(left.len() >= 7, "{left:?}");
    for _ in 0..5_000 {
        let event = any::<Event>().new_tree(&mut runner).unwrap().current();
        let body: Value = serde_json::from_slice(&event.write().unwrap()).unwrap();
        let mut places = Vec::new();
        dates(&body, String::new(), &mut places);
        for place in places {
            let date = body.pointer(&place).unwrap().as_str().unwrap().len() == 10;
            for year in ["9999", "1970", "+262142", "-262143"] {
                let mut far = body.clone();
                let text = format!("{year}-01-01{}", if date { "" } else { "T00:00:00Z" });
                *far.pointer_mut(&place).unwrap() = text.clone().into();
                let read = Event::read(event.ty(), far.to_string().as_bytes()).unwrap();
                let error = read.err().map(|error| error.to_string());
                assert!(
                    error.is_some_and(|error| error.contains("outside the years")),
                    "{} takes {text} at {place}",
                    event.ty()
                );
            }
            left.remove(event.ty());
        }
    }
    assert!(left.is_empty(), "their dates were never tried: {left:?}");
}

/// The types whose schema speaks of a date or a time.
fn dated_types() -> std::collections::BTreeSet<&'static str> {
    let dated = |info: &&facts::TypeInfo| {
        let schema = facts::schema::of(info).to_string();
        schema.contains(r#""format":"date"#)
    };
    TYPES.iter().filter(dated).map(|info| info.ty).collect()
}

/// Where a body holds dates and times, as JSON pointers.
fn dates(value: &Value, place: String, found: &mut Vec<String>) {
    match value {
        Value::String(text) => {
            let date = text.parse::<chrono::NaiveDate>().is_ok() && text.len() == 10;
            if date || text.parse::<DateTime<Utc>>().is_ok() {
                found.push(place);
            }
        }
        Value::Array(values) => {
            for (nth, value) in values.iter().enumerate() {
                dates(value, format!("{place}/{nth}"), found);
            }
        }
        Value::Object(values) => {
            for (name, value) in values {
                dates(value, format!("{place}/{name}"), found);
            }
        }
        _ => {}
    }
}
