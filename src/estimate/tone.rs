//! Least squares of one note, a hum comb and a steady level, on block sums.
//!
//! The model of the sound is the real one,
//!   x(t) = Re(a·e^(jφ(τ))) + `Σ_h` `Re(c_h·e^(jhψ(τ)))` + d,   φ = 2π(fτ + ½rτ²),   ψ = `2π(f_c·τ` + ½s·τ²),
//! τ from the middle of the span. Its mean over a block times the carrier has two terms to a line, the line itself
//! and its mirror image; a fit that forgets the image is biased as soon as few cycles are heard. Gauss–Newton on f,
//! r, `f_c` and s with all amplitudes; r, `f_c`, s are freed only where asked.

use super::blocks::BlockSums;
use super::linear::{Normal, Solution};
use super::turning::Turning;
use multiversion::multiversion;
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

/// What the means over a block pass of a line and of its mirror image, about the frequency that it was guessed at: the
/// exact figures cost four sines, a parabola is as good as far as a block turns by less than [`BENT`] more.
#[derive(Debug, Clone)]
struct Pass {
    about_hz: f64,
    within_hz: f64,
    near: [f64; 3],
    image: [f64; 3],
}

/// Half the turn over a block, rad, up to which a parabola stands for the kernel: its error is below 2e-4 there.
const BENT: f64 = 0.4;

impl Pass {
    fn new(sums: &BlockSums, frequency: f64) -> Self {
        let step = BENT / (PI * sums.block_s());
        let parabola = |about: f64| {
            let [a, b, c] = [-step, 0.0, step].map(|d| sums.kernel(about + d));
            [b, (c - a) / (2.0 * step), (a - 2.0 * b + c) / (2.0 * step * step)]
        };
        Self {
            about_hz: frequency,
            within_hz: step,
            near: parabola(frequency - sums.carrier_hz()),
            image: parabola(frequency + sums.carrier_hz()),
        }
    }

    /// The factors for the line at `frequency`, and for its image.
    #[inline(always)]
    fn at(&self, sums: &BlockSums, frequency: f64) -> (f64, f64) {
        let d = frequency - self.about_hz;
        if d.abs() > self.within_hz {
            return (sums.kernel(frequency - sums.carrier_hz()), sums.kernel(frequency + sums.carrier_hz()));
        }
        let at = |p: &[f64; 3]| p[0] + d * (p[1] + d * p[2]);
        (at(&self.near), at(&self.image))
    }

    /// The two terms that a real line leaves in a block, for amplitude 1 and for amplitude j: `turn` is e^(j·its phase),
    /// `back` e^(−j·the carrier's phase).
    #[inline(always)]
    fn terms(
        &self,
        sums: &BlockSums,
        frequency: f64,
        turn: Complex64,
        back: Complex64,
    ) -> (Complex64, Complex64) {
        let (near, image) = self.at(sums, frequency);
        let (near, image) = (turn * back * (0.5 * near), turn.conj() * back * (0.5 * image));
        (near + image, Complex64::i() * (near - image))
    }
}

/// Parameters in the order of the columns: note (2), steady level (1, only on plain means), lines of the comb and lone
/// ones (2 each), then the freed nonlinear ones.
///
/// With a carrier the blocks hold whole half-cycles, which makes a steady level nearly invisible and what is left of
/// it nearly the note's own column: there it is no parameter, but taken out by its mean.
struct Layout {
    level: bool,
    comb: usize,
    lone: usize,
    with_rate: bool,
    comb_free: bool,
}

impl Layout {
    fn line(&self, i: usize) -> usize {
        2 + usize::from(self.level) + 2 * i
    }
    fn frequency(&self) -> usize {
        self.line(self.comb + self.lone)
    }
    /// The frequency of the first lone line.
    fn lone_frequency(&self) -> usize {
        self.frequency() + 1 + usize::from(self.with_rate) + 2 * usize::from(self.comb_free)
    }
    fn len(&self) -> usize {
        self.lone_frequency() + self.lone
    }
}

/// Product of a complex amplitude with a line's two terms.
#[inline(always)]
fn times(a: Complex64, terms: (Complex64, Complex64)) -> Complex64 {
    terms.0 * a.re + terms.1 * a.im
}

impl ToneFit {
    /// What the comb, the lone lines and the steady level leave in a block `tau` s from the middle; `back` is e^(−j·the
    /// carrier's phase) there, `turns` e^(j·phase) of the comb's lines and of the lone ones.
    #[inline(always)]
    fn nuisance(&self, sums: &BlockSums, tau: f64, back: Complex64, turns: &[Complex64]) -> Complex64 {
        let mut z = back * (self.level * self.level_pass);
        let comb_now = self.comb_hz + self.comb_rate * tau;
        let (comb_turns, lone_turns) = turns.split_at(self.lines.len());
        for (line, turn) in self.lines.iter().zip(comb_turns) {
            z += times(line.amplitude, line.pass.terms(sums, f64::from(line.what) * comb_now, *turn, back));
        }
        for (line, turn) in self.lone.iter().zip(lone_turns) {
            z += times(line.amplitude, line.pass.terms(sums, line.what, *turn, back));
        }
        z
    }

    /// The note in blocks `from..to` with everything else taken out, turned back by the fitted phase: a real positive number
    /// (half the amplitude) where the fit holds, and its phase is how far the note is ahead of the fit, rad. `None` where
    /// the block is missing.
    pub fn residual_turns(&self, sums: &BlockSums, span: (usize, usize)) -> Vec<Option<Complex64>> {
        residual_turns(self, sums, span)
    }

    /// Observed minus fitted means of blocks `from..to`; missing blocks are left out.
    pub fn residuals(&self, sums: &BlockSums, (from, to): (usize, usize)) -> impl Iterator<Item = Complex64> {
        let mut turns = Turns::new(self, sums, from);
        (from..to).filter_map(move |k| {
            let (back, turns) = turns.turn();
            let mean = sums.mean(k)?;
            let tau = sums.centre_s(k) - self.at_s;
            let f = self.frequency_hz + self.rate * tau;
            let note = times(self.amplitude, self.pass.terms(sums, f, turns[0], back));
            Some(mean - self.nuisance(sums, tau, back, &turns[1..]) - note)
        })
    }

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

/// The turns of a fit's lines, block after block.
struct Turns {
    carrier: Turning,
    lines: Vec<Turning>,
    now: Vec<Complex64>,
}

impl Turns {
    /// From block `from` on.
    fn new(fit: &ToneFit, sums: &BlockSums, from: usize) -> Self {
        let (from_s, step_s) = (sums.centre_s(from), sums.block_s());
        let tau = from_s - fit.at_s;
        let line = |h: &Line<u32>| {
            let h = f64::from(h.what);
            Turning::new(h * fit.comb_hz, h * fit.comb_rate, tau, step_s)
        };
        let mut lines = vec![Turning::new(fit.frequency_hz, fit.rate, tau, step_s)];
        lines.extend(fit.lines.iter().map(line));
        lines.extend(fit.lone.iter().map(|l| Turning::new(l.what, 0.0, tau, step_s)));
        let carrier = Turning::new(-sums.carrier_hz(), 0.0, from_s, step_s);
        Self { carrier, now: vec![Complex64::default(); lines.len()], lines }
    }

    /// What turns the carrier back in this block, and e^(j·phase) there of the note, the comb's lines and the lone ones.
    #[inline(always)]
    fn turn(&mut self) -> (Complex64, &[Complex64]) {
        self.now.iter_mut().zip(&mut self.lines).for_each(|(now, line)| *now = line.turn());
        (self.carrier.turn(), &self.now)
    }
}

/// See [`ToneFit::residual_turns`].
#[multiversion(targets("x86_64+avx2"))]
fn residual_turns(fit: &ToneFit, sums: &BlockSums, (from, to): (usize, usize)) -> Vec<Option<Complex64>> {
    let ahead = fit.amplitude.conj() / fit.amplitude.norm().max(1e-30);
    let mut turns = Turns::new(fit, sums, from);
    let one = |k: usize| {
        let (back, turns) = turns.turn();
        let mean = sums.mean(k)?;
        let tau = sums.centre_s(k) - fit.at_s;
        let (turn, f) = (turns[0], fit.frequency_hz + fit.rate * tau);
        let image = turn.conj() * back * fit.amplitude.conj() * (0.5 * fit.pass.at(sums, f).1);
        Some((mean - fit.nuisance(sums, tau, back, &turns[1..]) - image) * (back * turn).conj() * ahead)
    };
    (from..to).map(one).collect()
}

/// Gathers the normal equations of the first `columns` parameters about the present fit: the linear ones are
/// solved for anew, the nonlinear ones for their step. `None` with too few rows.
#[multiversion(targets("x86_64+avx2"))]
fn gather(
    fit: &ToneFit,
    sums: &BlockSums,
    (from, to): (usize, usize),
    layout: &Layout,
    columns: usize,
    skip: &dyn Fn(usize) -> bool,
) -> Option<Normal> {
    let mut normal = Normal::new(columns);
    let level = fit.level * fit.level_pass;
    let mut turns = Turns::new(fit, sums, from);
    let all = columns > layout.frequency();
    for k in from..to {
        let (back, turns) = turns.turn();
        if skip(k) {
            continue;
        }
        let Some(z) = sums.mean(k) else { continue };
        if layout.level {
            normal.fill(|columns, i| {
                fit.columns(sums, k, (back, turns), layout, |at, z| columns[at][i] = z.re, all);
                z.re
            });
        } else {
            normal.fill_parts(|columns, i| {
                let put = |at: usize, z: Complex64| columns[at][i..i + 2].copy_from_slice(&[z.re, z.im]);
                fit.columns(sums, k, (back, turns), layout, put, all);
                z - back * level
            });
        }
    }
    (normal.rows() >= columns + 3).then_some(normal)
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

    /// Puts the derivatives of the mean of block `k` by all parameters or only by the amplitudes; `turns` are e^(j·phase)
    /// there of the note, of the comb's lines and of the lone ones, `back` is e^(−j·the carrier's phase).
    #[inline(always)]
    fn columns(
        &self,
        sums: &BlockSums,
        k: usize,
        (back, turns): (Complex64, &[Complex64]),
        layout: &Layout,
        mut put: impl FnMut(usize, Complex64),
        all: bool,
    ) {
        let tau = sums.centre_s(k) - self.at_s;
        let (comb_turns, lone_turns) = turns[1..].split_at(self.lines.len());
        let note = self.pass.terms(sums, self.frequency_hz + self.rate * tau, turns[0], back);
        put(0, note.0);
        put(1, note.1);
        if layout.level {
            put(2, Complex64::new(1.0, 0.0));
        }
        let mut bent = Complex64::default();
        let comb_now = self.comb_hz + self.comb_rate * tau;
        for (i, (line, turn)) in self.lines.iter().zip(comb_turns).enumerate() {
            let h = f64::from(line.what);
            let terms = line.pass.terms(sums, h * comb_now, *turn, back);
            put(layout.line(i), terms.0);
            put(layout.line(i) + 1, terms.1);
            bent += times(line.amplitude * Complex64::i() * h, terms);
        }
        for (i, (line, turn)) in self.lone.iter().zip(lone_turns).enumerate() {
            let terms = line.pass.terms(sums, line.what, *turn, back);
            let at = layout.line(self.lines.len() + i);
            put(at, terms.0);
            put(at + 1, terms.1);
            if all {
                let bent = times(line.amplitude * Complex64::i(), terms);
                put(layout.lone_frequency() + i, bent * (2.0 * PI * tau));
            }
        }
        if !all {
            return;
        }
        let turned = times(self.amplitude * Complex64::i(), note);
        let mut at = layout.frequency();
        put(at, turned * (2.0 * PI * tau));
        if layout.with_rate {
            at += 1;
            put(at, turned * (PI * tau * tau));
        }
        if layout.comb_free {
            put(at + 1, bent * (2.0 * PI * tau));
            put(at + 2, bent * (PI * tau * tau));
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
    use crate::estimate::chance::uniforms;
    use crate::estimate::tone_bound_hz;

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
