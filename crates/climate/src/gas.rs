//! Cautions about carbon dioxide and ammonia in a maturing room.
//!
//! Ripening cheese gives off both, and closed rooms gather them. The limits below are
//! occupational limits of the United States as usually printed; the local code, and the
//! dairy's own plan for entering rooms, come first. A sensor is no substitute for a
//! person's own gas alarm.

use serde::Serialize;

/// How urgent a caution is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// Above the limit for a working day.
    Ventilate,
    /// Above the limit for a quarter of an hour.
    Leave,
    /// At a concentration that is dangerous to life at once.
    Danger,
}

/// A gas.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Gas {
    /// CO₂. 5 000 ppm: OSHA limit, 8 h (29 CFR 1910.1000 table Z-1); 30 000 ppm: NIOSH
    /// short-term; 40 000 ppm: NIOSH, immediately dangerous to life or health.
    CarbonDioxide,
    /// NH₃. 25 ppm: NIOSH, 10 h; 35 ppm: NIOSH short-term; 300 ppm: NIOSH, immediately
    /// dangerous to life or health. OSHA's own 8 h limit is 50 ppm.
    Ammonia,
}

impl Gas {
    /// Limits for a working day, for a quarter of an hour, and of danger at once, ppm.
    #[must_use]
    pub const fn limits_ppm(self) -> [f64; 3] {
        match self {
            Self::CarbonDioxide => [5_000.0, 30_000.0, 40_000.0],
            Self::Ammonia => [25.0, 35.0, 300.0],
        }
    }

    const fn name(self) -> &'static str {
        match self {
            Self::CarbonDioxide => "carbon dioxide",
            Self::Ammonia => "ammonia",
        }
    }
}

/// A caution to show to whoever is in the room or about to enter it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Caution {
    /// The gas.
    pub gas: Gas,
    /// How urgent.
    pub urgency: Urgency,
    /// What to do, in words.
    pub words: String,
}

/// The caution that a concentration asks for, in ppm; `None` below every limit. A value
/// that is no number asks for none.
#[must_use]
pub fn caution(gas: Gas, ppm: f64) -> Option<Caution> {
    let [day, short, danger] = gas.limits_ppm();
    let name = gas.name();
    let (urgency, limit, what) = if ppm >= danger {
        let what = "Leave at once, keep others out, do not go in to help without breathing \
                    apparatus; call for help";
        (Urgency::Danger, danger, what)
    } else if ppm >= short {
        let what = "Leave the room, open it and ventilate; go in again only once the reading \
                    has fallen";
        (Urgency::Leave, short, what)
    } else if ppm >= day {
        let what = "Ventilate before work goes on, and keep the stay short";
        (Urgency::Ventilate, day, what)
    } else {
        return None;
    };
    Some(Caution {
        gas,
        urgency,
        words: format!(
            "{ppm:.0} ppm of {name} (limit {limit:.0} ppm). {what}. The local code and the \
             dairy's own rules come first."
        ),
    })
}

/// The time-weighted mean of the last eight hours, in ppm, from readings `(hours ago, ppm)`
/// in any order; each holds until the next. `None` without a reading in that time.
#[must_use]
pub fn eight_hour_mean_ppm(readings: &[(f64, f64)]) -> Option<f64> {
    let mut ordered: Vec<(f64, f64)> = readings
        .iter()
        .copied()
        .filter(|(ago, ppm)| ago.is_finite() && ppm.is_finite() && (0.0..=8.0).contains(ago))
        .collect();
    ordered.sort_by(|a, b| b.0.total_cmp(&a.0));
    let first = ordered.first()?.0;
    if first <= 0.0 {
        return ordered.last().map(|(_, ppm)| *ppm);
    }
    let ends = ordered.iter().skip(1).map(|(ago, _)| *ago).chain([0.0]);
    let sum: f64 = ordered
        .iter()
        .zip(ends)
        .map(|((ago, ppm), end)| (ago - end) * ppm)
        .sum();
    Some(sum / first)
}
