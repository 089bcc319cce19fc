//! Since when, and by how much.

use crate::Lean;

/// Where a step off the aim began, once a chart says that there is one: the place of the
/// first value after it, and the mean since.
///
/// Of all ways to cut the values in two, the one is taken that makes the later part most
/// unlikely without a step: the greatest (n − t) · (mean of the n − t last)² (the maximum
/// likelihood estimate; Samuel, Pignatiello and Calvin, "Identifying the time of a step
/// change with X̄ control charts", *Quality Engineering* 10(3), 1998, 521–527, formula from
/// memory). Only steps to the given side count; of equals, the latest.
///
/// `off` is how far each value lies off the aim.
#[must_use]
pub fn since(off: &[f64], lean: Lean) -> Option<(usize, f64)> {
    let mut best: Option<(f64, usize, f64)> = None;
    let mut sum = 0.0;
    for (place, value) in off.iter().enumerate().rev() {
        sum += value;
        let count = (off.len() - place) as f64;
        let mean = sum / count;
        let that_way = match lean {
            Lean::High => mean > 0.0,
            Lean::Low => mean < 0.0,
            Lean::Neither => true,
        };
        let unlikely = mean * sum;
        if that_way && best.is_none_or(|(most, _, _)| unlikely > most) {
            best = Some((unlikely, place, mean));
        }
    }
    best.map(|(_, place, mean)| (place, mean))
}
