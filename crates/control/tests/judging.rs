//! The fast against the slow: tests against their plain description, the monitor against
//! portions that are all there, the change point against every way to cut.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use chrono::{DateTime, TimeDelta, Utc};
use control::nelson::{self, Test};
use control::{
    Aim, Episode, Finding, Lean, Monitor, Portion, Rules, Size, Spread, judge, samples, since,
};
use facts::{BatchId, PersonId, WheelId};
use proptest::prelude::*;
use quantity::Grams;

fn start() -> DateTime<Utc> {
    "2026-03-03T09:00:00Z".parse().unwrap()
}

fn portion(n: usize, grams: f64, batch: &str, person: Option<&str>) -> Portion {
    Portion {
        at: start() + TimeDelta::seconds(40 * n as i64),
        wheel: WheelId::new(&format!("W{n:04}")).unwrap(),
        batch: BatchId::new(batch).unwrap(),
        person: person.map(|p| PersonId::new(p).unwrap()),
        weight_g: Grams::new(grams.round() as u32).unwrap(),
    }
}

fn rules(size: usize, sigma_g: f64) -> Rules {
    Rules {
        aim: Aim {
            weight_g: Grams::new(4200).unwrap(),
            tolerance_g: Grams::new(150).unwrap(),
        },
        size: Size::new(size).unwrap(),
        spread: Spread {
            sigma_g,
            samples: None,
        },
    }
}

/// How many points at the end, one after the other, are so.
fn run(points: &[f64], so: impl Fn(&f64) -> bool) -> usize {
    points.iter().rev().take_while(|p| so(p)).count()
}

/// The eight tests once more, by counting runs.
fn by_counting(points: &[f64]) -> Vec<Test> {
    let Some(last) = points.last().copied() else {
        return Vec::new();
    };
    let steps: Vec<f64> = points.windows(2).map(|p| p[1] - p[0]).collect();
    let turns: Vec<f64> = steps.windows(2).map(|s| s[0] * s[1]).collect();
    let among = |n: usize, far: f64, sign: f64| {
        let latest = &points[points.len().saturating_sub(n)..];
        match latest.len() == n && last * sign > far {
            true => latest.iter().filter(|p| **p * sign > far).count(),
            false => 0,
        }
    };
    let most = |n: usize, far: f64| among(n, far, 1.0).max(among(n, far, -1.0));
    let eight = &points[points.len().saturating_sub(8)..];
    let mut found = Vec::new();
    let mut say = |holds: bool, test: Test| {
        if holds {
            found.push(test);
        }
    };
    say(last.abs() > 3.0, Test::Beyond);
    say(
        run(points, |p| *p > 0.0).max(run(points, |p| *p < 0.0)) >= 9,
        Test::OneSide,
    );
    say(
        run(&steps, |s| *s > 0.0).max(run(&steps, |s| *s < 0.0)) >= 5,
        Test::Trend,
    );
    say(run(&turns, |t| *t < 0.0) >= 12, Test::Alternating);
    say(most(3, 2.0) >= 2, Test::TwoOfThree);
    say(most(5, 1.0) >= 4, Test::FourOfFive);
    say(run(points, |p| p.abs() < 1.0) >= 15, Test::Hugging);
    say(
        run(points, |p| p.abs() > 1.0) >= 8
            && eight.iter().any(|p| *p > 0.0)
            && eight.iter().any(|p| *p < 0.0),
        Test::Avoiding,
    );
    found
}

/// Portions of two vats side by side, by two people, in spells that are on the aim or off.
fn weighed() -> impl Strategy<Value = Vec<Portion>> {
    let spell = (-90_i32..90, 1_usize..30, 5_i32..60, any::<bool>());
    let noise = proptest::collection::vec((-10_i32..=10, 0_u8..10, any::<bool>()), 300);
    (proptest::collection::vec(spell, 1..8), noise).prop_map(|(spells, noise)| {
        let mut portions = Vec::new();
        for (off, count, wide, two_vats) in spells {
            for _ in 0..count {
                let n = portions.len();
                let (step, who, other) = noise[n % noise.len()];
                let grams = 4200 + off + step * wide / 10;
                let batch = if two_vats && other { "B" } else { "A" };
                let person = [None, Some("01"), Some("02")][usize::from(who) % 3];
                portions.push(portion(n, f64::from(grams), batch, person));
            }
        }
        portions
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn nelsons_tests_are_what_counting_runs_says(
        // Coarse, so that points are equal, on the centre and on limits now and then.
        points in proptest::collection::vec((-7_i32..=7).prop_map(|p| f64::from(p) / 2.0), 0..60),
    ) {
        let fast = nelson::signals(&points);
        for end in 0..points.len() {
            prop_assert_eq!(&fast[end], &by_counting(&points[..=end]), "at {}", end);
        }
    }

    #[test]
    fn patterns_that_random_points_hardly_make_are_counted_alike_too(
        low in -1.4_f64..0.0, high in 0.0_f64..1.4, flips in proptest::collection::vec(any::<bool>(), 40),
    ) {
        let points: Vec<f64> = flips
            .iter()
            .enumerate()
            .map(|(n, flip)| if (n % 2 == 0) ^ (*flip && n % 17 == 0) { low } else { high })
            .collect();
        let fast = nelson::signals(&points);
        for end in 0..points.len() {
            prop_assert_eq!(&fast[end], &by_counting(&points[..=end]), "at {}", end);
        }
    }

    #[test]
    fn the_monitor_says_of_each_portion_what_is_said_of_all(
        portions in weighed(), size in 2_usize..=6, sigma in 5.0_f64..50.0,
    ) {
        let rules = rules(size, sigma);
        let mut monitor = Monitor::new(rules);
        let told: Vec<Finding> = portions.iter().filter_map(|p| monitor.push(*p)).collect();
        let all = judge(&rules, &portions);
        let raised: Vec<Finding> = all.iter().map(|episode| episode.finding).collect();
        prop_assert_eq!(&told, &raised);
        let open = all.last().filter(|e| e.over.is_none()).map(|e| e.finding);
        prop_assert_eq!(monitor.standing().copied(), open);
    }

    #[test]
    fn what_is_said_does_not_change_when_more_is_weighed(portions in weighed(), cut in 0_usize..200) {
        let rules = rules(3, 20.0);
        let all = judge(&rules, &portions);
        let some = judge(&rules, &portions[..cut.min(portions.len())]);
        prop_assert!(some.len() <= all.len());
        for (before, after) in some.iter().zip(&all) {
            prop_assert_eq!(before.finding, after.finding);
            prop_assert!(before.over.is_none() || before.over == after.over);
        }
    }

    #[test]
    fn findings_follow_each_other_and_begin_before_they_are_seen(portions in weighed()) {
        let all = judge(&rules(4, 15.0), &portions);
        for Episode { finding, over } in &all {
            prop_assert!(finding.since <= finding.at);
            prop_assert!(over.is_none_or(|over| over > finding.at));
            prop_assert!(finding.portions >= 1);
        }
        prop_assert!(all.windows(2).all(|pair| pair[0].over.is_some_and(|over| over <= pair[1].finding.at)));
    }

    #[test]
    fn a_step_begins_where_no_other_cut_makes_the_rest_less_likely(
        off in proptest::collection::vec(-60_i32..60, 1..60),
    ) {
        let off: Vec<f64> = off.into_iter().map(f64::from).collect();
        for lean in [Lean::High, Lean::Low] {
            let cuts = (0..off.len()).filter_map(|cut| {
                let rest = &off[cut..];
                let mean = rest.iter().sum::<f64>() / rest.len() as f64;
                let that_way = if lean == Lean::High { mean > 0.0 } else { mean < 0.0 };
                that_way.then_some((rest.len() as f64 * mean * mean, cut, mean))
            });
            let best = cuts.max_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            let got = since(&off, lean);
            prop_assert_eq!(got.is_some(), best.is_some());
            if let (Some((place, mean)), Some((most, _, _))) = (got, best) {
                let rest = &off[place..];
                let there = rest.len() as f64 * mean * mean;
                // Cuts that are equally likely may differ in the last digit.
                prop_assert!((there - most).abs() <= 1e-9 * most.max(1.0), "{} is not {}", there, most);
            }
        }
    }

    #[test]
    fn every_portion_is_in_one_sample_or_left_over(portions in weighed(), size in 2_usize..=10) {
        let samples = samples(&portions, Size::new(size).unwrap());
        let in_vat = |batch: &str| portions.iter().filter(|p| p.batch.as_str() == batch).count();
        prop_assert_eq!(samples.len(), in_vat("A") / size + in_vat("B") / size);
        prop_assert!(samples.windows(2).all(|pair| pair[0].to <= pair[1].to));
        for sample in &samples {
            prop_assert_eq!(portions[sample.first].batch, sample.batch);
            prop_assert_eq!(portions[sample.last].at, sample.to);
        }
    }
}

#[test]
fn a_step_of_40_grams_is_dated_to_the_portion_that_it_began_with() {
    let off = [12.0, -20.0, 5.0, -9.0, 14.0, 38.0, 51.0, 30.0, 44.0, 36.0];
    let (place, mean) = since(&off, Lean::High).unwrap();
    assert_eq!(place, 5);
    assert!((mean - 39.8).abs() < 1e-9);
    assert_eq!(since(&off, Lean::Low), None);
    assert_eq!(since(&[], Lean::High), None);
}

/// Weights about normal around an aim that is missed by `off` standard deviations of a mean of
/// five: after how many samples, on average, something is told.
fn samples_until_told(off: f64) -> f64 {
    use rand::{Rng as _, SeedableRng as _};
    let mut random = rand::rngs::SmallRng::seed_from_u64(4);
    let rules = rules(5, 30.0);
    let (mut samples, runs) = (0, 1_500);
    for _ in 0..runs {
        let mut monitor = Monitor::new(rules);
        for n in 0.. {
            let even: f64 = (0..12).map(|_| random.random::<f64>()).sum();
            let grams = 4200.0 + off * 30.0 / 5_f64.sqrt() + 30.0 * (even - 6.0);
            if monitor.push(portion(n, grams, "A", None)).is_some() {
                samples += (n + 1) / 5;
                break;
            }
        }
    }
    f64::from(u32::try_from(samples).unwrap()) / f64::from(runs)
}

/// Average run lengths: no source has this set of tests; Champ and Woodall (*Technometrics*
/// 29, 1987) compute 92 for a chart with three more points of the Western Electric rules and
/// without ranges (from memory).
#[test]
fn portions_that_are_right_are_seldom_told_wrong() {
    let right = samples_until_told(0.0);
    assert!((80.0..115.0).contains(&right), "once in {right} samples");
    let moved = samples_until_told(1.6);
    assert!((4.5..7.0).contains(&moved), "after {moved} samples");
    let far = samples_until_told(3.2);
    assert!((1.2..2.2).contains(&far), "after {far} samples");
}

#[test]
fn a_size_that_cannot_be_judged_is_refused_in_words() {
    assert_eq!(
        Size::new(11).unwrap_err().to_string(),
        "a sample of 11 portions cannot be judged by its range: take 2 to 10, usually 5"
    );
    assert!("1".parse::<Size>().is_err());
    assert_eq!("five".parse::<Size>().unwrap_err(), "\"five\" is no number");
}
