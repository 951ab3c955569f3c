//! Least squares of one note, a hum comb and a steady level, on block sums.
//!
//! The model of the sound is the real one,
//!   x(t) = Re(a·e^(jφ(τ))) + Σ_h Re(c_h·e^(jhψ(τ))) + d,   φ = 2π(fτ + ½rτ²),   ψ = 2π(f_c·τ + ½s·τ²),
//! τ from the middle of the span. Its mean over a block times the carrier has two terms to a line, the line itself
//! and its mirror image; a fit that forgets the image is biased as soon as few cycles are heard. Gauss–Newton on f,
//! r, f_c and s with all amplitudes; r, f_c, s are freed only where asked.

use super::blocks::BlockSums;
use super::linear::Normal;
use num_complex::Complex64;
use std::f64::consts::PI;

/// A hum comb to be fitted beside the note: a guess of its fundamental, and which of its lines.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Comb {
    /// Fundamental, Hz.
    pub fundamental_hz: f64,
    /// Orders of the lines to fit.
    pub orders: Vec<u32>,
    /// Whether the fundamental and its drift are fitted too (else they are taken as given).
    pub free: bool,
}

/// What to fit.
#[derive(Debug, Clone, Default)]
pub struct ToneModel {
    /// First guess of the note, Hz at mid-span.
    pub frequency_hz: f64,
    /// First guess of its drift, Hz/s.
    pub rate: f64,
    /// Whether the drift is fitted.
    pub with_rate: bool,
    /// Hum beside the note.
    pub comb: Comb,
}

/// A fitted note.
#[derive(Debug, Clone)]
pub struct ToneFit {
    /// The middle of the span, s from the first sample of the sums: what the figures are stated for.
    pub at_s: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Standard uncertainty of it from the noise found, Hz.
    pub u_hz: f64,
    /// Drift, Hz/s.
    pub rate: f64,
    /// Standard uncertainty of the drift, Hz/s.
    pub u_rate: f64,
    /// Complex amplitude at `at_s`.
    pub amplitude: Complex64,
    /// Variance of one real row of the block means about the fit.
    pub row_variance: f64,
    /// Sum of squares about the fit.
    pub misfit: f64,
    /// Fundamental of the comb, Hz.
    pub comb_hz: f64,
    comb_rate: f64,
    lines: Vec<(u32, Complex64)>,
    level: f64,
}

/// Parameters in the order of the columns: note (2), steady level (1, only on plain means), lines (2 each), then the
/// freed nonlinear ones.
///
/// With a carrier the blocks hold whole half-cycles, which makes a steady level nearly invisible and what is left of
/// it nearly the note's own column: there it is no parameter, but taken out by its mean.
struct Layout {
    level: bool,
    lines: usize,
    with_rate: bool,
    comb_free: bool,
}

impl Layout {
    fn line(&self, i: usize) -> usize {
        2 + usize::from(self.level) + 2 * i
    }
    fn frequency(&self) -> usize {
        self.line(self.lines)
    }
    fn len(&self) -> usize {
        self.frequency() + 1 + usize::from(self.with_rate) + 2 * usize::from(self.comb_free)
    }
}

/// The two terms that a real line leaves in block `k`: for amplitude 1 and for amplitude j.
fn line_terms(sums: &BlockSums, carrier_phase: f64, frequency: f64, phase: f64) -> (Complex64, Complex64) {
    let near = Complex64::from_polar(0.5 * sums.kernel(frequency - sums.carrier_hz()), phase - carrier_phase);
    let image = Complex64::from_polar(0.5 * sums.kernel(frequency + sums.carrier_hz()), -phase - carrier_phase);
    (near + image, Complex64::i() * (near - image))
}

/// Product of a complex amplitude with a line's two terms.
fn times(a: Complex64, terms: (Complex64, Complex64)) -> Complex64 {
    terms.0 * a.re + terms.1 * a.im
}

impl ToneFit {
    /// Phase of the note at `t` (s from the first sample of the sums), rad, and its frequency there, Hz.
    fn phase(&self, t: f64) -> (f64, f64) {
        let tau = t - self.at_s;
        (2.0 * PI * (self.frequency_hz + 0.5 * self.rate * tau) * tau, self.frequency_hz + self.rate * tau)
    }

    /// What the comb and the steady level leave in block `k`.
    fn nuisance(&self, sums: &BlockSums, k: usize) -> Complex64 {
        let t = sums.centre_s(k);
        let tau = t - self.at_s;
        let theta = 2.0 * PI * sums.carrier_hz() * t;
        let psi = 2.0 * PI * (self.comb_hz + 0.5 * self.comb_rate * tau) * tau;
        let mut z = Complex64::from_polar(1.0, -theta) * (self.level * sums.kernel(sums.carrier_hz()));
        for &(order, c) in &self.lines {
            let h = f64::from(order);
            z += times(c, line_terms(sums, theta, h * (self.comb_hz + self.comb_rate * tau), h * psi));
        }
        z
    }

    /// The note in block `k` with everything else taken out, turned back by the fitted phase: a real positive number
    /// (half the amplitude) where the fit holds, and its phase is how far the note is ahead of the fit, rad.
    pub fn residual_turn(&self, sums: &BlockSums, k: usize) -> Option<Complex64> {
        let z = sums.mean(k)? - self.nuisance(sums, k);
        let t = sums.centre_s(k);
        let theta = 2.0 * PI * sums.carrier_hz() * t;
        let (phi, f) = self.phase(t);
        let image =
            Complex64::from_polar(0.5 * sums.kernel(f + sums.carrier_hz()), -phi - theta) * self.amplitude.conj();
        let turned = (z - image) * Complex64::from_polar(1.0, theta - phi);
        Some(turned * self.amplitude.conj() / self.amplitude.norm().max(1e-30))
    }

    /// Observed minus fitted mean of block `k`.
    pub fn residual(&self, sums: &BlockSums, k: usize) -> Option<Complex64> {
        let z = sums.mean(k)? - self.nuisance(sums, k);
        let t = sums.centre_s(k);
        let (phi, f) = self.phase(t);
        Some(z - times(self.amplitude, line_terms(sums, 2.0 * PI * sums.carrier_hz() * t, f, phi)))
    }

    /// Signal power over one-sided noise density, Hz.
    pub fn cn0_hz(&self, sums: &BlockSums) -> f64 {
        self.amplitude.norm_sqr() / 2.0 / sums.density(self.row_variance).max(1e-300)
    }
}

/// Most Gauss–Newton steps.
const STEPS: usize = 12;

/// Fits `model` to blocks `from..to` of `sums`, blocks for which `skip` says so left out. `None` when there are too
/// few blocks or the model's columns can't be told apart in this span.
pub fn fit_tone(
    sums: &BlockSums,
    (from, to): (usize, usize),
    model: &ToneModel,
    skip: &dyn Fn(usize) -> bool,
) -> Option<ToneFit> {
    let at_s = (sums.centre_s(from) + sums.centre_s(to.saturating_sub(1))) / 2.0;
    let span = (to.saturating_sub(from)) as f64 * sums.block_s();
    let real_only = sums.carrier_hz() <= 0.0;
    let layout = Layout {
        level: real_only,
        lines: model.comb.orders.len(),
        with_rate: model.with_rate,
        comb_free: model.comb.free && !model.comb.orders.is_empty(),
    };
    let mut fit = ToneFit {
        at_s,
        frequency_hz: model.frequency_hz,
        u_hz: f64::INFINITY,
        rate: model.rate,
        u_rate: 0.0,
        amplitude: Complex64::default(),
        row_variance: 0.0,
        misfit: 0.0,
        comb_hz: model.comb.fundamental_hz,
        comb_rate: 0.0,
        lines: model.comb.orders.iter().map(|&h| (h, Complex64::default())).collect(),
        level: sums.level(),
    };
    let n = layout.len();
    let linear = layout.frequency();
    let mut row = vec![Complex64::default(); n];
    let (mut re, mut im) = (vec![0.0; n], vec![0.0; n]);
    for step in 0..STEPS {
        // The first round finds the amplitudes only.
        let columns = if step == 0 { linear } else { n };
        let mut normal = Normal::new(columns);
        for k in from..to {
            let Some(mut z) = sums.mean(k) else { continue };
            if skip(k) {
                continue;
            }
            let t = sums.centre_s(k);
            let tau = t - at_s;
            let theta = 2.0 * PI * sums.carrier_hz() * t;
            let (phi, f) = fit.phase(t);
            let note = line_terms(sums, theta, f, phi);
            (row[0], row[1]) = note;
            if layout.level {
                row[2] = Complex64::new(1.0, 0.0);
            } else {
                z -= Complex64::from_polar(fit.level * sums.kernel(sums.carrier_hz()), -theta);
            }
            let mut bent = Complex64::default();
            let comb_now = fit.comb_hz + fit.comb_rate * tau;
            let psi = 2.0 * PI * (fit.comb_hz + 0.5 * fit.comb_rate * tau) * tau;
            for (i, &(order, c)) in fit.lines.iter().enumerate() {
                let h = f64::from(order);
                let terms = line_terms(sums, theta, h * comb_now, h * psi);
                let at = layout.line(i);
                (row[at], row[at + 1]) = terms;
                bent += times(c * Complex64::i() * h, terms);
            }
            if columns > linear {
                let turned = times(fit.amplitude * Complex64::i(), note);
                row[linear] = turned * (2.0 * PI * tau);
                let mut at = linear + 1;
                if layout.with_rate {
                    row[at] = turned * (PI * tau * tau);
                    at += 1;
                }
                if layout.comb_free {
                    row[at] = bent * (2.0 * PI * tau);
                    row[at + 1] = bent * (PI * tau * tau);
                }
            }
            // Linear parameters are solved for anew; the nonlinear ones for their step.
            for (r, (x, y)) in row[..columns].iter().zip(re.iter_mut().zip(im.iter_mut())) {
                (*x, *y) = (r.re, r.im);
            }
            normal.add(&re[..columns], z.re);
            if !real_only {
                normal.add(&im[..columns], z.im);
            }
        }
        if normal.rows < columns + 3 {
            return None;
        }
        let (x, inverse) = normal.solve()?;
        fit.amplitude = Complex64::new(x[0], x[1]);
        if layout.level {
            fit.level = x[2];
        }
        for (i, line) in fit.lines.iter_mut().enumerate() {
            let at = layout.line(i);
            line.1 = Complex64::new(x[at], x[at + 1]);
        }
        if columns == linear {
            continue;
        }
        let explained: f64 = x.iter().zip(normal.rhs()).map(|(x, b)| x * b).sum();
        fit.misfit = (normal.sum_squares - explained).max(0.0);
        fit.row_variance = fit.misfit / (normal.rows - columns) as f64;
        let variance = |i: usize| (inverse[i * n + i] * fit.row_variance).sqrt();
        fit.u_hz = variance(linear);
        let most = 0.4 / span;
        let moved = x[linear].clamp(-most, most);
        fit.frequency_hz += moved;
        let mut at = linear + 1;
        if layout.with_rate {
            fit.u_rate = variance(at);
            fit.rate += x[at].clamp(-2.0 * most / span, 2.0 * most / span);
            at += 1;
        }
        if layout.comb_free {
            fit.comb_hz += x[at].clamp(-0.05, 0.05);
            fit.comb_rate += x[at + 1].clamp(-0.1, 0.1);
        }
        if !fit.frequency_hz.is_finite() {
            return None;
        }
        if step >= 2 && moved.abs() < 0.002 * fit.u_hz {
            break;
        }
    }
    (fit.frequency_hz > 0.0).then_some(fit)
}
