//! From the phase between two notes to the offset of a rest.
//!
//! # Derivation
//!
//! Both notes are heard against one beat oscillator, φᵢ = 2π∫(Fᵢ − F₀)dt. In ψ = φ₁ − φ₀ the oscillator's drift and
//! wander cancel to the last digit, whatever they are: what is left is the beat between signal and meter and the
//! noise of both notes, var ψ = v₀/|a₀|² + v₁/|a₁|². Its slope by weighted least squares has the variance of the
//! joint maximum-likelihood difference, since at mid-span a common drift is orthogonal to both frequencies. What ψ
//! holds beyond white noise is the wander of signal and meter, and is weighed as for a single note
//! ([`crate::estimate::smooth`]).

use crate::estimate::{Drift, Normal, PhasePoint, Smoothed, smooth, whole_turns};
use std::f64::consts::PI;

/// The phases of both notes in one short stretch, each against a steady tone of its reference's frequency.
#[derive(Debug, Clone, Copy)]
pub struct Point {
    /// Middle of the stretch, s.
    pub at_s: f64,
    /// Phase of each note ahead of its reference, rad.
    pub phases: [f64; 2],
    /// Phase between them, note 1 before note 0, ahead of the reference; counted on from the middle of the rest.
    pub between: f64,
    /// Variance of each phase and of the phase between them, rad².
    pub variances: [f64; 2],
    /// Variance of the phase between them, rad².
    pub variance: f64,
    /// Squared amplitudes.
    pub powers: [f64; 2],
    /// Noise density about them, squared units per Hz.
    pub density: f64,
}

/// What the phases are counted from.
#[derive(Debug, Clone, Copy)]
pub struct Reference {
    /// The instant at which the frequencies hold, s.
    pub at_s: f64,
    /// Frequencies of both notes, Hz.
    pub hz: [f64; 2],
    /// Common drift, Hz/s.
    pub rate: f64,
}

impl Reference {
    /// Frequency of note `i` at an instant, Hz.
    pub fn hz_at(&self, i: usize, at_s: f64) -> f64 {
        self.hz[i] + self.rate * (at_s - self.at_s)
    }
}

/// A stretch over which two notes stand still against each other.
#[derive(Debug, Clone)]
pub struct Apart {
    pub start_s: f64,
    pub end_s: f64,
    pub at_s: f64,
    /// Note 1 − note 0 at `at_s`, Hz.
    pub difference_hz: f64,
    pub u_noise_hz: f64,
    pub u_wander_hz: f64,
    /// Drift of that, Hz/s, and its standard uncertainty.
    pub rate: f64,
    pub rate_u: f64,
    /// Both notes at `at_s`, Hz.
    pub hz: [f64; 2],
    /// Power over noise density of the weaker note, Hz.
    pub cn0_hz: f64,
}

impl Apart {
    /// Combined standard uncertainty of the difference, Hz.
    pub fn u_hz(&self) -> f64 {
        self.u_noise_hz.hypot(self.u_wander_hz)
    }
}

/// Most points that go into the smoothing.
const MOST_POINTS: usize = 400;
/// A drift is fitted over at least this, s.
const LEAST_FOR_DRIFT_S: f64 = 0.4;
/// Excess of the scatter over the noise that is believed.
const EXCESS: f64 = 1.2;

/// The record of a rest from its phases, in order of time; `edges` are its first and last instant, s.
pub fn settle(points: &[Point], reference: &Reference, edges: (f64, f64)) -> Option<Apart> {
    if points.len() < 4 {
        return None;
    }
    let span = edges.1 - edges.0;
    let at_s = f64::midpoint(edges.0, edges.1);
    let scale = excess(points);
    let phases = grouped(points, scale);
    // A steady drift of the phase between, by weighted least squares.
    let with_rate = span > LEAST_FOR_DRIFT_S && phases.len() > 6;
    let columns = if with_rate { 3 } else { 2 };
    let mut normal = Normal::new(columns);
    for p in &phases {
        let (tau, w) = (p.at_s - at_s, 1.0 / p.variance.sqrt());
        let row = [w, w * 2.0 * PI * tau, w * PI * tau * tau];
        normal.add(&row[..columns], w * p.phase);
    }
    let solution = normal.solve()?;
    let x = &solution.x;
    let fitted_hz = x[1];
    let (rate, u_rate) = if with_rate { (x[2], solution.variance(2).sqrt()) } else { (0.0, 0.0) };
    let left: Vec<PhasePoint> = phases
        .iter()
        .map(|p| {
            let tau = p.at_s - at_s;
            let fit = x[0] + 2.0 * PI * (fitted_hz + 0.5 * rate * tau) * tau;
            PhasePoint { phase: p.phase - fit, ..*p }
        })
        .collect();
    let drift = with_rate.then_some(Drift { rate, u_rate, at_s });
    let Smoothed { frequency_hz, u_hz, u_noise_hz, wander, .. } = smooth(&left, at_s, drift)?;
    let difference_hz = reference.hz[1] - reference.hz[0] + fitted_hz + frequency_hz;
    let mean = |f: &dyn Fn(&Point) -> f64| points.iter().map(f).sum::<f64>() / points.len() as f64;
    let powers = [mean(&|p| p.powers[0]), mean(&|p| p.powers[1])];
    let density = mean(&|p| p.density) * scale;
    let first_hz = note_hz(points, reference, at_s);
    Some(Apart {
        start_s: edges.0,
        end_s: edges.1,
        at_s,
        difference_hz,
        u_noise_hz,
        u_wander_hz: (u_hz * u_hz - u_noise_hz * u_noise_hz).max(0.0).sqrt(),
        rate,
        // Slope of a straight line through a random walk: variance 6/5·w²/T.
        rate_u: u_rate.max(u_noise_hz * 60f64.sqrt() / span).hypot(wander * (1.2 / span).sqrt()),
        hz: [first_hz, first_hz + difference_hz],
        cn0_hz: powers[0].min(powers[1]) / 2.0 / density.max(1e-300),
    })
}

/// How much wider the phases scatter from one to the next than their variances say; 1 where they don't.
fn excess(points: &[Point]) -> f64 {
    let mut squares: Vec<f64> = points
        .windows(3)
        .map(|w| {
            let bend = w[1].between - f64::midpoint(w[0].between, w[2].between);
            bend * bend / (w[1].variance + 0.25 * (w[0].variance + w[2].variance))
        })
        .collect();
    if squares.len() < 8 {
        return 1.0;
    }
    squares.sort_unstable_by(f64::total_cmp);
    let most = 12.0 * squares[squares.len() / 2];
    let kept = squares.partition_point(|&d| d <= most).max(1);
    let found = squares[..kept].iter().sum::<f64>() / kept as f64;
    if found > EXCESS { found } else { 1.0 }
}

/// The phases between, several taken together where there are many.
fn grouped(points: &[Point], scale: f64) -> Vec<PhasePoint> {
    let group = points.len().div_ceil(MOST_POINTS);
    points
        .chunks(group)
        .map(|part| {
            let weight: f64 = part.iter().map(|p| 1.0 / p.variance).sum();
            let mean =
                |f: &dyn Fn(&Point) -> f64| part.iter().map(|p| f(p) / p.variance).sum::<f64>() / weight;
            PhasePoint { at_s: mean(&|p| p.at_s), phase: mean(&|p| p.between), variance: scale / weight }
        })
        .collect()
}

/// Frequency of note 0 at an instant from the phases about it, Hz.
fn note_hz(points: &[Point], reference: &Reference, at_s: f64) -> f64 {
    let near: Vec<Point> = points.iter().filter(|p| (p.at_s - at_s).abs() < 1.5).copied().collect();
    slope(&near, 0).map_or(reference.hz_at(0, at_s), |(hz, ..)| reference.hz[0] + hz)
}

/// Mean frequency beside the reference of note `i` over a run of points, its variance, and the instant.
pub fn slope(run: &[Point], i: usize) -> Option<(f64, f64, f64)> {
    if run.len() < 4 {
        return None;
    }
    let (mut phase, mut last) = (0.0, run[0].phases[i]);
    let rows: Vec<(f64, f64, f64)> = run
        .iter()
        .map(|p| {
            let step = p.phases[i] - last;
            phase += step - whole_turns(step);
            last = p.phases[i];
            (p.at_s, phase, 1.0 / p.variances[i])
        })
        .collect();
    let weight: f64 = rows.iter().map(|r| r.2).sum();
    let (t0, p0) = rows.iter().fold((0.0, 0.0), |(t, p), r| (t + r.2 * r.0 / weight, p + r.2 * r.1 / weight));
    let moment: f64 = rows.iter().map(|r| r.2 * (r.0 - t0).powi(2)).sum();
    let hz = rows.iter().map(|r| r.2 * (r.0 - t0) * (r.1 - p0)).sum::<f64>() / moment / (2.0 * PI);
    Some((hz, 1.0 / moment / (4.0 * PI * PI), t0))
}
