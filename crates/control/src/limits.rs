//! Shewhart's limits for means and ranges, from the data (ISO 7870-2).

use serde::{Deserialize, Serialize};

use crate::{Factors, Size};

/// Limits, in the unit of what was measured. Points outside them are so rare by chance alone
/// (about 3 in 1000 means) that a cause is worth looking for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// How many values make a sample.
    pub size: Size,
    /// How many samples they come from.
    pub samples: usize,
    /// Middle of the means.
    pub centre: f64,
    /// Mean of the ranges.
    pub mean_range: f64,
    /// Standard deviation of single values within samples: mean range / d₂.
    pub sigma: f64,
    /// Lower and upper limit of means: centre ± A₂ × mean range.
    pub means: (f64, f64),
    /// Lower and upper limit of ranges: D₃ and D₄ × mean range.
    pub ranges: (f64, f64),
}

impl Limits {
    /// Limits from the means and ranges of samples; nothing for fewer than two.
    #[must_use]
    pub fn of(samples: impl IntoIterator<Item = (f64, f64)>, size: Size) -> Option<Self> {
        let (mut count, mut means, mut ranges) = (0_usize, 0.0, 0.0);
        for (mean, range) in samples {
            count += 1;
            means += mean;
            ranges += range;
        }
        let n = count as f64;
        (count >= 2).then(|| Self::around(means / n, ranges / n, count, size))
    }

    /// Limits around a centre that is set, from the mean range of so many earlier samples.
    #[must_use]
    pub fn around(centre: f64, mean_range: f64, samples: usize, size: Size) -> Self {
        let factors = Factors::of(size);
        let reach = factors.a2 * mean_range;
        Self {
            size,
            samples,
            centre,
            mean_range,
            sigma: mean_range / factors.d2,
            means: (centre - reach, centre + reach),
            ranges: (
                factors.range_lower * mean_range,
                factors.range_upper * mean_range,
            ),
        }
    }

    /// How far a mean lies off the centre, in standard deviations of such a mean; nothing
    /// where the samples show no spread.
    #[must_use]
    pub fn off(&self, mean: f64) -> Option<f64> {
        let sigma = self.sigma / (self.size.get() as f64).sqrt();
        (sigma > 0.0).then(|| (mean - self.centre) / sigma)
    }

    /// Whether a range is as usual.
    #[must_use]
    pub fn range_is_usual(&self, range: f64) -> bool {
        (self.ranges.0..=self.ranges.1).contains(&range)
    }
}
