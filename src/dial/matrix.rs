//! Small symmetric positive matrices: covariances, and the normal equations of a fit.

use std::ops::Index;

/// A symmetric matrix, positive definite for everything but looking at it; a few dozen rows at most.
#[derive(Debug, Clone, PartialEq)]
pub struct Matrix {
    size: usize,
    cells: Vec<f64>,
}

impl Index<(usize, usize)> for Matrix {
    type Output = f64;

    fn index(&self, (row, column): (usize, usize)) -> &f64 {
        &self.cells[row * self.size + column]
    }
}

impl Matrix {
    /// The matrix of this many rows with the cell (row, column) as `cell` says; only row ≥ column is asked for.
    pub fn from_fn(size: usize, cell: impl Fn((usize, usize)) -> f64) -> Self {
        let cells =
            (0..size * size).map(|at| (at / size, at % size)).map(|(i, j)| cell((i.max(j), i.min(j))));
        Self { size, cells: cells.collect() }
    }

    /// The lower triangle L with L·Lᵀ = this (Cholesky). A pivot that rounding has made nil is lifted to a trifle of
    /// its row, so that equal rows (two checks that are one) don't divide by zero.
    fn root(&self) -> Vec<f64> {
        let n = self.size;
        let mut lower = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let sum: f64 = (0..j).map(|k| lower[i * n + k] * lower[j * n + k]).sum();
                let rest = self[(i, j)] - sum;
                lower[i * n + j] = if i == j {
                    rest.max(self[(i, i)].abs() * 1e-14).max(f64::MIN_POSITIVE).sqrt()
                } else {
                    rest / lower[j * n + j]
                };
            }
        }
        lower
    }

    /// x with (this)·x = `right`.
    pub fn solve(&self, right: &[f64]) -> Vec<f64> {
        let (n, lower) = (self.size, self.root());
        let mut x = right.to_vec();
        for i in 0..n {
            let sum: f64 = (0..i).map(|k| lower[i * n + k] * x[k]).sum();
            x[i] = (x[i] - sum) / lower[i * n + i];
        }
        for i in (0..n).rev() {
            let sum: f64 = (i + 1..n).map(|k| lower[k * n + i] * x[k]).sum();
            x[i] = (x[i] - sum) / lower[i * n + i];
        }
        x
    }

    /// The natural logarithm of the determinant.
    pub fn ln_determinant(&self) -> f64 {
        let lower = self.root();
        (0..self.size).map(|i| 2.0 * lower[i * self.size + i].ln()).sum()
    }

    /// aᵀ·(this)·b: for a covariance, the covariance of two linear combinations (JCGM 100, 5.2.2).
    pub fn between(&self, a: &[f64], b: &[f64]) -> f64 {
        (0..self.size).map(|i| (0..self.size).map(|j| a[i] * self[(i, j)] * b[j]).sum::<f64>()).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solving_undoes_multiplying() {
        let cells = [[4.0, 1.0, 0.5], [1.0, 3.0, -0.2], [0.5, -0.2, 2.0]];
        let matrix = Matrix::from_fn(3, |(i, j)| cells[i][j]);
        let x = [1.0, -2.0, 3.0];
        let right: Vec<f64> = (0..3).map(|i| (0..3).map(|j| cells[i][j] * x[j]).sum()).collect();
        for (got, expected) in matrix.solve(&right).iter().zip(x) {
            assert!((got - expected).abs() < 1e-12);
        }
        let determinant: f64 = 4.0 * (3.0 * 2.0 - 0.04) - (2.0 + 0.1) + 0.5 * (-0.2 - 1.5);
        assert!((matrix.ln_determinant() - determinant.ln()).abs() < 1e-12);
    }

    /// GUM H.2, simultaneous resistance and reactance: V, I, φ with correlations −0.36, 0.86, −0.65 (as quoted by
    /// several independent repositories; u and r recomputed from the rounded inputs).
    #[test]
    fn gum_h2_correlated_inputs() {
        let (v, i, phi) = (4.999f64, 19.661e-3f64, 1.044_46f64);
        let u = [3.2e-3, 9.5e-6, 7.5e-4];
        let r = [[1.0, -0.36, 0.86], [-0.36, 1.0, -0.65], [0.86, -0.65, 1.0]];
        let covariance = Matrix::from_fn(3, |(a, b)| r[a][b] * u[a] * u[b]);
        let (sin, cos) = phi.sin_cos();
        let resistance = [cos / i, -v * cos / (i * i), -v * sin / i];
        let reactance = [sin / i, -v * sin / (i * i), v * cos / i];
        let impedance = [1.0 / i, -v / (i * i), 0.0];
        let of = |c: &[f64]| covariance.between(c, c).sqrt();
        assert!((v * cos / i - 127.732_17).abs() < 1e-5 && (of(&resistance) - 0.069_98).abs() < 1e-5);
        assert!((v * sin / i - 219.846_51).abs() < 1e-5 && (of(&reactance) - 0.295_72).abs() < 1e-5);
        assert!((v / i - 254.259_70).abs() < 1e-5 && (of(&impedance) - 0.236_60).abs() < 1e-5);
        let correlation = |a: &[f64], b: &[f64]| covariance.between(a, b) / (of(a) * of(b));
        assert!((correlation(&resistance, &reactance) - -0.5915).abs() < 1e-4);
        assert!((correlation(&resistance, &impedance) - -0.4906).abs() < 1e-4);
        assert!((correlation(&reactance, &impedance) - 0.9928).abs() < 1e-4);
    }
}
