//! What a laboratory found, read from what it wrote, in one unit.

use std::fmt;
use std::str::FromStr;

/// What was found in one unit of a sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Found {
    /// Nothing, in so many grams.
    NotDetected {
        /// Grams looked at, if the laboratory wrote them.
        in_g: Option<f64>,
    },
    /// Something, in so many grams.
    Detected {
        /// Grams looked at, if the laboratory wrote them.
        in_g: Option<f64>,
    },
    /// So many colonies.
    Count(Count),
}

/// Colony-forming units in a gram.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Count {
    /// As many.
    Exactly(f64),
    /// Fewer: below what the method can count.
    Below(f64),
    /// More: above what was diluted for.
    Above(f64),
}

/// A text that is no finding, or in a unit that cannot be turned into colonies in a gram.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum BadCount {
    /// Nothing was written.
    #[error("no value: write what the laboratory wrote, for example \"<10 cfu/g\"")]
    Empty,
    /// No number in it.
    #[error(
        "{0:?} is no count: write a number with its unit, \"not detected in 25 g\" or \"detected in 25 g\""
    )]
    Number(String),
    /// A number without a unit.
    #[error(
        "{0:?} has no unit: is it cfu/g or log10 cfu/g? 2 and 100 are the same count in these two"
    )]
    NoUnit(String),
    /// A unit that says something else.
    #[error("{text:?} is in {unit}, which is not a count in a gram of cheese: {why}")]
    Unit {
        /// What was written.
        text: String,
        /// The unit.
        unit: String,
        /// Why it cannot be converted.
        why: &'static str,
    },
}

impl FromStr for Found {
    type Err = BadCount;

    /// Reads what laboratories write: `<10 cfu/g`, `1.2e3 CFU/g`, `3,1 log10 cfu/g`,
    /// `2 x 10^4 cfu/g`, `not detected in 25 g`, `absent / 25 g`, `detected in 25 g`.
    fn from_str(text: &str) -> Result<Self, BadCount> {
        let shown = || text.trim().chars().take(60).collect::<String>();
        let lower = text.trim().to_lowercase().replace('\u{a0}', " ");
        if lower.is_empty() {
            return Err(BadCount::Empty);
        }
        for word in [
            "not detected",
            "absent",
            "absence",
            "negative",
            "n.d.",
            "nd",
        ] {
            if let Some(rest) = lower.strip_prefix(word)
                && !rest.starts_with(|c: char| c.is_alphanumeric())
            {
                return Ok(Self::NotDetected {
                    in_g: grams(rest, &shown)?,
                });
            }
        }
        for word in ["detected", "present", "positive"] {
            if let Some(rest) = lower.strip_prefix(word) {
                return Ok(Self::Detected {
                    in_g: grams(rest, &shown)?,
                });
            }
        }
        let (make, rest): (fn(f64) -> Count, &str) = match lower.strip_prefix(['<', '≤']) {
            Some(rest) => (Count::Below, rest),
            None => match lower.strip_prefix(['>', '≥']) {
                Some(rest) => (Count::Above, rest),
                None => (Count::Exactly, lower.as_str()),
            },
        };
        let (number, unit) = number(rest).ok_or_else(|| BadCount::Number(shown()))?;
        let per_g = in_a_gram(number, unit, &shown)?;
        Ok(Self::Count(make(per_g)))
    }
}

/// The grams after "in", "per" or "/".
fn grams(rest: &str, shown: &impl Fn() -> String) -> Result<Option<f64>, BadCount> {
    let rest = rest.trim().trim_start_matches(['/', ':']).trim();
    let rest = rest
        .strip_prefix("in ")
        .or_else(|| rest.strip_prefix("per "))
        .unwrap_or(rest);
    if rest.is_empty() {
        return Ok(None);
    }
    let (number, unit) = number(rest).ok_or_else(|| BadCount::Number(shown()))?;
    match unit {
        "g" => Ok(Some(number)),
        "kg" => Ok(Some(number * 1000.0)),
        other => Err(BadCount::Unit {
            text: shown(),
            unit: if other.is_empty() {
                "no unit".to_owned()
            } else {
                other.to_owned()
            },
            why: "write how many grams were looked at",
        }),
    }
}

/// A number, with a decimal comma or point, and powers of ten; then the rest.
fn number(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let end = text
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',')))
        .unwrap_or(text.len());
    let mut value: f64 = text[..end].replacen(',', ".", 1).parse().ok()?;
    let mut rest = text[end..].trim_start();
    // "e3" and "x 10^3"; "log" begins with neither.
    let power = rest
        .strip_prefix('e')
        .filter(|r| r.starts_with(|c: char| c.is_ascii_digit()))
        .or_else(|| {
            let times = rest.strip_prefix(['x', '×', '*', '·'])?.trim_start();
            times
                .strip_prefix("10^")
                .or_else(|| times.strip_prefix("10**"))
        });
    if let Some(power) = power {
        let end = power
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(power.len());
        value *= 10_f64.powi(power[..end].parse().ok().filter(|p| *p < 30)?);
        rest = &power[end..];
    }
    value.is_finite().then_some((value, rest.trim()))
}

fn in_a_gram(number: f64, unit: &str, shown: &impl Fn() -> String) -> Result<f64, BadCount> {
    let refused = |why| {
        Err(BadCount::Unit {
            text: shown(),
            unit: unit.to_owned(),
            why,
        })
    };
    let unit_only: String = unit.split_whitespace().collect::<Vec<_>>().join(" ");
    match unit_only.as_str() {
        "" => Err(BadCount::NoUnit(shown())),
        "cfu/g" | "cfu per g" | "ufc/g" | "kbe/g" | "cfu.g-1" => Ok(number),
        "cfu/10 g" | "cfu/10g" => Ok(number / 10.0),
        "cfu/25 g" | "cfu/25g" => Ok(number / 25.0),
        "log10 cfu/g" | "log cfu/g" | "log10(cfu/g)" | "log10" if number < 30.0 => {
            Ok(10_f64.powf(number))
        }
        "cfu/ml" | "cfu per ml" => refused("it is of a liquid: ask for a count in a gram"),
        "cfu/cm2" | "cfu/cm²" | "cfu/swab" => {
            refused("it is of a surface: judge it by the plan for swabs")
        }
        "mpn/g" => refused(
            "it is an estimate by another method than the limit is written for: ask the laboratory",
        ),
        _ => refused("write it in cfu/g or log10 cfu/g"),
    }
}

impl Count {
    /// Whether it is for certain at most a limit; `None` when it cannot be told.
    #[must_use]
    pub fn at_most(self, limit: f64) -> Option<bool> {
        match self {
            Self::Exactly(count) => Some(count <= limit),
            Self::Below(most) if most <= limit => Some(true),
            Self::Above(least) if least >= limit => Some(false),
            Self::Below(_) | Self::Above(_) => None,
        }
    }
}

impl fmt::Display for Found {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let grams = |f: &mut fmt::Formatter<'_>, in_g: &Option<f64>| match in_g {
            Some(g) => write!(f, " in {g} g"),
            None => Ok(()),
        };
        match self {
            Self::NotDetected { in_g } => {
                f.write_str("not detected")?;
                grams(f, in_g)
            }
            Self::Detected { in_g } => {
                f.write_str("detected")?;
                grams(f, in_g)
            }
            Self::Count(Count::Exactly(n)) => write!(f, "{} cfu/g", n.round()),
            Self::Count(Count::Below(n)) => write!(f, "<{} cfu/g", n.round()),
            Self::Count(Count::Above(n)) => write!(f, ">{} cfu/g", n.round()),
        }
    }
}
