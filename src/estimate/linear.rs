//! A small symmetric system, solved by Cholesky's method.

use multiversion::multiversion;
use num_complex::Complex64;

/// Cells worked on side by side, so that the compiler may use wide registers.
const WIDE: usize = 4;
/// Rows that wait for each other, since some at once are added quicker.
const ROWS: usize = 4;

/// Normal equations A·x = b of a least-squares problem, gathered row by row.
pub struct Normal {
    n: usize,
    /// Row by row up to the diagonal and a little beyond; rows and columns are padded to whole groups of [`WIDE`]. The
    /// observed values are one more column, and so row `n` is b, and after it their sum of squares.
    a: Vec<f64>,
    wide: usize,
    /// Rows that wait, padded alike, and how many they are.
    padded: Vec<f64>,
    waiting: usize,
    rows: usize,
}

impl Normal {
    /// An empty problem of `n` parameters.
    pub fn new(n: usize) -> Self {
        let wide = (n + 1).next_multiple_of(WIDE);
        Self { n, a: vec![0.0; wide * wide], wide, padded: vec![0.0; ROWS * wide], waiting: 0, rows: 0 }
    }

    /// Adds one row: the observed value and its derivatives.
    pub fn add(&mut self, row: &[f64], value: f64) {
        self.fill(|own| {
            own[..row.len()].copy_from_slice(row);
            value
        });
    }

    /// Adds one row in its place: `fill` writes its derivatives (there may be room for more) and returns the observed value.
    #[inline(always)]
    pub fn fill(&mut self, fill: impl FnOnce(&mut [f64]) -> f64) {
        let row = &mut self.padded[self.waiting * self.wide..][..self.wide];
        row[self.n] = fill(row);
        self.count(1);
    }

    /// Adds two rows in their place, as [`fill`](Self::fill) does one: those of the parts of a complex value.
    #[inline(always)]
    pub fn fill_parts(&mut self, fill: impl FnOnce(&mut [f64], &mut [f64]) -> Complex64) {
        if self.waiting + 2 > ROWS {
            self.gather();
        }
        let rows = &mut self.padded[self.waiting * self.wide..][..2 * self.wide];
        let (re, im) = rows.split_at_mut(self.wide);
        let value = fill(re, im);
        (re[self.n], im[self.n]) = (value.re, value.im);
        self.count(2);
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
        self.padded[self.waiting * self.wide..].fill(0.0);
        add_rows(&self.padded, &mut self.a);
        self.waiting = 0;
    }

    /// Rows added so far.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Sum of squares that `x` leaves, the solution of all rows so far.
    pub fn misfit(&self, x: &[f64]) -> f64 {
        let (b, squares) = self.a[self.n * self.wide..].split_at(self.n);
        (squares[0] - x.iter().zip(b).map(|(x, b)| x * b).sum::<f64>()).max(0.0)
    }

    /// The solution and the inverse of A (row by row); `None` when A is singular to working precision.
    pub fn solve(&mut self) -> Option<(Vec<f64>, Vec<f64>)> {
        self.gather();
        let n = self.n;
        // Scaled to a unit diagonal: the columns' units differ by many powers of ten.
        let scale: Vec<f64> = (0..n).map(|i| self.a[i * self.wide + i].sqrt()).collect();
        if scale.iter().any(|s| !(s.is_finite() && *s > 0.0)) {
            return None;
        }
        let mut l = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| l[i * n + k] * l[j * n + k]).sum();
                let v = self.a[i * self.wide + j] / (scale[i] * scale[j]) - dot;
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
        // L·Lᵀ·x = rhs, which begins with `from` zeros, for the unknowns from there on.
        let solve_unit = |rhs: &mut [f64], from: usize| {
            for i in from..n {
                let dot: f64 = (from..i).map(|k| l[i * n + k] * rhs[k]).sum();
                rhs[i] = (rhs[i] - dot) / l[i * n + i];
            }
            for i in (from..n).rev() {
                let dot: f64 = (i + 1..n).map(|k| l[k * n + i] * rhs[k]).sum();
                rhs[i] = (rhs[i] - dot) / l[i * n + i];
            }
        };
        let b = &self.a[n * self.wide..];
        let mut x: Vec<f64> = b.iter().zip(&scale).map(|(b, s)| b / s).collect();
        solve_unit(&mut x, 0);
        x.iter_mut().zip(&scale).for_each(|(x, s)| *x /= s);
        let mut inverse = vec![0.0; n * n];
        let mut column = vec![0.0; n];
        for j in 0..n {
            column.fill(0.0);
            column[j] = 1.0;
            solve_unit(&mut column, j);
            for i in j..n {
                let cell = column[i] / (scale[i] * scale[j]);
                (inverse[i * n + j], inverse[j * n + i]) = (cell, cell);
            }
        }
        Some((x, inverse))
    }
}

/// Adds rows to the equations, `a` up to the diagonal.
#[multiversion(targets("x86_64+avx2"))]
fn add_rows(padded: &[f64], a: &mut [f64]) {
    // The same for the usual sizes, which the compiler then unrolls.
    match padded.len() / ROWS / WIDE {
        2 => add_groups(2, padded, a),
        3 => add_groups(3, padded, a),
        4 => add_groups(4, padded, a),
        5 => add_groups(5, padded, a),
        groups => add_groups(groups, padded, a),
    }
}

/// The same for rows of `groups` groups.
#[inline(always)]
fn add_groups(groups: usize, padded: &[f64], a: &mut [f64]) {
    let ((padded, _), (cells, _)) = (padded.as_chunks::<WIDE>(), a.as_chunks_mut::<WIDE>());
    let rows: [&[[f64; WIDE]]; ROWS] = std::array::from_fn(|r| &padded[r * groups..][..groups]);
    for (p, block) in cells.chunks_exact_mut(WIDE * groups).enumerate() {
        for (i, cells) in block.chunks_exact_mut(groups).enumerate() {
            let own = rows.map(|row| row[p][i]);
            for (g, cell) in cells[..=p].iter_mut().enumerate() {
                let mut sum = *cell;
                for r in 0..ROWS {
                    for lane in 0..WIDE {
                        sum[lane] += own[r] * rows[r][g][lane];
                    }
                }
                *cell = sum;
            }
        }
    }
}
