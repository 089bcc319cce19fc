//! Samples: a few portions of one vat, weighed one after the other.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::BatchId;
use serde::{Deserialize, Serialize};

use crate::{Portion, Size};

/// A sample, and where its portions are in the list that it was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// The vat.
    pub batch: BatchId,
    /// When its first portion was weighed.
    pub from: DateTime<Utc>,
    /// When its last was.
    pub to: DateTime<Utc>,
    /// Mean weight, in grams.
    pub mean_g: f64,
    /// From the lightest to the heaviest, in grams.
    pub range_g: f64,
    /// Place of its first portion in the list.
    #[serde(skip)]
    pub first: usize,
    /// Place of its last.
    #[serde(skip)]
    pub last: usize,
}

impl Sample {
    /// Mean and range.
    #[must_use]
    pub const fn pair(&self) -> (f64, f64) {
        (self.mean_g, self.range_g)
    }
}

/// Mean and range of some values; nothing for none.
#[must_use]
pub fn mean_and_range(values: &[f64]) -> Option<(f64, f64)> {
    let most = values.iter().copied().reduce(f64::max)?;
    let least = values.iter().copied().reduce(f64::min)?;
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    Some((mean, most - least))
}

/// The samples in portions that are in order of time: within each vat so many after each
/// other, in the order in which they were complete. What is left over at the end of a vat
/// belongs to none, for a sample of two vats would hide the difference between them.
#[must_use]
pub fn samples(portions: &[Portion], size: Size) -> Vec<Sample> {
    let mut vats: BTreeMap<BatchId, Vec<usize>> = BTreeMap::new();
    for (place, portion) in portions.iter().enumerate() {
        vats.entry(portion.batch).or_default().push(place);
    }
    let mut samples: Vec<Sample> = vats
        .iter()
        .flat_map(|(batch, places)| {
            let whole = places.chunks_exact(size.get());
            whole.filter_map(|places| of(*batch, portions, places))
        })
        .collect();
    samples.sort_by_key(|sample| sample.last);
    samples
}

fn of(batch: BatchId, portions: &[Portion], places: &[usize]) -> Option<Sample> {
    let (first, last) = (*places.first()?, *places.last()?);
    let weights: Vec<f64> = places.iter().map(|n| portions[*n].grams()).collect();
    let (mean_g, range_g) = mean_and_range(&weights)?;
    Some(Sample {
        batch,
        from: portions[first].at,
        to: portions[last].at,
        mean_g,
        range_g,
        first,
        last,
    })
}
