//! Keys of digits alone, with a check digit.

use std::fmt;
use std::str::FromStr;

use facts::gs1_check_digit;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A text that is no key.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadKey {
    /// Not the right number of digits.
    #[error("{text:?} is no {what}: it has {digits} digits and nothing else")]
    Digits {
        /// What it should be.
        what: &'static str,
        /// How many digits that has.
        digits: &'static str,
        /// What was given.
        text: String,
    },
    /// Its check digit does not fit.
    #[error("{text} is no {what}: its last digit should be {right}")]
    Check {
        /// What it should be.
        what: &'static str,
        /// What was given.
        text: String,
        /// The check digit of the digits before it.
        right: u64,
    },
}

/// A Global Trade Item Number, written with 14 digits. One that starts with 9 is of a
/// product whose weight varies: its weight belongs beside it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Gtin(u64);

/// A Global Location Number: 13 digits.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Gln(u64);

impl Gtin {
    /// Whether the product's weight varies from piece to piece (indicator digit 9).
    #[must_use]
    pub const fn varies(self) -> bool {
        self.0 / 10_000_000_000_000 == 9
    }
}

/// Digits with a right check digit.
fn checked(
    text: &str,
    what: &'static str,
    digits: &'static str,
    lengths: &[usize],
) -> Result<u64, BadKey> {
    let all_digits = text.bytes().all(|b| b.is_ascii_digit());
    let number: u64 = text
        .parse()
        .ok()
        .filter(|_| all_digits && lengths.contains(&text.len()))
        .ok_or_else(|| BadKey::Digits {
            what,
            digits,
            text: text.chars().take(60).collect(),
        })?;
    let right = gs1_check_digit(number / 10);
    if number % 10 == right {
        Ok(number)
    } else {
        Err(BadKey::Check {
            what,
            text: text.to_owned(),
            right,
        })
    }
}

impl FromStr for Gtin {
    type Err = BadKey;
    /// Takes GTIN-8, 12 and 13 as well: with zeros before them they are GTIN-14.
    fn from_str(text: &str) -> Result<Self, BadKey> {
        checked(text, "GTIN", "8, 12, 13 or 14", &[8, 12, 13, 14]).map(Self)
    }
}

impl FromStr for Gln {
    type Err = BadKey;
    fn from_str(text: &str) -> Result<Self, BadKey> {
        checked(text, "GLN", "13", &[13]).map(Self)
    }
}

macro_rules! written_as_digits {
    ($name:ident, $digits:literal) => {
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&format!(concat!("{:0", $digits, "}"), self.0))
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(self, f)
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                let text = String::deserialize(d)?;
                text.parse().map_err(serde::de::Error::custom)
            }
        }
    };
}

written_as_digits!(Gtin, 14);
written_as_digits!(Gln, 13);
