//! A mass as a scale shows it: signed, exact, in any of the trade's units.

use std::fmt;
use std::str::FromStr;

use quantity::Grams;

/// Femtograms in a gram. An ounce is 28.349523125 g, nine decimals; a scale's
/// number has [`Weight::MOST_DECIMALS`] more.
const PER_GRAM: i128 = 1_000_000_000_000_000;

/// Largest mass held, in grams, far above [`Grams::MOST`].
const MOST_GRAMS: i128 = 1_000_000_000;

/// A unit of mass on a scale's display.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Gram.
    Gram,
    /// Kilogram.
    Kilogram,
    /// Avoirdupois pound: 0.45359237 kg exactly (NIST SP 811, appendix B).
    Pound,
    /// Avoirdupois ounce: a sixteenth of a pound, 28.349523125 g exactly.
    Ounce,
}

impl Unit {
    /// Every unit with the ways it is written, longest first within a unit.
    pub(crate) const NAMES: [(&'static str, Self); 5] = [
        ("kg", Self::Kilogram),
        ("lbs", Self::Pound),
        ("lb", Self::Pound),
        ("oz", Self::Ounce),
        ("g", Self::Gram),
    ];

    /// A unit by its name, in any case.
    pub(crate) fn named(name: &str) -> Option<Self> {
        Self::NAMES
            .iter()
            .find(|(written, _)| written.eq_ignore_ascii_case(name))
            .map(|&(_, unit)| unit)
    }

    const fn femtograms(self) -> i128 {
        match self {
            Self::Gram => PER_GRAM,
            Self::Kilogram => 1_000 * PER_GRAM,
            Self::Pound => 453_592_370_000_000_000,
            Self::Ounce => 28_349_523_125_000_000,
        }
    }
}

/// A mass, held exactly; negative when a scale shows less than nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Weight(i128);

impl Weight {
    /// Nothing.
    pub const ZERO: Self = Self(0);

    /// The most digits after the point that a number may have.
    pub const MOST_DECIMALS: u32 = 6;

    /// A number of whole grams.
    #[must_use]
    pub const fn grams(grams: i32) -> Self {
        Self(grams as i128 * PER_GRAM)
    }

    /// `digits` × 10^-`decimals` of a unit. `None` when there are more decimals than
    /// [`Weight::MOST_DECIMALS`] or the mass is beyond any scale (1 000 t).
    #[must_use]
    pub fn new(digits: i64, decimals: u32, unit: Unit) -> Option<Self> {
        if decimals > Self::MOST_DECIMALS {
            return None;
        }
        let femtograms = i128::from(digits) * unit.femtograms() / 10i128.pow(decimals);
        (femtograms.abs() <= MOST_GRAMS * PER_GRAM).then_some(Self(femtograms))
    }

    /// The distance from zero.
    #[must_use]
    pub const fn abs(self) -> Self {
        Self(self.0.abs())
    }

    /// This many times the mass.
    #[must_use]
    pub const fn times(self, n: i32) -> Self {
        Self(self.0.saturating_mul(n as i128))
    }

    /// Half the mass; half a femtogram is cut off.
    pub(crate) const fn halved(self) -> Self {
        Self(self.0 / 2)
    }

    /// How many whole intervals fit in the mass; `interval` > 0.
    pub(crate) const fn intervals(self, interval: Self) -> i128 {
        self.0 / interval.0
    }

    /// How far apart two masses are.
    #[must_use]
    pub const fn apart(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0).abs())
    }

    /// To the nearest multiple of a scale interval, halves away from zero. An interval
    /// of zero or less leaves the mass as it is.
    #[must_use]
    pub const fn rounded_to(self, interval: Self) -> Self {
        if interval.0 <= 0 {
            return self;
        }
        Self(nearest(self.0, interval.0) * interval.0)
    }

    /// Whole grams, rounded up. `None` when negative or beyond [`Grams::MOST`].
    #[must_use]
    pub fn to_grams_up(self) -> Option<Grams> {
        let up = self.0.checked_add(PER_GRAM - 1)?;
        let grams = u32::try_from(up.div_euclid(PER_GRAM)).ok()?;
        Grams::new(grams).ok()
    }

    /// Whole grams, halves away from zero. `None` when negative or beyond [`Grams::MOST`].
    #[must_use]
    pub fn to_grams(self) -> Option<Grams> {
        let grams = u32::try_from(nearest(self.0, PER_GRAM)).ok()?;
        Grams::new(grams).ok()
    }
}

/// Text that is no weight.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is no weight: write a number and g, kg, lb or oz, such as \"5 g\" or \"0.01 lb\"")]
pub struct BadWeight(pub String);

impl FromStr for Weight {
    type Err = BadWeight;

    /// Reads `5 g`, `0.01 lb`, `15kg`.
    fn from_str(text: &str) -> Result<Self, BadWeight> {
        let read = || {
            let unit_at = text.find(|c: char| c.is_ascii_alphabetic())?;
            let (number, unit) = text.split_at(unit_at);
            let (whole, part) = number.trim().split_once('.').unwrap_or((number.trim(), ""));
            let digits = format!("{whole}{part}");
            // `parse` alone would take a sign.
            if !digits.bytes().all(|b| b.is_ascii_digit()) {
                return None;
            }
            let decimals = u32::try_from(part.len()).ok()?;
            Self::new(digits.parse().ok()?, decimals, Unit::named(unit.trim())?)
        };
        read().ok_or_else(|| BadWeight(text.to_owned()))
    }
}

/// `value / by`, to the nearest whole number, halves away from zero; `by` > 0.
const fn nearest(value: i128, by: i128) -> i128 {
    let half = by / 2 + by % 2;
    if value < 0 {
        -((-value + half) / by)
    } else {
        (value + half) / by
    }
}

impl fmt::Display for Weight {
    /// Kilograms with gram resolution: `-0.012 kg`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let grams = nearest(self.0, PER_GRAM);
        let sign = if grams < 0 { "-" } else { "" };
        let grams = grams.abs();
        write!(f, "{sign}{}.{:03} kg", grams / 1000, grams % 1000)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn units_are_exact_as_nist_sp_811_gives_them() {
        let same = |a: (i64, u32, Unit), b: (i64, u32, Unit)| {
            assert_eq!(Weight::new(a.0, a.1, a.2), Weight::new(b.0, b.1, b.2));
        };
        // 1 lb = 0.453 592 37 kg: 100 000 lb = 45 359.237 kg.
        same((100_000, 0, Unit::Pound), (45_359_237, 3, Unit::Kilogram));
        same((16, 0, Unit::Ounce), (1, 0, Unit::Pound));
        // 1 oz = 28.349 523 125 g: a million of them are 28 349 523.125 g.
        same((1_000_000, 0, Unit::Ounce), (28_349_523_125, 3, Unit::Gram));
        same((1_000, 6, Unit::Kilogram), (1, 0, Unit::Gram));
    }

    #[test]
    fn rounding_goes_to_the_nearest_interval_with_halves_away_from_zero() {
        let five = Weight::grams(5);
        for (grams, rounded) in [(0, 0), (2, 0), (3, 5), (-3, -5), (-2, 0), (4_218, 4_220)] {
            assert_eq!(
                Weight::grams(grams).rounded_to(five),
                Weight::grams(rounded)
            );
        }
        let half = Weight::new(25, 1, Unit::Gram).unwrap();
        assert_eq!(half.rounded_to(five), five);
        assert_eq!(Weight::grams(7).rounded_to(Weight::ZERO), Weight::grams(7));
    }

    #[test]
    fn a_weight_is_read_as_people_write_it() {
        for (text, weight) in [
            ("5 g", Weight::grams(5)),
            ("15kg", Weight::grams(15_000)),
            ("0.020 KG", Weight::grams(20)),
            ("0.01 lb", Weight::new(1, 2, Unit::Pound).unwrap()),
        ] {
            assert_eq!(text.parse(), Ok(weight), "{text}");
        }
        for text in [
            "",
            "5",
            "g",
            "-5 g",
            "+5 g",
            "5 stone",
            "1.2.3 g",
            "0.0000001 g",
            "5 g 3",
            "1e3 g",
        ] {
            let refused = BadWeight(text.to_owned());
            assert_eq!(text.parse::<Weight>(), Err(refused));
        }
    }

    #[test]
    fn what_no_wheel_can_weigh_is_no_grams() {
        assert_eq!(Weight::grams(-1).to_grams(), None);
        assert_eq!(Weight::grams(2_000_001).to_grams(), None);
        assert_eq!(Weight::new(i64::MAX, 0, Unit::Kilogram), None);
        assert_eq!(Weight::new(1, 7, Unit::Gram), None);
    }

    proptest! {
        #[test]
        fn a_rounded_weight_is_within_half_an_interval(grams in -3_000_000i32..3_000_000, interval in 1i32..5_000) {
            let (weight, interval) = (Weight::grams(grams), Weight::grams(interval));
            let rounded = weight.rounded_to(interval);
            prop_assert!(rounded.apart(weight).times(2) <= interval);
            prop_assert_eq!(rounded.rounded_to(interval), rounded);
        }
    }
}
