//! Drying: physics in order of magnitude, and what weighings teach.

use forecast::drying::{Drying, surface_m2};
use forecast::{DryingHabit, Forecaster, Habits, habits};
use proptest::prelude::*;
use quantity::{Celsius, Percent};

use crate::given::{Given, day, larkholm_blue};

fn flux(celsius: f64, humidity: f64, air_m_s: f64, rind: f64) -> f64 {
    Drying {
        water_activity: 0.97,
        temperature: Celsius::new(celsius).unwrap(),
        humidity: Percent::new(humidity).unwrap(),
        air_m_s,
        rind: Percent::new(rind).unwrap(),
    }
    .flux_g_m2_h()
}

/// Order of magnitude only, reckoned by hand for a heat transfer of 3 W m⁻² K⁻¹: 5.6 g m⁻² h⁻¹
/// at 10 °C and 90 %, 1.6 at 95 %, 11.0 at 12 °C and 85 %. No published loss a day of a blue
/// was at hand.
#[test]
fn the_flux_has_the_right_order_of_magnitude() {
    // The air speed at which the transfer is 3 instead of 4.
    let air = 0.2 * (3.0_f64 / 4.0).powi(2);
    for (celsius, humidity, g) in [(10.0, 90.0, 5.6), (10.0, 95.0, 1.6), (12.0, 85.0, 11.0)] {
        let ours = flux(celsius, humidity, air, 0.0);
        assert!(
            (ours / g - 1.0).abs() < 0.05,
            "{celsius} °C {humidity} %: {ours}"
        );
    }
}

/// A wheel 20 cm wide and 25 cm high has a surface of 0.220 m², by hand.
#[test]
fn the_surface_is_that_of_a_cylinder() {
    let volume_m3 = std::f64::consts::PI * 0.01 * 0.25;
    let surface = surface_m2(volume_m3 * 1_080.0 * 1000.0, 0.8, 1_080.0);
    assert!((surface - 0.2199).abs() < 1e-4, "{surface}");
}

/// A dairy whose wheels lose by a known law, weighed now and then.
fn weighed_dairy(rate: f64) -> Given {
    let mut given = Given::batch(10);
    given.air("R1", 0.0, 90.0, 12.5, 93.0);
    given.air("R2", 0.0, 90.0, 10.0, 94.0);
    given.air("R3", 0.0, 90.0, 8.0, 93.0);
    given
        .moved(5.3, "R1")
        .moved(15.0, "R2")
        .moved(20.0, "R3")
        .pierced(36.3);
    for place in 0..6 {
        for at in [5.5, 15.0, 20.0, 40.0, 55.0] {
            given.weighed(at, place, grams(rate, at, place));
        }
    }
    given
}

/// The law: 13 % left in the hoop, then so many grams a day; a gram or two for each wheel.
fn grams(rate: f64, at: f64, place: usize) -> u32 {
    let lost = rate * (at - 5.3).max(0.0);
    (4200.0 * 0.87 - lost + place as f64 * 2.0) as u32
}

fn learnt(given: &Given, at: f64) -> (forecast::History, Habits, DryingHabit) {
    let history = given.history();
    let habits = habits(&history, day(at), &Habits::new(), 1);
    let recipe = larkholm_blue();
    let drying = DryingHabit::learn(&history, &recipe, &habits[&recipe.id], day(at));
    (history, habits, drying)
}

#[test]
fn weighings_teach_what_the_hoop_keeps_and_how_fast_each_room_dries() {
    let (.., drying) = learnt(&weighed_dairy(8.0), 60.0);
    assert_eq!(drying.learnt_from, 30);
    assert!((drying.kept() - 0.87).abs() < 0.01, "{}", drying.kept());
    let (rate, unsure) = drying.rate("R3".parse().unwrap()).unwrap();
    let guess = DryingHabit::first_guess(&larkholm_blue());
    let (_, before) = guess.rate("R3".parse().unwrap()).unwrap();
    assert!(
        rate > 0.0 && unsure < 0.2 * before,
        "{rate} ± {unsure}, before ± {before}"
    );
}

#[test]
fn weights_at_dispatch_are_foretold() {
    let given = weighed_dairy(8.0);
    let (history, habits, drying) = learnt(&given, 45.0);
    let forecaster = Forecaster::new(&history, &habits, day(45.0));
    let weights = forecaster.weights("B1".parse().unwrap(), &drying).unwrap();
    assert_eq!(weights.wheels.len(), 10);
    assert_eq!(weights.alarm, None);
    let age = weights
        .day
        .days_since(crate::given::clock().day_of(day(0.0)));
    for weight in &weights.wheels {
        let truth = f64::from(grams(8.0, age as f64 + 0.5, 0));
        let (low, high) = weight.p80_g;
        assert!(low < weight.expected_g && weight.expected_g < high);
        assert!(
            (weight.expected_g - truth).abs() < 80.0,
            "{weight:?}, truth {truth}"
        );
    }
    // One that was weighed lately is surer than one that never was.
    let width = |n: usize| weights.wheels[n].p80_g.1 - weights.wheels[n].p80_g.0;
    assert!(width(0) < width(9));
}

#[test]
fn a_batch_that_dries_too_fast_or_too_slowly_is_told() {
    let alarm = |rate: f64| {
        let mut given = weighed_dairy(8.0);
        given.make("B2", 4, 10.0);
        let all = given.wheels.clone();
        given
            .unhoop(15.2, &all)
            .moved(15.3, "R1")
            .moved(25.0, "R2")
            .moved(30.0, "R3");
        for at in [15.5, 30.0, 50.0] {
            given.weighed(at, 0, grams(rate, at - 10.0, 0));
        }
        let (history, habits, drying) = learnt(&given, 60.0);
        let forecaster = Forecaster::new(&history, &habits, day(60.0));
        forecaster
            .weights("B2".parse().unwrap(), &drying)
            .unwrap()
            .alarm
    };
    assert_eq!(alarm(8.0), None);
    let fast = alarm(16.0).unwrap();
    assert!(
        fast.of_usual > 1.5 && fast.words.contains("crack"),
        "{fast:?}"
    );
    let slow = alarm(2.0).unwrap();
    assert!(
        slow.of_usual < 0.5 && slow.words.contains("wet"),
        "{slow:?}"
    );
}

#[test]
fn one_slip_at_the_scale_changes_little() {
    let steady = learnt(&weighed_dairy(8.0), 60.0).2;
    let mut given = weighed_dairy(8.0);
    given.weighed(57.0, 8, 640);
    let slipped = learnt(&given, 60.0).2;
    assert!((steady.kept() - slipped.kept()).abs() < 0.003);
    let rate = |drying: &DryingHabit| drying.rate("R3".parse().unwrap()).unwrap().0;
    assert!((rate(&steady) / rate(&slipped) - 1.0).abs() < 0.05);
}

proptest! {
    #[test]
    fn the_flux_falls_to_nothing_and_rises_with_heat_and_wind(
        t in 0.0..20.0_f64, rh in 60.0..100.0_f64, air in 0.0..2.0_f64, rind in 0.0..=100.0_f64,
    ) {
        let here = flux(t, rh, air, rind);
        prop_assert!(here.is_finite() && here >= 0.0);
        prop_assert_eq!(here == 0.0, rh >= 97.0);
        prop_assert!(flux(t + 1.0, rh, air, rind) >= here);
        prop_assert!(flux(t, rh, air + 0.2, rind) >= here);
        prop_assert!(flux(t, rh, air, 0.0) >= here);
    }
}
