//! Least squares of one note, a hum comb and a steady level, on block sums.
//!
//! The model of the sound is the real one,
//!   x(t) = Re(a·e^(jφ(τ))) + `Σ_h` `Re(c_h·e^(jhψ(τ)))` + d,   φ = 2π(fτ + ½rτ²),   ψ = `2π(f_c·τ` + ½s·τ²),
//! τ from the middle of the span. Its mean over a block times the carrier has two terms to a line, the line itself
//! and its mirror image; a fit that forgets the image is biased as soon as few cycles are heard. Gauss–Newton on f,
//! r, `f_c` and s with all amplitudes; r, `f_c`, s are freed only where asked.

mod rows;

use super::blocks::BlockSums;
use super::linear::Solution;
use super::pass::Pass;
use num_complex::Complex64;
use rows::{Layout, gather};

/// A hum comb to be fitted beside the note: a guess of its fundamental, and which of its lines.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Comb {
    /// Fundamental, Hz.
    pub fundamental_hz: f64,
    /// Orders of the lines to fit.
    pub orders: Vec<u32>,
    /// Whether the fundamental and its drift are fitted too (else they are taken as given).
    pub free: bool,
    /// Steady lines that belong to no comb, Hz: first guesses, each fitted with its frequency.
    pub lone: Vec<f64>,
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
    pass: Pass,
    lines: Vec<Line<u32>>,
    lone: Vec<Line<f64>>,
    level: f64,
    /// What the means pass of a steady level.
    level_pass: f64,
}

/// A fitted line beside the note: its order or its frequency, its complex amplitude, and what the means pass of it.
#[derive(Debug, Clone)]
struct Line<T> {
    what: T,
    amplitude: Complex64,
    pass: Pass,
}

impl ToneFit {
    /// Signal power over one-sided noise density, Hz.
    pub fn cn0_hz(&self, sums: &BlockSums) -> f64 {
        self.amplitude.norm_sqr() / 2.0 / sums.density(self.row_variance).max(1e-300)
    }
}

/// Most Gauss–Newton steps, and the step of the frequency, in parts of its uncertainty, after which no other is worth while:
/// the next would be smaller by far.
const STEPS: usize = 12;
const SETTLED: f64 = 0.1;

/// Fits `model` to blocks `from..to` of `sums`, blocks for which `skip` says so left out. `None` when there are too
/// few blocks or the model's columns can't be told apart in this span.
pub fn fit_tone(
    sums: &BlockSums,
    (from, to): (usize, usize),
    model: &ToneModel,
    skip: &dyn Fn(usize) -> bool,
) -> Option<ToneFit> {
    let span = to.saturating_sub(from) as f64 * sums.block_s();
    let layout = Layout {
        level: sums.carrier_hz() <= 0.0,
        comb: model.comb.orders.len(),
        lone: model.comb.lone.len(),
        with_rate: model.with_rate,
        comb_free: model.comb.free && !model.comb.orders.is_empty(),
    };
    let mut fit = ToneFit::start(sums, (from, to), model);
    // The first round finds the amplitudes only.
    let mut start = gather(&fit, sums, (from, to), &layout, layout.frequency(), skip)?;
    fit.take_linear(&layout, &start.solve()?.x);
    let mut before = 0.0;
    for step in 0..STEPS {
        let mut normal = gather(&fit, sums, (from, to), &layout, layout.len(), skip)?;
        let solution = normal.solve()?;
        fit.take_linear(&layout, &solution.x);
        fit.misfit = normal.misfit(&solution.x);
        fit.row_variance = fit.misfit / (normal.rows() - layout.len()) as f64;
        let moved = fit.take_step(&layout, &solution, span);
        if !fit.frequency_hz.is_finite() {
            return None;
        }
        // What goes to and fro is no note, and no further step would make it one.
        let settled = moved.abs() < SETTLED * fit.u_hz;
        let to_and_fro = moved * before < 0.0 && moved.abs() > 0.7 * before.abs();
        if step >= 1 && (settled || step >= 3 && to_and_fro) {
            break;
        }
        before = moved;
    }
    (fit.frequency_hz > 0.0).then_some(fit)
}

impl ToneFit {
    /// The model's first guess, all amplitudes zero.
    fn start(sums: &BlockSums, (from, to): (usize, usize), model: &ToneModel) -> Self {
        fn line<T>(sums: &BlockSums, what: T, frequency: f64) -> Line<T> {
            Line { what, amplitude: Complex64::default(), pass: Pass::new(sums, frequency) }
        }
        Self {
            at_s: f64::midpoint(sums.centre_s(from), sums.centre_s(to.saturating_sub(1))),
            frequency_hz: model.frequency_hz,
            u_hz: f64::INFINITY,
            rate: model.rate,
            u_rate: 0.0,
            amplitude: Complex64::default(),
            row_variance: 0.0,
            misfit: 0.0,
            comb_hz: model.comb.fundamental_hz,
            comb_rate: 0.0,
            pass: Pass::new(sums, model.frequency_hz),
            lines: model
                .comb
                .orders
                .iter()
                .map(|&h| line(sums, h, f64::from(h) * model.comb.fundamental_hz))
                .collect(),
            lone: model.comb.lone.iter().map(|&f| line(sums, f, f)).collect(),
            level: sums.level(),
            level_pass: sums.kernel(sums.carrier_hz()),
        }
    }

    /// Takes the amplitudes of a solution.
    fn take_linear(&mut self, layout: &Layout, x: &[f64]) {
        self.amplitude = Complex64::new(x[0], x[1]);
        if layout.level {
            self.level = x[2];
        }
        let amplitudes = self
            .lines
            .iter_mut()
            .map(|l| &mut l.amplitude)
            .chain(self.lone.iter_mut().map(|l| &mut l.amplitude));
        for (i, amplitude) in amplitudes.enumerate() {
            let at = layout.line(i);
            *amplitude = Complex64::new(x[at], x[at + 1]);
        }
    }

    /// Takes the step of the nonlinear parameters, no further than the fit can be trusted, and their uncertainties.
    /// Returns by how much the frequency moved, Hz.
    fn take_step(&mut self, layout: &Layout, solution: &Solution, span: f64) -> f64 {
        let x = &solution.x;
        let u = |i: usize| (solution.variance(i) * self.row_variance).sqrt();
        let most = 0.4 / span;
        let mut at = layout.frequency();
        let (u_hz, moved) = (u(at), x[at].clamp(-most, most));
        let mut u_rate = 0.0;
        if layout.with_rate {
            at += 1;
            u_rate = u(at);
            self.rate += x[at].clamp(-2.0 * most / span, 2.0 * most / span);
        }
        if layout.comb_free {
            self.comb_hz += x[at + 1].clamp(-0.05, 0.05);
            self.comb_rate += x[at + 2].clamp(-0.1, 0.1);
        }
        for (i, line) in self.lone.iter_mut().enumerate() {
            line.what += x[layout.lone_frequency() + i].clamp(-most, most);
        }
        (self.u_hz, self.u_rate) = (u_hz, u_rate);
        self.frequency_hz += moved;
        moved
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Normal;
    use crate::estimate::chance::uniforms;
    use crate::estimate::tone_bound_hz;
    use std::f64::consts::PI;

    const RATE: f64 = 8000.0;

    /// Twelve uniform deviates make a normal one good enough to judge a spread.
    fn noisy_tone(f: f64, amplitude: f64, sigma: f64, n: usize, seed: u64) -> Vec<f32> {
        let mut uniform = uniforms(seed);
        let phase = 2.0 * PI * uniform();
        (0..n)
            .map(|i| {
                let noise: f64 = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
                (amplitude * (2.0 * PI * f * i as f64 / RATE + phase).cos() + sigma * noise) as f32
            })
            .collect()
    }

    fn fitted(samples: &[f32], carrier: f64, block: usize, guess: f64) -> ToneFit {
        let mut sums = BlockSums::new(RATE, carrier, block, 0);
        sums.push(samples);
        let model = ToneModel { frequency_hz: guess, ..ToneModel::default() };
        fit_tone(&sums, (0, sums.len()), &model, &|_| false).expect("a tone")
    }

    /// Sum of squares that the best sine of frequency `f` with a steady level leaves, sample by sample: the slow, plain
    /// way.
    fn plain_misfit(samples: &[f32], f: f64) -> f64 {
        let mut normal = Normal::new(3);
        for (i, &x) in samples.iter().enumerate() {
            let (sin, cos) = (2.0 * PI * f * i as f64 / RATE).sin_cos();
            normal.add(&[cos, sin, 1.0], f64::from(x));
        }
        let solution = normal.solve().expect("three columns");
        normal.misfit(&solution.x)
    }

    /// The fast fit on block sums finds the minimum that a plain search over all samples finds, at many cycles and at
    /// three.
    #[test]
    fn the_fast_fit_is_the_plain_one() {
        for (f, carrier, block) in [(182.7, 182.0, 154), (997.3, 998.0, 160), (3.1, 0.0, 32)] {
            for seed in 0..4 {
                let samples = noisy_tone(f, 0.1, 0.007, 8000 / block * block, seed);
                let fit = fitted(&samples, carrier, block, f + 0.05);
                let (mut best, mut width) = (f, 0.2);
                while width > 1e-6 {
                    let grid = (-10..=10).map(|i| best + width * f64::from(i) / 10.0);
                    best = grid
                        .min_by(|a, b| plain_misfit(&samples, *a).total_cmp(&plain_misfit(&samples, *b)))
                        .unwrap_or(f);
                    width *= 0.2;
                }
                // What the means over a block forget is worth a twentieth of u at most.
                assert!(
                    (fit.frequency_hz - best).abs() < 0.05 * fit.u_hz + 2e-5,
                    "{f} {seed}: {} {best}",
                    fit.frequency_hz
                );
            }
        }
    }

    /// Error and stated uncertainty against the Cramér–Rao bound (Rife and Boorstyn 1974).
    #[test]
    fn the_fit_reaches_the_bound() {
        let (f, amplitude, sigma, n, trials) = (612.3, 0.1, 0.02, 8000, 120);
        let cn0 = amplitude * amplitude / 2.0 / (2.0 * sigma * sigma / RATE);
        let bound = tone_bound_hz(cn0, n as f64 / RATE);
        let (mut squares, mut stated) = (0.0, 0.0);
        for seed in 0..trials {
            let fit = fitted(&noisy_tone(f, amplitude, sigma, n, 1000 + seed), 612.0, 157, f);
            squares += ((fit.frequency_hz - f) / bound).powi(2);
            stated += fit.u_hz / bound;
        }
        let (rms, stated) = ((squares / trials as f64).sqrt(), stated / trials as f64);
        // 120 trials give the rms to 6.5 %: three of that.
        assert!((0.8..1.2).contains(&rms) && (0.9..1.1).contains(&stated), "{rms} {stated}");
    }
}
