//! What sensors publish, and what becomes of it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use chrono::{DateTime, TimeDelta, Utc};
use climate::{Gathering, Probe, Says, Signal};
use facts::{Draft, Event, RoomClimateRead};
use proptest::prelude::*;

fn now() -> DateTime<Utc> {
    "2026-03-02T06:00:00Z".parse().unwrap()
}

fn minutes(n: i64) -> TimeDelta {
    TimeDelta::minutes(n)
}

fn signal(says: Says, topic: &str, field: Option<&str>) -> Signal {
    Signal {
        says,
        topic: topic.to_owned(),
        field: field.map(str::to_owned),
        fahrenheit: false,
        offset: 0.0,
    }
}

fn probe(signals: Vec<Signal>) -> Probe {
    Probe {
        sensor: "T1".parse().unwrap(),
        room: "R1".parse().unwrap(),
        signals,
        time: None,
    }
}

/// A sensor that says everything in one message.
fn whole() -> Probe {
    probe(vec![
        signal(Says::Temperature, "r1", Some("air.t")),
        signal(Says::Humidity, "r1", Some("air.rh")),
        signal(Says::CarbonDioxide, "r1", Some("co2")),
    ])
}

fn read(draft: &Draft) -> RoomClimateRead {
    match &draft.event {
        Event::RoomClimateRead(read) => read.clone(),
        other => panic!("not a reading of the air: {other:?}"),
    }
}

#[test]
fn one_message_becomes_one_fact_and_the_next_waits_its_time() {
    let mut gathering = Gathering::new(&[whole()], minutes(5));
    let payload = br#"{"air": {"t": 12.4, "rh": "93.5"}, "co2": 900}"#;
    let (drafts, unusable) = gathering.take("r1", payload, now());
    assert_eq!(unusable, []);
    let air = read(&drafts[0]);
    assert_eq!((drafts.len(), drafts[0].occurred_at), (1, now()));
    assert_eq!(air.temperature_c.get(), 12.4);
    assert_eq!(air.humidity_pct.unwrap().get(), 93.5);
    assert_eq!(air.co2_ppm.unwrap().get(), 900.0);
    let soon = gathering.take("r1", payload, now() + minutes(4)).0;
    assert_eq!(
        soon.len(),
        0,
        "a reading a minute is not worth keeping for ever"
    );
    assert_eq!(gathering.take("r1", payload, now() + minutes(5)).0.len(), 1);
}

#[test]
fn a_gas_over_its_limit_is_recorded_at_once_and_so_is_its_end() {
    let mut gathering = Gathering::new(&[whole()], minutes(60));
    let said = |ppm: f64| format!(r#"{{"air": {{"t": 12, "rh": 93}}, "co2": {ppm}}}"#);
    let mut recorded = |at: i64, ppm: f64| {
        let now = now() + minutes(at);
        gathering.take("r1", said(ppm).as_bytes(), now).0.len()
    };
    assert_eq!(recorded(0, 900.0), 1);
    assert_eq!(recorded(1, 4_900.0), 0);
    assert_eq!(recorded(2, 5_100.0), 1);
    assert_eq!(recorded(3, 6_000.0), 0);
    assert_eq!(recorded(4, 45_000.0), 1);
    assert_eq!(recorded(5, 800.0), 1);
}

#[test]
fn values_from_several_topics_meet_and_old_ones_are_left_out() {
    let apart = probe(vec![
        signal(Says::Temperature, "t", None),
        signal(Says::Humidity, "h", None),
    ]);
    let mut gathering = Gathering::new(&[apart], minutes(5));
    assert_eq!(
        gathering.topics().into_iter().collect::<Vec<_>>(),
        ["h", "t"]
    );
    let alone = gathering.take("h", b" 91.0\n", now());
    assert_eq!(alone, (vec![], vec![]), "humidity means nothing by itself");
    let both = gathering.take("t", b"12", now() + minutes(1)).0;
    assert_eq!(read(&both[0]).humidity_pct.unwrap().get(), 91.0);
    let later = gathering.take("t", b"12.5", now() + minutes(45)).0;
    assert_eq!(
        read(&later[0]).humidity_pct,
        None,
        "half an hour old at most"
    );
}

#[test]
fn a_gas_is_told_even_when_the_thermometer_beside_it_is_silent() {
    let mut gathering = Gathering::new(&[whole()], minutes(5));
    let (drafts, unusable) = gathering.take("r1", br#"{"co2": 31000}"#, now());
    let Event::RoomGasRead(gas) = &drafts[0].event else {
        panic!("{drafts:?}");
    };
    assert_eq!(gas.co2_ppm.unwrap().get(), 31_000.0);
    assert_eq!(unusable.len(), 2, "temperature and humidity are missed");
}

#[test]
fn offsets_and_fahrenheit_are_reckoned_before_anything_is_recorded() {
    let mut probe = whole();
    (probe.signals[0].fahrenheit, probe.signals[0].offset) = (true, -0.25);
    probe.signals[1].offset = 4.0;
    let mut gathering = Gathering::new(&[probe], minutes(5));
    let said = br#"{"air": {"t": 50.0, "rh": 98.0}, "co2": -3}"#;
    let air = read(&gathering.take("r1", said, now()).0[0]);
    assert_eq!(air.temperature_c.get(), 9.75, "50 °F is 10 °C exactly");
    assert_eq!(
        air.humidity_pct.unwrap().get(),
        100.0,
        "a wet sensor says a little more"
    );
    assert_eq!(air.co2_ppm.unwrap().get(), 0.0, "its zero wanders");
}

#[test]
fn a_sensor_with_a_clock_says_when_and_is_not_believed_about_tomorrow() {
    let timed = Probe {
        time: Some("at".to_owned()),
        ..whole()
    };
    let mut gathering = Gathering::new(&[timed], minutes(0));
    let mut said = |at: &str| {
        let payload = format!(r#"{{"at": "{at}", "air": {{"t": 12, "rh": 93}}, "co2": 1}}"#);
        gathering.take("r1", payload.as_bytes(), now())
    };
    let (kept_back, _) = said("2026-03-02T01:15:00Z");
    assert_eq!(kept_back[0].occurred_at, now() - minutes(4 * 60 + 45));
    assert_eq!(said("2026-03-02T01:15:00Z").0, [], "the same message again");
    for (wrong, why) in [
        ("2026-03-03T06:00:00Z", "ahead of ours"),
        ("2025-03-03T06:00:00Z", "too long ago"),
        ("six o'clock", "is no time"),
    ] {
        let (drafts, unusable) = said(wrong);
        assert_eq!(drafts, []);
        assert!(unusable[0].why.contains(why), "{}", unusable[0]);
    }
}

#[test]
fn what_cannot_be_read_says_what_is_wrong_with_it() {
    for (payload, why) in [
        (&b"ERR"[..], "not JSON"),
        (b"\xff\xfe", "not text"),
        (br#"{"air": {"rh": 93}, "co2": 1}"#, r#"no "air.t""#),
        (
            br#"{"air": {"t": null, "rh": 93}, "co2": 1}"#,
            "null is no number",
        ),
        (
            br#"{"air": {"t": "12,4", "rh": 93}, "co2": 1}"#,
            "\"12,4\" is no number",
        ),
        (
            br#"{"air": {"t": "NaN", "rh": 93}, "co2": 1}"#,
            "temperature",
        ),
        (br#"{"air": {"t": 999, "rh": 93}, "co2": 1}"#, "999"),
        (br#"{"air": {"t": 12, "rh": 140}, "co2": 1}"#, "140"),
        (br#"{"air": {"t": 12, "rh": 93}, "co2": -5000}"#, "-5000"),
    ] {
        let mut gathering = Gathering::new(&[whole()], minutes(5));
        let (_, unusable) = gathering.take("r1", payload, now());
        let found = unusable
            .iter()
            .any(|unusable| unusable.to_string().contains(why));
        assert!(found, "{why}: {unusable:?}");
    }
}

proptest! {
    /// Whatever arrives, whenever: no panic, and what is recorded is a number in range.
    #[test]
    fn no_payload_does_harm(
        payloads in prop::collection::vec((prop::collection::vec(any::<u8>(), 0..40), -100_000i64..100_000), 0..20),
        numbers in prop::collection::vec(any::<f64>(), 0..20),
    ) {
        let bare = probe(vec![signal(Says::Temperature, "r1", None), signal(Says::Ammonia, "r1", None)]);
        let mut gathering = Gathering::new(&[whole(), bare], minutes(5));
        for (payload, at) in payloads {
            gathering.take("r1", &payload, now() + TimeDelta::seconds(at));
        }
        for number in numbers {
            let (drafts, _) = gathering.take("r1", number.to_string().as_bytes(), now());
            for draft in drafts {
                if let Event::RoomClimateRead(air) = draft.event {
                    prop_assert!(air.temperature_c.get().is_finite());
                }
            }
        }
    }
}
