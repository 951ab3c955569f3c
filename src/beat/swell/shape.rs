//! What two carriers do to a programme, and what the swell's own lines say of it.
//!
//! A carrier of amplitude 1 with the programme on it and a bare one of amplitude r, φ apart: their sum has the
//! envelope ρ = √(1 + r² + 2r·cos φ), and of the programme's sidebands an envelope detector passes
//! g = (1 + r·cos φ)/ρ. A gain control that holds the carrier steady divides that by ρ once more. Both are even in φ,
//! so all lines of the swell have one phase; without gain control the line at 2f is the stronger one where r is small
//! (g ≈ 1 − ½r²·sin²φ) or large. So a line at F may be the beat at F or twice a beat at F/2: both shapes are fitted
//! to the lines at F/2, F, 3F/2 and so on, with r, the gain control and a floor of noise free.

use num_complex::Complex64;
use std::f64::consts::PI;

/// Lines used, counted in halves of the stronger one's frequency.
pub const LINES: usize = 8;
/// Receivers differ: the lines need not fit better than this part of the strongest.
const LIKENESS: f64 = 0.05;
/// Floors of noise under the programme, in power.
const FLOORS: [f64; 3] = [0.003, 0.03, 0.15];
/// Operators make the carriers about equal: the ratio is within a factor of three or so of 1.
const RATIO_SPREAD: f64 = 1.1;
/// A difference of costs below which both answers stand.
const UNDECIDED: f64 = 9.0;

/// How the lines are explained best as the beat at 2/`per_half`·F/2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    /// Weaker of meter's carrier over station's.
    pub ratio: f64,
    pub agc: bool,
    /// Misfit plus what is unlikely about the ratio.
    pub cost: f64,
}

/// What the line at F is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Verdict {
    /// The beat over F: 1 or ½.
    pub beat: f64,
    /// The other answer over F, where the sound allows it.
    pub other: Option<f64>,
    pub shape: Shape,
}

/// Amplitude gain of the programme.
pub fn gain(ratio: f64, agc: bool, phase: f64) -> f64 {
    let c = phase.cos();
    let carrier = (1.0 + ratio * ratio + 2.0 * ratio * c).max(1e-6).sqrt();
    let g = (1.0 + ratio * c) / carrier;
    if agc { g / carrier } else { g }
}

/// Lines of the swell's logarithm over a floor of noise (relative to the mean power), nepers.
fn lines(ratio: f64, agc: bool, floor: f64) -> [f64; LINES] {
    const POINTS: usize = 48;
    let angle = |i: usize| PI * (i as f64 + 0.5) / POINTS as f64;
    let powers: Vec<f64> = (0..POINTS).map(|i| gain(ratio, agc, angle(i)).powi(2)).collect();
    let mean = powers.iter().sum::<f64>() / POINTS as f64;
    let mut out = [0.0; LINES];
    for (i, p) in powers.iter().enumerate() {
        let y = 0.5 * (p + floor * mean).ln();
        for (k, line) in out.iter_mut().enumerate() {
            *line += y * ((k + 1) as f64 * angle(i)).cos() * 2.0 / POINTS as f64;
        }
    }
    out
}

/// Cost of the lines `seen` (with the variances of their parts) as those of a beat whose first line is the
/// `every`-th of them.
fn cost(seen: &[(Complex64, f64)], every: usize) -> Shape {
    let most = seen.iter().map(|s| s.0.norm()).fold(0.0, f64::max);
    let doubt = |v: f64| v + (LIKENESS * most).powi(2);
    let idle: f64 = (1..=seen.len())
        .filter(|k| k % every != 0)
        .map(|k| seen[k - 1].0.norm_sqr() / doubt(seen[k - 1].1))
        .sum();
    let mut best = Shape { ratio: 1.0, agc: false, cost: f64::INFINITY };
    for agc in [false, true] {
        for i in -16..=12 {
            let ratio = 2f64.powf(f64::from(i) / 6.0 + 0.04);
            for floor in FLOORS {
                let model = lines(ratio, agc, floor);
                let misfit = at_best_phase(seen, every, &model, &doubt);
                let total = idle + misfit + (ratio.ln() / RATIO_SPREAD).powi(2);
                if total < best.cost {
                    best = Shape { ratio, agc, cost: total };
                }
            }
        }
    }
    best
}

fn at_best_phase(
    seen: &[(Complex64, f64)],
    every: usize,
    model: &[f64; LINES],
    doubt: &dyn Fn(f64) -> f64,
) -> f64 {
    let mine: Vec<(f64, Complex64, f64, f64)> = (1..=seen.len() / every)
        .map(|k| (k as f64, seen[k * every - 1].0, doubt(seen[k * every - 1].1), model[k - 1]))
        .collect();
    let misfit = |phase: f64| {
        mine.iter()
            .map(|(k, c, v, h)| (c - Complex64::from_polar(1.0, k * phase) * h).norm_sqr() / v)
            .sum::<f64>()
    };
    // The phase of the strongest line leaves as many choices as its order.
    let Some(top) = mine.iter().max_by(|a, b| (a.3 * a.1.norm()).abs().total_cmp(&(b.3 * b.1.norm()).abs()))
    else {
        return 0.0;
    };
    let turned = top.1.arg() + if top.3 < 0.0 { PI } else { 0.0 };
    (0..top.0 as usize).map(|m| misfit((turned + 2.0 * PI * m as f64) / top.0)).fold(f64::INFINITY, f64::min)
}

/// Decides whether the line at F is the beat or twice it. `seen` are the complex lines at F/2, F, 3F/2 … with the
/// variance of their real and imaginary parts.
pub fn judge(seen: &[(Complex64, f64)]) -> Verdict {
    let (half, whole) = (cost(seen, 1), cost(seen, 2));
    let (beat, other, shape) = if half.cost < whole.cost { (0.5, 1.0, half) } else { (1.0, 0.5, whole) };
    let open = (half.cost - whole.cost).abs() < UNDECIDED;
    Verdict { beat, other: open.then_some(other), shape }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A brute-force envelope detector: two carriers of which one is modulated by 1 % at an angle-independent rate;
    /// the modulation of the sum's magnitude over that of the carrier alone.
    #[test]
    fn the_gain_is_that_of_an_envelope_detector() {
        for ratio in [0.3, 0.9, 1.7] {
            for i in 0..12 {
                let phase = 0.5 * f64::from(i) + 0.1;
                let sum =
                    |m: f64| (Complex64::new(1.0 + m, 0.0) + Complex64::from_polar(ratio, phase)).norm();
                let detected = (sum(1e-5) - sum(-1e-5)) / 2e-5;
                assert!((detected - gain(ratio, false, phase)).abs() < 1e-6, "{ratio} {phase}");
            }
        }
    }

    /// Series of the logarithm by hand: ln ρ = −Σ(−r)^k·cos kφ/k, ln(1 + r·cos φ) = … 2Σ(−1)^(k+1)·q^k·cos kφ/k with
    /// q = (1 − √(1 − r²))/r; for r = 0.6 the first two lines are 2/3 − 0.6 and −1/9 + 0.18.
    #[test]
    fn lines_by_hand() {
        let found = lines(0.6, false, 0.0);
        assert!((found[0] - (2.0 / 3.0 - 0.6)).abs() < 1e-9 && (found[1] - (0.18 - 1.0 / 9.0)).abs() < 1e-9);
        let found = lines(0.6, true, 0.0);
        assert!((found[0] - (2.0 / 3.0 - 1.2)).abs() < 1e-9 && (found[1] - (0.36 - 1.0 / 9.0)).abs() < 1e-9);
    }

    fn seen(ratio: f64, agc: bool, whole: bool, variance: f64) -> Vec<(Complex64, f64)> {
        let model = lines(ratio, agc, 0.01);
        let every = if whole { 2 } else { 1 };
        let line = |k: usize| {
            let h = if k % every == 0 { model[k / every - 1] } else { 0.0 };
            (Complex64::from_polar(1.0, 0.7 * k as f64) * h, variance)
        };
        (1..=LINES).map(line).collect()
    }

    #[test]
    fn the_beat_and_its_double_are_told_apart_where_the_lines_allow_it() {
        for (ratio, agc) in [(0.3, false), (0.5, false), (1.0, false), (2.5, false), (0.3, true), (0.7, true)]
        {
            for whole in [false, true] {
                // The line that is found is the strongest one: with the meter weak and no gain control that is 2f.
                let lines = seen(ratio, agc, whole, 1e-6);
                let strongest = lines.iter().enumerate().max_by(|a, b| a.1.0.norm().total_cmp(&b.1.0.norm()));
                if strongest.map(|s| s.0) != Some(1) {
                    continue;
                }
                let verdict = judge(&lines);
                assert!(
                    (verdict.beat - if whole { 1.0 } else { 0.5 }).abs() < 1e-9,
                    "{ratio} {agc} {verdict:?}"
                );
            }
        }
    }

    #[test]
    fn a_faint_swell_has_two_answers() {
        let verdict = judge(&seen(0.2, false, false, 4e-6));
        let both = [Some(verdict.beat), verdict.other];
        assert!(both.contains(&Some(0.5)) && both.contains(&Some(1.0)), "{verdict:?}");
    }
}
