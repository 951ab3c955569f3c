//! Drift and warm-up: a straight line, and an exponential approach to it where the series shows one.
//!
//! y(t) = c + r·t + A·e^(−t/T). What is left over after the fit is rarely white, so that the uncertainties are widened
//! by the lag-1 autocorrelation ρ of the residuals: the variance of a mean of n values whose neighbours are so related
//! is that of n·(1 − ρ)/(1 + ρ) independent ones (first-order autoregression).

use serde::{Deserialize, Serialize};

/// An exponential approach to the steady drift.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WarmUp {
    /// Time constant T, s.
    pub time_constant_s: f64,
    /// Its standard uncertainty, s.
    pub u_time_constant_s: f64,
    /// How far the frequency still had to go when the series began (A), in the unit of the series.
    pub amplitude: f64,
    /// Standard uncertainty of that.
    pub u_amplitude: f64,
}

/// What a series does apart from its noise.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// Mean of the series.
    pub mean: f64,
    /// Rate of change at its end, per second.
    pub rate_per_s: f64,
    /// Standard uncertainty of that.
    pub u_rate_per_s: f64,
    /// The approach, where there is one.
    pub warm_up: Option<WarmUp>,
    /// First and last instant, s.
    span_s: (f64, f64),
    /// Of the line alone: its value at the first instant, and its rate.
    begins: f64,
    steady_rate: f64,
}

/// The fit has so many phases of search for the time constant, evenly spaced in its logarithm.
const LADDER: usize = 40;
/// The approach is believed where it explains the series this much better than a line would by chance: 0.1 % of F
/// with two more parameters and many values.
const BELIEVED: f64 = 6.9;
/// Fewest values that a rate is told from.
const FEWEST: usize = 3;
/// Fewest values that a warm-up is told from.
const FEWEST_WARM_UP: usize = 8;

/// The drift of values `(t in s, y)` in order of time; `None` with fewer than three.
pub fn drift(values: &[(f64, f64)]) -> Option<Drift> {
    let (first, last) = (values.first()?.0, values.last()?.0);
    if values.len() < FEWEST || last <= first {
        return None;
    }
    let mean = values.iter().map(|value| value.1).sum::<f64>() / values.len() as f64;
    let line = Fit::of(values, first, None)?;
    let best = if values.len() >= FEWEST_WARM_UP { best_approach(values, first, last) } else { None };
    let believed = best.filter(|(_, fit)| {
        // What a line leaves of a warm-up is anything but noise: independent values are counted about the approach.
        let n = fit.independent(values.len()) - 4.0;
        n > 1.0 && (line.squares - fit.squares) / 2.0 > BELIEVED * fit.squares / n
    });
    let Some((constant, fit)) = believed else {
        return Some(Drift {
            mean,
            rate_per_s: line.x[1],
            u_rate_per_s: line.u(1, values.len(), 2),
            warm_up: None,
            span_s: (first, last),
            begins: line.x[0],
            steady_rate: line.x[1],
        });
    };
    // About the best time constant its own column stands beside the others.
    let amplitude = fit.x[2];
    let full = Fit::about(values, first, constant, amplitude).unwrap_or_else(|| fit.clone());
    let u = |i: usize| full.u(i, values.len(), 4);
    let left = ((first - last) / constant).exp();
    // Rate at the end: r − A/T·e^(−t/T); its derivatives by r, A and T.
    let slopes =
        [0.0, 1.0, -left / constant, amplitude * left / constant.powi(2) * (1.0 - (last - first) / constant)];
    Some(Drift {
        mean,
        rate_per_s: fit.x[1] - amplitude / constant * left,
        u_rate_per_s: full.u_of(&slopes, values.len(), 4),
        warm_up: Some(WarmUp {
            time_constant_s: constant,
            u_time_constant_s: u(3),
            amplitude,
            u_amplitude: u(2),
        }),
        span_s: (first, last),
        begins: fit.x[0],
        steady_rate: fit.x[1],
    })
}

impl Drift {
    /// The first instant from which on the fitted rate stays within ±`limit` (per second) to the end; `None` when it
    /// does not, or when the rate at the end is not known well enough to say so.
    pub fn settled_s(&self, limit: f64) -> Option<f64> {
        if self.rate_per_s.abs() + 2.0 * self.u_rate_per_s > limit {
            return None;
        }
        let (first, last) = self.span_s;
        let Some(WarmUp { time_constant_s, amplitude, .. }) = self.warm_up else { return Some(first) };
        let rate =
            |t: f64| self.steady_rate - amplitude / time_constant_s * ((first - t) / time_constant_s).exp();
        let begins = rate(first);
        if begins.abs() <= limit {
            return Some(first);
        }
        // The exponential is monotone: the rate passes the limit once.
        let left = (self.steady_rate - limit.copysign(begins)) * time_constant_s / amplitude;
        Some((first - time_constant_s * left.ln()).clamp(first, last))
    }

    /// The fitted value at `t`.
    pub fn at(&self, t: f64) -> f64 {
        let first = self.span_s.0;
        let approach = self.warm_up.map_or(0.0, |w| w.amplitude * ((first - t) / w.time_constant_s).exp());
        self.begins + self.steady_rate * (t - first) + approach
    }
}

/// The time constant that fits best, found on a ladder and then by the golden section.
fn best_approach(values: &[(f64, f64)], first: f64, last: f64) -> Option<(f64, Fit)> {
    let span = last - first;
    let shortest = 1.5 * span / (values.len() - 1) as f64;
    let rung = (span / shortest).ln() / LADDER as f64;
    let at = |i: f64| shortest * (rung * i).exp();
    let squares = |i: f64| Fit::of(values, first, Some(at(i))).map_or(f64::INFINITY, |fit| fit.squares);
    let rungs = (0..=LADDER).map(|i| (i as f64, squares(i as f64)));
    let best = rungs.min_by(|a, b| a.1.total_cmp(&b.1))?.0;
    let (mut low, mut high) = ((best - 1.0).max(0.0), (best + 1.0).min(LADDER as f64));
    // By the golden section each step needs one new fit.
    let golden = (5f64.sqrt() - 1.0) / 2.0;
    let (mut a, mut b) = (high - golden * (high - low), low + golden * (high - low));
    let (mut at_a, mut at_b) = (squares(a), squares(b));
    for _ in 0..26 {
        if at_a < at_b {
            (high, b, at_b) = (b, a, at_a);
            a = high - golden * (high - low);
            at_a = squares(a);
        } else {
            (low, a, at_a) = (a, b, at_b);
            b = low + golden * (high - low);
            at_b = squares(b);
        }
    }
    let constant = at(f64::midpoint(low, high));
    // At the long end a line and a parabola are all that is seen; that is no time constant.
    (f64::midpoint(low, high) < LADDER as f64 - 0.5)
        .then(|| Fit::of(values, first, Some(constant)))
        .flatten()
        .map(|fit| (constant, fit))
}

/// A linear least-squares fit: c, r, A and, about a known T, T.
#[derive(Debug, Clone)]
struct Fit {
    x: Vec<f64>,
    inverse: Vec<f64>,
    squares: f64,
    /// (1 + ρ)/(1 − ρ) of the residuals, one at least.
    widening: f64,
}

impl Fit {
    fn of(values: &[(f64, f64)], first: f64, constant: Option<f64>) -> Option<Self> {
        match constant {
            None => Self::solve(values, |t| [1.0, t - first]),
            Some(constant) => Self::solve(values, |t| [1.0, t - first, ((first - t) / constant).exp()]),
        }
    }

    fn about(values: &[(f64, f64)], first: f64, constant: f64, amplitude: f64) -> Option<Self> {
        Self::solve(values, |t| {
            let left = ((first - t) / constant).exp();
            [1.0, t - first, left, amplitude * left * (t - first) / constant.powi(2)]
        })
    }

    fn solve<const N: usize>(values: &[(f64, f64)], row: impl Fn(f64) -> [f64; N]) -> Option<Self> {
        let mean = values.iter().map(|value| value.1).sum::<f64>() / values.len() as f64;
        let (mut sums, mut right) = ([[0.0; N]; N], [0.0; N]);
        for &(t, y) in values {
            let row = row(t);
            for i in 0..N {
                right[i] += row[i] * (y - mean);
                for j in 0..=i {
                    sums[i][j] += row[i] * row[j];
                }
            }
        }
        // Columns of one length, so that the pivots say how near to singular it is.
        let scale: [f64; N] = std::array::from_fn(|i| sums[i][i].sqrt().max(f64::MIN_POSITIVE));
        let cell = |i: usize, j: usize| sums[i.max(j)][i.min(j)] / (scale[i] * scale[j]);
        let inverse = inverted((0..N * N).map(|at| cell(at / N, at % N)).collect(), N)?;
        let solved =
            |i: usize| (0..N).map(|j| inverse[i * N + j] * right[j] / scale[j]).sum::<f64>() / scale[i];
        let mut x: Vec<f64> = (0..N).map(solved).collect();
        x[0] += mean;
        let (mut squares, mut next, mut before) = (0.0, 0.0, 0.0);
        for &(t, y) in values {
            let left = y - row(t).iter().zip(&x).map(|(cell, x)| cell * x).sum::<f64>();
            squares += left * left;
            next += left * before;
            before = left;
        }
        // Estimated from few residuals ρ comes out too small by about (1 + 3ρ)/n and what the fit has eaten.
        let few = values.len() as f64;
        let rho = if squares > 0.0 { next / squares + N as f64 / few } else { 0.0 };
        let widening = ((1.0 + rho) / (1.0 - rho.min(0.98))).max(1.0);
        let inverse = (0..N * N).map(|at| inverse[at] / (scale[at / N] * scale[at % N])).collect();
        Some(Self { x, inverse, squares, widening })
    }

    /// Standard uncertainty of parameter `i` from `count` values, `free` parameters fitted.
    fn u(&self, i: usize, count: usize, free: usize) -> f64 {
        let mut slopes = vec![0.0; self.x.len()];
        if let Some(slope) = slopes.get_mut(i) {
            *slope = 1.0;
        }
        self.u_of(&slopes, count, free)
    }

    /// Standard uncertainty of a sum of parameters.
    fn u_of(&self, slopes: &[f64], count: usize, free: usize) -> f64 {
        let n = self.x.len();
        let sum: f64 = (0..n * n).map(|at| slopes[at / n] * slopes[at % n] * self.inverse[at]).sum();
        let variance = self.squares / (count.saturating_sub(free)).max(1) as f64;
        (sum.max(0.0) * variance * self.widening).sqrt()
    }

    /// So many independent values are in `count` of them.
    fn independent(&self, count: usize) -> f64 {
        count as f64 / self.widening
    }
}

/// The inverse of a small symmetric matrix with a unit diagonal (Gauss and Jordan); `None` when it is singular to
/// working precision.
fn inverted(mut a: Vec<f64>, n: usize) -> Option<Vec<f64>> {
    let mut inverse: Vec<f64> = (0..n * n).map(|at| f64::from(u8::from(at / n == at % n))).collect();
    for k in 0..n {
        let pivot = (k..n).max_by(|&i, &j| a[i * n + k].abs().total_cmp(&a[j * n + k].abs()))?;
        if a[pivot * n + k].abs() < 1e-11 {
            return None;
        }
        for j in 0..n {
            a.swap(k * n + j, pivot * n + j);
            inverse.swap(k * n + j, pivot * n + j);
        }
        let scale = a[k * n + k];
        for j in 0..n {
            a[k * n + j] /= scale;
            inverse[k * n + j] /= scale;
        }
        for i in (0..n).filter(|&i| i != k) {
            let times = a[i * n + k];
            for j in 0..n {
                a[i * n + j] -= times * a[k * n + j];
                inverse[i * n + j] -= times * inverse[k * n + j];
            }
        }
    }
    Some(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stability::testing::Chance;

    /// c + r·t + A·e^(−t/T) with white noise, every ten seconds for two hours.
    fn warming(constant: f64, amplitude: f64, rate: f64, noise: f64, seed: u64) -> Vec<(f64, f64)> {
        let mut chance = Chance::new(seed);
        (0..720)
            .map(|i| f64::from(i) * 10.0)
            .map(|t| (t, 5.0 + rate * t + amplitude * (-t / constant).exp() + noise * chance.normal()))
            .collect()
    }

    /// The law of its making comes back, within three of its own uncertainties in 97 of a hundred series or more.
    #[test]
    fn a_warm_up_made_to_order_comes_back() {
        let (mut held, trials) = (0, 60);
        for seed in 0..trials {
            let got = drift(&warming(1500.0, -80.0, 1e-3, 1.5, seed)).unwrap();
            let warm = got.warm_up.expect("a warm-up");
            let z = [
                (warm.time_constant_s - 1500.0) / warm.u_time_constant_s,
                (warm.amplitude + 80.0) / warm.u_amplitude,
                (got.rate_per_s - (1e-3 + 80.0 / 1500.0 * (-7190.0_f64 / 1500.0).exp())) / got.u_rate_per_s,
            ];
            held += z.iter().filter(|z| z.abs() < 2.0).count();
        }
        // 95 % of 180 are 171; three standard deviations of that are nine.
        assert!((162..=180).contains(&held), "{held} of {}", 3 * trials);
    }

    /// |A|/T·e^(−t/T) = L at t = T·ln(|A|/(T·L)): 1500 s·ln(80/(1500·0.005)) = 3551 s.
    #[test]
    fn settled_is_where_the_rate_falls_below_the_limit() {
        let got = drift(&warming(1500.0, -80.0, 0.0, 0.2, 1)).unwrap();
        let settled = got.settled_s(0.005).unwrap();
        assert!((settled - 3551.0).abs() < 40.0, "{settled}");
        assert_eq!(got.settled_s(1.0), Some(0.0));
        assert_eq!(got.settled_s(1e-6), None);
    }

    #[test]
    fn a_steady_drift_is_no_warm_up() {
        let mut believed = 0;
        for seed in 0..100 {
            let got = drift(&warming(1.0, 0.0, 2e-3, 1.0, seed)).unwrap();
            believed += u32::from(got.warm_up.is_some());
            if got.warm_up.is_none() {
                assert!((got.rate_per_s - 2e-3).abs() < 4.5 * got.u_rate_per_s, "{got:?}");
            }
        }
        assert!(believed <= 2, "{believed}");
    }

    /// The least-squares line of the nine figures of NBS Monograph 140, Annex 8.E: −10.2 a step, mean 788.8889
    /// (NIST SP 1065, Table 31's first column has the same figures; as quoted).
    #[test]
    fn the_line_of_the_nine_figures() {
        let y = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0];
        let values: Vec<(f64, f64)> = y.iter().enumerate().map(|(i, &y)| (i as f64, y)).collect();
        let got = drift(&values).unwrap();
        assert!((got.mean - 788.888_889).abs() < 1e-6 && (got.rate_per_s + 10.2).abs() < 1e-9, "{got:?}");
    }
}
