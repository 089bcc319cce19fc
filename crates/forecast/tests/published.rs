//! Checks from outside the project.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use forecast::least_squares::fit;
use forecast::mould::{BLUE_MOULD, Cardinal};
use quantity::{Celsius, Percent};

/// NIST Statistical Reference Datasets, nonlinear regression, Rat42 and Rat43 (Ratkowsky
/// 1983): certified to eleven digits; six must agree from both published starts.
mod nist {
    use super::*;

    fn agrees<const N: usize>(found: [f64; N], certified: [f64; N], digits: i32) {
        for (found, certified) in found.iter().zip(&certified) {
            let off = ((found - certified) / certified).abs();
            assert!(
                off < 0.5 * 10f64.powi(-digits),
                "{found} is not {certified}"
            );
        }
    }

    const RAT42: [(f64, f64); 9] = [
        (9.0, 8.930),
        (14.0, 10.800),
        (21.0, 18.590),
        (28.0, 22.330),
        (42.0, 39.350),
        (57.0, 56.110),
        (63.0, 61.730),
        (70.0, 64.620),
        (79.0, 67.080),
    ];

    #[test]
    fn rat42() {
        for start in [[100.0, 1.0, 0.1], [75.0, 2.5, 0.07]] {
            let residuals = |b: &[f64; 3]| {
                let at = |(x, y): &(f64, f64)| b[0] / (1.0 + (b[1] - b[2] * x).exp()) - y;
                RAT42.iter().map(at).collect()
            };
            let fitted = fit(residuals, start).unwrap();
            agrees(
                fitted.parameters,
                [7.2462237576E+01, 2.6180768402E+00, 6.7359200066E-02],
                7,
            );
            agrees(
                fitted.deviations,
                [1.7340283401E+00, 8.8295217536E-02, 3.4465663377E-03],
                6,
            );
            agrees([fitted.squares], [8.0565229338E+00], 9);
        }
    }

    const RAT43: [f64; 15] = [
        16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56,
        689.96, 637.56, 717.41,
    ];

    #[test]
    fn rat43() {
        for start in [[100.0, 10.0, 1.0, 1.0], [700.0, 5.0, 0.75, 1.3]] {
            let residuals = |b: &[f64; 4]| {
                let at = |(x, y): (u32, &f64)| {
                    let below = 1.0 + (b[1] - b[2] * f64::from(x)).exp();
                    b[0] / below.powf(1.0 / b[3]) - y
                };
                (1..).zip(&RAT43).map(at).collect()
            };
            let fitted = fit(residuals, start).unwrap();
            agrees(
                fitted.parameters,
                [
                    6.9964151270E+02,
                    5.2771253025E+00,
                    7.5962938329E-01,
                    1.2792483859E+00,
                ],
                6,
            );
            // The file's printed residual deviation is of 11 degrees of freedom.
            agrees(
                fitted.deviations,
                [
                    1.6302297817E+01,
                    2.0828735829E+00,
                    1.9566123451E-01,
                    6.8761936385E-01,
                ],
                5,
            );
            agrees([fitted.squares], [8.7864049080E+03], 9);
        }
    }
}

/// The cardinal temperature model with inflection (Rosso et al. 1993), worked by hand.
mod cardinal {
    use super::*;

    fn model(least: f64, best: f64, most: f64, power: i32) -> Cardinal {
        Cardinal {
            least,
            best,
            most,
            power,
        }
    }

    fn agrees(model: Cardinal, values: &[(f64, f64)]) {
        for (x, gamma) in values {
            let ours = model.gamma(*x);
            let digit = if *gamma * 1e4 == (*gamma * 1e4).round() {
                6e-5
            } else {
                6e-7
            };
            assert!(
                (ours - gamma).abs() < digit,
                "γ({x}) is {ours}, not {gamma}"
            );
        }
    }

    #[test]
    fn temperature() {
        let values = [
            (0.0, 0.0530),
            (4.0, 0.1641),
            (8.0, 0.3236),
            (10.0, 0.4167),
            (12.0, 0.5153),
            (15.0, 0.6667),
            (20.0, 0.8929),
            (25.0, 1.0),
            (30.0, 0.8167),
        ];
        agrees(model(-5.0, 25.0, 35.0, 2), &values);
        let values = [
            (2.0, 0.045373),
            (4.0, 0.099121),
            (5.0, 0.132791),
            (8.0, 0.257069),
            (10.0, 0.355556),
            (12.0, 0.462501),
            (15.0, 0.629630),
            (20.0, 0.881603),
            (25.0, 1.0),
            (30.0, 0.806935),
        ];
        agrees(model(-2.0, 25.0, 35.0, 2), &values);
        // A documented call of a public implementation: T 10, cardinal values 4, 20, 37.
        agrees(model(4.0, 20.0, 37.0, 2), &[(10.0, 0.660326)]);
    }

    #[test]
    fn water_and_acidity() {
        let values = [
            (0.90, 0.215669),
            (0.93, 0.437500),
            (0.95, 0.625000),
            (0.96, 0.728448),
            (0.97, 0.835227),
            (0.98, 0.937500),
        ];
        agrees(model(0.83, 0.99, 1.0, 2), &values);
        let values = [
            (4.6, 0.815094),
            (5.0, 0.909091),
            (5.5, 0.978261),
            (6.0, 1.0),
            (6.5, 0.980000),
            (7.0, 0.923077),
        ];
        agrees(model(3.0, 6.0, 10.0, 1), &values);
    }

    /// 21 days at 8 °C, 14 at 10 °C and 7 at 4 °C are 31.1346 days at 10 °C, by hand; the
    /// calendar says 42.
    #[test]
    fn a_room_history() {
        let day = |t: f64| BLUE_MOULD.inside(Celsius::new(t).unwrap());
        let effective = 21.0 * day(8.0) + 14.0 * day(10.0) + 7.0 * day(4.0);
        assert!((effective - 31.1346).abs() < 6e-5, "{effective}");
        assert!((day(12.0) - 1.3008).abs() < 6e-5);
    }

    #[test]
    fn the_reference_day_is_one_day_on_the_rind_too() {
        let (t, h) = (Celsius::new(10.0).unwrap(), Percent::new(95.0).unwrap());
        assert!((BLUE_MOULD.on_the_rind(t, h) - 1.0).abs() < 1e-12);
        let dry = Percent::new(80.0).unwrap();
        assert!(BLUE_MOULD.on_the_rind(t, dry) < 0.6);
    }
}
