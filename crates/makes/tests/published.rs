//! Checks from outside the project.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use facts::BatchId;
use makes::{FAT_RETAINED, Individuals, MILK_KG_L, at_moisture, expected_kg_per_100_kg, square};

fn van_slyke(fat: f64, casein: f64, moisture: f64) -> f64 {
    expected_kg_per_100_kg(fat, casein, moisture, FAT_RETAINED).unwrap()
}

/// Van Slyke and Price 1908, Y = (0.93 F + C − 0.1)·1.09 / (1 − W): inputs of the University
/// of Guelph's yield page and of a five-vat data set at dairyscience.info (which prints the
/// mean of the vats, 9.27), worked by hand.
#[test]
fn van_slyke_and_price() {
    for (fat, casein, moisture, kg) in [
        (3.6, 2.5, 0.37, 9.945),
        (3.49, 2.31, 0.358, 9.263),
        (3.6, 2.5, 0.46, 11.602),
        (4.0, 2.5, 0.46, 12.353),
        (3.6, 2.5, 0.42, 10.802),
        (3.7, 2.5, 0.37, 10.106),
    ] {
        let ours = van_slyke(fat, casein, moisture);
        assert!(
            (ours - kg).abs() < 6e-4,
            "{fat} {casein} {moisture}: {ours}, not {kg}"
        );
    }
    assert!(expected_kg_per_100_kg(3.6, 2.5, 1.0, 0.93).is_err());
    assert!(expected_kg_per_100_kg(f64::NAN, 2.5, 0.4, 0.93).is_err());
}

/// Exercise in the University of Guelph's cheese book, chapter 18, worked by hand: 11 % at
/// 37 % moisture is 11 · 63/61 at 39 %; with 1.7 % salt in both, 11 · 61.3/59.3.
#[test]
fn yield_at_another_moisture() {
    assert!((at_moisture(11.0, 0.37, 0.39).unwrap() - 11.3607).abs() < 5e-5);
    let with_salt = at_moisture(11.0, 0.37 + 0.017, 0.39 + 0.017).unwrap();
    assert!((with_salt - 11.3710).abs() < 5e-5);
}

/// Common practice, no source: 20 US gal of milk give an 18 lb wheel, 10.47 kg from 100 kg;
/// a portion of 24 lb loses a quarter on the way there. Van Slyke and Price give as much at
/// 40.2 % moisture.
#[test]
fn twenty_gallons_and_eighteen_pounds() {
    let milk_kg = 20.0 * 3.785_411_784 * MILK_KG_L;
    let pound = 0.453_592_37;
    let percent = 100.0 * 18.0 * pound / milk_kg;
    assert!((percent - 10.47).abs() < 0.005, "{percent}");
    assert!((van_slyke(3.6, 2.5, 0.402) - percent).abs() < 0.01);
    assert_eq!(1.0 - 18.0 / 24.0, 0.25);
}

/// Pearson's square: two exercises of the University of Guelph's standardisation page, one
/// of dairyconsultant.co.uk, one from memory (3.5 % from 4.0 and 0.1 %).
#[test]
fn pearsons_square() {
    // 500 kg of 4 % milk and 35 % cream make 10 %: 120 kg of cream.
    let cream = square(4.0, 35.0, 10.0).unwrap().second_for(500.0).unwrap();
    assert!((cream - 120.0).abs() < 1e-9);
    // 160 kg of 40 % cream and skimmed milk make 32 %: 40 kg of skimmed milk.
    let skimmed = square(40.0, 0.0, 32.0).unwrap().second_for(160.0).unwrap();
    assert!((skimmed - 40.0).abs() < 1e-9);
    // 40 % cream and 0.05 % skimmed milk make 1000 kg of 3.5 %.
    let (cream, skimmed) = square(40.0, 0.05, 3.5).unwrap().of_total(1000.0);
    assert!((cream - 86.4).abs() < 0.05 && (skimmed - 913.6).abs() < 0.05);
    let parts = square(4.0, 0.1, 3.5).unwrap();
    assert!((parts.first - 0.8718).abs() < 5e-5);
    assert!(square(4.0, 3.0, 5.0).is_err(), "outside the two");
    assert!(square(4.0, 4.0, 4.0).is_err(), "both alike");
    assert!(square(4.0, 0.1, 140.0).is_err());
}

/// NIST/SEMATECH e-Handbook 6.3.2.2, individuals: printed centre 50.81, mean range 1.8778,
/// limits 45.8159 and 55.8041, range limit 6.1349 in one copy and 6.1347 by 3.267·1.87778.
#[test]
fn individuals_and_moving_ranges() {
    let values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let named = (1..).zip(values).map(|(n, value)| {
        let batch: BatchId = format!("B{n}").parse().unwrap();
        (batch, value)
    });
    let chart = Individuals::of(named).unwrap();
    let near = |ours: f64, printed: f64, by: f64| {
        assert!((ours - printed).abs() < by, "{ours}, not {printed}");
    };
    near(chart.centre, 50.81, 1e-9);
    near(chart.mean_range, 1.8778, 5e-5);
    near(chart.limits.0, 45.8159, 3e-3);
    near(chart.limits.1, 55.8041, 3e-3);
    near(chart.range_limit, 6.1348, 2e-3);
}
