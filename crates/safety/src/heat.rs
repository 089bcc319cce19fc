//! Heat treatment of milk, judged by pairs of temperature and time.

use std::fmt;

use facts::{MilkHeated, MilkPasteurised};
use serde::Serialize;

/// Readings further apart than this prove nothing about what lies between them, in seconds
/// (common practice, no source).
pub const LONGEST_GAP_S: f64 = 600.0;

/// One pair: at least so warm for at least so long. The temperature keeps the unit in which
/// the limit is written: 161 °F is 71.67 °C, and 72 °C is another limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Pair {
    /// Least temperature, °C.
    pub least_c: f64,
    /// Least time, s.
    pub least_s: f64,
    /// Whether the limit is written in °F.
    pub in_fahrenheit: bool,
}

impl Pair {
    /// A pair in °C and s.
    #[must_use]
    pub const fn celsius(least_c: f64, least_s: f64) -> Self {
        Self {
            least_c,
            least_s,
            in_fahrenheit: false,
        }
    }

    /// A pair in °F and s. °C = (°F − 32) · 5/9 (NIST SP 811).
    #[must_use]
    pub const fn fahrenheit(least_f: f64, least_s: f64) -> Self {
        Self {
            least_c: (least_f - 32.0) * 5.0 / 9.0,
            least_s,
            in_fahrenheit: true,
        }
    }

    const fn warmer_by(self, by_c: f64) -> Self {
        Self {
            least_c: self.least_c + by_c,
            ..self
        }
    }
}

impl fmt::Display for Pair {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.in_fahrenheit {
            let degrees = (self.least_c * 1.8 + 32.0) * 100.0;
            write!(f, "{} °F", degrees.round() / 100.0)?;
        } else {
            write!(f, "{} °C", self.least_c)?;
        }
        if self.least_s >= 60.0 && self.least_s % 60.0 == 0.0 {
            write!(f, " for {} min", self.least_s / 60.0)
        } else {
            write!(f, " for {} s", self.least_s)
        }
    }
}

/// Pairs of which one must be met. Between two pairs nothing is interpolated: no source
/// does.
#[derive(Debug, Clone, PartialEq)]
pub struct Pairs {
    /// The pairs.
    pub pairs: Vec<Pair>,
    /// Milk of at least this fat, % by mass, needs more.
    pub rich_from_fat_pct: Option<f64>,
    /// How much more, °C.
    pub rich_by_c: f64,
}

impl Pairs {
    /// Reg. (EC) 853/2004, annex III, section IX, chapter II: 72 °C for 15 s or 63 °C for
    /// 30 min, or an equivalent that the plan has to name.
    #[must_use]
    pub fn eu() -> Self {
        Self {
            pairs: vec![Pair::celsius(72.0, 15.0), Pair::celsius(63.0, 1_800.0)],
            rich_from_fat_pct: None,
            rich_by_c: 0.0,
        }
    }

    /// The Pasteurised Milk Ordinance's table (also 21 CFR 131.3): 145 °F for 30 min to
    /// 212 °F for 0.01 s; 5 °F more for milk of 10 % fat and above.
    #[must_use]
    pub fn us() -> Self {
        let pair = Pair::fahrenheit;
        Self {
            pairs: vec![
                pair(145.0, 1_800.0),
                pair(161.0, 15.0),
                pair(191.0, 1.0),
                pair(194.0, 0.5),
                pair(201.0, 0.1),
                pair(204.0, 0.05),
                pair(212.0, 0.01),
            ],
            rich_from_fat_pct: Some(10.0),
            rich_by_c: 5.0 * 5.0 / 9.0,
        }
    }

    fn for_fat(&self, fat_pct: Option<f64>) -> impl Iterator<Item = Pair> {
        let rich = self
            .rich_from_fat_pct
            .zip(fat_pct)
            .is_some_and(|(from, fat)| fat >= from);
        let by = if rich { self.rich_by_c } else { 0.0 };
        self.pairs.iter().map(move |pair| pair.warmer_by(by))
    }

    /// Judges a heat treatment. `fat_pct` is the milk's fat, where it is known.
    #[must_use]
    pub fn judge(&self, heat: &Heat, fat_pct: Option<f64>) -> HeatJudged {
        let met = self.for_fat(fat_pct).find(|pair| heat.meets(*pair));
        HeatJudged {
            met,
            words: match met {
                Some(pair) => format!("{heat}: meets {pair}"),
                None => {
                    let pairs: Vec<String> =
                        self.for_fat(fat_pct).map(|pair| pair.to_string()).collect();
                    format!("{heat}: meets none of {}", pairs.join(", "))
                }
            },
        }
    }
}

/// A heat treatment as it was recorded.
#[derive(Debug, Clone, PartialEq)]
pub enum Heat {
    /// One temperature, the lowest, held for a time.
    Held {
        /// °C.
        lowest_c: f64,
        /// s.
        held_s: f64,
    },
    /// Readings of a vat: seconds after the first, and °C.
    Vat(Vec<(f64, f64)>),
}

/// What a heat treatment comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct HeatJudged {
    /// The first pair that it meets.
    pub met: Option<Pair>,
    /// In words.
    pub words: String,
}

impl From<&MilkPasteurised> for Heat {
    fn from(fact: &MilkPasteurised) -> Self {
        Self::Held {
            lowest_c: fact.temperature_c.get(),
            held_s: fact.held_s,
        }
    }
}

impl From<&MilkHeated> for Heat {
    fn from(fact: &MilkHeated) -> Self {
        let readings = fact
            .readings
            .iter()
            .map(|r| (r.after_s, r.temperature_c.get()));
        match fact.holding_tube_s {
            // In a tube every drop is held as long; what counts is that no reading was lower.
            Some(held_s) => Self::Held {
                lowest_c: readings.map(|(_, c)| c).fold(f64::NAN, f64::min),
                held_s,
            },
            None => Self::Vat(readings.collect()),
        }
    }
}

impl Heat {
    fn meets(&self, pair: Pair) -> bool {
        match self {
            Self::Held { lowest_c, held_s } => {
                // A limit of 161 °F is met by what a meter in °C shows as 71.7.
                reaches(*lowest_c, pair.least_c) && *held_s >= pair.least_s
            }
            Self::Vat(readings) => Self::longest_above(readings, pair.least_c) >= pair.least_s,
        }
    }

    /// The longest unbroken time at or above a temperature, in seconds.
    fn longest_above(readings: &[(f64, f64)], least_c: f64) -> f64 {
        let (mut longest, mut held) = (0.0_f64, 0.0);
        for pair in readings.windows(2) {
            let [(from, before), (to, after)] = pair else {
                continue;
            };
            let gap = to - from;
            // A log that goes back in time, or has holes, proves nothing there.
            let proves = (0.0..=LONGEST_GAP_S).contains(&gap);
            held = if proves && reaches(*before, least_c) && reaches(*after, least_c) {
                held + gap
            } else {
                0.0
            };
            longest = longest.max(held);
        }
        longest
    }
}

/// Not a number reaches nothing.
fn reaches(temperature_c: f64, least_c: f64) -> bool {
    temperature_c >= least_c - 1e-9
}

impl fmt::Display for Heat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Held { lowest_c, held_s } => write!(f, "at least {lowest_c} °C for {held_s} s"),
            Self::Vat(readings) => {
                let temperatures = || readings.iter().map(|(_, c)| *c);
                let low = temperatures().fold(f64::INFINITY, f64::min);
                let high = temperatures().fold(f64::NEG_INFINITY, f64::max);
                match readings.len() {
                    0 => f.write_str("no reading at all"),
                    n => write!(f, "{n} readings of {low} to {high} °C"),
                }
            }
        }
    }
}
