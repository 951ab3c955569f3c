//! The wander of an oscillator: a random walk of its frequency under white phase noise.
//!
//! State: phase θ (rad) and angular frequency ω (rad/s) of what a steady fit has left over;
//! dω is white with intensity (2πw)² where w is the wander in Hz per root second, θ is observed. Two Kalman filters,
//! one from either end, meet where the frequency is wanted. The wander itself is chosen by the likelihood of the
//! innovations over a ladder of values, none among them.
//!
//! # What can't be told
//!
//! A walk of 0.002 Hz/√s over 4 s at 20 dB in 4 kHz moves the answer by 13 times the bound of a rigid tone, and yet one such
//! walk in fifty leaves phases as straight as a rigid tone's. No reading of the phases parts the two better than their likelihood
//! ratio (Neyman and Pearson 1933). With 4000 draws of each: where the u of a rigid tone may be so large that its error over u
//! has a spread of 0.75, and the u of what passes for a walk is half as large again as that of a smoother that knows the walk,
//! the walk's error over u still has a spread of 1.47; with a u that is the spread of what is likely, as here, it is 2.1 to 2.2.

use super::whole_turns;
use multiversion::multiversion;
use std::f64::consts::PI;

/// One observed phase.
#[derive(Debug, Clone, Copy)]
pub struct PhasePoint {
    /// Instant, s.
    pub at_s: f64,
    /// Phase left over, rad, within ±π of the truth of the fit.
    pub phase: f64,
    /// Variance of the phase, rad².
    pub variance: f64,
}

/// Kalman filters of phase and frequency for `N` wanders, side by side.
#[derive(Debug, Clone)]
struct Filters<const N: usize> {
    at_s: f64,
    theta: [f64; N],
    omega: [f64; N],
    /// Variances of the phase, covariances, variances of the frequency.
    phase: [f64; N],
    cross: [f64; N],
    frequency: [f64; N],
    /// (2πw)², rad²/s³.
    intensity: [f64; N],
}

/// Diffuse start of the phase, rad²: squared away by the first observation.
const DIFFUSE: f64 = 1e6;
/// Standard deviation of the frequency beside the fit at the start, Hz: wide against any wander, narrow against the
/// turns that two phases of a weak note can't tell apart.
const START_HZ: f64 = 0.5;

impl<const N: usize> Filters<N> {
    #[inline(always)]
    fn new(at_s: f64, wanders: [f64; N]) -> Self {
        Self {
            at_s,
            theta: [0.0; N],
            omega: [0.0; N],
            phase: [DIFFUSE; N],
            cross: [0.0; N],
            frequency: [(2.0 * PI * START_HZ).powi(2); N],
            intensity: wanders.map(|w| (2.0 * PI * w).powi(2)),
        }
    }

    /// Moves to `at_s`, forward or backward.
    #[inline(always)]
    fn predict(&mut self, at_s: f64) {
        let dt = at_s - self.at_s;
        let d = dt.abs();
        for i in 0..N {
            let q = self.intensity[i];
            let (b, c) = (self.cross[i], self.frequency[i]);
            self.theta[i] += self.omega[i] * dt;
            // Backward in time the same walk: the cross terms change sign with dt.
            self.phase[i] += 2.0 * b * dt + c * dt * dt + q * (d * d * d / 3.0);
            self.cross[i] += c * dt + q * (d * dt / 2.0);
            self.frequency[i] += q * d;
        }
        self.at_s = at_s;
    }

    /// Innovations of an observation at the present instant, wrapped to ±π, and their variances.
    #[inline(always)]
    fn innovation(&self, point: &PhasePoint) -> ([f64; N], [f64; N]) {
        let nu = self.theta.map(|theta| {
            let nu = point.phase - theta;
            nu - whole_turns(nu)
        });
        (nu, self.phase.map(|p| p + point.variance))
    }

    /// Takes an observation at the present instant, of which these are the innovations and their variances.
    #[inline(always)]
    fn update(&mut self, nu: &[f64; N], s: &[f64; N]) {
        for i in 0..N {
            let (a, b) = (self.phase[i], self.cross[i]);
            let (k0, k1) = (a / s[i], b / s[i]);
            self.theta[i] += k0 * nu[i];
            self.omega[i] += k1 * nu[i];
            self.phase[i] -= k0 * a;
            self.cross[i] -= k0 * b;
            self.frequency[i] -= k1 * b;
        }
    }

    /// Takes observations in the order of a walk, and goes on to `at_s`.
    #[inline(always)]
    fn walk<'a>(mut self, points: impl Iterator<Item = &'a PhasePoint>, at_s: f64) -> Self {
        for point in points {
            self.predict(point.at_s);
            let (nu, s) = self.innovation(point);
            self.update(&nu, &s);
        }
        self.predict(at_s);
        self
    }
}

/// The Kalman filter of phase and frequency.
#[derive(Debug, Clone)]
pub struct WanderFilter(Filters<1>);

impl WanderFilter {
    /// Knows nothing yet; `wander` in Hz/√s; `backward` time runs by negative steps.
    pub fn new(at_s: f64, wander: f64) -> Self {
        Self(Filters::new(at_s, [wander]))
    }

    /// Starts from a known frequency (0 rad/s of the fit) with the standard uncertainty `u_omega`, rad/s.
    #[must_use]
    pub fn with_frequency(mut self, u_omega: f64) -> Self {
        self.0.frequency = [u_omega * u_omega];
        self
    }

    /// Moves to `at_s`, forward or backward.
    pub fn predict(&mut self, at_s: f64) {
        self.0.predict(at_s);
    }

    /// Phase expected at the present instant, rad.
    pub fn phase(&self) -> f64 {
        self.0.theta[0]
    }

    /// Angular frequency beside the fit now, rad/s.
    pub fn pace(&self) -> f64 {
        self.0.omega[0]
    }

    /// Innovation of an observation at the present instant, wrapped to ±π, and its variance.
    pub fn innovation(&self, point: &PhasePoint) -> (f64, f64) {
        let ([nu], [s]) = self.0.innovation(point);
        (nu, s)
    }

    /// Takes an observation at the present instant.
    pub fn update(&mut self, point: &PhasePoint) {
        let (nu, s) = self.0.innovation(point);
        self.0.update(&nu, &s);
    }
}

/// What the two filters say where they meet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Smoothed {
    /// Frequency beside the fit, Hz.
    pub frequency_hz: f64,
    /// Its standard uncertainty, Hz, wander and noise together.
    pub u_hz: f64,
    /// The part that the noise alone would leave over a rigid oscillator, Hz.
    pub u_noise_hz: f64,
    /// Wander chosen, Hz/√s.
    pub wander: f64,
    /// How likely it is that there is none to speak of, 0 to 1.
    pub rigid: f64,
}

/// Ladder of wanders weighed, Hz/√s: a factor of √2 a rung, from what hardly shows to a sick tube's.
fn ladder() -> impl Iterator<Item = f64> {
    (0..22).map(|i| 1e-4 * 2f64.powf(f64::from(i) / 2.0))
}

/// Weight of a rung before anything was heard, against 1 for a rigid oscillator. Tubes wander by a thousandth of a
/// hertz per root second and more, crystals by next to nothing; what lies between is rare, and so is a sick tube.
fn prior(wander: f64) -> f64 {
    match wander {
        w if w < 7e-4 => 0.0009,
        w if w < 2.5e-3 => 0.0095,
        w => 0.011 * (SICK / w).powi(2).min(1.0),
    }
}

/// Wander from which on an oscillator is sick, Hz/√s.
const SICK: f64 = 0.04;

/// How many times more a rigid oscillator counts in the answer than it is likely: one that only seems to wander, as one of
/// a few hundred does, would otherwise be answered many times worse than it can be.
const LEAN: f64 = 60.0;

/// Weight of a steady drift before anything was heard, against 1 for none, and the natural logarithm of the ratio
/// between the fastest and the slowest that is thought of (0.0001 to 0.2 Hz/s, any decade alike).
const DRIFTS: f64 = 0.12;
const DRIFT_SPAN: f64 = 7.6;

/// A steady drift that has been taken out of the phases.
#[derive(Debug, Clone, Copy)]
pub struct Drift {
    /// Hz/s.
    pub rate: f64,
    /// Its standard uncertainty, Hz/s.
    pub u_rate: f64,
    /// The instant at which the phases were left as they were, s.
    pub at_s: f64,
}

impl Drift {
    /// The phase with the drift put back.
    fn put_back(&self, point: &PhasePoint) -> PhasePoint {
        let tau = point.at_s - self.at_s;
        PhasePoint { phase: point.phase + PI * self.rate * tau * tau, ..*point }
    }

    /// Natural logarithm of the weight that the drift has before it is fitted, times the share of its range that the
    /// fit leaves.
    fn log_weight(&self) -> f64 {
        let share = (2.0 * PI).sqrt() * self.u_rate / (DRIFT_SPAN * self.rate.abs().max(self.u_rate));
        (DRIFTS * share.min(1.0)).ln()
    }
}

/// Wanders that are weighed side by side.
const SIDE_BY_SIDE: usize = 4;

/// Some ways to read the phases: a steady drift taken out of them or not, and wanders beside it.
struct Readings<'a> {
    points: &'a [PhasePoint],
    wanders: [f64; SIDE_BY_SIDE],
    /// What to add to their frequency, Hz.
    beside_hz: f64,
    log_weights: [f64; SIDE_BY_SIDE],
}

impl<'a> Readings<'a> {
    /// All wanders, with the weights that they have before anything was heard times e^`log_weight`.
    fn of(points: &'a [PhasePoint], beside_hz: f64, log_weight: f64) -> impl Iterator<Item = Self> + 'a {
        let mut rungs = std::iter::once((0.0, 0.0)).chain(ladder().map(|w| (w, prior(w).ln()))).peekable();
        std::iter::from_fn(move || {
            rungs.peek()?;
            let some: [_; SIDE_BY_SIDE] =
                std::array::from_fn(|_| rungs.next().unwrap_or((0.0, f64::NEG_INFINITY)));
            let wanders = some.map(|rung| rung.0);
            let likelihoods = log_likelihoods(points, wanders);
            let log_weights = std::array::from_fn(|i| some[i].1 + log_weight + likelihoods[i]);
            Some(Self { points, wanders, beside_hz, log_weights })
        })
    }
}

/// Frequency at `at_s` beside the fit, Hz, from phases in order of time; `None` with fewer than four. `drift` is what
/// the fit has taken out of them: then the answer counts from the fit's frequency at [`Drift::at_s`].
///
/// A rigid oscillator, a drifting one and wandering ones are weighed against each other by their innovations, and
/// their answers averaged: a wander too small to be seen for certain still widens the uncertainty by as much as it is
/// likely. A drift that stands out of the noise is as well a wander of that size, and which it is the rest tells.
pub fn smooth(points: &[PhasePoint], at_s: f64, drift: Option<Drift>) -> Option<Smoothed> {
    if points.len() < 4 {
        return None;
    }
    let [(steady_hz, u_noise_hz), ..] = meet(points, at_s, [0.0; SIDE_BY_SIDE]);
    let put_back: Option<Vec<_>> = drift.map(|d| points.iter().map(|p| d.put_back(p)).collect());
    let drifted_hz = drift.map_or(0.0, |d| d.rate * (at_s - d.at_s));
    let mut readings: Vec<Readings> = Readings::of(put_back.as_deref().unwrap_or(points), 0.0, 0.0).collect();
    if let Some(d) = drift {
        readings.extend(Readings::of(points, drifted_hz, d.log_weight()));
    }
    let best = readings.iter().flat_map(|r| r.log_weights).fold(f64::NEG_INFINITY, f64::max);
    let counts = |log_weight: &f64| *log_weight > best - 12.0;
    let origin_hz = steady_hz + drifted_hz;
    let (mut weight, mut mean, mut square, mut wander) = (0.0, 0.0, 0.0, 0.0);
    let (mut rigid, mut steady) = (0.0, 0.0);
    for some in readings.iter().filter(|r| r.log_weights.iter().any(counts)) {
        let met = meet(some.points, at_s, some.wanders);
        for (i, (f, u)) in met.into_iter().enumerate().filter(|(i, _)| counts(&some.log_weights[*i])) {
            let f = f + some.beside_hz - origin_hz;
            let own = (some.log_weights[i] - best).exp();
            weight += own;
            mean += own * f;
            square += own * (f * f + u * u);
            wander += own * some.wanders[i];
            if some.wanders[i] <= 0.0 {
                rigid += own;
                steady += own * f;
            }
        }
    }
    // The answer leans to that of a rigid oscillator, and its u counts from where it leans to.
    let answer = (mean + (LEAN - 1.0) * steady) / (weight + (LEAN - 1.0) * rigid);
    let (mean, square) = (mean / weight, square / weight);
    let spread = square - 2.0 * answer * mean + answer * answer;
    Some(Smoothed {
        frequency_hz: origin_hz + answer,
        u_hz: spread.max(u_noise_hz * u_noise_hz).sqrt(),
        u_noise_hz,
        wander: wander / weight,
        rigid: rigid / weight,
    })
}

/// Innovations whose variances are multiplied before a logarithm is taken of them.
const MULTIPLIED: usize = 16;

/// Log-likelihoods of the innovations, the first point spent on the start.
#[multiversion(targets("x86_64+avx2"))]
fn log_likelihoods(points: &[PhasePoint], wanders: [f64; SIDE_BY_SIDE]) -> [f64; SIDE_BY_SIDE] {
    let mut filters = Filters::new(points[0].at_s, wanders).walk(points.iter().take(1), points[0].at_s);
    let mut sums = [0.0; SIDE_BY_SIDE];
    for some in points[1..].chunks(MULTIPLIED) {
        let mut product = [1.0; SIDE_BY_SIDE];
        for point in some {
            filters.predict(point.at_s);
            let (nu, s) = filters.innovation(point);
            for i in 0..SIDE_BY_SIDE {
                sums[i] -= 0.5 * (nu[i] * nu[i] / s[i]);
                product[i] *= s[i];
            }
            filters.update(&nu, &s);
        }
        for (sum, product) in sums.iter_mut().zip(product) {
            *sum -= 0.5 * product.ln();
        }
    }
    sums
}

/// For each wander frequency and its standard uncertainty at `at_s` (Hz) from a filter before and one after.
#[multiversion(targets("x86_64+avx2"))]
fn meet(points: &[PhasePoint], at_s: f64, wanders: [f64; SIDE_BY_SIDE]) -> [(f64, f64); SIDE_BY_SIDE] {
    let split = points.partition_point(|p| p.at_s <= at_s);
    let (before, after) = points.split_at(split);
    let before = Filters::new(points[0].at_s, wanders).walk(before.iter(), at_s);
    let after = Filters::new(points[points.len() - 1].at_s, wanders).walk(after.iter().rev(), at_s);
    // Information of both added, 2×2.
    let invert = |p: [f64; 3]| {
        let d = (p[0] * p[2] - p[1] * p[1]).max(1e-300);
        [p[2] / d, -p[1] / d, p[0] / d]
    };
    std::array::from_fn(|n| {
        let state = |f: &Filters<SIDE_BY_SIDE>| {
            (f.theta[n], f.omega[n], invert([f.phase[n], f.cross[n], f.frequency[n]]))
        };
        let ((theta, omega, i), (theta_after, omega_after, j)) = (state(&before), state(&after));
        // Each counts its turns from its own end.
        let theta_after = theta_after - whole_turns(theta_after - theta);
        let sum = invert([i[0] + j[0], i[1] + j[1], i[2] + j[2]]);
        let y0 = i[0] * theta + i[1] * omega + j[0] * theta_after + j[1] * omega_after;
        let y1 = i[1] * theta + i[2] * omega + j[1] * theta_after + j[2] * omega_after;
        let omega = sum[1] * y0 + sum[2] * y1;
        (omega / (2.0 * PI), sum[2].max(0.0).sqrt() / (2.0 * PI))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::chance::normals;
    use crate::estimate::tone_bound_hz;

    fn trial(seed: u64, wander: f64, sigma: f64, n: usize, dt: f64) -> (f64, Smoothed) {
        let mut normal = normals(seed);
        let (mut theta, mut f, mut at_mid, mut points) = (0.3, 0.0, 0.0, Vec::new());
        for k in 0..n {
            points.push(PhasePoint {
                at_s: k as f64 * dt,
                phase: theta + sigma * normal(),
                variance: sigma * sigma,
            });
            if k == n / 2 {
                at_mid = f;
            }
            for _ in 0..10 {
                theta += 2.0 * PI * f * dt / 10.0;
                f += wander * (dt / 10.0).sqrt() * normal();
            }
        }
        (at_mid, smooth(&points, (n / 2) as f64 * dt, None).expect("enough points"))
    }

    /// Root mean square of the error over u, and of the error over the Cramér–Rao bound of a rigid oscillator (Rife
    /// and Boorstyn 1974; white phase noise σ per dt is C/N0 = 1/(2σ²dt)).
    fn spreads(wander: f64, sigma: f64, n: usize) -> (f64, f64) {
        let dt = 0.05;
        let bound = tone_bound_hz(1.0 / (2.0 * sigma * sigma * dt), n as f64 * dt);
        let runs: Vec<_> = (1..300).map(|s| trial(s, wander, sigma, n, dt)).collect();
        let rms = |f: &dyn Fn(&(f64, Smoothed)) -> f64| {
            (runs.iter().map(|r| f(r).powi(2)).sum::<f64>() / runs.len() as f64).sqrt()
        };
        (rms(&|(t, s)| (s.frequency_hz - t) / s.u_hz), rms(&|(t, s)| (s.frequency_hz - t) / bound))
    }

    #[test]
    fn a_rigid_oscillator_reaches_the_bound() {
        for n in [40, 80, 200] {
            let (spread, ratio) = spreads(0.0, 0.02, n);
            assert!(ratio < 1.2 && (0.7..1.2).contains(&spread), "{n}: {ratio} {spread}");
        }
    }

    /// A wander that stands out of the noise is told to within a fifth; one that hides in it (the first) can't be.
    #[test]
    fn a_wandering_one_is_told_honestly() {
        for (wander, n, most) in
            [(0.002, 80, 2.5), (0.002, 200, 1.3), (0.01, 80, 1.3), (0.01, 300, 1.2), (0.03, 80, 1.2)]
        {
            let (spread, _) = spreads(wander, 0.01, n);
            assert!(spread > 0.8 && spread < most, "{wander} {n}: {spread}");
        }
    }
}
