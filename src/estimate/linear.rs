//! A small symmetric system, solved by Cholesky's method.

/// Cells worked on side by side, so that the compiler may use wide registers.
const WIDE: usize = 4;
/// Most rows added at once.
const MOST_ROWS: usize = 4;

/// Normal equations A·x = b of a least-squares problem, gathered row by row.
pub struct Normal {
    n: usize,
    /// Row by row up to the diagonal and a little beyond: rows are padded to whole groups of [`WIDE`].
    a: Vec<f64>,
    wide: usize,
    padded: Vec<f64>,
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
            padded: vec![0.0; MOST_ROWS * wide],
            b: vec![0.0; n],
            rows: 0,
            sum_squares: 0.0,
        }
    }

    /// Adds one row: the observed value and its derivatives.
    pub fn add(&mut self, row: &[f64], value: f64) {
        self.add_rows(row.as_chunks::<1>().0, [value]);
    }

    /// Adds `R` rows at once (four at most), which is quicker: for every parameter the derivatives of the `R` observed
    /// values by it.
    #[inline(always)]
    pub fn add_rows<const R: usize>(&mut self, columns: &[[f64; R]], values: [f64; R]) {
        const { assert!(R <= MOST_ROWS) };
        let n = columns.len().min(self.n);
        let groups = self.wide / WIDE;
        // Each row by itself, in whole groups of cells.
        for (i, column) in columns[..n].iter().enumerate() {
            for (r, x) in column.iter().enumerate() {
                self.padded[r * self.wide + i] = *x;
            }
        }
        let (padded, _) = self.padded.as_chunks::<WIDE>();
        let rows: [&[[f64; WIDE]]; R] = std::array::from_fn(|r| &padded[r * groups..(r + 1) * groups]);
        let (cells, _) = self.a.as_chunks_mut::<WIDE>();
        for ((i, column), cells) in columns[..n].iter().enumerate().zip(cells.chunks_exact_mut(groups)) {
            let mut b = self.b[i];
            for r in 0..R {
                b += column[r] * values[r];
            }
            self.b[i] = b;
            // Up to the diagonal.
            let reach = (i / WIDE + 1).min(groups);
            let rows = rows.map(|row| &row[..reach]);
            for (g, cell) in cells[..reach].iter_mut().enumerate() {
                let mut sum = *cell;
                for r in 0..R {
                    let row = rows[r][g];
                    for lane in 0..WIDE {
                        sum[lane] += column[r] * row[lane];
                    }
                }
                *cell = sum;
            }
        }
        self.rows += R;
        self.sum_squares += values.iter().map(|v| v * v).sum::<f64>();
    }

    /// Rows added so far.
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Sum of squares that the solution `x` leaves.
    pub fn misfit(&self, x: &[f64]) -> f64 {
        (self.sum_squares - x.iter().zip(&self.b).map(|(x, b)| x * b).sum::<f64>()).max(0.0)
    }

    /// The solution and the inverse of A (row by row); `None` when A is singular to working precision.
    pub fn solve(&self) -> Option<(Vec<f64>, Vec<f64>)> {
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
