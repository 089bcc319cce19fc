//! Exact decimal amounts: thousandths of a unit, so that a balance adds up to the gram.

use std::fmt;
use std::iter::Sum;
use std::ops::{Add, AddAssign, Neg, Sub};

use facts::Amount;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Thousandths of a gram, a millilitre or a piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Milli(i64);

impl Milli {
    /// Nothing.
    pub const ZERO: Self = Self(0);

    /// Whole units.
    #[must_use]
    pub const fn whole(units: i64) -> Self {
        Self(units.saturating_mul(1000))
    }

    /// Rounds to the nearest thousandth. What is no number, or too large to be an amount of
    /// anything on a floor, is nothing.
    #[must_use]
    pub fn of(value: f64) -> Self {
        let thousandths = (value * 1000.0).round();
        if thousandths.abs() < 1e15 {
            #[allow(clippy::cast_possible_truncation)] // just checked
            Self(thousandths as i64)
        } else {
            Self::ZERO
        }
    }

    /// An amount in its small unit: kilograms as grams, litres as millilitres.
    #[must_use]
    pub fn of_amount(amount: Amount) -> (Self, BaseUnit) {
        use facts::Unit;
        match amount.unit {
            Unit::G => (Self::of(amount.value), BaseUnit::Gram),
            Unit::Kg => (Self::of(amount.value * 1000.0), BaseUnit::Gram),
            Unit::Ml => (Self::of(amount.value), BaseUnit::Millilitre),
            Unit::L => (Self::of(amount.value * 1000.0), BaseUnit::Millilitre),
            Unit::Piece => (Self::of(amount.value), BaseUnit::Piece),
        }
    }

    /// To the nearest whole unit, halves away from zero.
    #[must_use]
    pub const fn rounded(self) -> i64 {
        let half = if self.0 < 0 { -500 } else { 500 };
        (self.0 + half) / 1000
    }

    /// So many equal parts, the first ones a thousandth larger where it does not come out
    /// even: together they are the whole.
    pub fn parts(self, count: usize) -> impl Iterator<Item = Self> {
        let parts = i64::try_from(count).unwrap_or(i64::MAX).max(1);
        let (each, over) = (self.0.div_euclid(parts), self.0.rem_euclid(parts));
        (0..parts).map(move |n| Self(each + i64::from(n < over)))
    }

    /// Times a density in grams a litre: of millilitres, the grams.
    #[must_use]
    pub const fn times_density(self, grams_a_litre: u32) -> Self {
        Self(self.0.saturating_mul(grams_a_litre as i64) / 1000)
    }
}

/// The small unit that amounts of a lot are added up in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BaseUnit {
    /// g
    Gram,
    /// mL
    Millilitre,
    /// Pieces.
    Piece,
}

impl BaseUnit {
    /// As it is written.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Gram => "g",
            Self::Millilitre => "mL",
            Self::Piece => "pieces",
        }
    }
}

impl Add for Milli {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl AddAssign for Milli {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sub for Milli {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl Neg for Milli {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}

impl Sum for Milli {
    fn sum<I: Iterator<Item = Self>>(amounts: I) -> Self {
        amounts.fold(Self::ZERO, Add::add)
    }
}

impl fmt::Display for Milli {
    /// `220000` or `0.5`: no more decimals than there are.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let (whole, part) = (self.0.unsigned_abs() / 1000, self.0.unsigned_abs() % 1000);
        if part == 0 {
            f.pad(&format!("{sign}{whole}"))
        } else {
            let text = format!("{sign}{whole}.{part:03}");
            f.pad(text.trim_end_matches('0'))
        }
    }
}

impl Serialize for Milli {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        if self.0 % 1000 == 0 {
            s.serialize_i64(self.0 / 1000)
        } else {
            #[allow(clippy::cast_precision_loss)] // far below 2^53 thousandths
            s.serialize_f64(self.0 as f64 / 1000.0)
        }
    }
}

impl<'de> Deserialize<'de> for Milli {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let amount = f64::deserialize(d)?;
        #[allow(clippy::cast_possible_truncation)] // an i64 saturates
        Ok(Self((amount * 1000.0).round() as i64))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_add_up_exactly() {
        let tenth = Milli::of(0.1);
        let sum: Milli = std::iter::repeat_n(tenth, 10).sum();
        assert_eq!(sum, Milli::whole(1));
        assert_eq!(Milli::of(1.5).to_string(), "1.5");
        assert_eq!((Milli::of(0.25) - Milli::whole(1)).to_string(), "-0.75");
        assert_eq!(Milli::of(f64::NAN), Milli::ZERO);
        assert_eq!(Milli::of(-0.0006).rounded(), 0);
        assert_eq!(Milli::of(-1.5).rounded(), -2);
    }

    #[test]
    fn milk_weighs_its_density() {
        // 220 L at 1.030 kg/L are 226.6 kg.
        assert_eq!(Milli::whole(220_000).times_density(1030).rounded(), 226_600);
    }
}
