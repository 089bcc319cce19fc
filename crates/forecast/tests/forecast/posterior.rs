//! The posterior against a slow and plain one, and against whatever is seen.

use std::sync::Arc;

use forecast::seen::{Seen, below, ln_likelihood};
use forecast::{FINE, Growth, Lattice, Link, Look, Posterior};
use proptest::prelude::*;

fn rind_growth() -> Growth {
    Growth {
        half_days: 11.0,
        half_unsure: 0.05,
        steepness: 4.5,
        bend: 1.0,
        steepness_spread: 0.08,
        batch_spread: 0.12,
        wheel_spread: 0.05,
        noise_pct: 4.0,
    }
}

fn blue_growth() -> Growth {
    Growth {
        half_days: 13.0,
        bend: 0.4,
        steepness: 3.5,
        noise_pct: 4.5,
        ..rind_growth()
    }
}

const LINK: f64 = 0.6;

fn look(effective_days: f64, seen: Seen) -> Look {
    Look {
        effective_days,
        seen,
    }
}

/// By brute force: every integral is a sum over a fine, even grid, nothing is shared, and
/// the curve and Student's t are written out once more.
mod plain {
    use super::*;

    pub fn share(g: &Growth, e: f64, ln_s: f64, ln_a: f64) -> f64 {
        let m = g.bend;
        let two = 2f64.powf(m);
        let a = g.steepness * ln_a.exp() * m * two / (2.0 * (two - 1.0));
        let x = e / (g.half_days * ln_s.exp());
        100.0 * (1.0 + (two - 1.0) * (-a * (x - 1.0)).exp()).powf(-1.0 / m)
    }

    /// Density of Student's t with four degrees of freedom.
    pub fn t4(z: f64) -> f64 {
        0.375 * (1.0 + z * z / 4.0).powf(-2.5)
    }

    fn likelihood(g: &Growth, look: &Look, ln_s: f64, ln_a: f64) -> f64 {
        let truth = share(g, look.effective_days, ln_s, ln_a);
        let s = g.noise_pct;
        match look.seen {
            Seen::About(y) => t4((y - truth) / s) / s,
            // The closed form is checked against the added-up density by itself.
            Seen::AtLeast(y) => below((truth - y) / s),
            Seen::AtMost(y) => below((y - truth) / s),
        }
    }

    /// The probability above z: the density added up.
    pub fn tail(z: f64) -> f64 {
        let step = 1e-3;
        let n = 400_000;
        (0..n)
            .map(|i| t4(z + (f64::from(i) + 0.5) * step) * step)
            .sum()
    }

    fn normal(x: f64, mean: f64, sd: f64) -> f64 {
        (-0.5 * ((x - mean) / sd).powi(2)).exp() / (sd * (2.0 * std::f64::consts::PI).sqrt())
    }

    /// Steepness nodes: the rule the project states that it uses.
    fn steeps() -> [(f64, f64); 5] {
        let (a, b) = (2.856_970_013_872_805_6, 1.355_626_179_974_266);
        let (p, q) = (0.011_257_411_327_720_7, 0.222_075_922_005_612_6);
        [(-a, p), (-b, q), (0.0, 8.0 / 15.0), (b, q), (a, p)]
    }

    fn grid(sd: f64) -> Vec<f64> {
        (-320..=320)
            .map(|i| f64::from(i) * 7.0 * sd / 320.0)
            .collect()
    }

    /// Evidence, mean and standard deviation of the blue pace, and the probability that the
    /// first wheel has reached a share.
    pub fn blue(rind: &[Look], wheels: &[Vec<Look>], reached: (f64, f64)) -> [f64; 4] {
        let (gr, gb) = (rind_growth(), blue_growth());
        let (sr, sb) = (gr.spread(), gb.spread());
        let (rs, bs) = (grid(sr), grid(sb));
        let (dr, db) = (rs[1] - rs[0], bs[1] - bs[0]);
        // The rind's pace: weight of each node.
        let of_rind: Vec<f64> = rs
            .iter()
            .map(|r| {
                let seen: f64 = steeps()
                    .iter()
                    .map(|(z, w)| {
                        let ln_a = z * gr.steepness_spread;
                        w * rind
                            .iter()
                            .map(|l| likelihood(&gr, l, *r, ln_a))
                            .product::<f64>()
                    })
                    .sum();
                normal(*r, 0.0, sr) * dr * seen
            })
            .collect();
        let rind_evidence: f64 = of_rind.iter().sum();
        let rest = sb * (1.0 - LINK * LINK).sqrt();
        let prior: Vec<f64> = bs
            .iter()
            .map(|b| {
                let given = rs.iter().zip(&of_rind);
                let sum: f64 = given
                    .map(|(r, w)| w * normal(*b, LINK * sb / sr * r, rest))
                    .sum();
                sum * db / rind_evidence
            })
            .collect();
        let ds = grid(gb.wheel_spread);
        let dd = ds[1] - ds[0];
        let (mut evidence, mut first, mut second, mut has) = (0.0, 0.0, 0.0, 0.0);
        for (z, w) in steeps() {
            let ln_a = z * gb.steepness_spread;
            for (b, p) in bs.iter().zip(&prior) {
                let mut joint = w * p;
                let mut first_reached = 0.0;
                for (number, looks) in wheels.iter().enumerate() {
                    let (mut all, mut some) = (0.0, 0.0);
                    for d in &ds {
                        let fits: f64 = looks
                            .iter()
                            .map(|l| likelihood(&gb, l, b + d, ln_a))
                            .product();
                        let weight = normal(*d, 0.0, gb.wheel_spread) * dd * fits;
                        all += weight;
                        if share(&gb, reached.0, b + d, ln_a) >= reached.1 {
                            some += weight;
                        }
                    }
                    joint *= all;
                    if number == 0 {
                        first_reached = some / all;
                    }
                }
                evidence += joint;
                first += joint * b;
                second += joint * b * b;
                has += joint * first_reached;
            }
        }
        let mean = first / evidence;
        let sd = (second / evidence - mean * mean).sqrt();
        [evidence.ln(), mean, sd, has / evidence]
    }
}

#[test]
fn the_posterior_is_that_of_brute_force() {
    let rind = [
        look(7.0, Seen::About(9.0)),
        look(10.0, Seen::About(31.0)),
        look(13.0, Seen::About(58.0)),
    ];
    let wheels = vec![
        vec![look(12.0, Seen::About(47.0)), look(17.0, Seen::About(66.0))],
        vec![look(12.0, Seen::About(30.0))],
        vec![look(17.0, Seen::AtLeast(60.0))],
    ];
    let (lattice, blue_lattice) = (
        Arc::new(Lattice::new(rind_growth(), FINE)),
        Arc::new(Lattice::new(blue_growth(), FINE)),
    );
    let mut of_rind = Posterior::before(&lattice);
    of_rind.look(&rind);
    let mut blue = Posterior::after(&of_rind, &Link::new(&blue_lattice, LINK));
    blue.iron_each(wheels.iter().map(Vec::as_slice));
    let [evidence, mean, sd, has] = plain::blue(&rind, &wheels, (20.0, 80.0));
    let (our_mean, our_sd) = blue.pace();
    assert!(
        (our_mean - mean).abs() < 2e-4,
        "mean {our_mean}, not {mean}"
    );
    assert!((our_sd - sd).abs() < 2e-4, "sd {our_sd}, not {sd}");
    assert!((blue.ln_evidence() - evidence).abs() < 2e-3);
    let ours = blue.p_wheel_has(0, 20.0, 80.0);
    assert!((ours - has).abs() < 3e-3, "first wheel {ours}, not {has}");
}

#[test]
fn the_likelihood_is_students_t() {
    for z in [-8.0, -2.0, -0.3, 0.0, 0.7, 3.0, 12.0] {
        let ours = ln_likelihood(Seen::About(50.0 + 4.0 * z), 50.0, 4.0);
        assert!((ours - (plain::t4(z) / 4.0).ln()).abs() < 1e-12);
        assert!((1.0 - below(z) - plain::tail(z)).abs() < 1e-6, "{z}");
    }
}

fn with(irons: &[(f64, f64)]) -> Posterior {
    let mut blue = Posterior::before(&Arc::new(Lattice::new(blue_growth(), FINE)));
    let looks: Vec<[Look; 1]> = irons
        .iter()
        .map(|(e, pct)| [look(*e, Seen::of(*pct).unwrap())])
        .collect();
    blue.iron_each(looks.iter().map(<[Look; 1]>::as_slice));
    blue
}

#[test]
fn one_wild_core_moves_a_batch_less_than_a_likely_one() {
    let steady = [(12.0, 44.0), (12.0, 48.0), (16.0, 63.0), (16.0, 66.0)];
    let (before, sd) = with(&steady).pace();
    let moved = |pct: f64| {
        let mut all = steady.to_vec();
        all.push((16.0, pct));
        (with(&all).pace().0 - before).abs()
    };
    let most = (0..=100)
        .map(|pct| moved(f64::from(pct)))
        .fold(0.0, f64::max);
    assert!(most < sd, "at most {most}, standard deviation {sd}");
    assert!(
        moved(2.0) < most / 2.0,
        "wild {}, likely {most}",
        moved(2.0)
    );
}

#[test]
fn through_and_not_through_yet_count_for_what_they_say() {
    let pace = |seen| {
        let mut blue = Posterior::before(&Arc::new(Lattice::new(blue_growth(), FINE)));
        blue.iron(&[look(16.0, seen)]);
        blue.pace().0
    };
    let nothing = with(&[]).pace().0;
    assert!(pace(Seen::AtLeast(85.0)) < nothing - 0.02);
    assert!(pace(Seen::AtMost(50.0)) > nothing + 0.02);
    assert!(pace(Seen::AtLeast(5.0)).abs() < 0.01);
}

#[test]
fn one_more_core_of_a_wheel_is_the_same_as_both_at_once() {
    let (a, b) = (look(12.0, Seen::About(40.0)), look(16.0, Seen::About(70.0)));
    let lattice = Arc::new(Lattice::new(blue_growth(), FINE));
    let mut both = Posterior::before(&lattice);
    both.iron(&[a, b]);
    let mut after = Posterior::before(&lattice);
    let wheel = after.iron(&[a]);
    after.iron_again(wheel, b);
    let ((m1, s1), (m2, s2)) = (both.pace(), after.pace());
    assert!((m1 - m2).abs() < 1e-9 && (s1 - s2).abs() < 1e-9);
}

#[test]
fn what_is_no_share_is_refused() {
    for pct in [-0.1, 100.1, 140.0, f64::NAN, f64::INFINITY] {
        assert!(Seen::of(pct).is_err());
    }
    let told = Seen::of(140.0).unwrap_err().to_string();
    assert!(told.starts_with("140 % is no share"), "{told}");
}

fn any_look() -> impl Strategy<Value = Look> {
    let seen = prop_oneof![
        4 => (0.0..=100.0_f64).prop_map(|pct| Seen::of(pct).unwrap()),
        1 => (0.0..=100.0_f64).prop_map(Seen::AtLeast),
        1 => (0.0..=100.0_f64).prop_map(Seen::AtMost),
    ];
    (prop_oneof![0.05..60.0_f64, 60.0..5000.0_f64], seen).prop_map(|(e, seen)| look(e, seen))
}

fn any_growth() -> impl Strategy<Value = Growth> {
    (
        (0.5..400.0_f64, 0.0..0.3_f64, 1.5..15.0_f64, 0.05..2.0_f64),
        (0.0..0.2_f64, 0.01..0.6_f64, 0.005..0.3_f64, 1.0..20.0_f64),
    )
        .prop_map(
            |((half, unsure, steep, bend), (spread, batch, wheel, noise))| Growth {
                half_days: half,
                half_unsure: unsure,
                steepness: steep,
                bend,
                steepness_spread: spread,
                batch_spread: batch,
                wheel_spread: wheel,
                noise_pct: noise,
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// Contradictory, absurd, many: never a number that is none, and never surer than the
    /// grid can say.
    #[test]
    fn whatever_is_seen_the_posterior_is_sound(
        growth in any_growth(),
        rind in prop::collection::vec(any_look(), 0..12),
        wheels in prop::collection::vec(prop::collection::vec(any_look(), 1..6), 0..5),
        link in -1.0..1.0_f64,
    ) {
        let lattice = Arc::new(Lattice::new(growth, FINE));
        let mut of_rind = Posterior::before(&lattice);
        of_rind.look(&rind);
        let mut blue = Posterior::after(&of_rind, &Link::new(&lattice, link));
        blue.iron_each(wheels.iter().map(Vec::as_slice));
        for posterior in [&of_rind, &blue] {
            let (mean, sd) = posterior.pace();
            prop_assert!(mean.is_finite() && mean.abs() <= 6.01 * growth.spread());
            prop_assert!(sd.is_finite() && sd <= 6.01 * growth.spread());
            prop_assert!(posterior.ln_evidence().is_finite());
            let mut before = -1e-9;
            for e in [0.1, 1.0, 5.0, 20.0, 80.0, 1000.0] {
                let share = posterior.share_pct(e);
                prop_assert!((0.0..=100.0 + 1e-6).contains(&share), "{share} after {e}");
                prop_assert!(share >= before - 1e-6, "cover falls");
                before = share;
            }
        }
        for wheel in 0..wheels.len() {
            let has = blue.p_wheel_has(wheel, 20.0, 80.0);
            prop_assert!((0.0..=1.0 + 1e-9).contains(&has));
        }
    }

    #[test]
    fn the_order_of_looks_does_not_matter(
        looks in prop::collection::vec(any_look(), 1..8),
    ) {
        let lattice = Arc::new(Lattice::new(blue_growth(), FINE));
        let pace = |looks: &[Look]| {
            let mut posterior = Posterior::before(&lattice);
            posterior.look(looks);
            posterior.pace()
        };
        let backwards: Vec<Look> = looks.iter().rev().copied().collect();
        let ((m1, s1), (m2, s2)) = (pace(&looks), pace(&backwards));
        prop_assert!((m1 - m2).abs() < 1e-6 && (s1 - s2).abs() < 1e-6);
    }
}
