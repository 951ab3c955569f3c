//! From the envelope to a line: the channels weighed into one series, its spectrum searched for a line that stands
//! out of what is beside it, and the least-squares model of a periodic swell.
//!
//! # The test
//!
//! Over a window of T seconds the Hann spectrum has bins that hold, where the envelope is Gaussian noise of smooth
//! colour, independent exponential deviates. ρ, the power of a bin over the mean of M independent bins beside it,
//! then exceeds x with probability (1 + x/M)^−M. The side bands are taken apart as well as together and the larger
//! mean counts, so that a slope (fading is louder the slower it is) does not pass for a line. A line is looked at
//! further when that probability is under [`LEAST_CHANCE`].

use super::envelope::{CHANNELS, Values};
use crate::estimate::Normal;
use crate::spectrum::RealFrame;
use multiversion::multiversion;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Chance of one bin of noise to be taken for a line.
pub const LEAST_CHANCE: f64 = 1e-6;
/// Lowest line looked for, in cycles per window, and highest, Hz.
const LEAST_CYCLES: f64 = 5.0;
const HIGHEST_HZ: f64 = 11.0;
/// Half-width kept clear of a line, and of the side bands beyond, in units of 1/T.
const CLEAR: f64 = 2.5;
const BESIDE: f64 = 10.0;
/// Farthest that a value may lie from its channel's middle, nepers: silence and clicks are no swell.
const FARTHEST: f64 = 1.6;
/// Standard deviation that a channel's noise is reckoned to have at least, nepers.
const LEAST_NOISE: f64 = 0.01;

/// How the channels are put together.
#[derive(Debug, Clone)]
pub struct Weights {
    middle: [f64; CHANNELS],
    pub weight: [f64; CHANNELS],
}

impl Weights {
    /// Weighs each channel by the inverse of its noise variance, between that of differences over 50 ms, which a swell
    /// hardly enters, and over 0.2 s, where speech shows how restless it is. A channel that is missing for more than half of the window has no weight.
    pub fn of(values: &[Values]) -> Self {
        let Sums { sum, count, quick, slow, pairs } = sums_of(values);
        let mut this = Self { middle: [0.0; CHANNELS], weight: [0.0; CHANNELS] };
        for c in 0..CHANNELS {
            if count[c] > 0.5 * values.len() as f64 && pairs[c] > 10.0 {
                this.middle[c] = sum[c] / count[c];
                let noise = (quick[c] * slow[c]).sqrt() / pairs[c] / 1.5;
                this.weight[c] = 1.0 / (noise + LEAST_NOISE * LEAST_NOISE);
            }
        }
        this
    }

    /// The weighted mean of what is there at one instant.
    pub fn mix(&self, v: &Values) -> Option<f64> {
        let (mut sum, mut weight) = (0.0, 0.0);
        for c in 0..CHANNELS {
            if let Some(x) = self.channel(v, c) {
                sum += self.weight[c] * x;
                weight += self.weight[c];
            }
        }
        (weight > 0.0).then(|| sum / weight)
    }

    /// One channel's distance from its middle.
    pub fn channel(&self, v: &Values, c: usize) -> Option<f64> {
        let x = f64::from(v[c]);
        (self.weight[c] > 0.0 && x.is_finite()).then(|| (x - self.middle[c]).clamp(-FARTHEST, FARTHEST))
    }
}

/// What the weights are made of, channel by channel: the sum of the values that are there and how many they are; where
/// both differences are there, the sums of their squares and how many they are.
struct Sums {
    sum: [f64; CHANNELS],
    count: [f64; CHANNELS],
    quick: [f64; CHANNELS],
    slow: [f64; CHANNELS],
    pairs: [f64; CHANNELS],
}

/// The sums over some values.
#[multiversion(targets("x86_64+avx2"))]
fn sums_of(values: &[Values]) -> Sums {
    let none = [0.0; CHANNELS];
    let (mut sum, mut count, mut quick, mut slow, mut pairs) = (none, none, none, none, none);
    for now in values {
        for c in 0..CHANNELS {
            let there = if now[c].is_finite() { 1.0 } else { 0.0 };
            sum[c] += if there > 0.0 { f64::from(now[c]) } else { 0.0 };
            count[c] += there;
        }
    }
    for lately in values.windows(2 * SLOW_LAG + 1) {
        let (slow_bend, quick_bend) = (bends(lately, SLOW_LAG), bends(lately, QUICK_LAG));
        for c in 0..CHANNELS {
            let there = if (slow_bend[c] + quick_bend[c]).is_finite() { 1.0 } else { 0.0 };
            quick[c] += if there > 0.0 { quick_bend[c] } else { 0.0 };
            slow[c] += if there > 0.0 { slow_bend[c] } else { 0.0 };
            pairs[c] += there;
        }
    }
    Sums { sum, count, quick, slow, pairs }
}

/// Lags of the differences that tell the noise, values.
const QUICK_LAG: usize = 2;
const SLOW_LAG: usize = 8;

/// Square of how far the value `lag` before the last is from the middle of the last and of that twice as long before, channel
/// by channel; not finite where one is missing.
#[inline(always)]
fn bends(lately: &[Values], lag: usize) -> [f64; CHANNELS] {
    let last = lately.len() - 1;
    let [old, middle, new] = [last - 2 * lag, last - lag, last].map(|k| &lately[k]);
    std::array::from_fn(|c| {
        let bend = f64::from(middle[c]) - 0.5 * (f64::from(new[c]) + f64::from(old[c]));
        // Not `min`, which would take a missing value for the farthest.
        let far = bend.abs();
        let far = if far > FARTHEST { FARTHEST } else { far };
        far * far
    })
}

/// A line of the envelope's spectrum.
#[derive(Debug, Clone, Copy)]
pub struct Found {
    pub frequency_hz: f64,
    /// Chance that a bin of noise stands out as much.
    pub chance: f64,
    /// Amplitude, nepers.
    pub depth: f64,
}

/// Searches one window length.
pub struct Search {
    frame: RealFrame,
    length_s: f64,
    mixed: Vec<f32>,
}

impl Search {
    /// For windows of `len` values `step_s` apart.
    pub fn new(len: usize, step_s: f64) -> Self {
        Self {
            frame: RealFrame::new(len, 1.0 / step_s),
            length_s: len as f64 * step_s,
            mixed: Vec::with_capacity(len),
        }
    }

    /// Values to a window.
    pub fn len(&self) -> usize {
        self.frame.len()
    }

    /// The strongest line of those that noise is unlikely to show, the likeliest of the others if there are none.
    pub fn run(&mut self, values: &[Values], weights: &Weights) -> Option<Found> {
        self.mixed.clear();
        self.mixed.extend(values.iter().map(|v| weights.mix(v).map_or(f32::NAN, |x| x as f32)));
        level(&mut self.mixed);
        let bin_hz = self.frame.bin_hz();
        let power = self.frame.power(&self.mixed);
        let bin = |f: f64| (f / bin_hz).round() as usize;
        let (low, high) = (bin(LEAST_CYCLES / self.length_s), bin(HIGHEST_HZ).min(power.len() - 2));
        let mut best: Option<Found> = None;
        for k in low.max(1)..high {
            let p = f64::from(power[k]);
            if power[k] < power[k - 1] || power[k] <= power[k + 1] {
                continue;
            }
            let chance = chance(power, k as f64 * bin_hz, p, bin_hz, 1.0 / self.length_s);
            let rank = |chance: f64, p: f64| {
                (chance < LEAST_CHANCE, if chance < LEAST_CHANCE { p } else { -chance })
            };
            if best.is_none_or(|b| rank(chance, p) > rank(b.chance, b.depth * b.depth)) {
                let (l, m, r) = (f64::from(power[k - 1]), p, f64::from(power[k + 1]));
                let shift = 0.5 * (l - r) / (l - 2.0 * m + r).min(-1e-300);
                best = Some(Found {
                    frequency_hz: (k as f64 + shift.clamp(-0.5, 0.5)) * bin_hz,
                    chance,
                    depth: p.sqrt(),
                });
            }
        }
        best
    }
}

/// How likely a bin of noise at `f` has the power `p`, in a spectrum of bins `bin_hz` apart over 1/`unit` seconds.
fn chance(power: &[f32], f: f64, p: f64, bin_hz: f64, unit: f64) -> f64 {
    let mean = |from: f64, to: f64| {
        let (mut sum, mut n) = (0.0, 0.0);
        let from = (from.max(0.8 * unit) / bin_hz).ceil() as usize;
        for (k, &q) in power.iter().enumerate().take((to.max(0.0) / bin_hz) as usize + 1).skip(from) {
            let g = k as f64 * bin_hz;
            // The swell's other lines are none of the noise.
            if [0.5, 1.5, 2.0].iter().all(|h| (g - h * f).abs() > 2.0 * unit) {
                sum += f64::from(q);
                n += 1.0;
            }
        }
        (sum, n)
    };
    let below = mean(f - (CLEAR + BESIDE) * unit, f - CLEAR * unit);
    let above = mean(f + CLEAR * unit, f + (CLEAR + BESIDE) * unit);
    // Independent bins of a Hann spectrum lie one and a half units apart.
    let independent = |n: f64| n * bin_hz / (1.5 * unit);
    if independent(below.1) < 1.0 || independent(above.1) < 2.0 {
        return 1.0;
    }
    let both = (below.0 + above.0) / (below.1 + above.1);
    let beside = both.max(below.0 / below.1).max(above.0 / above.1);
    let m = independent(below.1 + above.1);
    (1.0 + p / beside.max(1e-12) / m).powf(-m)
}

/// Takes the straight line out of a series with gaps.
fn level(x: &mut [f32]) {
    let middle = (x.len() as f64 - 1.0) / 2.0;
    let (mut n, mut s1, mut s2, mut y0, mut y1) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (k, &v) in x.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        let t = k as f64 - middle;
        n += 1.0;
        s1 += t;
        s2 += t * t;
        y0 += f64::from(v);
        y1 += f64::from(v) * t;
    }
    let det = n * s2 - s1 * s1;
    if det <= 0.0 {
        return;
    }
    let (a, b) = ((y0 * s2 - y1 * s1) / det, (y1 * n - y0 * s1) / det);
    for (k, v) in x.iter_mut().enumerate() {
        *v -= (a + b * (k as f64 - middle)) as f32;
    }
}

/// Least squares of a level, a slope and the given orders of a periodic swell.
#[derive(Debug, Clone)]
pub struct Harmonics {
    /// Order, amplitudes of its cosine and sine, variance of either.
    pub lines: Vec<(f64, f64, f64, f64)>,
    /// Sum of squares left over.
    pub misfit: f64,
    /// Variance of one value about the model.
    pub variance: f64,
}

/// Fits `orders` of the phase (rad) to values, each with its phase; the instants are equally spaced.
pub fn harmonics(values: &[(f64, f64)], orders: &[f64]) -> Option<Harmonics> {
    let columns = 2 + 2 * orders.len();
    if values.len() < 2 * columns {
        return None;
    }
    let mut normal = Normal::new(columns);
    let mut row = vec![0.0; columns];
    // Most orders are whole numbers of halves: their turns are powers of that by half the phase.
    let halves: Vec<Option<u32>> = orders
        .iter()
        .map(|h| ((2.0 * h).round() - 2.0 * h).abs().lt(&1e-12).then_some((2.0 * h).round() as u32))
        .collect();
    for (k, &(phase, y)) in values.iter().enumerate() {
        row[0] = 1.0;
        row[1] = k as f64 / values.len() as f64 - 0.5;
        let half = Complex64::from_polar(1.0, 0.5 * phase);
        for (pair, (h, halves)) in row[2..].as_chunks_mut().0.iter_mut().zip(orders.iter().zip(&halves)) {
            let turn = halves.map_or_else(|| Complex64::from_polar(1.0, h * phase), |n| half.powu(n));
            *pair = [turn.re, turn.im];
        }
        normal.add(&row, y);
    }
    let solution = normal.solve()?;
    let x = &solution.x;
    let misfit = normal.misfit(x);
    let variance = misfit / (values.len() - columns) as f64;
    let lines = orders
        .iter()
        .enumerate()
        .map(|(i, &h)| {
            let (c, s) = (2 + 2 * i, 3 + 2 * i);
            let v = 0.5 * variance * (solution.variance(c) + solution.variance(s));
            (h, x[c], x[s], v)
        })
        .collect();
    Some(Harmonics { lines, misfit, variance })
}

/// Orders of a swell's line at `frequency_hz` that the envelope still shows; halves, since the line may be the second.
pub fn orders(frequency_hz: f64) -> Vec<f64> {
    [0.5, 1.0, 1.5, 2.0, 3.0, 4.0].into_iter().filter(|h| *h < 1.2 || h * frequency_hz < 14.0).collect()
}

/// The frequency near `guess_hz` at which a swell fits best: least squares over a grid, then a parabola.
pub fn refine(series: &[(f64, f64)], guess_hz: f64, length_s: f64) -> Option<(f64, Harmonics)> {
    let orders = orders(guess_hz);
    let phased = |f: f64| series.iter().map(|&(t, y)| (2.0 * PI * f * t, y)).collect::<Vec<_>>();
    let misfit = |f: f64| harmonics(&phased(f), &orders).map_or(f64::INFINITY, |h| h.misfit);
    let step = 0.12 / length_s;
    let grid: Vec<f64> = (-6..=6).map(|i| misfit(guess_hz + f64::from(i) * step)).collect();
    let k = (1..grid.len() - 1).min_by(|&i, &j| grid[i].total_cmp(&grid[j]))?;
    let bend = grid[k - 1] - 2.0 * grid[k] + grid[k + 1];
    let shift = if bend > 0.0 { (0.5 * (grid[k - 1] - grid[k + 1]) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let f = guess_hz + (k as f64 - 6.0 + shift) * step;
    Some((f, harmonics(&phased(f), &orders)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::chance::normals;

    /// Sum of squares left of `y` after a level, a slope and the orders at `f`: Gram and Schmidt's way, column by
    /// column, nothing shared with the code under test.
    fn plain_misfit(series: &[(f64, f64)], f: f64, orders: &[f64]) -> f64 {
        let mut columns: Vec<Vec<f64>> = vec![vec![1.0; series.len()], series.iter().map(|p| p.0).collect()];
        for h in orders {
            columns.push(series.iter().map(|p| (2.0 * PI * h * f * p.0).cos()).collect());
            columns.push(series.iter().map(|p| (2.0 * PI * h * f * p.0).sin()).collect());
        }
        let mut left: Vec<f64> = series.iter().map(|p| p.1).collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        for i in 0..columns.len() {
            let (done, rest) = columns.split_at_mut(i);
            for other in done.iter() {
                let part = dot(other, &rest[0]);
                rest[0].iter_mut().zip(other).for_each(|(x, o)| *x -= part * o);
            }
            let size = dot(&rest[0], &rest[0]).sqrt();
            rest[0].iter_mut().for_each(|x| *x /= size);
            let part = dot(&rest[0], &left);
            left.iter_mut().zip(&rest[0]).for_each(|(x, c)| *x -= part * c);
        }
        dot(&left, &left)
    }

    #[test]
    fn the_fit_is_that_of_a_plain_slow_search() {
        for (seed, true_hz) in [(1, 0.83), (2, 2.31), (3, 0.47)] {
            let mut normal = normals(seed);
            let series: Vec<(f64, f64)> = (0..600)
                .map(|k| {
                    let t = f64::from(k) * 0.025 - 7.5;
                    let phase = 2.0 * PI * true_hz * t + 0.4;
                    (t, 0.3 * phase.cos() + 0.15 * (2.0 * phase).cos() + 0.1 * normal())
                })
                .collect();
            let (fast, _) = refine(&series, true_hz + 0.02, 15.0).expect("enough values");
            let orders = orders(true_hz + 0.02);
            let slow = (0..600)
                .map(|i| true_hz - 0.03 + 1e-4 * f64::from(i))
                .min_by(|a, b| {
                    plain_misfit(&series, *a, &orders).total_cmp(&plain_misfit(&series, *b, &orders))
                })
                .expect("a grid");
            // The parabola's error over an eighth of a resolution, a tenth of what noise leaves here (1.5 mHz).
            assert!((fast - slow).abs() < 3e-4, "{true_hz}: {fast} {slow}");
        }
    }

    /// White noise and noise with a slope like fading's: how often the chance that is stated for the best of about
    /// ninety independent bins is under 10⁻⁴. 0.9 % of 400 windows are 3.6; 14 would be five deviations more.
    #[test]
    fn noise_stands_out_as_seldom_as_is_said() {
        let mut search = Search::new(500, 0.025);
        for red in [0.0, 0.9] {
            let mut alarms = 0;
            for seed in 0..400 {
                let (mut normal, mut slow) = (normals(seed), 0.0);
                let values: Vec<Values> = (0..500)
                    .map(|_| {
                        slow = red * slow + normal();
                        [(0.05 * slow) as f32; CHANNELS]
                    })
                    .collect();
                let found = search.run(&values, &Weights::of(&values)).expect("some line");
                alarms += u32::from(found.chance < 1e-4);
            }
            assert!(alarms <= 14, "{red}: {alarms}");
        }
    }
}
