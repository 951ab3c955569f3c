//! A small symmetric system, solved by Cholesky's method.

/// Normal equations A·x = b of a least-squares problem, gathered row by row.
pub struct Normal {
    n: usize,
    a: Vec<f64>,
    b: Vec<f64>,
    pub rows: usize,
    pub sum_squares: f64,
}

impl Normal {
    pub fn new(n: usize) -> Self {
        Self { n, a: vec![0.0; n * n], b: vec![0.0; n], rows: 0, sum_squares: 0.0 }
    }

    /// Adds one row: the observed value and its derivatives.
    pub fn add(&mut self, row: &[f64], value: f64) {
        for (i, &ri) in row.iter().enumerate() {
            self.b[i] += ri * value;
            for (cell, &rj) in self.a[i * self.n..=i * self.n + i].iter_mut().zip(row) {
                *cell += ri * rj;
            }
        }
        self.rows += 1;
        self.sum_squares += value * value;
    }

    /// The right-hand side b.
    pub fn rhs(&self) -> &[f64] {
        &self.b
    }

    /// The solution and the inverse of A (row by row); `None` when A is singular to working precision.
    pub fn solve(&self) -> Option<(Vec<f64>, Vec<f64>)> {
        let n = self.n;
        // Scaled to a unit diagonal: the columns' units differ by many powers of ten.
        let scale: Vec<f64> = (0..n).map(|i| self.a[i * n + i].sqrt()).collect();
        if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
            return None;
        }
        let mut l = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| l[i * n + k] * l[j * n + k]).sum();
                let v = self.a[i * n + j] / (scale[i] * scale[j]) - dot;
                if i == j {
                    if v <= 1e-12 {
                        return None;
                    }
                    l[i * n + i] = v.sqrt();
                } else {
                    l[i * n + j] = v / l[j * n + j];
                }
            }
        }
        let solve_unit = |rhs: &mut [f64]| {
            for i in 0..n {
                let dot: f64 = (0..i).map(|k| l[i * n + k] * rhs[k]).sum();
                rhs[i] = (rhs[i] - dot) / l[i * n + i];
            }
            for i in (0..n).rev() {
                let dot: f64 = (i + 1..n).map(|k| l[k * n + i] * rhs[k]).sum();
                rhs[i] = (rhs[i] - dot) / l[i * n + i];
            }
        };
        let mut x: Vec<f64> = self.b.iter().zip(&scale).map(|(b, s)| b / s).collect();
        solve_unit(&mut x);
        x.iter_mut().zip(&scale).for_each(|(x, s)| *x /= s);
        let mut inverse = vec![0.0; n * n];
        for j in 0..n {
            let mut column = vec![0.0; n];
            column[j] = 1.0;
            solve_unit(&mut column);
            for i in 0..n {
                inverse[i * n + j] = column[i] / (scale[i] * scale[j]);
            }
        }
        Some((x, inverse))
    }
}
