//! The path's fall-off towards low frequencies: a high-pass of unknown corner and order.
//!
//! Coupling capacitors, a transformer, the card's own input: together they are taken as a Butterworth high-pass,
//! `H(s) = sⁿ/Π(s − p_k)` with its poles on the unit circle, order 1 to 4. What is known of it comes from the note
//! itself, which was heard at all frequencies on its way down (see [`super::sounding`]), and in a pulled note from the
//! phases of its harmonics.

use num_complex::Complex64;
use std::f64::consts::PI;

/// A high-pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HighPass {
    pub corner_hz: f64,
    pub order: u32,
}

/// Orders that are tried.
pub const ORDERS: std::ops::RangeInclusive<u32> = 1..=4;
/// Corners that are tried, Hz: below the first nothing is felt at any note that is measured.
pub const CORNERS_HZ: (f64, f64) = (0.3, 500.0);

impl HighPass {
    /// The one whose corner is `x` log steps over the lowest.
    fn from_log(x: f64, order: u32) -> Self {
        Self { corner_hz: CORNERS_HZ.0 * x.exp(), order }
    }

    /// Complex response at `frequency_hz`.
    pub fn response(self, frequency_hz: f64) -> Complex64 {
        let s = Complex64::new(0.0, frequency_hz / self.corner_hz);
        let n = f64::from(self.order);
        (1..=self.order).fold(Complex64::new(1.0, 0.0), |h, k| {
            let pole = Complex64::from_polar(1.0, PI * (2.0 * f64::from(k) + n - 1.0) / (2.0 * n));
            h * s / (s - pole)
        })
    }

    /// Logarithm of the level that it leaves at `frequency_hz`, nepers.
    pub fn level(self, frequency_hz: f64) -> f64 {
        -0.5 * (self.corner_hz / frequency_hz).powi(2 * self.order as i32).ln_1p()
    }

    /// Frequency below which less than `level` nepers (negative) are left, Hz.
    pub fn reaches_hz(self, level: f64) -> f64 {
        let x = (-2.0 * level).exp_m1();
        if x <= 0.0 { f64::INFINITY } else { self.corner_hz * x.powf(-0.5 / f64::from(self.order)) }
    }
}

/// One possible path with its weight among all; the weights of a [`spread`] add up to 1.
#[derive(Debug, Clone, Copy)]
pub struct Weighed {
    pub path: HighPass,
    pub weight: f64,
    pub misfit: f64,
}

/// Corners on a logarithmic grid.
const CORNERS: usize = 44;
/// Steps of refinement around the best corner of each order.
const REFINE: usize = 22;

/// Log corners from the lowest on, and the χ² of the path with each, of high-passes of one order: on a grid, then closer and
/// closer about the best.
fn searched(order: u32, misfit: &mut dyn FnMut(HighPass) -> f64) -> Vec<(f64, f64)> {
    let span = (CORNERS_HZ.1 / CORNERS_HZ.0).ln();
    let mut width = span / (CORNERS - 1) as f64;
    let mut at = |x: f64| (x, misfit(HighPass::from_log(x, order)));
    let mut points: Vec<(f64, f64)> = (0..CORNERS).map(|i| at(i as f64 * width)).collect();
    for _ in 0..REFINE / 2 {
        let Some(best) = points.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1)) else { break };
        width *= 0.5;
        for x in [best.0 - width, best.0 + width] {
            if (0.0..=span).contains(&x) {
                points.push(at(x));
            }
        }
        if width < 1e-3 {
            break;
        }
    }
    points
}

/// Whether the χ² of any path is below `limit`.
pub fn fits_within(limit: f64, misfit: &mut dyn FnMut(HighPass) -> f64) -> bool {
    ORDERS.into_iter().any(|order| searched(order, misfit).iter().any(|point| point.1 < limit))
}

/// The paths that the evidence allows: `misfit` is its χ² for a path. For every order the corner is searched on a
/// grid, then refined; the answer holds the neighbourhood of each order's best and the whole grid, weighed by
/// exp(−χ²/2) times the stretch of log corner that each stands for.
pub fn spread(misfit: &mut dyn FnMut(HighPass) -> f64) -> Vec<Weighed> {
    let mut found: Vec<Weighed> = Vec::with_capacity(4 * (CORNERS + REFINE));
    for order in ORDERS {
        let mut points = searched(order, misfit);
        points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        points.dedup_by(|a, b| (a.0 - b.0).abs() < 1e-12);
        let last = points.len() - 1;
        for (i, &(x, misfit)) in points.iter().enumerate() {
            let stretch = (points[(i + 1).min(last)].0 - points[i.saturating_sub(1)].0) / 2.0;
            let path = HighPass::from_log(x, order);
            found.push(Weighed { path, weight: stretch, misfit });
        }
    }
    let least = found.iter().map(|w| w.misfit).fold(f64::INFINITY, f64::min);
    for w in &mut found {
        w.weight *= (-0.5 * (w.misfit - least)).exp();
    }
    let total: f64 = found.iter().map(|w| w.weight).sum();
    for w in &mut found {
        w.weight /= total;
    }
    found
}

/// The value under which a share `p` of the weight lies.
pub fn quantile(values: &mut [(f64, f64)], p: f64) -> Option<f64> {
    values.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = values.iter().map(|v| v.1).sum();
    let mut sum = 0.0;
    values
        .iter()
        .find(|v| {
            sum += v.1;
            sum >= p * total
        })
        .map(|v| v.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// |H|² = 1/(1 + (fc/f)^(2n)), Butterworth (1930), and half the power at the corner at any order.
    #[test]
    fn the_response_is_butterworths() {
        for order in ORDERS {
            let path = HighPass { corner_hz: 30.0, order };
            for f in [3.0, 12.0, 30.0, 53.0, 400.0] {
                let level = path.response(f).norm().ln();
                assert!((level - path.level(f)).abs() < 1e-12);
                assert!((path.reaches_hz(level) / f - 1.0).abs() < 1e-6, "{order} {f}");
            }
            assert!((path.response(30.0).norm_sqr() - 0.5).abs() < 1e-12);
            // A quarter turn ahead per order far below the corner, none far above.
            let ahead = path.response(0.003).arg() - PI / 2.0 * f64::from(order);
            assert!((ahead / (2.0 * PI) - (ahead / (2.0 * PI)).round()).abs() < 1e-4);
            assert!(path.response(1e7).arg().abs() < 1e-4);
        }
    }

    #[test]
    fn the_path_is_found_from_levels() {
        let truth = HighPass { corner_hz: 41.0, order: 2 };
        let levels: Vec<(f64, f64)> =
            (0..30).map(|i| 25.0 * 1.1f64.powi(i)).map(|f| (f, truth.level(f))).collect();
        let found = spread(&mut |path| {
            levels.iter().map(|(f, level)| ((level - path.level(*f)) / 0.05).powi(2)).sum()
        });
        assert!((found.iter().map(|w| w.weight).sum::<f64>() - 1.0).abs() < 1e-9);
        let mut corners: Vec<(f64, f64)> =
            found.iter().filter(|w| w.path.order == 2).map(|w| (w.path.corner_hz, w.weight)).collect();
        let share: f64 = corners.iter().map(|c| c.1).sum();
        assert!(share > 0.99, "{share}");
        let (low, high) = (quantile(&mut corners, 0.02), quantile(&mut corners, 0.98));
        let (low, high) = (low.expect("weights"), high.expect("weights"));
        assert!(low < 41.0 && high > 41.0 && high / low < 1.08, "{low} {high}");
    }
}
