//! Two tones fitted together, on block sums about a carrier between them.
//!
//! The model of the sound near the carrier is
//!   x(t) = Σ Re(aᵢ·(1 + sᵢτ)·e^(jφᵢ(τ))),   φᵢ = 2π(fᵢτ + ½rᵢτ²),   i = 1, 2,
//! τ from the middle of the span: one drift for both, r₁ = r₂, as an oscillator that both are heard against gives it
//! (r₁ = −r₂ where it lies between them), and a swelling sᵢ of each. Gauss–Newton on amplitudes, frequencies and, where freed, r and sᵢ; in white noise this is
//! maximum likelihood, so that two tones are told apart well below the width of a transform's bin. The mirror images
//! at −fᵢ are left out: the carrier must be many times the distance of the tones.

use super::blocks::BlockSums;
use super::linear::Normal;
use num_complex::Complex64;
use std::f64::consts::PI;

/// What is fitted besides amplitudes and frequencies.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct PairFree {
    /// The common drift.
    pub rate: bool,
    /// A swelling of each tone.
    pub swell: bool,
}

/// Two fitted tones, in the order of the guesses.
#[derive(Debug, Clone)]
pub struct PairFit {
    /// The middle of the span, s from the first sample of the sums: what the figures are stated for.
    pub at_s: f64,
    /// Frequencies, Hz.
    pub hz: [f64; 2],
    /// Standard uncertainty of their difference, Hz: the correlation is in it.
    pub u_difference_hz: f64,
    /// Drift of the first, Hz/s, and of the second where they drift alike.
    pub rate: f64,
    /// Whether they drift against each other: the second by −`rate`.
    pub against: bool,
    /// Complex amplitudes at `at_s`.
    pub amplitudes: [Complex64; 2],
    /// Relative swelling of each, 1/s.
    pub swells: [f64; 2],
    /// Variance of one real row of the block means about the fit.
    pub row_variance: f64,
    /// Real rows used.
    pub rows: usize,
}

/// Most Gauss–Newton steps.
const STEPS: usize = 20;

impl PairFit {
    /// A guess, its amplitudes zero.
    pub fn guess(at_s: f64, hz: [f64; 2], rate: f64) -> Self {
        Self {
            at_s,
            hz,
            u_difference_hz: f64::INFINITY,
            rate,
            against: false,
            amplitudes: [Complex64::default(); 2],
            swells: [0.0; 2],
            row_variance: 0.0,
            rows: 0,
        }
    }

    /// The same guess of tones that drift against each other.
    #[must_use]
    pub fn against(self) -> Self {
        Self { against: true, ..self }
    }

    /// Which way the drift goes for tone `i`.
    fn sense(&self, i: usize) -> f64 {
        if self.against && i == 1 { -1.0 } else { 1.0 }
    }

    /// Drift of tone `i`, Hz/s.
    pub fn rate_of(&self, i: usize) -> f64 {
        self.sense(i) * self.rate
    }

    /// Frequency of tone `i` at `t`, s from the first sample of the sums, Hz.
    pub fn hz_at(&self, i: usize, t: f64) -> f64 {
        self.hz[i] + self.rate_of(i) * (t - self.at_s)
    }

    /// Phase (rad) and frequency (Hz) of tone `i` at `t`, s from the first sample of the sums; its amplitude's own
    /// phase is not in it.
    pub fn phase(&self, i: usize, t: f64) -> (f64, f64) {
        let tau = t - self.at_s;
        (2.0 * PI * (self.hz[i] + 0.5 * self.rate_of(i) * tau) * tau, self.hz_at(i, t))
    }

    /// What tone `i` of amplitude 1 leaves in block `k`.
    pub fn term(&self, i: usize, sums: &BlockSums, k: usize) -> Complex64 {
        let t = sums.centre_s(k);
        let (phase, hz) = self.phase(i, t);
        let carrier = 2.0 * PI * (sums.carrier_hz() * t).fract();
        Complex64::from_polar(0.5 * sums.kernel(hz - sums.carrier_hz()), phase - carrier)
    }

    /// What both leave in block `k`.
    pub fn mean(&self, sums: &BlockSums, k: usize) -> Complex64 {
        let tau = sums.centre_s(k) - self.at_s;
        (0..2).map(|i| self.amplitudes[i] * (1.0 + self.swells[i] * tau) * self.term(i, sums, k)).sum()
    }
}

/// Fits two tones to blocks `from..to` of `sums`. `None` where there are too
/// few blocks or the two can't be told apart in this span.
pub fn fit_pair(
    sums: &BlockSums,
    (from, to): (usize, usize),
    guess: &PairFit,
    free: PairFree,
) -> Option<PairFit> {
    let middle = f64::midpoint(sums.centre_s(from), sums.centre_s(to.saturating_sub(1)));
    let span = to.saturating_sub(from) as f64 * sums.block_s();
    let start = [0, 1].map(|i| guess.hz_at(i, middle));
    let mut fit = PairFit { against: guess.against, ..PairFit::guess(middle, start, guess.rate) };
    // Amplitudes first.
    let mut linear = normal(&fit, sums, (from, to), 4, free)?;
    take_amplitudes(&mut fit, &linear.solve()?.x);
    let columns = 6 + usize::from(free.rate) + 2 * usize::from(free.swell);
    for step in 0..STEPS {
        let mut equations = normal(&fit, sums, (from, to), columns, free)?;
        let solution = equations.solve()?;
        let x = &solution.x;
        fit.rows = equations.rows();
        fit.row_variance = equations.misfit(x) / (fit.rows - columns) as f64;
        let old = fit.amplitudes;
        take_amplitudes(&mut fit, x);
        let most = 0.5 / span;
        let moved = [x[4], x[5]].map(|d| d.clamp(-most, most));
        (0..2).for_each(|i| fit.hz[i] += moved[i]);
        if free.rate {
            fit.rate += x[6].clamp(-most / span, most / span);
        }
        if free.swell {
            let at = columns - 2;
            for i in 0..2 {
                // Fitted as a share of the amplitude that was known.
                let scale = old[i].norm() / fit.amplitudes[i].norm().max(1e-30);
                fit.swells[i] = (x[at + i] * scale).clamp(-1.8 / span, 1.8 / span);
            }
        }
        let own = |i: usize, j: usize| solution.covariance(i, j) * fit.row_variance;
        fit.u_difference_hz = (own(4, 4) + own(5, 5) - 2.0 * own(4, 5)).max(0.0).sqrt();
        if !(fit.hz[0] + fit.hz[1] + fit.u_difference_hz).is_finite() {
            return None;
        }
        if step >= 2 && moved[0].abs().max(moved[1].abs()) < 0.01 * fit.u_difference_hz {
            break;
        }
    }
    Some(fit)
}

fn take_amplitudes(fit: &mut PairFit, x: &[f64]) {
    fit.amplitudes = [Complex64::new(x[0], x[1]), Complex64::new(x[2], x[3])];
}

/// Normal equations of the first `columns` parameters: amplitudes (anew), then steps of f₁, f₂, r, and sᵢ (anew).
fn normal(
    fit: &PairFit,
    sums: &BlockSums,
    (from, to): (usize, usize),
    columns: usize,
    free: PairFree,
) -> Option<Normal> {
    let mut normal = Normal::new(columns);
    let mut row = [Complex64::default(); 9];
    let (mut re, mut im) = ([0.0; 9], [0.0; 9]);
    for k in from..to {
        let Some(z) = sums.mean(k) else { continue };
        let tau = sums.centre_s(k) - fit.at_s;
        let swell = 6 + usize::from(free.rate);
        row[6] = Complex64::default();
        let mut bent = Complex64::default();
        for i in 0..2 {
            let term = fit.term(i, sums, k);
            (row[2 * i], row[2 * i + 1]) = (term, Complex64::i() * term);
            let tone = fit.amplitudes[i] * term;
            let turned = tone * (1.0 + fit.swells[i] * tau) * Complex64::i();
            row[4 + i] = turned * (2.0 * PI * tau);
            bent += turned * (PI * tau * tau * fit.sense(i));
            if free.swell {
                row[swell + i] = tone * tau;
            }
        }
        if free.rate {
            row[6] = bent;
        }
        for (c, (re, im)) in row.iter().zip(re.iter_mut().zip(im.iter_mut())) {
            (*re, *im) = (c.re, c.im);
        }
        normal.add(&re[..columns], z.re);
        normal.add(&im[..columns], z.im);
    }
    (normal.rows() >= columns + 3).then_some(normal)
}
