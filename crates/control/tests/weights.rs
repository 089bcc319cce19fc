//! Capability, giveaway, spread and finished weights, each against what can be worked out by
//! hand.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use control::{Aim, Capability, Finish, Finished, Giveaway, Portion, Sample, Size, Spread};
use facts::BatchId;
use proptest::prelude::*;
use quantity::Grams;
use support::{Station, clock, floor, recipe, utc, wheel};

fn aim() -> Aim {
    Aim::from(recipe().portion)
}

fn portions(weights: &[u32]) -> Vec<Portion> {
    let batch = BatchId::new("A").unwrap();
    let portion = |(n, grams): (usize, &u32)| Portion {
        at: utc("2026-03-03T10:00:00Z"),
        wheel: wheel("A", n + 1),
        batch,
        person: None,
        weight_g: Grams::new(*grams).unwrap(),
    };
    weights.iter().enumerate().map(portion).collect()
}

fn sample(range_g: f64) -> Sample {
    Sample {
        batch: BatchId::new("A").unwrap(),
        from: utc("2026-03-03T10:00:00Z"),
        to: utc("2026-03-03T10:02:00Z"),
        mean_g: 4200.0,
        range_g,
        first: 0,
        last: 4,
    }
}

#[test]
fn curd_above_the_aim_is_added_up_and_priced() {
    let given = Giveaway::of(&portions(&[4250, 4300, 4170, 4200]), aim(), Some(8.0));
    assert!((given.over_kg - 0.150).abs() < 1e-12);
    assert!((given.short_kg - 0.030).abs() < 1e-12);
    assert!((given.net_kg() - 0.120).abs() < 1e-12);
    assert!((given.cost.unwrap() - 1.20).abs() < 1e-12);
    assert_eq!(Giveaway::of(&[], aim(), None), Giveaway::default());
}

#[test]
fn a_mean_outside_the_tolerance_has_a_capability_below_nothing() {
    let fit = Capability::of(&[12.0, 13.0, 14.0], 1.0, 0.0, 10.0).unwrap();
    assert!((fit.cpk - (10.0 - 13.0) / 3.0).abs() < 1e-12);
    assert!((fit.cp - 10.0 / 6.0).abs() < 1e-12);
    assert!((fit.sigma_overall - 1.0).abs() < 1e-12);
    assert_eq!(Capability::of(&[5.0], 1.0, 0.0, 10.0), None);
    assert_eq!(Capability::of(&[5.0, 5.0], 0.0, 0.0, 10.0), None);
    assert_eq!(Capability::of(&[], 1.0, 0.0, 10.0), None);
}

#[test]
fn the_spread_comes_from_earlier_samples_once_there_are_twenty() {
    let size = Size::USUAL;
    let few = Spread::of(&vec![sample(60.0); 19], size, aim());
    assert_eq!((few.sigma_g, few.samples), (50.0, None));
    let enough = Spread::of(&vec![sample(60.0); 20], size, aim());
    assert_eq!(enough.samples, Some(20));
    assert!((enough.sigma_g - 60.0 / 2.326).abs() < 0.01);
    // The oldest are forgotten.
    let mut many = vec![sample(900.0); 30];
    many.extend(vec![sample(60.0); 25]);
    assert_eq!(Spread::of(&many, size, aim()).samples, Some(25));
    assert!((Spread::of(&many, size, aim()).sigma_g - 60.0 / 2.326).abs() < 0.01);
    // One slip does not make the limits wide.
    let mut slip = vec![sample(60.0); 24];
    slip.insert(9, sample(900.0));
    let spread = Spread::of(&slip, size, aim());
    assert_eq!(spread.samples, Some(24));
    assert!((spread.sigma_g - 60.0 / 2.326).abs() < 0.01);
    // A scale that always shows the same says nothing of the spread.
    assert_eq!(
        Spread::of(&vec![sample(0.0); 25], size, aim()).samples,
        None
    );
}

fn finished(place: usize, weight_g: f64) -> Finished {
    Finished {
        wheel: wheel("A", place),
        age_days: 70,
        portion_g: 4200.0,
        weight_g,
        expected_g: None,
        score: None,
    }
}

/// Modified z-scores by hand: of 3400, 3410, 3420, 3430 and 3900 g the middle is 3420, the
/// deviations are 20, 10, 0, 10, 480, their middle 10: 0.6745 · 480 / 10 = 32.4.
#[test]
fn the_wheel_that_stands_out_does_not_hide_itself() {
    let wheels = [3400.0, 3410.0, 3420.0, 3430.0, 3900.0];
    let wheels = wheels
        .iter()
        .enumerate()
        .map(|(n, g)| finished(n, *g))
        .collect();
    let finish = Finish::among(BatchId::new("A").unwrap(), wheels).unwrap();
    let scores: Vec<f64> = finish.wheels.iter().map(|w| w.score.unwrap()).collect();
    assert!((scores[4] - 32.376).abs() < 1e-3, "{scores:?}");
    assert!((scores[0] + 1.349).abs() < 1e-3);
    assert_eq!(finish.outliers().count(), 1);
    assert!((finish.loss_pct - 100.0 * (1.0 - 3420.0 / 4200.0)).abs() < 1e-9);
    assert_eq!(finish.expected_loss_pct, None);
}

#[test]
fn few_wheels_or_equal_ones_name_nobody() {
    let batch = BatchId::new("A").unwrap();
    let few = [3400.0, 3410.0, 2000.0]
        .iter()
        .enumerate()
        .map(|(n, g)| finished(n, *g))
        .collect();
    assert_eq!(Finish::among(batch, few).unwrap().outliers().count(), 0);
    let equal = (0..9).map(|n| finished(n, 3400.0)).collect();
    assert_eq!(Finish::among(batch, equal).unwrap().outliers().count(), 0);
    assert_eq!(Finish::among(batch, Vec::new()), None);
    // More than half alike: the one that is not still stands out.
    let mut alike: Vec<Finished> = (0..9).map(|n| finished(n, 3400.0)).collect();
    alike.push(finished(9, 3700.0));
    assert_eq!(Finish::among(batch, alike).unwrap().outliers().count(), 1);
}

#[test]
fn only_weighings_after_portioning_count_and_ages_are_dairy_days() {
    let mut floor = floor();
    let mut station = Station::default();
    let made = utc("2026-03-03T13:00:00Z");
    floor.apply(&station.vat(utc("2026-03-03T05:00:00Z"), "A"));
    for fact in station.portions(made, "A", |_| "01", [0.0; 3]) {
        floor.apply(&fact);
    }
    floor.refresh(made);
    let batch = BatchId::new("A").unwrap();
    assert_eq!(Finish::of(&floor, batch), None);
    // Half past three in the night of 5 April: still the dairy day of the 4th.
    floor.apply(&station.weigh(utc("2026-04-05T02:30:00Z"), wheel("A", 2), 3_700));
    floor.refresh(utc("2026-04-05T12:00:00Z"));
    let finish = Finish::of(&floor, batch).unwrap();
    assert_eq!(finish.wheels.len(), 1);
    assert_eq!(finish.wheels[0].age_days, 32);
    assert_eq!(clock().zone(), chrono_tz::Europe::London);
}

proptest! {
    #[test]
    fn what_is_over_less_what_is_short_is_all_less_the_aims(weights in proptest::collection::vec(3000_u32..5000, 0..50)) {
        let given = Giveaway::of(&portions(&weights), aim(), None);
        let all: f64 = weights.iter().map(|g| f64::from(*g)).sum();
        let net = (all - 4200.0 * weights.len() as f64) / 1000.0;
        prop_assert!((given.net_kg() - net).abs() < 1e-9);
        prop_assert!(given.over_kg >= 0.0 && given.short_kg >= 0.0);
    }

    #[test]
    fn scores_do_not_depend_on_the_order_or_the_unit(
        weights in proptest::collection::vec(3000_u32..4000, 5..20), turn in 0_usize..20,
    ) {
        let batch = BatchId::new("A").unwrap();
        let of = |weights: &[u32], unit: f64| {
            let wheels = weights.iter().enumerate().map(|(n, g)| {
                let mut wheel = finished(n, f64::from(*g) * unit);
                wheel.portion_g *= unit;
                wheel
            });
            Finish::among(batch, wheels.collect()).unwrap()
        };
        let mut turned = weights.clone();
        turned.rotate_left(turn % weights.len());
        let (a, b) = (of(&weights, 1.0), of(&turned, 1000.0));
        prop_assert_eq!(a.outliers().count(), b.outliers().count());
        prop_assert!((a.loss_pct - b.loss_pct).abs() < 1e-9);
    }
}
