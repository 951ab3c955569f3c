//! Interpolation in a printed table with its curvature: the cubic through the four rows around the argument.
//!
//! On equal spacing this is Everett's formula with second differences, and Bessel's with third (Abramowitz & Stegun
//! §25.2); divided differences carry it over to unequal spacing. Fewer rows than four give the polynomial through
//! all of them. The rows left out say how far the next order would move the value.

/// What a table says at an argument, and how it leans on its rows.
#[derive(Debug, Clone, PartialEq)]
pub struct Interpolated {
    /// The interpolated value, in the unit of the table.
    pub value: f64,
    /// Its derivative by the argument.
    pub slope: f64,
    /// Index and weight of each row that takes part; the weights sum to 1.
    pub rows: Vec<(usize, f64)>,
    /// What the next order of difference would add, a measure of what is neglected; same unit as `value`.
    pub remainder: f64,
}

/// Rows that take part in one interpolation.
const ROWS: usize = 4;

/// Interpolates `y` over the strictly increasing `x` (two rows at least, same length) at `at`, which may lie on an
/// edge but not outside.
pub fn interpolate(x: &[f64], y: &[f64], at: f64) -> Interpolated {
    let count = x.len().min(ROWS);
    let right = x.partition_point(|&node| node <= at).clamp(1, x.len() - 1);
    let first = right.saturating_sub(ROWS / 2).min(x.len() - count);
    let window = first..first + count;
    let (nodes, values) = (&x[window.clone()], &y[window.clone()]);

    let rows: Vec<(usize, f64)> = (0..count).map(|k| (first + k, lagrange(nodes, k, at))).collect();
    let value = rows.iter().map(|&(row, weight)| weight * y[row]).sum();
    let slope = (0..count).map(|k| lagrange_slope(nodes, k, at) * values[k]).sum();

    // The term that one more row, on either side, would add: divided difference × Π(at − node).
    let product: f64 = nodes.iter().map(|node| at - node).product();
    let next: Vec<f64> = [first.checked_sub(1), Some(first + count).filter(|&row| row < x.len())]
        .into_iter()
        .flatten()
        .map(|row| {
            let extended = |source: &[f64], extra: f64| [source, &[extra]].concat();
            divided_difference(&extended(nodes, x[row]), &extended(values, y[row])).abs()
        })
        .collect();
    let remainder = if next.is_empty() {
        // No row is left: the last term taken stands for the first one neglected.
        let lower: f64 = nodes[..count - 1].iter().map(|node| at - node).product();
        if count > 2 { (divided_difference(nodes, values) * lower).abs() } else { 0.0 }
    } else {
        next.iter().sum::<f64>() / next.len() as f64 * product.abs()
    };
    Interpolated { value, slope, rows, remainder }
}

/// Lagrange's weight of node `k` at `at`.
fn lagrange(nodes: &[f64], k: usize, at: f64) -> f64 {
    let others = nodes.iter().enumerate().filter(|&(j, _)| j != k);
    others.map(|(_, node)| (at - node) / (nodes[k] - node)).product()
}

/// Its derivative by `at`.
fn lagrange_slope(nodes: &[f64], k: usize, at: f64) -> f64 {
    let others = |skip: usize| (0..nodes.len()).filter(move |&j| j != k && j != skip);
    others(k)
        .map(|m| {
            let rest: f64 = others(m).map(|j| (at - nodes[j]) / (nodes[k] - nodes[j])).product();
            rest / (nodes[k] - nodes[m])
        })
        .sum()
}

/// The divided difference of all the nodes given.
fn divided_difference(nodes: &[f64], values: &[f64]) -> f64 {
    (0..nodes.len())
        .map(|k| {
            let product: f64 =
                nodes.iter().enumerate().filter(|&(j, _)| j != k).map(|(_, node)| nodes[k] - node).product();
            values[k] / product
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exact arithmetic: f = x² and f = x³ at p = 0.3 beyond x = 11. The Everett-second-difference values
    /// (= Bessel with third), against 127.9 and 1450.1 for the straight line.
    #[test]
    fn squares_and_cubes_are_exact() {
        let x = [10.0, 11.0, 12.0, 13.0];
        let square = interpolate(&x, &[100.0, 121.0, 144.0, 169.0], 11.3);
        assert!((square.value - 127.69).abs() < 1e-11);
        assert!((square.slope - 22.6).abs() < 1e-11);
        let cube = interpolate(&x, &[1000.0, 1331.0, 1728.0, 2197.0], 11.3);
        assert!((cube.value - 1_442.897).abs() < 1e-9);
        assert!((cube.slope - 3.0 * 11.3 * 11.3).abs() < 1e-9);
    }

    /// x·eˣ·E₁(x), the example function in the introduction of Abramowitz & Stegun, 9 decimals (computed with
    /// mpmath): the four-point value at 7.9527 and its error, which is the rounding of the table.
    #[test]
    fn the_handbook_function_is_met_to_the_rounding_of_the_table() {
        let x = [7.7, 7.8, 7.9, 8.0, 8.1, 8.2];
        let y = [0.894_979_666, 0.896_088_736, 0.897_174_303, 0.898_237_114, 0.899_277_887, 0.900_297_308];
        let got = interpolate(&x, &y, 7.9527);
        assert!((got.value - 0.897_737_195_053).abs() < 5e-13, "{}", got.value);
        assert!((got.value - 0.897_737_194_116 - 9.4e-10).abs() < 1e-11);
        // The straight line would be off by 2.79e-6.
        assert!(got.remainder < 1e-8);
    }

    #[test]
    fn a_cubic_is_exact_on_unequal_spacing_inside_and_at_both_ends() {
        let f = |x: f64| 0.5 * x * x * x - 3.0 * x * x + x - 7.0;
        let x = [1.0, 1.7, 3.1, 3.4, 6.0, 8.5];
        let y = x.map(f);
        for at in [1.0, 1.2, 2.0, 3.3, 5.0, 7.0, 8.5] {
            let got = interpolate(&x, &y, at);
            assert!((got.value - f(at)).abs() < 1e-10, "{at}");
            assert!((got.rows.iter().map(|row| row.1).sum::<f64>() - 1.0).abs() < 1e-12);
            assert!(got.remainder < 1e-9, "{at}");
        }
    }

    #[test]
    fn the_remainder_measures_what_a_quartic_leaves() {
        let x: Vec<f64> = (0..8).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| x.powi(4)).collect();
        let got = interpolate(&x, &y, 3.5);
        let true_error = (got.value - 3.5f64.powi(4)).abs();
        assert!((got.remainder - true_error).abs() < 1e-9);
        assert!((true_error - 0.5625).abs() < 1e-9);
    }
}
