//! The frequency multiplier: the equation's only table that has no formula.

use serde::{Deserialize, Serialize};

/// How long lifting goes on, with the rest that follows it (NIOSH 94-110, section 1.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Duration {
    /// Up to one hour, then lighter work for at least 1.2 times as long.
    UpToOneHour,
    /// Up to two hours, then lighter work for at least 0.3 times as long.
    UpToTwoHours,
    /// Up to eight hours.
    UpToEightHours,
}

impl Duration {
    /// The class of a stretch of lifting in minutes, taken as one stretch without the
    /// rests that would shorten its class; `None` beyond eight hours.
    #[must_use]
    pub fn of_minutes(minutes: f64) -> Option<Self> {
        if minutes <= 60.0 {
            Some(Self::UpToOneHour)
        } else if minutes <= 120.0 {
            Some(Self::UpToTwoHours)
        } else if minutes <= 480.0 {
            Some(Self::UpToEightHours)
        } else {
            None
        }
    }

    /// The next shorter class.
    #[must_use]
    pub const fn shorter(self) -> Option<Self> {
        match self {
            Self::UpToOneHour => None,
            Self::UpToTwoHours => Some(Self::UpToOneHour),
            Self::UpToEightHours => Some(Self::UpToTwoHours),
        }
    }

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::UpToOneHour => "up to 1 h",
            Self::UpToTwoHours => "up to 2 h",
            Self::UpToEightHours => "up to 8 h",
        }
    }
}

/// Lifts per minute, then the multiplier for ≤ 1 h, ≤ 2 h, ≤ 8 h; each first for hands
/// below 75 cm, then for 75 cm and above (NIOSH 94-110, table 5).
const TABLE: [(f64, [[f64; 2]; 3]); 17] = [
    (0.2, [[1.00, 1.00], [0.95, 0.95], [0.85, 0.85]]),
    (0.5, [[0.97, 0.97], [0.92, 0.92], [0.81, 0.81]]),
    (1.0, [[0.94, 0.94], [0.88, 0.88], [0.75, 0.75]]),
    (2.0, [[0.91, 0.91], [0.84, 0.84], [0.65, 0.65]]),
    (3.0, [[0.88, 0.88], [0.79, 0.79], [0.55, 0.55]]),
    (4.0, [[0.84, 0.84], [0.72, 0.72], [0.45, 0.45]]),
    (5.0, [[0.80, 0.80], [0.60, 0.60], [0.35, 0.35]]),
    (6.0, [[0.75, 0.75], [0.50, 0.50], [0.27, 0.27]]),
    (7.0, [[0.70, 0.70], [0.42, 0.42], [0.22, 0.22]]),
    (8.0, [[0.60, 0.60], [0.35, 0.35], [0.18, 0.18]]),
    (9.0, [[0.52, 0.52], [0.30, 0.30], [0.00, 0.15]]),
    (10.0, [[0.45, 0.45], [0.26, 0.26], [0.00, 0.13]]),
    (11.0, [[0.41, 0.41], [0.00, 0.23], [0.00, 0.00]]),
    (12.0, [[0.37, 0.37], [0.00, 0.21], [0.00, 0.00]]),
    (13.0, [[0.00, 0.34], [0.00, 0.00], [0.00, 0.00]]),
    (14.0, [[0.00, 0.31], [0.00, 0.00], [0.00, 0.00]]),
    (15.0, [[0.00, 0.28], [0.00, 0.00], [0.00, 0.00]]),
];

/// The frequency multiplier. Between two rows the lower of the two multipliers counts,
/// which is the careful side; above the last row it is 0.
#[must_use]
pub fn frequency_multiplier(lifts_per_minute: f64, duration: Duration, hands_cm: f64) -> f64 {
    let column = match duration {
        Duration::UpToOneHour => 0,
        Duration::UpToTwoHours => 1,
        Duration::UpToEightHours => 2,
    };
    let height = usize::from(hands_cm >= 75.0);
    TABLE
        .iter()
        .find(|(row, _)| lifts_per_minute <= *row)
        .map_or(0.0, |(_, cells)| cells[column][height])
}
