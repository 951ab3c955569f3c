//! A small symmetric system, solved by Cholesky's method.

use multiversion::multiversion;

/// Rows that are worked on side by side, so that the compiler may use wide registers.
pub const ROWS: usize = 4;
/// Cells that are worked on one after the other without asking whether there is another.
const CELLS: usize = 4;

/// Normal equations A·x = b of a least-squares problem, gathered row by row.
pub struct Normal {
    n: usize,
    /// A row by row up to the diagonal, each cell as sums over every fourth row of the problem. The observed values are
    /// one more column, and so row `n` is b, and after it their sum of squares.
    a: Vec<[f64; ROWS]>,
    /// Rows that wait, column by column, and how many they are.
    columns: Vec<[f64; ROWS]>,
    waiting: usize,
    /// Columns of the real and of the imaginary parts of complex values, made when the first ones come.
    parts: [Vec<[f64; ROWS]>; 2],
    rows: usize,
}

impl Normal {
    /// An empty problem of `n` parameters.
    pub fn new(n: usize) -> Self {
        let cells = (n + 1) * (n + 2) / 2;
        let (a, columns) = (vec![[0.0; ROWS]; cells], vec![[0.0; ROWS]; n + 1]);
        Self { n, a, columns, waiting: 0, parts: [Vec::new(), Vec::new()], rows: 0 }
    }

    /// Adds one row: the observed value and its derivatives.
    pub fn add(&mut self, row: &[f64], value: f64) {
        self.fill(|columns, i| {
            columns.iter_mut().zip(row).for_each(|(column, cell)| column[i] = *cell);
            value
        });
    }

    /// Adds one row in its place: `fill` writes its derivatives into place `i` of the columns and returns the observed value.
    #[inline(always)]
    pub fn fill(&mut self, fill: impl FnOnce(&mut [[f64; ROWS]], usize) -> f64) {
        let i = self.waiting;
        self.columns[self.n][i] = fill(&mut self.columns, i);
        self.count(1);
    }

    /// Adds the rows of some complex values in their place: `fill` writes the columns of their real parts and those of their
    /// imaginary ones, the observed values after the derivatives; `both`: the imaginary parts count as well. What is not
    /// `there` counts as nothing.
    #[inline(always)]
    pub fn fill_parts(
        &mut self,
        there: [bool; ROWS],
        both: bool,
        fill: impl FnOnce(&mut [Vec<[f64; ROWS]>; 2]),
    ) {
        if self.waiting > 0 {
            self.gather();
        }
        self.parts.iter_mut().for_each(|part| part.resize(self.n + 1, [0.0; ROWS]));
        fill(&mut self.parts);
        let rows = there.iter().filter(|there| **there).count();
        for columns in self.parts.iter_mut().take(if both { 2 } else { 1 }) {
            if rows < ROWS {
                for column in columns.iter_mut() {
                    column
                        .iter_mut()
                        .zip(there)
                        .filter(|(_, there)| !there)
                        .for_each(|(cell, _)| *cell = 0.0);
                }
            }
            add_products(columns, &mut self.a);
            self.rows += rows;
        }
    }

    /// Adds `rows` rows, at most [`ROWS`], in their place: `fill` writes the columns, the observed values after the
    /// derivatives; what it writes in place `rows` and after counts as nothing.
    #[inline(always)]
    pub fn fill_rows(&mut self, rows: usize, fill: impl FnOnce(&mut [[f64; ROWS]])) {
        if self.waiting > 0 {
            self.gather();
        }
        fill(&mut self.columns);
        self.count(rows);
    }

    /// So many rows more wait.
    #[inline(always)]
    fn count(&mut self, rows: usize) {
        self.waiting += rows;
        self.rows += rows;
        if self.waiting == ROWS {
            self.gather();
        }
    }

    /// Takes the rows that wait into the equations.
    fn gather(&mut self) {
        if self.waiting < ROWS {
            self.columns.iter_mut().for_each(|column| column[self.waiting..].fill(0.0));
        }
        add_products(&self.columns, &mut self.a);
        self.waiting = 0;
    }

    /// Cell `i, j` of A, j not above i.
    fn cell(&self, i: usize, j: usize) -> f64 {
        self.a[i * (i + 1) / 2 + j].iter().sum()
    }

    /// Rows added so far.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Sum of squares that `x` leaves, the solution of all rows so far.
    pub fn misfit(&self, x: &[f64]) -> f64 {
        let told: f64 = x.iter().enumerate().map(|(i, x)| x * self.cell(self.n, i)).sum();
        (self.cell(self.n, self.n) - told).max(0.0)
    }

    /// The solution of all rows so far; `None` when A is singular to working precision.
    pub fn solve(&mut self) -> Option<Solution> {
        self.gather();
        let n = self.n;
        // Scaled to a unit diagonal: the columns' units differ by many powers of ten.
        let scale: Vec<f64> = (0..n).map(|i| self.cell(i, i).sqrt()).collect();
        if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
            return None;
        }
        let mut factor = vec![0.0; n * n];
        for i in 0..n {
            let (above, own) = factor.split_at_mut(i * n);
            for j in 0..i {
                let row = &above[j * n..][..=j];
                own[j] = (self.cell(i, j) / (scale[i] * scale[j]) - inner(&own[..j], &row[..j])) / row[j];
            }
            let left = 1.0 - inner(&own[..i], &own[..i]);
            if left <= 1e-12 {
                return None;
            }
            own[i] = left.sqrt();
        }
        let mut solution = Solution { x: (0..n).map(|i| self.cell(n, i)).collect(), factor, scale };
        solution.x = solution.halfway(&solution.x, 0);
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| solution.factor[k * n + i] * solution.x[k]).sum();
            solution.x[i] = (solution.x[i] - known) / solution.factor[i * n + i];
        }
        solution.x.iter_mut().zip(&solution.scale).for_each(|(x, s)| *x /= s);
        Some(solution)
    }
}

/// The solution of a least-squares problem, and what it takes to tell how sure it is.
#[derive(Debug, Clone)]
pub struct Solution {
    /// The parameters.
    pub x: Vec<f64>,
    /// L, row by row, of A = S·L·Lᵀ·S; and S, which is diagonal.
    factor: Vec<f64>,
    scale: Vec<f64>,
}

impl Solution {
    /// Element `i, j` of A's inverse: times the variance of a row the covariance of two parameters.
    pub fn covariance(&self, i: usize, j: usize) -> f64 {
        let from = i.max(j);
        inner(&self.one_halfway(i)[from..], &self.one_halfway(j)[from..])
    }

    /// Element `i, i` of A's inverse: times the variance of a row that of a parameter.
    pub fn variance(&self, i: usize) -> f64 {
        self.one_halfway(i).iter().map(|y| y * y).sum()
    }

    /// vᵀ·A⁻¹·v: times the variance of a row that of v·x. What `v` has no room for counts as nothing.
    pub fn variance_of(&self, v: &[f64]) -> f64 {
        let mut whole = vec![0.0; self.x.len()];
        whole[..v.len()].copy_from_slice(v);
        self.halfway(&whole, 0).iter().map(|y| y * y).sum()
    }

    fn one_halfway(&self, i: usize) -> Vec<f64> {
        let mut one = vec![0.0; self.x.len()];
        one[i] = 1.0;
        self.halfway(&one, i)
    }

    /// L⁻¹·S⁻¹·v for a `v` that begins with `from` zeros.
    fn halfway(&self, v: &[f64], from: usize) -> Vec<f64> {
        let n = self.x.len();
        let mut y = vec![0.0; n];
        for i in from..n {
            let row = &self.factor[i * n..][..=i];
            y[i] = (v[i] / self.scale[i] - inner(&row[from..i], &y[from..i])) / row[i];
        }
        y
    }
}

/// Sum of products.
fn inner(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Adds the products of all pairs of columns, `a` up to the diagonal.
#[multiversion(targets("x86_64+avx2"))]
fn add_products(columns: &[[f64; ROWS]], a: &mut [[f64; ROWS]]) {
    let mut rest = a;
    for (i, own) in columns.iter().enumerate() {
        let (row, below) = std::mem::take(&mut rest).split_at_mut(i + 1);
        let ((cells, few), (others, other)) = (row.as_chunks_mut::<CELLS>(), columns[..=i].as_chunks());
        for (cells, others) in cells.iter_mut().zip(others) {
            *cells = plus_products(cells, own, others);
        }
        for (cell, other) in few.iter_mut().zip(other) {
            [*cell] = plus_products(&[*cell], own, &[*other]);
        }
        rest = below;
    }
}

/// The cells with the products of one column and others.
#[inline(always)]
fn plus_products<const N: usize>(
    cells: &[[f64; ROWS]; N],
    one: &[f64; ROWS],
    others: &[[f64; ROWS]; N],
) -> [[f64; ROWS]; N] {
    let mut sums = *cells;
    for (sum, other) in sums.iter_mut().zip(others) {
        for i in 0..ROWS {
            sum[i] += one[i] * other[i];
        }
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::chance::normals;

    /// Columns of very different sizes: the solution satisfies the equations, and its inverse is A's.
    #[test]
    fn the_solution_solves_and_the_inverse_inverts() {
        const N: usize = 12;
        let mut normal = normals(5);
        let mut equations = Normal::new(N);
        let (mut a, mut b) = ([[0.0; N]; N], [0.0; N]);
        for _ in 0..50 {
            let row: [f64; N] = std::array::from_fn(|i| normal() * 10f64.powi(i as i32 - 6));
            let value = 30.0 * normal();
            equations.add(&row, value);
            for i in 0..N {
                (0..N).for_each(|j| a[i][j] += row[i] * row[j]);
                b[i] += row[i] * value;
            }
        }
        let solution = equations.solve().expect("independent columns");
        for i in 0..N {
            let told: f64 = a[i].iter().zip(&solution.x).map(|(a, x)| a * x).sum();
            assert!((told - b[i]).abs() < 1e-9 * a[i][i].sqrt() * 300.0, "{i}: {told} {}", b[i]);
            for j in 0..N {
                let cell: f64 = (0..N).map(|k| a[i][k] * solution.covariance(k, j)).sum();
                let (wanted, size) = (f64::from(u8::from(i == j)), (a[i][i] * solution.variance(j)).sqrt());
                assert!((cell - wanted).abs() < 1e-9 * size, "{i} {j}: {cell}");
            }
            assert!((solution.covariance(i, i) / solution.variance(i) - 1.0).abs() < 1e-12);
        }
        let v = [0.3, -2e-3, 4.0];
        let cells = |i: usize| (0..3).map(move |j| (i, j));
        let plain: f64 = (0..3).flat_map(cells).map(|(i, j)| v[i] * v[j] * solution.covariance(i, j)).sum();
        assert!((solution.variance_of(&v) / plain - 1.0).abs() < 1e-9);
    }
}
