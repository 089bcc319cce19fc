//! One message per situation: raised, escalated, cleared.

use facts::WheelLoaded;
use ripening::{Situation, Step};

use crate::given::*;

fn on_stillage(n: usize) -> Given {
    let wheels: Vec<_> = (1..=n).map(|i| format!("318-{i:02}")).collect();
    let mut given = Given::default();
    for who in &wheels {
        given = given
            .at("2026-02-02 09:00", portioned(who))
            .at("2026-02-07 08:00", unhooped(who))
            .at("2026-02-07 09:00", rubbed_up(who))
            .at("2026-02-07 10:00", moved(who, "R1"));
    }
    let loaded = WheelLoaded {
        wheels: wheels.iter().map(|w| wheel(w)).collect(),
        stillage: "S07".parse().unwrap(),
    };
    let names: Vec<&str> = wheels.iter().map(String::as_str).collect();
    given
        .at("2026-02-07 11:00", loaded)
        .at("2026-02-08 06:00", turned(&names))
}

#[test]
fn thirty_eight_wheels_not_turned_are_one_message_then_one_more_then_one_when_done() {
    let given = on_stillage(38);
    let mut floor = given.floor("2026-02-09 06:00");
    assert_eq!(floor.tell(), [], "nothing is late yet");

    floor.refresh(time("2026-02-09 18:00"));
    let raised = floor.tell();
    assert_eq!(raised.len(), 1, "{raised:?}");
    assert_eq!(raised[0].text, "38 wheels on stillage S07 not turned today");
    assert_eq!((raised[0].step, raised[0].wheel_count), (Step::Raised, 38));
    floor.refresh(time("2026-02-09 19:00"));
    assert_eq!(floor.tell(), [], "once is enough");

    floor.refresh(time("2026-02-10 04:00"));
    let worse = floor.tell();
    let worse: Vec<_> = worse
        .iter()
        .filter(|a| a.situation == Situation::NotTurned)
        .collect();
    assert_eq!(worse.len(), 1);
    assert_eq!(worse[0].step, Step::Escalated);
    assert_eq!(worse[0].alert, raised[0].alert, "the same situation");

    let names: Vec<_> = (1..=38).map(|i| format!("318-{i:02}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let turn = on_stillage(38).at("2026-02-10 05:00", turned(&names));
    floor.apply(turn.facts.last().unwrap());
    floor.refresh(time("2026-02-10 05:01"));
    let over: Vec<_> = floor.tell();
    let over: Vec<_> = over
        .iter()
        .filter(|a| a.situation == Situation::NotTurned)
        .collect();
    assert_eq!(over.len(), 1);
    assert_eq!(
        (over[0].step, over[0].alert.as_str()),
        (Step::Cleared, raised[0].alert.as_str())
    );
}

#[test]
fn a_number_that_never_arrived_raises_an_alert_until_it_does() {
    let given = on_stillage(2);
    let (late, rest) = given.facts.split_first().unwrap();
    let mut floor = ripening::Floor::new(practice(), chrono::DateTime::UNIX_EPOCH);
    rest.iter().for_each(|fact| floor.apply(fact));
    floor.refresh(time("2026-02-08 07:00"));
    let missing = |told: &[ripening::Alert]| {
        let found = told.iter().find(|a| a.situation == Situation::FactsMissing);
        found.map(|a| (a.step, a.text.clone()))
    };
    let (step, text) = missing(&floor.tell()).unwrap();
    assert_eq!(step, Step::Raised);
    assert!(text.contains("1 missing, the first numbered 1"), "{text}");
    floor.apply(late);
    floor.refresh(time("2026-02-08 07:01"));
    assert_eq!(missing(&floor.tell()).unwrap().0, Step::Cleared);
}

#[test]
fn a_warm_room_is_told_after_half_an_hour_and_again_when_it_is_right() {
    let read = |t: f64| facts::RoomClimateRead {
        room: "R1".parse().unwrap(),
        sensor: None,
        temperature_c: quantity::Celsius::new(t).unwrap(),
        humidity_pct: None,
        co2_ppm: None,
        nh3_ppm: None,
    };
    let given = Given::default()
        .at("2026-02-08 06:00", read(12.0))
        .at("2026-02-08 06:10", read(15.5))
        .at("2026-02-08 06:20", read(15.6))
        .at("2026-02-08 06:40", read(15.8))
        .at("2026-02-08 07:00", read(12.5));
    let mut floor = ripening::Floor::new(practice(), chrono::DateTime::UNIX_EPOCH);
    let mut told = Vec::new();
    for fact in &given.facts {
        floor.apply(fact);
        floor.refresh(fact.occurred_at);
        told.extend(floor.tell());
    }
    let steps: Vec<_> = told.iter().map(|alert| (alert.since, alert.step)).collect();
    // Told at 06:40, and since when the room is warm, whenever it is told.
    let warm = time("2026-02-08 06:10");
    assert_eq!(steps, [(warm, Step::Raised), (warm, Step::Cleared)]);
    assert!(
        told[0]
            .text
            .contains("15.8 °C (should be 10 to 13 °C) since Sun 06:10"),
        "{}",
        told[0].text
    );
}
