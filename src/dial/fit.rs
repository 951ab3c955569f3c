//! Linear least squares with the covariance of what it finds: the one fit behind every line and curve of the dial.
//!
//! Observations `y_i` with standard uncertainties `u_i` and a row of basis values each; the normal equations are solved
//! by Cholesky's method (JCGM 100, H.3, gives the straight line as an example). The covariance is `(AᵀWA)⁻¹`, to be
//! multiplied by the variance of unit weight where the `u_i` are only relative.

use super::matrix::Matrix;

/// A finished fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The coefficients, in the order of the basis.
    pub coefficients: Vec<f64>,
    /// Observed less fitted, over `u_i`.
    pub residuals: Vec<f64>,
    /// Share of each observation in its own fitted value, 0..1.
    pub leverages: Vec<f64>,
    /// Observations less coefficients.
    pub dof: usize,
    covariance: Matrix,
}

impl Fit {
    /// Fits `values` with uncertainties `u` by a linear combination of the columns of `basis`, which holds a row to
    /// each value; `None` with fewer values than columns, or where the columns can't be told apart.
    pub fn new(basis: &[Vec<f64>], values: &[f64], u: &[f64]) -> Option<Self> {
        let columns = basis.first().map_or(0, Vec::len);
        if columns == 0 || values.len() < columns {
            return None;
        }
        let weighted: Vec<Vec<f64>> =
            basis.iter().zip(u).map(|(row, u)| row.iter().map(|cell| cell / u).collect()).collect();
        let seen: Vec<f64> = values.iter().zip(u).map(|(value, u)| value / u).collect();
        let normal =
            Matrix::from_fn(columns, |(i, j)| weighted.iter().map(|row| row[i] * row[j]).sum::<f64>());
        let right: Vec<f64> =
            (0..columns).map(|i| weighted.iter().zip(&seen).map(|(row, y)| row[i] * y).sum()).collect();
        let coefficients = normal.solve(&right);
        let unit = |at: usize| (0..columns).map(|i| f64::from(u8::from(i == at))).collect::<Vec<f64>>();
        let inverse: Vec<Vec<f64>> = (0..columns).map(|at| normal.solve(&unit(at))).collect();
        let covariance = Matrix::from_fn(columns, |(i, j)| inverse[j][i]);
        let residuals = weighted.iter().zip(&seen).map(|(row, y)| y - dot(row, &coefficients)).collect();
        let leverages: Vec<f64> = weighted.iter().map(|row| covariance.between(row, row)).collect();
        let sound = coefficients.iter().chain(&leverages).all(|value| value.is_finite())
            && leverages.iter().all(|share| (-1e-6..1.0 + 1e-6).contains(share));
        sound.then(|| Self { coefficients, residuals, leverages, dof: values.len() - columns, covariance })
    }

    /// The fitted value where the basis has these values.
    pub fn value(&self, basis: &[f64]) -> f64 {
        dot(basis, &self.coefficients)
    }

    /// Its variance, the `u_i` taken as they were given.
    pub fn variance(&self, basis: &[f64]) -> f64 {
        self.covariance.between(basis, basis)
    }

    /// Covariance of two coefficients, the `u_i` taken as they were given.
    pub fn covariance(&self, i: usize, j: usize) -> f64 {
        self.covariance[(i, j)]
    }

    /// Sum of squared residuals over degrees of freedom; 1 where the `u_i` were right, `None` without any to spare.
    pub fn unit_variance(&self) -> Option<f64> {
        let squares: f64 = self.residuals.iter().map(|residual| residual * residual).sum();
        (self.dof > 0).then(|| squares / self.dof as f64)
    }

    /// What each observation differs by from a fit that never saw it, over `u_i`.
    pub fn left_out(&self) -> Vec<f64> {
        self.residuals
            .iter()
            .zip(&self.leverages)
            .map(|(residual, share)| residual / (1.0 - share).max(1e-9))
            .collect()
    }

    /// How strange each observation is: its left-out difference over what that varies by, the variance of unit weight
    /// (1 at least) taken from the others, so that an outlier does not excuse itself.
    pub fn strangeness(&self) -> Vec<f64> {
        let squares: f64 = self.residuals.iter().map(|residual| residual * residual).sum();
        self.residuals
            .iter()
            .zip(&self.leverages)
            .map(|(residual, share)| {
                let free = (1.0 - share).max(1e-9);
                let own = residual * residual / free;
                let others = if self.dof > 1 { (squares - own) / (self.dof - 1) as f64 } else { 1.0 };
                residual / free.sqrt() / others.max(1.0).sqrt()
            })
            .collect()
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Chebyshev polynomials `T_0..=T_degree` at `t`, which stay of the size of 1 in −1..1.
pub fn chebyshev(degree: usize, t: f64) -> Vec<f64> {
    let mut row = vec![1.0, t];
    for k in 2..=degree {
        row.push(2.0 * t * row[k - 1] - row[k - 2]);
    }
    row.truncate(degree + 1);
    row
}

#[cfg(test)]
mod tests {
    use super::*;

    /// GUM H.3, calibration of a thermometer by a straight line about 20 °C (as quoted by several independent
    /// repositories; more digits recomputed): y₁ = −0.1712 (s 0.0029), y₂ = 0.00218 (s 0.00067), r = −0.930,
    /// s = 0.0035; at 30 °C −0.1494 with u = 0.0041 and ν = 9. Without the correlation u would be 0.0073.
    #[test]
    fn gum_h3_calibration_line() {
        let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
        let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
        let basis: Vec<Vec<f64>> = t.iter().map(|t| vec![1.0, t - 20.0]).collect();
        let fit = Fit::new(&basis, &b, &[1.0; 11]).unwrap();
        let s = fit.unit_variance().unwrap().sqrt();
        let u = |i| s * f64::sqrt(fit.covariance(i, i));
        assert_eq!(fit.dof, 9);
        assert!((s - 0.003_498).abs() < 5e-7, "{s}");
        assert!((fit.coefficients[0] - -0.171_204).abs() < 5e-7 && (u(0) - 0.002_878).abs() < 5e-7);
        assert!((fit.coefficients[1] - 0.002_182_70).abs() < 5e-9 && (u(1) - 0.000_667_94).abs() < 5e-9);
        let r = fit.covariance(0, 1) / (fit.covariance(0, 0) * fit.covariance(1, 1)).sqrt();
        assert!((r - -0.9304).abs() < 5e-5, "{r}");
        assert!((fit.value(&[1.0, 10.0]) - -0.149_38).abs() < 5e-6);
        assert!((s * fit.variance(&[1.0, 10.0]).sqrt() - 0.004_14).abs() < 5e-6);
        assert!((u(0).hypot(10.0 * u(1)) - 0.007_27).abs() < 5e-6);
    }

    #[test]
    fn left_out_is_what_a_fit_without_it_says() {
        let x = [0.0, 1.0, 2.0, 3.5, 4.0, 6.0];
        let y = [1.0, 2.2, 2.9, 4.7, 5.1, 6.8];
        let u = [0.1, 0.2, 0.1, 0.3, 0.1, 0.2];
        let rows: Vec<Vec<f64>> = x.iter().map(|&x| chebyshev(1, x)).collect();
        let whole = Fit::new(&rows, &y, &u).unwrap();
        for skip in 0..x.len() {
            let keep: Vec<usize> = (0..x.len()).filter(|&i| i != skip).collect();
            let pick = |from: &[f64]| keep.iter().map(|&i| from[i]).collect::<Vec<f64>>();
            let rest: Vec<Vec<f64>> = keep.iter().map(|&i| rows[i].clone()).collect();
            let fit = Fit::new(&rest, &pick(&y), &pick(&u)).unwrap();
            let expected = (y[skip] - fit.value(&rows[skip])) / u[skip];
            assert!((whole.left_out()[skip] - expected).abs() < 1e-9);
            // The same over its own uncertainty: that of the value and of the fit.
            let spread = (1.0 + fit.variance(&rows[skip]) / u[skip].powi(2)).sqrt();
            let unit = fit.unit_variance().unwrap().max(1.0).sqrt();
            assert!((whole.strangeness()[skip] - expected / spread / unit).abs() < 1e-9);
        }
    }

    #[test]
    fn too_little_is_no_fit() {
        assert_eq!(Fit::new(&[vec![1.0, 0.5]], &[1.0], &[1.0]), None);
        assert_eq!(Fit::new(&[], &[], &[]), None);
        // The columns are multiples of each other: nothing tells them apart.
        let same = [vec![1.0, 2.0], vec![2.0, 4.0], vec![3.0, 6.0]];
        assert!(Fit::new(&same, &[1.0, 2.0, 3.1], &[1.0; 3]).is_none_or(|fit| fit.covariance(0, 0) > 1e9));
    }
}
