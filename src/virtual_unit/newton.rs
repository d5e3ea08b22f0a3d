//! Damped Newton's method with a differenced Jacobian, for a few unknowns.

/// Largest residual at which the equations count as met (their own scale).
const TOLERANCE: f64 = 1e-7;
/// Residual that is still good enough when the last digits do not come.
const ACCEPTED: f64 = 1e-6;
const STEPS_MAX: usize = 60;
const HALVINGS_MAX: usize = 6;

/// Unknowns at which all residuals vanish, from `start`; no step exceeds `step_max`.
///
/// `residual` gives `None` outside its range; a step that leads there is shortened.
pub fn solve<const N: usize>(
    start: [f64; N],
    step_max: [f64; N],
    residual: impl Fn(&[f64; N]) -> Option<[f64; N]>,
) -> Option<[f64; N]> {
    let mut x = start;
    let mut r = residual(&x)?;
    for _ in 0..STEPS_MAX {
        if largest(&r) < TOLERANCE {
            return Some(x);
        }
        let step = limited(newton_step(&x, &r, &residual)?, &step_max);
        (x, r) = shortened(&x, &r, &step, &residual)?;
    }
    (largest(&r) < ACCEPTED).then_some(x)
}

/// The first point along `step` that improves, or the last tried: kinks must be crossed.
fn shortened<const N: usize>(
    x: &[f64; N],
    r: &[f64; N],
    step: &[f64; N],
    residual: &impl Fn(&[f64; N]) -> Option<[f64; N]>,
) -> Option<([f64; N], [f64; N])> {
    let before = largest(r);
    let mut share = 1.0;
    let mut last = None;
    for _ in 0..HALVINGS_MAX {
        let tried = std::array::from_fn(|i| x[i] + share * step[i]);
        if let Some(found) = residual(&tried) {
            if largest(&found) < before * (1.0 - 0.1 * share) {
                return Some((tried, found));
            }
            last = Some((tried, found));
        }
        share *= 0.5;
    }
    last
}

fn newton_step<const N: usize>(
    x: &[f64; N],
    r: &[f64; N],
    residual: &impl Fn(&[f64; N]) -> Option<[f64; N]>,
) -> Option<[f64; N]> {
    const DIFFERENCE: f64 = 1e-5;
    let mut jacobian = [[0.0; N]; N];
    for column in 0..N {
        let mut moved = *x;
        moved[column] += DIFFERENCE;
        let there = residual(&moved)?;
        for row in 0..N {
            jacobian[row][column] = (there[row] - r[row]) / DIFFERENCE;
        }
    }
    eliminate(jacobian, r.map(|value| -value))
}

/// Gaussian elimination with the largest pivot of each column.
fn eliminate<const N: usize>(mut a: [[f64; N]; N], mut b: [f64; N]) -> Option<[f64; N]> {
    const PIVOT_MIN: f64 = 1e-12;
    for column in 0..N {
        let pivot =
            (column..N).max_by(|&i, &j| a[i][column].abs().total_cmp(&a[j][column].abs()))?;
        // A column that does nothing is left out of the step.
        if a[pivot][column].abs() < PIVOT_MIN {
            a[pivot][column] = PIVOT_MIN;
        }
        a.swap(column, pivot);
        b.swap(column, pivot);
        let (upper, lower) = a.split_at_mut(column + 1);
        let pivot_row = &upper[column];
        for (row, below) in lower.iter_mut().enumerate() {
            let factor = below[column] / pivot_row[column];
            for (value, above) in below.iter_mut().zip(pivot_row).skip(column) {
                *value -= factor * above;
            }
            b[column + 1 + row] -= factor * b[column];
        }
    }
    for row in (0..N).rev() {
        let known: f64 = (row + 1..N).map(|i| a[row][i] * b[i]).sum();
        b[row] = (b[row] - known) / a[row][row];
    }
    b.iter().all(|value| value.is_finite()).then_some(b)
}

fn limited<const N: usize>(step: [f64; N], step_max: &[f64; N]) -> [f64; N] {
    let ratio = |i: usize| step_max[i] / step[i].abs().max(1e-12);
    let share = (0..N).map(ratio).fold(1.0, f64::min);
    step.map(|value| value * share)
}

fn largest<const N: usize>(values: &[f64; N]) -> f64 {
    values.iter().fold(
        0.0,
        |most: f64, value| if value.is_nan() { f64::INFINITY } else { most.max(value.abs()) },
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// x² + y² = 25 and y = 2x − 2 meet at 3, 4.
    #[test]
    fn a_circle_and_a_line_meet() {
        let equations =
            |v: &[f64; 2]| Some([v[0] * v[0] + v[1] * v[1] - 25.0, v[1] - 2.0 * v[0] + 2.0]);
        let x = solve([1.0, 1.0], [1.0, 1.0], equations).unwrap();
        assert!((x[0] - 3.0).abs() < 1e-7 && (x[1] - 4.0).abs() < 1e-7, "{x:?}");
    }

    #[test]
    fn what_has_no_solution_is_refused() {
        assert_eq!(solve([1.0], [1.0], |v: &[f64; 1]| Some([v[0] * v[0] + 1.0])), None);
    }

    #[test]
    fn a_step_out_of_range_is_shortened() {
        let root = |v: &[f64; 1]| (v[0] > 0.0).then(|| [libm::log(v[0])]);
        let x = solve([3.0], [10.0], root).unwrap();
        assert!((x[0] - 1.0).abs() < 1e-6);
    }
}
