//! The Serial Shipping Container Code: the number of a case or a pallet.

use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A case's or pallet's number: 18 digits, the last of which checks the others (GS1
/// General Specifications, SSCC and "check digit calculation").
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Sscc(u64);

/// A text that is no SSCC.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadSscc {
    /// Not 18 digits.
    #[error("{0:?} is no case number: it has 18 digits")]
    Digits(String),
    /// Its check digit does not fit.
    #[error("{number} is no case number: its last digit should be {right}. Scan it again")]
    Check {
        /// What was given.
        number: String,
        /// The check digit of the digits before it.
        right: u64,
    },
}

impl Sscc {
    /// The number that starts with these 17 digits: extension digit, company prefix,
    /// serial. `None` when they are more than 17.
    #[must_use]
    pub const fn with_check_digit(first_17: u64) -> Option<Self> {
        if first_17 >= 100_000_000_000_000_000 {
            return None;
        }
        Some(Self(first_17 * 10 + gs1_check_digit(first_17)))
    }
}

/// The digit that checks the digits before it, in every GS1 key of digits alone (SSCC,
/// GTIN, GLN): weights 3, 1, 3, 1 … from the right.
#[must_use]
pub const fn gs1_check_digit(mut digits: u64) -> u64 {
    let mut sum = 0;
    let mut weight = 3;
    while digits > 0 {
        sum += digits % 10 * weight;
        digits /= 10;
        weight = 4 - weight;
    }
    (10 - sum % 10) % 10
}

impl FromStr for Sscc {
    type Err = BadSscc;
    fn from_str(text: &str) -> Result<Self, BadSscc> {
        let digits = text.len() == 18 && text.bytes().all(|b| b.is_ascii_digit());
        let number: u64 = text
            .parse()
            .ok()
            .filter(|_| digits)
            .ok_or_else(|| BadSscc::Digits(text.chars().take(60).collect()))?;
        let right = gs1_check_digit(number / 10);
        if number % 10 == right {
            Ok(Self(number))
        } else {
            Err(BadSscc::Check {
                number: text.to_owned(),
                right,
            })
        }
    }
}

impl fmt::Display for Sscc {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{:018}", self.0))
    }
}

impl fmt::Debug for Sscc {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Serialize for Sscc {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Sscc {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = Cow::<'de, str>::deserialize(d)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

impl JsonSchema for Sscc {
    fn schema_name() -> Cow<'static, str> {
        "Sscc".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "pattern": "^[0-9]{18}$",
            "description": "the number of a case or pallet, with its check digit",
        })
    }
}

#[cfg(feature = "testing")]
impl proptest::arbitrary::Arbitrary for Sscc {
    type Parameters = ();
    type Strategy = proptest::strategy::BoxedStrategy<Self>;
    fn arbitrary_with((): ()) -> Self::Strategy {
        use proptest::strategy::Strategy as _;
        (0..100_000_000_000_000_000u64)
            .prop_filter_map("17 digits", Self::with_check_digit)
            .boxed()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// GS1 General Specifications, check digit figure (from memory, and computed); the
    /// second is the example of the GS1 Digital Link page of the BWIPP project's wiki.
    #[test]
    fn published_check_digits() {
        for number in ["376104250021234569", "106141411234567897"] {
            assert_eq!(number.parse::<Sscc>().unwrap().to_string(), number);
            let first: u64 = number[..17].parse().unwrap();
            let made = Sscc::with_check_digit(first).unwrap();
            assert_eq!(made.to_string(), number);
        }
    }

    #[test]
    fn a_wrong_digit_is_named() {
        let wrong = "376104250021234560".parse::<Sscc>().unwrap_err();
        assert!(wrong.to_string().contains("should be 9"), "{wrong}");
        assert!("37610425002123456".parse::<Sscc>().is_err());
        assert!("+76104250021234569".parse::<Sscc>().is_err());
    }

    #[test]
    fn leading_zeros_stay() {
        assert_eq!(
            Sscc::with_check_digit(0).unwrap().to_string(),
            "000000000000000000"
        );
    }
}
