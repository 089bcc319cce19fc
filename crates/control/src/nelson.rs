//! Nelson's eight tests for patterns that chance rarely makes (L. S. Nelson, "The Shewhart
//! Control Chart: Tests for Special Causes", *Journal of Quality Technology* 16(4), 1984,
//! 237–239).
//!
//! All look at how far means lie off the centre, in standard deviations, the latest last,
//! and say whether the pattern holds at the latest one. Other sets of rules differ: the
//! Western Electric rules call eight points on one side a pattern where Nelson asks for nine.

use serde::{Deserialize, Serialize};

use crate::Lean;

/// A test.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Test {
    /// 1: one point more than three standard deviations off.
    Beyond,
    /// 2: nine in a row on one side.
    OneSide,
    /// 3: six in a row, each higher than the one before, or each lower.
    Trend,
    /// 4: fourteen in a row, up and down in turn.
    Alternating,
    /// 5: two of three in a row more than two standard deviations off, on one side.
    TwoOfThree,
    /// 6: four of five in a row more than one off, on one side.
    FourOfFive,
    /// 7: fifteen in a row within one.
    Hugging,
    /// 8: eight in a row more than one off, on both sides.
    Avoiding,
}

/// The tests in Nelson's order.
pub const TESTS: [Test; 8] = [
    Test::Beyond,
    Test::OneSide,
    Test::Trend,
    Test::Alternating,
    Test::TwoOfThree,
    Test::FourOfFive,
    Test::Hugging,
    Test::Avoiding,
];

/// So many points back the longest of the tests looks.
pub const LONGEST: usize = 15;

impl Test {
    /// Its number in Nelson's list.
    #[must_use]
    pub const fn number(self) -> usize {
        self as usize + 1
    }

    /// What it found, in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Beyond => "a mean beyond the limits",
            Self::OneSide => "nine means in a row on one side",
            Self::Trend => "six means in a row, each higher or each lower than the last",
            Self::Alternating => {
                "fourteen means in a row up and down in turn: two hands, or two scales?"
            }
            Self::TwoOfThree => "two of three means near a limit",
            Self::FourOfFive => "four of five means well off on one side",
            Self::Hugging => {
                "fifteen means in a row close to the centre: each sample mixes two kinds, or the limits are too wide"
            }
            Self::Avoiding => {
                "eight means in a row off the centre on both sides: two kinds of portions in turn"
            }
        }
    }

    /// Whether the pattern holds at the last of the points, and to which side.
    #[must_use]
    pub fn holds(self, off: &[f64]) -> Option<Lean> {
        match self {
            Self::Beyond => beyond(off),
            Self::OneSide => one_side(off),
            Self::Trend => trend(off),
            Self::Alternating => alternating(off),
            Self::TwoOfThree => two_of_three(off),
            Self::FourOfFive => four_of_five(off),
            Self::Hugging => hugging(off),
            Self::Avoiding => avoiding(off),
        }
    }
}

/// Every test that holds at each of the points.
#[must_use]
pub fn signals(off: &[f64]) -> Vec<Vec<Test>> {
    let at = |end: usize| {
        let so_far = &off[..=end];
        let holds = |test: &Test| test.holds(so_far).is_some();
        TESTS.into_iter().filter(holds).collect()
    };
    (0..off.len()).map(at).collect()
}

fn last<const N: usize>(off: &[f64]) -> Option<&[f64; N]> {
    off.last_chunk()
}

/// Test 1.
fn beyond(off: &[f64]) -> Option<Lean> {
    let [point] = last(off)?;
    side_beyond(*point, 3.0)
}

/// Test 2. A point on the centre is on neither side.
fn one_side(off: &[f64]) -> Option<Lean> {
    let points: &[f64; 9] = last(off)?;
    let side = side_beyond(points[8], 0.0)?;
    points
        .iter()
        .all(|p| side_beyond(*p, 0.0) == Some(side))
        .then_some(side)
}

/// Test 3.
fn trend(off: &[f64]) -> Option<Lean> {
    let points: &[f64; 6] = last(off)?;
    let all = |way: fn(&f64, &f64) -> bool| points.windows(2).all(|p| way(&p[0], &p[1]));
    match (all(f64::lt), all(f64::gt)) {
        (true, _) => Some(Lean::High),
        (_, true) => Some(Lean::Low),
        _ => None,
    }
}

/// Test 4.
fn alternating(off: &[f64]) -> Option<Lean> {
    let points: &[f64; 14] = last(off)?;
    let turns = points
        .windows(3)
        .all(|p| (p[1] - p[0]) * (p[2] - p[1]) < 0.0);
    turns.then_some(Lean::Neither)
}

/// Test 5. The last point must be one of the two: the one after a pattern is no news.
fn two_of_three(off: &[f64]) -> Option<Lean> {
    some_of::<3>(off, 2, 2.0)
}

/// Test 6, likewise.
fn four_of_five(off: &[f64]) -> Option<Lean> {
    some_of::<5>(off, 4, 1.0)
}

/// Test 7.
fn hugging(off: &[f64]) -> Option<Lean> {
    let points: &[f64; 15] = last(off)?;
    points
        .iter()
        .all(|p| p.abs() < 1.0)
        .then_some(Lean::Neither)
}

/// Test 8.
fn avoiding(off: &[f64]) -> Option<Lean> {
    let points: &[f64; 8] = last(off)?;
    let far = points.iter().all(|p| p.abs() > 1.0);
    let both = points.iter().any(|p| *p > 0.0) && points.iter().any(|p| *p < 0.0);
    (far && both).then_some(Lean::Neither)
}

fn some_of<const N: usize>(off: &[f64], least: usize, far: f64) -> Option<Lean> {
    let points: &[f64; N] = last(off)?;
    let side = side_beyond(points[N - 1], far)?;
    let count = points
        .iter()
        .filter(|p| side_beyond(**p, far) == Some(side))
        .count();
    (count >= least).then_some(side)
}

fn side_beyond(point: f64, far: f64) -> Option<Lean> {
    if point > far {
        Some(Lean::High)
    } else if point < -far {
        Some(Lean::Low)
    } else {
        None
    }
}
