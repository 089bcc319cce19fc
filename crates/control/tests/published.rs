//! Checks from outside: each names its source.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use control::{Capability, Factors, Lean, Limits, Size, mean_and_range, nelson, since};

fn size(n: usize) -> Size {
    Size::new(n).unwrap()
}

fn near(got: f64, printed: f64, within: f64, what: &str) {
    assert!(
        (got - printed).abs() <= within,
        "{what}: {got} is not the printed {printed}"
    );
}

/// Means and ranges of samples given as coded values: (x - 74 mm) · 1000.
fn coded(rows: &[[f64; 5]]) -> Vec<(f64, f64)> {
    let decoded = rows.iter().map(|row| row.map(|c| 74.0 + c / 1000.0));
    decoded.map(|row| mean_and_range(&row).unwrap()).collect()
}

/// Factors for control charts: ISO 7870-2 / ASTM E2587, read in two printed tables ("Table
/// A.22 Factors for Constructing Control Charts" and a CSS manual). Printed tables round the
/// last digit differently (D4 for 3 is 2.574 or 2.575): a thousandth and a half.
mod factors {
    use super::*;

    #[test]
    fn integrated_factors_are_those_of_the_printed_tables() {
        let table = [
            (2, 1.880, 0.0, 3.267, 1.128, 0.853),
            (3, 1.023, 0.0, 2.574, 1.693, 0.888),
            (4, 0.729, 0.0, 2.282, 2.059, 0.880),
            (5, 0.577, 0.0, 2.114, 2.326, 0.864),
            (6, 0.483, 0.0, 2.004, 2.534, 0.848),
            (7, 0.419, 0.076, 1.924, 2.704, 0.833),
            (8, 0.373, 0.136, 1.864, 2.847, 0.820),
            (9, 0.337, 0.184, 1.816, 2.970, 0.808),
            (10, 0.308, 0.223, 1.777, 3.078, 0.797),
        ];
        for (n, a2, d3_lower, d4_upper, d2, d3) in table {
            let got = Factors::of(size(n));
            near(got.a2, a2, 0.0007, &format!("A2 for {n}"));
            near(got.range_lower, d3_lower, 0.0015, &format!("D3 for {n}"));
            near(got.range_upper, d4_upper, 0.0015, &format!("D4 for {n}"));
            near(got.d2, d2, 0.0007, &format!("d2 for {n}"));
            near(got.d3, d3, 0.0007, &format!("d3 for {n}"));
        }
    }

    /// For two values the range is |x₁ − x₂|, half normal: d₂ = 2/√π and d₃² = 2 − 4/π (any
    /// textbook; worked out by hand). It holds to more digits than tables print.
    #[test]
    fn factors_for_two_are_what_they_can_be_worked_out_to_be() {
        let got = Factors::of(size(2));
        let pi = std::f64::consts::PI;
        near(got.d2, 2.0 / pi.sqrt(), 1e-8, "d2");
        near(got.d3, (2.0 - 4.0 / pi).sqrt(), 1e-6, "d3");
        let three = Factors::of(size(3));
        near(three.d2, 3.0 / pi.sqrt(), 1e-8, "d2 for 3 = 3/√π");
    }
}

/// A worked textbook example: 20 samples of 5, grand mean 0.0022, mean range 0.0356; limits
/// of the mean 0.0227 and -0.0183, upper limit of the range 0.0753.
mod worked_example {
    use super::*;

    #[test]
    fn the_limits_are_those_worked_out_in_the_book() {
        let limits = Limits::of(vec![(0.0022, 0.0356); 20], size(5)).unwrap();
        near(limits.means.1, 0.0227, 0.000_05, "upper");
        near(limits.means.0, -0.0183, 0.000_05, "lower");
        near(limits.ranges.1, 0.0753, 0.000_05, "range");
        near(limits.ranges.0, 0.0, 0.0, "range from");
    }
}

/// D. C. Montgomery, *Introduction to Statistical Quality Control*: piston rings, 25 samples
/// of 5 (table 6.3 in later editions), with the limits that the book prints. Two versions of
/// sample 21 circulate; each is used with its own limits.
mod piston_rings {
    use super::*;

    const ROWS: [[f64; 5]; 25] = [
        [30.0, 2.0, 19.0, -8.0, 8.0],
        [-5.0, -8.0, 1.0, 11.0, 4.0],
        [-12.0, 24.0, 21.0, 5.0, 2.0],
        [2.0, -4.0, -7.0, 15.0, 9.0],
        [-8.0, 7.0, 15.0, -11.0, 14.0],
        [9.0, -6.0, -3.0, -15.0, -7.0],
        [-5.0, 6.0, -6.0, 0.0, 5.0],
        [-15.0, 3.0, -7.0, 15.0, -12.0],
        [8.0, -5.0, 9.0, 5.0, 4.0],
        [-2.0, 0.0, -10.0, 7.0, -5.0],
        [-6.0, -2.0, -6.0, -5.0, -10.0],
        [4.0, 0.0, 7.0, 0.0, -4.0],
        [-17.0, 2.0, -2.0, -3.0, 12.0],
        [6.0, -33.0, -6.0, 0.0, -16.0],
        [12.0, 14.0, -2.0, -1.0, 7.0],
        [0.0, -16.0, 5.0, -2.0, -4.0],
        [-6.0, 12.0, -14.0, 5.0, 7.0],
        [6.0, 10.0, 18.0, 3.0, 0.0],
        [-16.0, 2.0, 3.0, 5.0, -3.0],
        [0.0, 10.0, 13.0, 20.0, 3.0],
        [-18.0, 1.0, 15.0, 5.0, -4.0],
        [4.0, -1.0, -10.0, 6.0, 9.0],
        [10.0, -11.0, -10.0, 9.0, 14.0],
        [15.0, 8.0, -7.0, 0.0, 10.0],
        [-18.0, -16.0, -5.0, 17.0, 13.0],
    ];
    const OLDER_21: [f64; 5] = [-12.0, 1.0, 9.0, 5.0, -4.0];

    fn older() -> Vec<[f64; 5]> {
        let mut rows = ROWS.to_vec();
        rows[20] = OLDER_21;
        rows
    }

    #[test]
    fn limits_are_those_printed_with_each_version_of_the_data() {
        let later = Limits::of(coded(&ROWS), size(5)).unwrap();
        near(later.centre, 74.001_176, 1e-6, "centre");
        near(later.mean_range, 0.023_24, 1e-6, "mean range");
        near(later.means.1, 74.014_59, 1e-5, "upper");
        near(later.means.0, 73.987_77, 1e-5, "lower");
        near(later.ranges.1, 0.049_13, 2e-5, "range");
        let earlier = Limits::of(coded(&older()), size(5)).unwrap();
        near(earlier.mean_range, 0.022_76, 1e-6, "mean range");
        near(earlier.means.1, 74.014_30, 1e-5, "upper");
        near(earlier.means.0, 73.988_05, 1e-5, "lower");
        near(earlier.ranges.1, 0.048_12, 2e-5, "range");
        // As R package qcc prints it, which divides by 2.326.
        near(earlier.sigma, 0.009_785_039, 5e-7, "sigma");
    }

    #[test]
    fn capability_for_74_mm_and_five_hundredths_is_as_printed() {
        let fit = |rows: &[[f64; 5]]| {
            let limits = Limits::of(coded(rows), size(5)).unwrap();
            let values: Vec<f64> = rows.iter().flatten().map(|c| 74.0 + c / 1000.0).collect();
            Capability::of(&values, limits.sigma, 73.95, 74.05).unwrap()
        };
        let (later, earlier) = (fit(&ROWS), fit(&older()));
        near(later.cp, 1.668, 0.0005, "Cp");
        near(later.cpk, 1.629, 0.0005, "Cpk");
        near(earlier.cp, 1.70, 0.005, "Cp");
        near(earlier.cpk, 1.66, 0.005, "Cpk");
        assert!(later.pp > 1.0 && later.ppk < later.pp);
    }

    #[test]
    fn the_25_samples_are_in_control() {
        let limits = Limits::of(coded(&ROWS), size(5)).unwrap();
        let off: Vec<f64> = coded(&ROWS)
            .iter()
            .map(|(mean, _)| limits.off(*mean).unwrap())
            .collect();
        assert!(nelson::signals(&off).iter().all(Vec::is_empty), "{off:?}");
        assert!(
            coded(&ROWS)
                .iter()
                .all(|(_, range)| limits.range_is_usual(*range))
        );
    }

    /// The 15 samples that follow in the book and in R package qcc (values from memory; their
    /// means have the least 73.9922, middle 74.0072, mean 74.00765 and greatest 74.0234 that
    /// qcc's documentation prints). qcc reports three means beyond the limits and one run of
    /// seven on one side; the book says that the process has shifted upwards.
    #[test]
    fn the_shift_in_the_samples_that_follow_is_found() {
        const FOLLOW: [[f64; 5]; 15] = [
            [12.0, 15.0, 30.0, -14.0, 0.0],
            [-5.0, 10.0, -10.0, 15.0, 1.0],
            [-13.0, -1.0, -15.0, 0.0, -10.0],
            [8.0, 10.0, 3.0, -9.0, 6.0],
            [3.0, 0.0, 1.0, -14.0, -3.0],
            [-6.0, 3.0, 15.0, 20.0, 4.0],
            [8.0, 2.0, 18.0, -5.0, 5.0],
            [1.0, 4.0, -10.0, -4.0, -2.0],
            [15.0, 0.0, 16.0, 25.0, 0.0],
            [30.0, 5.0, 0.0, 16.0, 12.0],
            [1.0, -10.0, -5.0, 10.0, 24.0],
            [15.0, 20.0, 24.0, 5.0, 19.0],
            [35.0, 10.0, 12.0, 15.0, 26.0],
            [17.0, 13.0, 36.0, 25.0, 26.0],
            [10.0, 5.0, 29.0, 0.0, 20.0],
        ];
        let means: Vec<f64> = coded(&FOLLOW).iter().map(|(mean, _)| *mean).collect();
        let least = means.iter().copied().fold(f64::INFINITY, f64::min);
        near(least, 73.9922, 1e-9, "least mean");
        near(means.iter().sum::<f64>() / 15.0, 74.007_653, 1e-6, "mean");

        let limits = Limits::of(coded(&older()), size(5)).unwrap();
        let off: Vec<f64> = means.iter().map(|m| limits.off(*m).unwrap()).collect();
        let signals = nelson::signals(&off);
        let by = |test: nelson::Test| -> Vec<usize> {
            let numbered = (26..).zip(&signals);
            numbered
                .filter(|(_, found)| found.contains(&test))
                .map(|(n, _)| n)
                .collect()
        };
        assert_eq!(by(nelson::Test::Beyond), [37, 38, 39]);
        // Seven on one side are a run for qcc, and would be one more short of a run by the
        // Western Electric rules; Nelson asks for nine.
        assert!(off[8..].iter().all(|o| *o > 0.0) && off[7] < 0.0);
        assert!(by(nelson::Test::OneSide).is_empty());
        // No source prints when the shift began; the first of the seven is what an eye says.
        assert_eq!(
            since(&off[..12], Lean::High).map(|(place, _)| 26 + place),
            Some(34)
        );
    }
}

/// Montgomery, flow width (table 6.1): limits from the printed grand mean and mean range.
mod flow_width {
    use super::*;

    #[test]
    fn the_limits_are_those_printed() {
        let limits = Limits::of(vec![(1.5056, 0.325_21); 25], size(5)).unwrap();
        near(limits.means.1, 1.693_25, 1e-4, "upper");
        near(limits.means.0, 1.317_95, 1e-4, "lower");
        near(limits.ranges.1, 0.687_49, 3e-4, "range");
    }
}

/// Nelson, *Journal of Quality Technology* 16(4), 1984: each test by the pattern that its
/// description draws, and one point short of it.
mod nelson_1984 {
    use super::*;
    use control::nelson::Test;

    fn at_end(off: &[f64]) -> Vec<usize> {
        let found = nelson::signals(off).pop().unwrap();
        found.into_iter().map(Test::number).collect()
    }

    #[test]
    fn test_1_one_point_beyond_three_sigma() {
        assert_eq!(at_end(&[0.2, 3.01]), [1]);
        assert_eq!(at_end(&[0.2, -3.01]), [1]);
        assert!(at_end(&[0.2, 3.0]).is_empty());
    }

    #[test]
    fn test_2_nine_points_on_one_side_where_western_electric_has_eight() {
        let low = [-0.3, -0.5, -0.1, -0.7, -0.2, -0.9, -0.4, -0.6, -0.3];
        assert_eq!(at_end(&low), [2]);
        assert!(at_end(&low[1..]).is_empty());
        let mut touched = low;
        touched[4] = 0.0;
        assert!(
            at_end(&touched).is_empty(),
            "a point on the centre is on no side"
        );
    }

    #[test]
    fn test_3_six_points_steadily_rising_or_falling() {
        let rising = [-0.9, -0.5, -0.2, 0.1, 0.4, 0.8];
        assert_eq!(at_end(&rising), [3]);
        let falling = rising.map(|p| -p);
        assert_eq!(at_end(&falling), [3]);
        assert!(at_end(&rising[1..]).is_empty());
        assert!(at_end(&[-0.9, -0.5, -0.2, -0.2, 0.4, 0.8]).is_empty());
    }

    #[test]
    fn test_4_fourteen_points_up_and_down_in_turn() {
        let turns: Vec<f64> = (0..14)
            .map(|n| if n % 2 == 0 { 1.2 } else { -0.4 })
            .collect();
        assert_eq!(at_end(&turns), [4]);
        assert!(at_end(&turns[1..]).is_empty());
    }

    #[test]
    fn test_5_two_of_three_beyond_two_sigma_on_one_side() {
        assert_eq!(at_end(&[2.1, 0.3, 2.4]), [5]);
        assert!(at_end(&[2.1, 0.3, -2.4]).is_empty());
        assert!(at_end(&[2.1, 0.3, 0.2, 2.4]).is_empty());
    }

    #[test]
    fn test_6_four_of_five_beyond_one_sigma_on_one_side() {
        assert_eq!(at_end(&[1.2, 1.4, -0.2, 1.1, 1.3]), [6]);
        assert!(at_end(&[1.2, 0.9, -0.2, 1.1, 1.3]).is_empty());
    }

    #[test]
    fn test_7_fifteen_points_within_one_sigma() {
        let close: Vec<f64> = (0..15).map(|n| [0.4, -0.3, -0.6, 0.7][n % 4]).collect();
        assert_eq!(at_end(&close), [7]);
        assert!(at_end(&close[1..]).is_empty());
    }

    #[test]
    fn test_8_eight_points_off_the_centre_on_both_sides() {
        let apart = [1.2, -1.3, -1.1, 1.5, 1.4, -1.2, 1.3, -1.6];
        assert_eq!(at_end(&apart), [8]);
        assert!(at_end(&apart[1..]).is_empty());
    }
}
