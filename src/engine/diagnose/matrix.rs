//! Small symmetric matrices, without allocation.

use crate::engine::diagnose::patterns::FEATURES;

/// A symmetric matrix of up to [`FEATURES`] rows; the lower triangle is kept.
#[derive(Debug, Clone)]
pub struct Square {
    n: usize,
    cells: [[f64; FEATURES]; FEATURES],
}

impl Square {
    /// All zero.
    pub const fn zero(n: usize) -> Self {
        Self { n, cells: [[0.0; FEATURES]; FEATURES] }
    }

    /// The cell of row `i` and column `j`, `j` at most `i`.
    pub const fn get(&self, i: usize, j: usize) -> f64 {
        self.cells[i][j]
    }

    /// Sets the cell of row `i` and column `j`, `j` at most `i`.
    pub const fn set(&mut self, i: usize, j: usize, value: f64) {
        self.cells[i][j] = value;
    }

    #[must_use]
    /// Every cell times `factor`.
    pub fn scaled(&self, factor: f64) -> Self {
        let mut made = self.clone();
        made.cells.iter_mut().flatten().for_each(|cell| *cell *= factor);
        made
    }
}

/// The Cholesky factor of a covariance.
#[derive(Debug, Clone)]
pub struct Factor {
    n: usize,
    cells: [[f64; FEATURES]; FEATURES],
    half_log_determinant: f64,
}

/// Least variance (K²) left after all other features are known; keeps a matrix that rounding made
/// singular from dividing by zero.
const VARIANCE_MIN: f64 = 1e-4;

impl Factor {
    /// Factors a covariance.
    pub fn new(covariance: &Square) -> Self {
        let n = covariance.n;
        let mut cells = [[0.0; FEATURES]; FEATURES];
        let mut product = 1.0;
        for i in 0..n {
            for j in 0..=i {
                let mut sum = covariance.cells[i][j];
                let (row, above): (&[f64; FEATURES], &[f64; FEATURES]) = (&cells[i], &cells[j]);
                sum -= row.iter().zip(above).take(j).map(|(a, b)| a * b).sum::<f64>();
                if i == j {
                    let root = sum.max(VARIANCE_MIN).sqrt();
                    product *= root;
                    cells[i][i] = root;
                } else {
                    cells[i][j] = sum / cells[j][j];
                }
            }
        }
        Self { n, cells, half_log_determinant: libm::log(product) }
    }

    /// Half the logarithm of the covariance's determinant.
    pub const fn half_log_determinant(&self) -> f64 {
        self.half_log_determinant
    }

    /// The vector freed of correlation and scale.
    pub fn whiten(&self, vector: &[f64]) -> [f64; FEATURES] {
        let mut white = [0.0; FEATURES];
        for i in 0..self.n {
            let mut sum = vector[i];
            for (j, known) in white.iter().enumerate().take(i) {
                sum -= self.cells[i][j] * known;
            }
            white[i] = sum / self.cells[i][i];
        }
        white
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_factor_gives_determinant_and_distance() {
        // [[4, 2], [2, 3]]: determinant 8; for (2, 1) the squared distance is vᵀ S⁻¹ v = 1.
        let mut square = Square::zero(2);
        square.set(0, 0, 4.0);
        square.set(1, 0, 2.0);
        square.set(1, 1, 3.0);
        let factor = Factor::new(&square);
        assert!((factor.half_log_determinant() - 0.5 * libm::log(8.0)).abs() < 1e-12);
        let white = factor.whiten(&[2.0, 1.0]);
        assert!((white[0] * white[0] + white[1] * white[1] - 1.0).abs() < 1e-12);
    }
}
