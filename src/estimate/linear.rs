//! A small symmetric system, solved by Cholesky's method.

use multiversion::multiversion;

/// Cells worked on side by side, so that the compiler may use wide registers.
const WIDE: usize = 4;
/// Rows that wait for each other, since some at once are added quicker.
const ROWS: usize = 4;

/// Normal equations A·x = b of a least-squares problem, gathered row by row.
pub struct Normal {
    n: usize,
    /// Row by row up to the diagonal and a little beyond: rows are padded to whole groups of [`WIDE`].
    a: Vec<f64>,
    wide: usize,
    /// Rows that wait, padded alike, how many they are, and their observed values.
    padded: Vec<f64>,
    waiting: usize,
    values: [f64; ROWS],
    b: Vec<f64>,
    rows: usize,
    sum_squares: f64,
}

impl Normal {
    /// An empty problem of `n` parameters.
    pub fn new(n: usize) -> Self {
        let wide = n.next_multiple_of(WIDE);
        Self {
            n,
            a: vec![0.0; n * wide],
            wide,
            padded: vec![0.0; ROWS * wide],
            waiting: 0,
            values: [0.0; ROWS],
            b: vec![0.0; n],
            rows: 0,
            sum_squares: 0.0,
        }
    }

    /// Adds one row: the observed value and its derivatives.
    pub fn add(&mut self, row: &[f64], value: f64) {
        let at = self.waiting * self.wide;
        self.padded[at..at + self.n].copy_from_slice(row);
        self.values[self.waiting] = value;
        self.waiting += 1;
        self.rows += 1;
        self.sum_squares += value * value;
        if self.waiting == ROWS {
            self.gather();
        }
    }

    /// Takes the rows that wait into the equations.
    fn gather(&mut self) {
        self.padded[self.waiting * self.wide..].fill(0.0);
        self.values[self.waiting..].fill(0.0);
        add_rows(&self.padded, &self.values, &mut self.a, &mut self.b);
        self.waiting = 0;
    }

    /// Rows added so far.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Sum of squares that `x` leaves, the solution of all rows so far.
    pub fn misfit(&self, x: &[f64]) -> f64 {
        (self.sum_squares - x.iter().zip(&self.b).map(|(x, b)| x * b).sum::<f64>()).max(0.0)
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

/// Adds rows of derivatives to the equations, `a` up to the diagonal.
#[multiversion(targets("x86_64+avx2"))]
fn add_rows(padded: &[f64], values: &[f64; ROWS], a: &mut [f64], b: &mut [f64]) {
    let groups = padded.len() / ROWS / WIDE;
    let (padded, _) = padded.as_chunks::<WIDE>();
    let (first, last) = padded.split_at(2 * groups);
    let ((a0, a1), (a2, a3)) = (first.split_at(groups), last.split_at(groups));
    let rows = [a0, a1, a2, a3];
    let (cells, _) = a.as_chunks_mut::<WIDE>();
    for ((i, b), cells) in b.iter_mut().enumerate().zip(cells.chunks_exact_mut(groups)) {
        let mut own = [0.0; ROWS];
        for r in 0..ROWS {
            own[r] = rows[r][i / WIDE][i % WIDE];
            *b += own[r] * values[r];
        }
        for (g, cell) in cells.iter_mut().take(i / WIDE + 1).enumerate() {
            let mut sum = *cell;
            for r in 0..ROWS {
                let row = &rows[r][g];
                for lane in 0..WIDE {
                    sum[lane] += own[r] * row[lane];
                }
            }
            *cell = sum;
        }
    }
}
