//! Least squares by Levenberg and Marquardt's damped Gauss–Newton steps (Marquardt, *J. SIAM*
//! 11 (1963) 431–441), for a few parameters.

/// What was fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit<const N: usize> {
    /// The parameters.
    pub parameters: [f64; N],
    /// Their standard deviations; zero where there are no more values than parameters.
    pub deviations: [f64; N],
    /// Sum of squared residuals.
    pub squares: f64,
}

/// Most steps.
const STEPS: usize = 500;

/// A step that changes the squares by less than this share is the last.
const SMALL: f64 = 1e-14;

/// Finds the parameters that make the sum of squared `residuals` least, beginning at
/// `start`. `None` when the residuals there are not finite, are fewer than the parameters, or
/// do not tell the parameters apart.
#[must_use]
pub fn fit<const N: usize>(
    residuals: impl Fn(&[f64; N]) -> Vec<f64>,
    start: [f64; N],
) -> Option<Fit<N>> {
    let sum = |values: &[f64]| values.iter().map(|r| r * r).sum::<f64>();
    let mut at = start;
    let mut here = residuals(&at);
    let mut squares = sum(&here);
    if !squares.is_finite() || here.len() < N {
        return None;
    }
    let mut damping = 1e-3;
    for _ in 0..STEPS {
        let (normal, gradient) = normal_equations(&residuals, &at, &here);
        let mut moved = false;
        while damping < 1e16 {
            let mut damped = normal;
            for (i, row) in damped.iter_mut().enumerate() {
                row[i] *= 1.0 + damping;
            }
            let Some(step) = solve(damped, gradient) else {
                damping *= 10.0;
                continue;
            };
            let mut next = at;
            for (value, change) in next.iter_mut().zip(step) {
                *value -= change;
            }
            let there = residuals(&next);
            let squares_there = sum(&there);
            if squares_there.is_finite() && squares_there <= squares {
                moved = squares - squares_there > SMALL * squares;
                (at, here, squares) = (next, there, squares_there);
                damping = (damping / 10.0).max(1e-12);
                break;
            }
            damping *= 10.0;
        }
        if !moved {
            break;
        }
    }
    let (normal, _) = normal_equations(&residuals, &at, &here);
    let freedom = here.len() - N;
    let variance = if freedom > 0 {
        squares / freedom as f64
    } else {
        0.0
    };
    let mut deviations = [0.0; N];
    for (i, deviation) in deviations.iter_mut().enumerate() {
        let mut unit = [0.0; N];
        unit[i] = 1.0;
        *deviation = (solve(normal, unit)?[i] * variance).max(0.0).sqrt();
    }
    Some(Fit {
        parameters: at,
        deviations,
        squares,
    })
}

/// JᵀJ and Jᵀr, with derivatives from both sides.
fn normal_equations<const N: usize>(
    residuals: &impl Fn(&[f64; N]) -> Vec<f64>,
    at: &[f64; N],
    here: &[f64],
) -> ([[f64; N]; N], [f64; N]) {
    let columns: [Vec<f64>; N] = std::array::from_fn(|i| {
        let step = 6e-6 * at[i].abs().max(1e-4);
        let off = |by: f64| {
            let mut to = *at;
            to[i] += by;
            residuals(&to)
        };
        let (after, before) = (off(step), off(-step));
        let pairs = after.iter().zip(&before);
        pairs.map(|(a, b)| (a - b) / (2.0 * step)).collect()
    });
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let normal =
        std::array::from_fn(|i| std::array::from_fn(|j| product(&columns[i], &columns[j])));
    let gradient = std::array::from_fn(|i| product(&columns[i], here));
    (normal, gradient)
}

/// Solves a symmetric positive definite system by Cholesky's method.
pub(crate) fn solve<const N: usize>(
    mut matrix: [[f64; N]; N],
    mut right: [f64; N],
) -> Option<[f64; N]> {
    for i in 0..N {
        for j in 0..=i {
            let before: f64 = matrix[i]
                .iter()
                .zip(&matrix[j])
                .take(j)
                .map(|(a, b)| a * b)
                .sum();
            let sum = matrix[i][j] - before;
            if i == j {
                if !(sum > 0.0 && sum.is_finite()) {
                    return None;
                }
                matrix[i][i] = sum.sqrt();
            } else {
                matrix[i][j] = sum / matrix[j][j];
            }
        }
    }
    for i in 0..N {
        for k in 0..i {
            right[i] -= matrix[i][k] * right[k];
        }
        right[i] /= matrix[i][i];
    }
    for i in (0..N).rev() {
        for k in i + 1..N {
            right[i] -= matrix[k][i] * right[k];
        }
        right[i] /= matrix[i][i];
    }
    Some(right)
}
