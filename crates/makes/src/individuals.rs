//! A chart of single values and of how each differs from the one before (individuals and
//! moving ranges): one value a make is all there is.

use control::nelson::{Test, signals};
use control::{Factors, Size};
use facts::BatchId;
use serde::Serialize;

/// One make on the chart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Point {
    /// The make.
    pub batch: BatchId,
    /// Its value.
    pub value: f64,
    /// How far it is from the make before; nothing for the first.
    pub range: Option<f64>,
    /// Nelson's tests that hold at it.
    pub tests: Vec<Test>,
}

/// The chart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Individuals {
    /// The makes, in order.
    pub points: Vec<Point>,
    /// The mean.
    pub centre: f64,
    /// Lower and upper limit of a value: the mean ± 3 mean ranges / d₂.
    pub limits: (f64, f64),
    /// The mean range.
    pub mean_range: f64,
    /// Upper limit of a range: D₄ mean ranges.
    pub range_limit: f64,
}

impl Individuals {
    /// The chart of some values, in order. `None` for fewer than two, or when all are equal.
    /// What is not a number is left out.
    #[must_use]
    pub fn of(values: impl IntoIterator<Item = (BatchId, f64)>) -> Option<Self> {
        let values: Vec<(BatchId, f64)> = values
            .into_iter()
            .filter(|(_, value)| value.is_finite())
            .collect();
        let ranges: Vec<f64> = values.windows(2).map(|w| (w[1].1 - w[0].1).abs()).collect();
        let two = Size::new(2).ok()?;
        let factors = Factors::of(two);
        let mean_range = ranges.iter().sum::<f64>() / ranges.len() as f64;
        let centre = values.iter().map(|(_, value)| value).sum::<f64>() / values.len() as f64;
        let deviation = mean_range / factors.d2;
        if !(deviation > 0.0 && deviation.is_finite()) {
            return None;
        }
        let off: Vec<f64> = values
            .iter()
            .map(|(_, v)| (v - centre) / deviation)
            .collect();
        let before = std::iter::once(None).chain(ranges.into_iter().map(Some));
        let points = values.into_iter().zip(before).zip(signals(&off));
        Some(Self {
            points: points
                .map(|(((batch, value), range), tests)| Point {
                    batch,
                    value,
                    range,
                    tests,
                })
                .collect(),
            centre,
            limits: (centre - 3.0 * deviation, centre + 3.0 * deviation),
            mean_range,
            range_limit: factors.range_upper * mean_range,
        })
    }
}
