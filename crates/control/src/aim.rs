//! A portion, what it should weigh, and how far portions usually lie apart.

use chrono::{DateTime, Utc};
use facts::{BatchId, PersonId, WheelId};
use quantity::Grams;
use serde::{Deserialize, Serialize};

use crate::{Factors, Limits, Sample, Size};

/// Curd that was weighed out for one wheel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Portion {
    /// When.
    pub at: DateTime<Utc>,
    /// The wheel that it became.
    pub wheel: WheelId,
    /// The vat that it came from.
    pub batch: BatchId,
    /// Who weighed it, if a badge was scanned.
    pub person: Option<PersonId>,
    /// What it weighed.
    pub weight_g: Grams,
}

impl Portion {
    /// Its weight as a number to reckon with, in grams.
    #[must_use]
    pub fn grams(&self) -> f64 {
        f64::from(self.weight_g.get())
    }
}

/// What a portion should weigh.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Aim {
    /// The weight aimed at.
    pub weight_g: Grams,
    /// How far off it a portion may be, either way.
    pub tolerance_g: Grams,
}

impl Aim {
    /// The weight aimed at, in grams.
    #[must_use]
    pub fn grams(&self) -> f64 {
        f64::from(self.weight_g.get())
    }

    /// The tolerance, in grams.
    #[must_use]
    pub fn off(&self) -> f64 {
        f64::from(self.tolerance_g.get())
    }

    /// Whether a portion is as the recipe allows.
    #[must_use]
    pub fn allows(&self, portion: &Portion) -> bool {
        (portion.grams() - self.grams()).abs() <= self.off()
    }
}

impl From<recipe::Portion> for Aim {
    fn from(portion: recipe::Portion) -> Self {
        Self {
            weight_g: portion.weight_g,
            tolerance_g: portion.tolerance_g,
        }
    }
}

/// How far portions usually lie apart, and where that is known from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Standard deviation of portions weighed one after the other, in grams.
    pub sigma_g: f64,
    /// How many samples it was estimated from; none when it is a third of the tolerance, a
    /// spread that just fits (Cp = 1).
    pub samples: Option<usize>,
}

impl Spread {
    /// So many samples, if there are as many, are looked back on; with fewer than the least
    /// a spread estimated from them is too uncertain (Shewhart's 20 to 25 samples).
    pub const MOST: usize = 25;
    /// The least.
    pub const LEAST: usize = 20;

    /// The spread of earlier samples, the latest last; a third of the tolerance when they
    /// are too few, or show no spread at all. A sample whose range is beyond the limit that it
    /// makes with the others is left out: a slip is not the usual spread.
    #[must_use]
    pub fn of(earlier: &[Sample], size: Size, aim: Aim) -> Self {
        let latest = &earlier[earlier.len().saturating_sub(Self::MOST)..];
        let mut usual: Vec<(f64, f64)> = latest.iter().map(Sample::pair).collect();
        let limits = loop {
            let limits = Limits::of(usual.iter().copied(), size);
            let before = usual.len();
            usual.retain(|(_, range)| limits.is_none_or(|limits| *range <= limits.ranges.1));
            if usual.len() == before {
                break limits;
            }
        };
        match limits {
            Some(limits) if latest.len() >= Self::LEAST && limits.sigma > 0.0 => Self {
                sigma_g: limits.sigma,
                samples: Some(limits.samples),
            },
            _ => Self {
                sigma_g: aim.off() / 3.0,
                samples: None,
            },
        }
    }
}

/// By what portions are judged while they are weighed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rules {
    /// What they should weigh.
    pub aim: Aim,
    /// How many make a sample.
    pub size: Size,
    /// How far they usually lie apart.
    pub spread: Spread,
}

impl Rules {
    /// How far a sample's mean lies off the aim, in standard deviations of such a mean.
    #[must_use]
    pub fn off(&self, mean_g: f64) -> f64 {
        let sigma = self.spread.sigma_g / (self.size.get() as f64).sqrt();
        match sigma > 0.0 {
            true => (mean_g - self.aim.grams()) / sigma,
            // A recipe without tolerance: every portion off the aim is far off.
            false => (mean_g - self.aim.grams()) * 1e6,
        }
    }

    /// The range that a sample of usual spread hardly ever exceeds, in grams: D₄ d₂ σ.
    #[must_use]
    pub fn widest_g(&self) -> f64 {
        let factors = Factors::of(self.size);
        factors.range_upper * factors.d2 * self.spread.sigma_g
    }

    /// The same rules as the limits of a chart around the aim; nothing while the spread is
    /// not known from samples.
    #[must_use]
    pub fn limits(&self) -> Option<Limits> {
        let samples = self.spread.samples?;
        let mean_range = Factors::of(self.size).d2 * self.spread.sigma_g;
        Some(Limits::around(
            self.aim.grams(),
            mean_range,
            samples,
            self.size,
        ))
    }
}
