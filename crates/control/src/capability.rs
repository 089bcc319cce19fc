//! Whether the portions fit the tolerance (ISO 22514-2).

use serde::{Deserialize, Serialize};

/// How much room the tolerance leaves, in the unit of what was measured. 1 just fits: about 3
/// in 1000 are outside; 1.33 is what is usually asked for. The first two look at the spread
/// within samples: what the work could do; the last two at the spread of all: what it did.
/// They say little while the chart shows a cause at work, and suppose a normal distribution.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Capability {
    /// Mean of all values.
    pub mean: f64,
    /// Standard deviation within samples.
    pub sigma_within: f64,
    /// Standard deviation of all values (with n − 1).
    pub sigma_overall: f64,
    /// Cp: width of the tolerance / 6 σ within.
    pub cp: f64,
    /// Cpk: from the mean to the nearer end of the tolerance / 3 σ within; below 0 when the
    /// mean is outside.
    pub cpk: f64,
    /// Pp: Cp with σ of all.
    pub pp: f64,
    /// Ppk: Cpk with σ of all.
    pub ppk: f64,
}

impl Capability {
    /// Of values with a tolerance from `least` to `most`; nothing for fewer than two values or
    /// without any spread.
    #[must_use]
    pub fn of(values: &[f64], sigma_within: f64, least: f64, most: f64) -> Option<Self> {
        let count = values.len() as f64;
        let mean = values.iter().sum::<f64>() / count;
        let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
        let sigma_overall = (squares / (count - 1.0)).sqrt();
        if !(sigma_within > 0.0 && sigma_overall > 0.0) {
            return None;
        }
        let near = (most - mean).min(mean - least);
        Some(Self {
            mean,
            sigma_within,
            sigma_overall,
            cp: (most - least) / (6.0 * sigma_within),
            cpk: near / (3.0 * sigma_within),
            pp: (most - least) / (6.0 * sigma_overall),
            ppk: near / (3.0 * sigma_overall),
        })
    }
}
