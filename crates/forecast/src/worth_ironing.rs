//! Which wheel is worth ironing next: where a core is expected to tell most of the batch's
//! pace, for each wheel that it opens.

use crate::posterior::Posterior;

/// Answers that are told apart: every five percent, as an eye does.
fn answers() -> Vec<(f64, f64)> {
    (0..=20)
        .map(|n| {
            let middle = f64::from(n) * 5.0;
            (middle - 2.5, middle + 2.5)
        })
        .map(|(low, high)| (low.max(0.0), high.min(100.0)))
        .collect()
}

/// Information that one more core is expected to give about the batch's pace, in bits: the
/// mutual information of the answer and the pace. `wheel`: one ironed before, or a new one.
pub(crate) fn expected_bits(
    posterior: &Posterior,
    wheel: Option<usize>,
    effective_days: f64,
) -> f64 {
    let given = posterior.answers(wheel, effective_days, &answers());
    let all: f64 = given.iter().map(|(weight, _)| weight).sum();
    if all <= 0.0 {
        return 0.0;
    }
    let mut overall = vec![0.0; answers().len()];
    let mut within = 0.0;
    for (weight, likely) in &given {
        let weight = weight / all;
        within += weight * entropy(likely);
        for (sum, p) in overall.iter_mut().zip(likely) {
            *sum += weight * p;
        }
    }
    (entropy(&overall) - within).max(0.0)
}

fn entropy(probabilities: &[f64]) -> f64 {
    let terms = probabilities.iter().filter(|p| **p > 0.0);
    -terms.map(|p| p * p.log2()).sum::<f64>()
}
