//! Shewhart's factors, from the distribution of the range.
//!
//! Of n values drawn from a standard normal distribution, the range W has the distribution
//! P(W ≤ w) = n ∫ φ(x) [Φ(x + w) − Φ(x)]ⁿ⁻¹ dx (Tippett, *Biometrika* 17, 1925). Its mean is
//! d₂, its standard deviation d₃, and from these follow A₂ = 3 / (d₂ √n),
//! D₃ = max(0, 1 − 3 d₃/d₂) and D₄ = 1 + 3 d₃/d₂ (ISO 7870-2). They are integrated here once
//! instead of copied from a table; `tests/published.rs` compares them with printed ones.

use std::sync::OnceLock;

use serde::{Deserialize, Serialize};

/// How many portions, weighed one after the other, make a sample: 2 to 10. With more, the
/// range tells too little of what lies between its ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "usize", into = "usize")]
pub struct Size(usize);

/// A size that a sample cannot have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a sample of {0} portions cannot be judged by its range: take 2 to 10, usually 5")]
pub struct BadSize(usize);

impl Size {
    /// The usual size.
    pub const USUAL: Self = Self(5);
    const LEAST: usize = 2;
    const MOST: usize = 10;

    /// A size from 2 to 10.
    ///
    /// # Errors
    /// [`BadSize`] for any other.
    pub const fn new(size: usize) -> Result<Self, BadSize> {
        match size {
            Self::LEAST..=Self::MOST => Ok(Self(size)),
            _ => Err(BadSize(size)),
        }
    }

    /// As a number.
    #[must_use]
    pub const fn get(self) -> usize {
        self.0
    }
}

impl TryFrom<usize> for Size {
    type Error = BadSize;
    fn try_from(size: usize) -> Result<Self, BadSize> {
        Self::new(size)
    }
}

impl From<Size> for usize {
    fn from(size: Size) -> Self {
        size.0
    }
}

impl std::str::FromStr for Size {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let size = text.parse().map_err(|_| format!("{text:?} is no number"))?;
        Self::new(size).map_err(|bad| bad.to_string())
    }
}

/// What turns ranges into limits, for one size of sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Factors {
    /// d₂: mean of the range, in standard deviations of a single value.
    pub d2: f64,
    /// d₃: standard deviation of the range, in the same.
    pub d3: f64,
    /// A₂: from the mean range to the limits of the mean.
    pub a2: f64,
    /// D₃: from the mean range to its lower limit.
    pub range_lower: f64,
    /// D₄: from the mean range to its upper limit.
    pub range_upper: f64,
}

impl Factors {
    /// The factors for a size.
    #[must_use]
    pub fn of(size: Size) -> Self {
        static ALL: OnceLock<Vec<Factors>> = OnceLock::new();
        let integrate = || {
            let normal = Normal::new();
            let sizes = Size::LEAST..=Size::MOST;
            sizes.map(|n| Self::integrated(n, &normal)).collect()
        };
        ALL.get_or_init(integrate)[size.0 - Size::LEAST]
    }

    fn integrated(n: usize, normal: &Normal) -> Self {
        let (mean, square) = normal.range_moments(n);
        let (d2, d3) = (mean, (square - mean * mean).sqrt());
        Self {
            d2,
            d3,
            a2: 3.0 / (d2 * (n as f64).sqrt()),
            range_lower: (1.0 - 3.0 * d3 / d2).max(0.0),
            range_upper: 1.0 + 3.0 * d3 / d2,
        }
    }
}

/// The standard normal distribution on a grid.
struct Normal {
    density: Vec<f64>,
    below: Vec<f64>,
}

/// The grid's step, and how far it reaches to both sides and over the range: beyond, what is
/// left is less than a double can add.
const STEP: f64 = 1.0 / 32.0;
const EDGE: f64 = 8.5;
const WIDEST: usize = 12 * 32;

impl Normal {
    fn new() -> Self {
        let density = |x: f64| (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt();
        let points = (2.0 * EDGE / STEP) as usize + 1;
        let place = |n: usize| n as f64 * STEP - EDGE;
        let mut below = vec![0.0];
        for n in 1..points {
            // Simpson's rule within each step.
            let (from, to) = (place(n - 1), place(n));
            let middle = density((from + to) / 2.0);
            let area = STEP / 6.0 * (density(from) + 4.0 * middle + density(to));
            below.push(below[n - 1] + area);
        }
        Self {
            density: (0..points).map(|n| density(place(n))).collect(),
            below,
        }
    }

    /// P(W ≤ w) for w of so many steps: the trapezoid rule, which is as exact as the grid for
    /// a smooth function that is nothing at both ends.
    fn range_below(&self, n: usize, steps: usize) -> f64 {
        let power = n as i32 - 1;
        let terms = self.density.iter().enumerate().map(|(place, density)| {
            let above = self.below.get(place + steps).copied().unwrap_or(1.0);
            density * (above - self.below[place]).powi(power)
        });
        n as f64 * STEP * terms.sum::<f64>()
    }

    /// Mean of the range, ∫ P(W > w) dw, and of its square, 2 ∫ w P(W > w) dw: Simpson's
    /// rule, for they do not begin smoothly.
    fn range_moments(&self, n: usize) -> (f64, f64) {
        let (mut mean, mut square) = (0.0, 0.0);
        for k in 0..=WIDEST {
            let weight = match k {
                0 | WIDEST => 1.0,
                k if k % 2 == 1 => 4.0,
                _ => 2.0,
            };
            let above = weight * (1.0 - self.range_below(n, k));
            mean += above;
            square += above * k as f64 * STEP;
        }
        (mean * STEP / 3.0, 2.0 * square * STEP / 3.0)
    }
}
