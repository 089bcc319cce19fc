//! Tables published by others. Sources beside each.

use facts::{HeatReading, MilkHeated, MilkPasteurised, Verdict};
use quantity::Celsius;
use safety::{Heat, Limits, Pairs, Sampling, Unjudged, judge};

use crate::given::{id, plan};

fn held(lowest_c: f64, held_s: f64) -> Heat {
    Heat::Held { lowest_c, held_s }
}

/// Reg. (EC) 853/2004, annex III, section IX, chapter II (read in a French legal text):
/// 72 °C for 15 s, 63 °C for 30 min. Pasteurised Milk Ordinance table (state codes, 21 CFR
/// 131.3): °F and times.
#[test]
fn each_pair_is_met_at_its_own_limit_and_not_below() {
    let eu = [(72.0, 15.0), (63.0, 1_800.0)];
    for (c, s) in eu {
        assert!(
            Pairs::eu().judge(&held(c, s), None).met.is_some(),
            "{c} °C {s} s"
        );
        assert!(
            Pairs::eu().judge(&held(c - 0.1, s), None).met.is_none(),
            "{c} °C {s} s"
        );
        assert!(
            Pairs::eu().judge(&held(c, s * 0.99), None).met.is_none(),
            "{c} °C {s} s"
        );
    }
    // °F and exact °C, s.
    let us = [
        (145.0, 62.778, 1_800.0),
        (161.0, 71.667, 15.0),
        (191.0, 88.333, 1.0),
        (194.0, 90.0, 0.5),
        (201.0, 93.889, 0.1),
        (204.0, 95.556, 0.05),
        (212.0, 100.0, 0.01),
    ];
    for ((f, exact_c, s), pair) in us.into_iter().zip(Pairs::us().pairs) {
        assert!((pair.least_c - exact_c).abs() < 0.001, "{f} °F");
        assert!(pair.to_string().starts_with(&format!("{f} °F")), "{pair}");
        let c = (f - 32.0) / 1.8;
        assert!(
            Pairs::us().judge(&held(c, s), None).met.is_some(),
            "{f} °F {s} s"
        );
        assert!(
            Pairs::us().judge(&held(c - 0.05, s), None).met.is_none(),
            "{f} °F {s} s"
        );
    }
}

/// 161 °F are 71.67 °C: a record of 71.8 °C meets the one limit and not the other.
#[test]
fn a_limit_keeps_the_unit_it_is_written_in() {
    let between = held(71.8, 15.0);
    assert!(Pairs::us().judge(&between, None).met.is_some());
    let eu = Pairs::eu().judge(&between, None);
    assert_eq!(
        eu.words,
        "at least 71.8 °C for 15 s: meets none of 72 °C for 15 s, 63 °C for 30 min"
    );
}

/// Texas administrative code, title 25, 217.1, and 21 CFR 131.3: 5 °F more from 10 % fat.
#[test]
fn rich_milk_needs_five_degrees_fahrenheit_more() {
    let plain = held(72.0, 15.0);
    assert!(Pairs::us().judge(&plain, Some(9.9)).met.is_some());
    assert!(Pairs::us().judge(&plain, Some(10.0)).met.is_none());
    let warmer = held((166.0 - 32.0) / 1.8, 15.0);
    assert!(Pairs::us().judge(&warmer, Some(10.0)).met.is_some());
}

fn heated(tube: Option<f64>, readings: &[(f64, f64)]) -> MilkHeated {
    MilkHeated {
        lot: id("m1"),
        holding_tube_s: tube,
        readings: readings
            .iter()
            .map(|(after_s, c)| HeatReading {
                after_s: *after_s,
                temperature_c: Celsius::new(*c).unwrap(),
            })
            .collect(),
    }
}

#[test]
fn a_vat_is_held_as_long_as_its_readings_prove_without_a_break() {
    let every_5_min = |c: &[f64]| -> Vec<(f64, f64)> {
        c.iter()
            .enumerate()
            .map(|(n, c)| (300.0 * n as f64, *c))
            .collect()
    };
    let met = |readings: &[(f64, f64)]| {
        Pairs::eu()
            .judge(&Heat::from(&heated(None, readings)), None)
            .met
            .is_some()
    };
    assert!(met(&every_5_min(&[
        60.0, 63.0, 63.2, 63.4, 63.1, 63.0, 63.0, 63.5, 61.0
    ])));
    assert!(!met(&every_5_min(&[
        60.0, 63.0, 63.2, 63.4, 63.1, 63.0, 63.0, 62.9, 63.0
    ])));
    assert!(
        !met(&every_5_min(&[63.0, 63.0, 63.0, 62.9, 63.0, 63.0, 63.0])),
        "a dip begins anew"
    );
    assert!(
        !met(&[(0.0, 64.0), (1_800.0, 64.0)]),
        "nothing is known of the half hour between"
    );
    assert!(
        !met(&[(0.0, 64.0), (600.0, 64.0), (300.0, 64.0), (1_500.0, 64.0)]),
        "a clock went back"
    );
    assert!(!met(&[]));
}

#[test]
fn a_holding_tube_is_as_good_as_its_coldest_reading() {
    let met = |readings: &[(f64, f64)]| {
        Pairs::eu()
            .judge(&Heat::from(&heated(Some(16.0), readings)), None)
            .met
            .is_some()
    };
    assert!(met(&[(0.0, 72.5), (60.0, 72.0), (120.0, 73.0)]));
    assert!(!met(&[(0.0, 72.5), (60.0, 71.9), (120.0, 73.0)]));
    assert!(!met(&[]), "no reading proves nothing");
    let fact = MilkPasteurised {
        lot: id("m1"),
        temperature_c: Celsius::new(72.0).unwrap(),
        held_s: f64::NAN,
    };
    assert!(Pairs::eu().judge(&Heat::from(&fact), None).met.is_none());
}

fn units(values: &[f64]) -> Vec<String> {
    values
        .iter()
        .map(|value| format!("{value} cfu/g"))
        .collect()
}

fn plan_of(n: u16, c: u16, m: f64, big_m: f64) -> Sampling {
    Sampling {
        id: "x".to_owned(),
        test: "coagulase-positive staphylococci".to_owned(),
        n,
        c,
        limits: Limits::Counts { m, big_m },
        source: None,
    }
}

/// Reg. (EC) 2073/2005, annex I: rows 2.2.3 (raw milk, read in a copy of Reg. 1441/2007),
/// 2.2.4 (ripened, pasteurised milk, the same), 2.2.5, 2.2.2 (E. coli, from memory; the
/// same n, c, m, M read in Recommendation 2005/175/EC).
#[test]
fn three_class_plans_give_the_regulations_verdicts() {
    use Verdict::{Acceptable, Satisfactory, Unsatisfactory};
    let rows = [
        ("2.2.4 and 2.2.2", plan_of(5, 2, 100.0, 1_000.0)),
        ("2.2.3", plan_of(5, 2, 10_000.0, 100_000.0)),
        ("2.2.5", plan_of(5, 2, 10.0, 100.0)),
    ];
    for (row, plan) in rows {
        let Limits::Counts { m, big_m } = plan.limits else {
            panic!()
        };
        let table = [
            ([0.0, 0.1, 0.5, 0.9, 1.0], Satisfactory), // all at most m
            ([1.0, 1.0, 1.0, 1.0, 1.0], Satisfactory), // m itself is within
            ([0.9, 1.0, 2.5, 9.0, 0.8], Acceptable),   // 2 between
            ([0.9, 1.0, 10.0, 10.0, 0.8], Acceptable), // M itself is not above
            ([0.9, 1.5, 2.5, 9.0, 0.8], Unsatisfactory), // 3 between
            ([0.9, 0.9, 0.9, 0.9, 10.01], Unsatisfactory), // 1 above M
        ];
        for (times_m, verdict) in table {
            let values: Vec<f64> = times_m.iter().map(|t| t * m).collect();
            let judged = judge(&plan, &units(&values)).unwrap();
            assert_eq!(
                judged.verdict, verdict,
                "row {row}, {values:?}, m {m}, M {big_m}"
            );
        }
    }
    // The worked values of the check list.
    let plan = plan_of(5, 2, 100.0, 1_000.0);
    let verdict = |values: &[f64]| judge(&plan, &units(values)).unwrap().verdict;
    assert_eq!(verdict(&[90.0, 100.0, 250.0, 900.0, 80.0]), Acceptable);
    assert_eq!(verdict(&[90.0, 150.0, 250.0, 900.0, 80.0]), Unsatisfactory);
    assert_eq!(verdict(&[90.0, 90.0, 90.0, 90.0, 1_001.0]), Unsatisfactory);
}

/// Reg. (EC) 2073/2005, annex I, rows 1.2 (absence and 100 cfu/g), 1.3, 1.11.
#[test]
fn two_class_plans_allow_nothing_between() {
    let plan = plan();
    let absence = plan.sampling("listeria-cheese").unwrap();
    assert_eq!(
        (absence.n, absence.c, absence.limits),
        (5, 0, Limits::NotDetected { in_g: 25.0 })
    );
    let of = |last: &str| {
        let mut units = vec!["not detected in 25 g".to_owned(); 4];
        units.push(last.to_owned());
        judge(absence, &units)
    };
    assert_eq!(
        of("not detected in 25 g").unwrap().verdict,
        Verdict::Satisfactory
    );
    assert_eq!(
        of("detected in 25 g").unwrap().verdict,
        Verdict::Unsatisfactory
    );
    assert_eq!(of("20 cfu/g").unwrap().verdict, Verdict::Unsatisfactory);
    assert!(matches!(
        of("not detected in 10 g"),
        Err(Unjudged::Unlike { unit: 5, .. })
    ));
    assert!(
        matches!(of("<10 cfu/g"), Err(Unjudged::Unlike { unit: 5, .. })),
        "below 10 is not absent"
    );

    let shelf_life = plan_of(5, 0, 100.0, 100.0);
    let verdict = |values: &[f64]| judge(&shelf_life, &units(values)).unwrap().verdict;
    assert_eq!(verdict(&[100.0; 5]), Verdict::Satisfactory);
    assert_eq!(
        verdict(&[0.0, 0.0, 0.0, 0.0, 101.0]),
        Verdict::Unsatisfactory
    );
}
