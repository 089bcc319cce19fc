//! Costs that are ranked and never traded.

use std::ops::{Add, Neg, Sub};

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A ranked cost: the first number decides, the next only among equals.
///
/// Such costs can be added and compared like plain numbers, so every step of a textbook
/// algorithm holds, no weights have to be guessed and no tolerance is needed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Cost<const R: usize>(pub [i64; R]);

impl<const R: usize> Default for Cost<R> {
    fn default() -> Self {
        Self([0; R])
    }
}

impl<const R: usize> Add for Cost<R> {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(std::array::from_fn(|i| {
            self.0[i].saturating_add(other.0[i])
        }))
    }
}

impl<const R: usize> Sub for Cost<R> {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(std::array::from_fn(|i| {
            self.0[i].saturating_sub(other.0[i])
        }))
    }
}

impl<const R: usize> Neg for Cost<R> {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.map(i64::saturating_neg))
    }
}

impl<const R: usize> Serialize for Cost<R> {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_seq(self.0)
    }
}

impl<'de, const R: usize> Deserialize<'de> for Cost<R> {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let ranks = Vec::<i64>::deserialize(d)?;
        let found = ranks.len();
        ranks.try_into().map(Self).map_err(|_| {
            serde::de::Error::custom(format!("a cost has {R} ranks, but here are {found}"))
        })
    }
}
