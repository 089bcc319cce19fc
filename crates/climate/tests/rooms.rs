//! Doubtful sensors, excursions and what wheels felt.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use climate::gas::eight_hour_mean_ppm;
use climate::{
    Doubt, Inspected, Kind, Limits, Offset, Ranges, Reading, RoomAir, Source, Whereabouts, air,
    excursions, felt, inspect, suffered,
};
use facts::{Event, Fact, FactId, WheelDispatched, WheelMoved};
use proptest::prelude::*;
use quantity::{Celsius, Percent};

fn start() -> DateTime<Utc> {
    "2026-03-02T00:00:00Z".parse().unwrap()
}

fn sensor(name: &str) -> Source {
    Source::Sensor(name.parse().unwrap())
}

fn reading(at: DateTime<Utc>, t: f64, h: f64) -> Reading {
    Reading {
        at,
        temperature: Celsius::new(t).unwrap(),
        humidity: Some(Percent::new(h).unwrap()),
        co2: None,
        nh3: None,
    }
}

/// A reading every half hour; a little wander, so that it is not stuck.
fn half_hours(n: i64, value: impl Fn(i64) -> f64) -> Vec<Reading> {
    (0..n)
        .map(|i| {
            let wander = f64::from(i32::try_from(i % 3).unwrap()) * 0.1;
            reading(
                start() + TimeDelta::minutes(30 * i),
                value(i) + wander,
                93.0 - wander,
            )
        })
        .collect()
}

fn look(sensors: &[(&str, Vec<Reading>)], now_h: i64) -> Inspected {
    let room = sensors
        .iter()
        .map(|(name, r)| (sensor(name), r.clone()))
        .collect();
    let now = start() + TimeDelta::hours(now_h);
    inspect(&room, &BTreeMap::new(), &Limits::default(), now)
}

fn doubts(inspected: &Inspected) -> Vec<Doubt> {
    inspected.findings.iter().map(|f| f.doubt).collect()
}

#[test]
fn a_steady_room_is_not_doubted() {
    let seen = look(&[("A", half_hours(96, |_| 10.0))], 48);
    assert_eq!(doubts(&seen), []);
    assert_eq!(seen.good[&sensor("A")].len(), 96);
}

#[test]
fn a_sensor_at_85_degrees_is_left_out() {
    let readings = half_hours(96, |i| if i == 40 { 85.0 } else { 10.0 });
    let seen = look(&[("A", readings)], 48);
    assert_eq!(doubts(&seen), [Doubt::Impossible]);
    assert!(
        seen.findings[0].words.contains("85.1 °C"),
        "{}",
        seen.findings[0].words
    );
    let room = RoomAir::of(&seen.good);
    assert!(
        room.hours()
            .iter()
            .flatten()
            .all(|hour| hour.temperature.get() < 11.0)
    );
}

#[test]
fn a_spike_is_left_out_but_a_step_and_a_slow_rise_are_believed() {
    let spike = look(
        &[("A", half_hours(96, |i| if i == 40 { 18.0 } else { 10.0 }))],
        48,
    );
    assert_eq!(doubts(&spike), [Doubt::Spike]);
    let step = look(
        &[("A", half_hours(96, |i| if i < 40 { 10.0 } else { 18.0 }))],
        48,
    );
    assert_eq!(doubts(&step), []);
    assert_eq!(step.good[&sensor("A")].len(), 96);
    let rise = look(&[("A", half_hours(96, |i| 10.0 + 0.3 * i as f64))], 48);
    assert_eq!(doubts(&rise), []);
}

#[test]
fn the_last_reading_waits_for_the_next_one_when_it_is_far_off() {
    let seen = look(
        &[("A", half_hours(41, |i| if i == 40 { 18.0 } else { 10.0 }))],
        20,
    );
    assert_eq!(doubts(&seen), []);
    assert_eq!(seen.good[&sensor("A")].len(), 40);
}

#[test]
fn a_stuck_sensor_is_found_and_left_out() {
    let mut readings = half_hours(60, |_| 10.0);
    let last = readings[59].at;
    readings.extend((1..=60).map(|i| reading(last + TimeDelta::minutes(30 * i), 9.4, 91.0)));
    let seen = look(&[("A", readings)], 60);
    assert_eq!(doubts(&seen), [Doubt::Stuck]);
    assert_eq!(seen.good[&sensor("A")].len(), 61);
}

#[test]
fn silence_is_told_also_when_it_lasts_until_now() {
    let mut readings = half_hours(20, |_| 10.0);
    readings.push(reading(start() + TimeDelta::hours(24 * 31), 10.0, 93.0));
    let seen = look(&[("A", readings)], 24 * 31 + 5);
    assert_eq!(doubts(&seen), [Doubt::Gap, Doubt::Gap]);
    assert!(
        seen.findings[0].words.contains("30 days"),
        "{}",
        seen.findings[0].words
    );
}

#[test]
fn of_three_sensors_the_odd_one_is_left_out_of_two_the_mean_is_used() {
    let (a, b) = (half_hours(48, |_| 10.0), half_hours(48, |_| 10.2));
    let c = half_hours(48, |_| 12.5);
    let three = look(&[("A", a.clone()), ("B", b), ("C", c.clone())], 24);
    assert_eq!(doubts(&three), [Doubt::Disagrees]);
    assert_eq!(three.findings[0].source, sensor("C"));
    assert!(three.good[&sensor("C")].is_empty());
    let two = look(&[("A", a), ("C", c)], 24);
    assert_eq!(doubts(&two), [Doubt::Disagrees, Doubt::Disagrees]);
    let mean = RoomAir::of(&two.good).mean(start(), start() + TimeDelta::hours(24));
    assert!(
        (mean.temperature_c - 11.35).abs() < 0.06,
        "{}",
        mean.temperature_c
    );
}

#[test]
fn a_calibration_is_added_to_what_the_sensor_says() {
    let room = BTreeMap::from([(sensor("A"), half_hours(8, |_| 10.0))]);
    let offset = Offset {
        temperature_c: -0.5,
        humidity_pct: 20.0,
    };
    let offsets = BTreeMap::from([("A".parse().unwrap(), offset)]);
    let now = start() + TimeDelta::hours(4);
    let seen = inspect(&room, &offsets, &Limits::default(), now);
    let first = seen.good[&sensor("A")][0];
    assert_eq!(first.temperature.get(), 9.5);
    assert_eq!(first.humidity.unwrap().get(), 100.0);
}

#[test]
fn short_gaps_are_bridged_long_ones_are_not() {
    let mut readings = half_hours(40, |i| i as f64 / 10.0 + 8.0);
    readings.retain(|r| {
        let hour = (r.at - start()).num_hours();
        !(4..6).contains(&hour) && !(10..15).contains(&hour)
    });
    let room = RoomAir::of(&BTreeMap::from([(sensor("A"), readings)]));
    let missing: Vec<usize> = (0..20).filter(|i| room.hours()[*i].is_none()).collect();
    assert_eq!(missing, [10, 11, 12, 13, 14]);
    let bridged = room.hours()[4].unwrap().temperature.get();
    assert!((bridged - 8.9).abs() < 0.11, "{bridged}");
}

fn ranges() -> Ranges {
    Ranges {
        temperature_c: (9.0, 11.0),
        humidity_pct: (90.0, 98.0),
    }
}

fn warm_night() -> RoomAir {
    let readings = half_hours(96, |i| if (40..60).contains(&i) { 14.0 } else { 10.0 });
    RoomAir::of(&BTreeMap::from([(sensor("A"), readings)]))
}

#[test]
fn an_excursion_has_length_depth_and_integral() {
    let end = start() + TimeDelta::hours(48);
    let found = excursions(&warm_night(), &ranges(), start(), end, 1);
    assert_eq!(found.len(), 1);
    let warm = found[0];
    assert_eq!((warm.kind, warm.hours()), (Kind::Warm, 10.0));
    assert!((warm.worst - 3.1).abs() < 0.11, "{}", warm.worst);
    assert!((warm.integral - 31.0).abs() < 0.6, "{}", warm.integral);
    assert_eq!(
        warm.words(),
        "too warm for 10 h, up to 14.1 °C (limit 11.0), 31 °C·h in all"
    );
    assert_eq!(excursions(&warm_night(), &ranges(), start(), end, 11), []);
}

fn fact(n: u128, hour: i64, event: Event) -> Fact {
    let at = start() + TimeDelta::hours(hour);
    Fact {
        id: FactId::from_uuid(uuid::Uuid::from_u128(n)),
        site: "larkholm".parse().unwrap(),
        station: "room-1".parse().unwrap(),
        station_seq: 1,
        person: None,
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event,
    }
}

fn moved(n: u128, hour: i64, wheel: &str, room: &str) -> Fact {
    let event = WheelMoved {
        wheels: vec![wheel.parse().unwrap()],
        via: None,
        room: room.parse().unwrap(),
        position: None,
    };
    fact(n, hour, event.into())
}

#[test]
fn wheels_felt_an_excursion_as_long_as_they_stood_in_the_room() {
    let gone = WheelDispatched {
        wheels: vec!["W3".parse().unwrap()],
        via: None,
        order: None,
        market: None,
        sale: None,
    };
    let facts = [
        moved(1, 0, "W1", "R2"),
        moved(2, 0, "W2", "R1"),
        moved(3, 25, "W2", "R2"),
        moved(4, 0, "W3", "R2"),
        fact(5, 22, gone.into()),
        moved(6, 0, "W4", "R2"),
        moved(7, 1, "W4", "R2"),
    ];
    let whereabouts = Whereabouts::of(&holds::counting(&facts, &holds::Rights::AnyBadge));
    let end = start() + TimeDelta::hours(48);
    let warm = excursions(&warm_night(), &ranges(), start(), end, 1)[0];
    let who = suffered(&warm, "R2".parse().unwrap(), &whereabouts);
    let told: Vec<(i64, Vec<String>)> = who
        .iter()
        .map(|s| {
            let wheels = s.wheels.iter().map(|w| w.to_string()).collect();
            ((s.until - s.from).num_hours(), wheels)
        })
        .collect();
    assert_eq!(
        told,
        [
            (10, vec!["W1".to_owned(), "W4".to_owned()]),
            (5, vec!["W2".to_owned()]),
            (2, vec!["W3".to_owned()]),
        ]
    );
    let air = BTreeMap::from([("R2".parse().unwrap(), warm_night())]);
    let life = felt(whereabouts.path("W2".parse().unwrap()), &air, end);
    assert_eq!(life.len(), 2);
    assert_eq!((life[0].hours(), life[0].temperature_c), (25.0, None));
    assert_eq!(life[1].measured_hours, 23);
    assert!((life[1].temperature_c.unwrap() - 10.97).abs() < 0.1);
}

#[test]
fn the_eight_hour_mean_weighs_by_time() {
    let mean = |readings: &[(f64, f64)]| eight_hour_mean_ppm(readings);
    assert_eq!(mean(&[]), None);
    assert_eq!(mean(&[(9.0, 9_000.0)]), None);
    assert_eq!(mean(&[(8.0, 1_000.0), (4.0, 9_000.0)]), Some(5_000.0));
    assert_eq!(mean(&[(2.0, 9_000.0), (8.0, 1_000.0)]), Some(3_000.0));
}

proptest! {
    #[test]
    fn moist_air_keeps_its_order(t in -40.0..60.0_f64, rh in 1.0..100.0_f64) {
        let (temperature, humidity) = (Celsius::new(t).unwrap(), Percent::new(rh).unwrap());
        let dew = air::dew_point_c(temperature, humidity).unwrap();
        prop_assert!(dew <= t + 1e-9);
        let back = air::saturation_hpa(Celsius::new(dew.max(-60.0)).unwrap());
        prop_assert!((back - air::vapour_hpa(temperature, humidity)).abs() < 1e-9 || dew < -60.0);
        let warmer = Celsius::new(t + 1.0).unwrap();
        prop_assert!(air::saturation_hpa(warmer) > air::saturation_hpa(temperature));
        let all = Percent::new(100.0).unwrap();
        prop_assert!(air::deficit_hpa(temperature, all).abs() < 1e-12);
    }

    /// Whatever a sensor says, nothing breaks, and nothing that is believed is absurd.
    #[test]
    fn any_readings_can_be_looked_at(
        values in prop::collection::vec((0i64..400, -60.0..150.0_f64, 0.0..100.0_f64), 0..80),
    ) {
        let mut readings: Vec<Reading> = values
            .iter()
            .map(|(hour, t, h)| reading(start() + TimeDelta::hours(*hour), *t, *h))
            .collect();
        readings.sort_by_key(|r| r.at);
        let (odd, even) = readings.iter().enumerate().partition::<Vec<_>, _>(|(i, _)| i % 2 == 1);
        let half = |part: Vec<(usize, &Reading)>| part.into_iter().map(|(_, r)| *r).collect();
        let seen = look(&[("A", half(odd)), ("B", half(even))], 500);
        let room = RoomAir::of(&seen.good);
        for hour in room.hours().iter().flatten() {
            prop_assert!((-10.0..=40.0).contains(&hour.temperature.get()));
        }
        for excursion in excursions(&room, &ranges(), start(), start() + TimeDelta::hours(500), 1) {
            prop_assert!(excursion.integral.is_finite() && excursion.integral > 0.0);
        }
    }
}
