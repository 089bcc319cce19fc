//! Counts and measures.

use std::fmt;

/// A number that its AI cannot carry.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadNumber {
    /// More than eight digits.
    #[error("{0:?} is no count: it has 1 to 8 digits")]
    Count(String),
    /// Not six digits.
    #[error("{0:?} is no measure: it has 6 digits")]
    Measure(String),
    /// More decimals than an AI can name.
    #[error("{0} decimals are too many for a weight: 0 to 5 are possible")]
    Decimals(u8),
    /// Too heavy for six digits.
    #[error(
        "{grams} g does not fit a weight of 6 digits with {decimals} decimals of a kilogram: \
         at most {most} g do"
    )]
    Heavy {
        /// The weight.
        grams: u64,
        /// The decimals asked for.
        decimals: u8,
        /// The heaviest that fits.
        most: u64,
    },
    /// Finer than the decimals tell: nothing is rounded on a label.
    #[error("{grams} g cannot be told with {decimals} decimals of a kilogram: use 3")]
    Fine {
        /// The weight.
        grams: u64,
        /// The decimals asked for.
        decimals: u8,
    },
}

/// How many pieces: 0 to 99 999 999.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Count(u32);

impl Count {
    /// A count.
    ///
    /// # Errors
    /// [`BadNumber::Count`] above eight digits.
    pub fn new(count: u32) -> Result<Self, BadNumber> {
        if count <= 99_999_999 {
            Ok(Self(count))
        } else {
            Err(BadNumber::Count(count.to_string()))
        }
    }

    pub(crate) fn read(digits: &str) -> Result<Self, BadNumber> {
        let refused = || BadNumber::Count(digits.chars().take(60).collect());
        if !(1..=8).contains(&digits.len()) || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(refused());
        }
        digits.parse().map(Self).map_err(|_| refused())
    }

    /// The number.
    #[must_use]
    pub const fn get(self) -> u32 {
        self.0
    }
}

impl fmt::Display for Count {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// A weight of six digits, of which the last 0 to 5 are decimals (AIs 310n, 320n, 330n).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Measure {
    digits: u32,
    decimals: u8,
}

/// Grams in a unit of the last decimal of a kilogram, times 100: so that five decimals
/// are whole numbers too.
const fn centigrams(decimals: u8) -> u64 {
    100_000 / 10_u64.pow(decimals as u32)
}

impl Measure {
    /// A weight of so many grams in kilograms with so many decimals, exactly: 8.165 kg with three is 008165.
    ///
    /// # Errors
    /// [`BadNumber`] when it needs more than six digits or finer decimals: a label never
    /// tells another weight than was weighed.
    pub fn kilograms(grams: u64, decimals: u8) -> Result<Self, BadNumber> {
        if decimals > 5 {
            return Err(BadNumber::Decimals(decimals));
        }
        let unit = centigrams(decimals);
        if !grams.saturating_mul(100).is_multiple_of(unit) {
            return Err(BadNumber::Fine { grams, decimals });
        }
        u32::try_from(grams.saturating_mul(100) / unit)
            .ok()
            .filter(|digits| *digits <= 999_999)
            .map(|digits| Self { digits, decimals })
            .ok_or(BadNumber::Heavy {
                grams,
                decimals,
                most: 999_999 * unit / 100,
            })
    }

    pub(crate) fn read(digits: &str, decimals: u8) -> Result<Self, BadNumber> {
        let refused = || BadNumber::Measure(digits.chars().take(60).collect());
        if decimals > 5 {
            return Err(BadNumber::Decimals(decimals));
        }
        if digits.len() != 6 || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(refused());
        }
        let digits = digits.parse().map_err(|_| refused())?;
        Ok(Self { digits, decimals })
    }

    /// How many of the digits are decimals.
    #[must_use]
    pub const fn decimals(self) -> u8 {
        self.decimals
    }

    /// The weight in grams where the unit is the kilogram. `None` when it is no whole
    /// number of grams.
    #[must_use]
    pub const fn grams(self) -> Option<u64> {
        let centi = self.digits as u64 * centigrams(self.decimals);
        if centi.is_multiple_of(100) {
            Some(centi / 100)
        } else {
            None
        }
    }
}

impl fmt::Display for Measure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:06}", self.digits)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_weight_that_does_not_fit_is_refused_and_never_rounded() {
        let kilograms = Measure::kilograms;
        assert_eq!(kilograms(8_165, 3).unwrap().to_string(), "008165");
        assert_eq!(kilograms(999_999, 3).unwrap().to_string(), "999999");
        assert_eq!(
            kilograms(1_000_000, 3).unwrap_err().to_string(),
            "1000000 g does not fit a weight of 6 digits with 3 decimals of a kilogram: at \
             most 999999 g do"
        );
        assert_eq!(kilograms(1_000_000, 2).unwrap().to_string(), "100000");
        assert_eq!(
            kilograms(8_165, 2).unwrap_err().to_string(),
            "8165 g cannot be told with 2 decimals of a kilogram: use 3"
        );
        assert_eq!(kilograms(9_999, 5).unwrap().to_string(), "999900");
        assert!(kilograms(10_000, 5).is_err());
        assert!(kilograms(1, 6).is_err());
    }

    proptest! {
        #[test]
        fn what_fits_comes_back_to_the_gram(grams in 0..=2_000_000_u64, decimals in 0..6u8) {
            if let Ok(measure) = Measure::kilograms(grams, decimals) {
                prop_assert_eq!(measure.grams(), Some(grams));
                let read = Measure::read(&measure.to_string(), decimals).unwrap();
                prop_assert_eq!(read, measure);
            }
        }
    }
}
