//! Long lists, part by part.

use schemars::JsonSchema;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer};

/// The most that one answer lists.
const MOST: usize = 1_000;

/// How many one answer lists.
#[derive(Debug, Clone, Copy, PartialEq, Eq, JsonSchema)]
pub struct Limit(#[schemars(range(min = 1, max = 1000))] pub(super) usize);

impl Limit {
    pub(super) const fn get(self) -> usize {
        self.0
    }
}

impl<'de> Deserialize<'de> for Limit {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let limit = usize::deserialize(from)?;
        if (1..=MOST).contains(&limit) {
            Ok(Self(limit))
        } else {
            Err(D::Error::custom(format!("{limit} is not from 1 to {MOST}")))
        }
    }
}
