//! Sensors to doubt, and gases to warn of.

use facts::{RoomClimateRead, RoomGasRead};
use quantity::{Celsius, Percent, Ppm};
use ripening::{Alert, Floor, Severity, Situation, Step};

use crate::given::*;

fn read(sensor: &str, t: f64) -> RoomClimateRead {
    RoomClimateRead {
        room: "R1".parse().unwrap(),
        sensor: Some(sensor.parse().unwrap()),
        temperature_c: Celsius::new(t).unwrap(),
        humidity_pct: Some(Percent::new(94.0).unwrap()),
        co2_ppm: None,
        nh3_ppm: None,
    }
}

fn co2(ppm: f64) -> RoomGasRead {
    RoomGasRead {
        room: "R1".parse().unwrap(),
        sensor: Some("G1".parse().unwrap()),
        co2_ppm: Some(Ppm::new(ppm).unwrap()),
        nh3_ppm: None,
    }
}

/// Plays facts as they come, and ends with the clock at `until`.
fn told(given: &Given, until: &str) -> Vec<Alert> {
    let mut floor = Floor::new(practice(), chrono::DateTime::UNIX_EPOCH);
    let mut told = Vec::new();
    for fact in &given.facts {
        floor.apply(fact);
        floor.refresh(fact.occurred_at);
        told.extend(floor.tell());
    }
    floor.refresh(time(until));
    told.extend(floor.tell());
    told
}

fn of(told: &[Alert], situation: Situation) -> Vec<(Step, &str)> {
    let of = told.iter().filter(|alert| alert.situation == situation);
    of.map(|alert| (alert.step, alert.text.as_str())).collect()
}

#[test]
fn a_gas_is_told_at_once_with_what_to_do_and_stays_told_until_the_sensor_says_it_is_gone() {
    let given = Given::default()
        .at("2026-02-08 06:00", co2(900.0))
        .at("2026-02-08 06:10", co2(6_000.0))
        .at("2026-02-08 06:20", co2(31_000.0))
        .at("2026-02-08 06:30", co2(41_000.0))
        .at("2026-02-08 07:30", co2(700.0));
    let all = told(&given, "2026-02-08 08:00");
    let [raised, worse, over] = of(&all, Situation::GasHigh)[..] else {
        panic!("{all:?}");
    };
    assert_eq!(raised.0, Step::Raised);
    assert!(
        raised.1.contains("6000 ppm of carbon dioxide"),
        "{}",
        raised.1
    );
    assert!(
        raised.1.contains("Ventilate before work goes on"),
        "{}",
        raised.1
    );
    assert_eq!(worse.0, Step::Escalated);
    assert!(worse.1.contains("Leave the room"), "{}", worse.1);
    assert!(worse.1.contains("The local code"), "{}", worse.1);
    assert_eq!(over.0, Step::Cleared);
    let [danger, gone] = of(&all, Situation::GasDanger)[..] else {
        panic!("{all:?}");
    };
    assert!(danger.1.contains("LEAVE AT ONCE"), "{}", danger.1);
    assert!(danger.1.contains("breathing apparatus"), "{}", danger.1);
    assert_eq!(gone.0, Step::Cleared);
    let severe = all.iter().find(|a| a.situation == Situation::GasDanger);
    assert_eq!(severe.unwrap().severity, Severity::Alarm);
}

#[test]
fn a_sensor_that_falls_silent_is_told_by_the_clock_alone_and_again_when_it_speaks() {
    let given = Given::default()
        .at("2026-02-08 06:00", read("T1", 11.0))
        .at("2026-02-08 06:30", read("T1", 11.2));
    assert_eq!(
        of(&told(&given, "2026-02-08 09:30"), Situation::SensorDoubted),
        []
    );
    let all = told(&given, "2026-02-08 09:31");
    let [(Step::Raised, text)] = of(&all, Situation::SensorDoubted)[..] else {
        panic!("{all:?}");
    };
    assert!(
        text.contains("sensor T1 has said nothing since Sun 06:30"),
        "{text}"
    );
    let mut floor = given.floor("2026-02-08 09:31");
    floor.tell();
    let back = given.at("2026-02-08 09:40", read("T1", 11.1));
    floor.apply(back.facts.last().unwrap());
    floor.refresh(time("2026-02-08 09:40"));
    assert_eq!(
        of(&floor.tell(), Situation::SensorDoubted)[0].0,
        Step::Cleared
    );
}

#[test]
fn a_sensor_at_85_degrees_is_doubted_and_raises_no_alarm_about_the_room() {
    let mut given = Given::default();
    for n in 0..12 {
        let at = format!("2026-02-08 {:02}:{:02}", 6 + n / 6, n % 6 * 10);
        let celsius = if n >= 6 {
            85.0
        } else {
            11.0 + f64::from(n) * 0.1
        };
        given = given.at(&at, read("T1", celsius));
    }
    let all = told(&given, "2026-02-08 08:00");
    assert_eq!(of(&all, Situation::RoomOutOfRange), []);
    let doubted = of(&all, Situation::SensorDoubted);
    assert!(
        doubted[0].1.contains("85.0 °C, which no maturing room has"),
        "{doubted:?}"
    );
}

#[test]
fn a_sensor_stuck_for_a_day_and_one_that_disagrees_are_doubted() {
    let (mut stuck, mut apart) = (Given::default(), Given::default());
    for n in 0..52 {
        let at = format!(
            "2026-02-{:02} {:02}:{:02}",
            8 + n / 48,
            n / 2 % 24,
            n % 2 * 30
        );
        let wander = f64::from(n % 3) * 0.1;
        stuck = stuck.at(&at, read("T1", 11.5));
        apart = apart
            .at(&at, read("T1", 11.0 + wander))
            .at(&at, read("T2", 12.6 - wander));
    }
    let all = told(&stuck, "2026-02-09 02:00");
    assert!(
        of(&all, Situation::SensorDoubted)[0]
            .1
            .contains("taken as stuck"),
        "{all:?}"
    );
    let all = told(&apart, "2026-02-09 02:00");
    assert!(
        of(&all, Situation::SensorDoubted)[0]
            .1
            .contains("differed from"),
        "{all:?}"
    );
}
