//! The rows of a fit: derivatives of the block means by its parameters, and what the fit leaves of them; neighbouring blocks
//! side by side.

use super::super::blocks::BlockSums;
use super::super::linear::{Normal, ROWS};
use super::super::pass::{Parts, add_times, scaled, times};
use super::super::turning::Turnings;
use super::{Line, ToneFit};
use multiversion::multiversion;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Parameters in the order of the columns: note (2), steady level (1, only on plain means), lines of the comb and lone
/// ones (2 each), then the freed nonlinear ones.
///
/// With a carrier the blocks hold whole half-cycles, which makes a steady level nearly invisible and what is left of
/// it nearly the note's own column: there it is no parameter, but taken out by its mean.
pub struct Layout {
    pub level: bool,
    pub comb: usize,
    pub lone: usize,
    pub with_rate: bool,
    pub comb_free: bool,
}

impl Layout {
    pub fn line(&self, i: usize) -> usize {
        2 + usize::from(self.level) + 2 * i
    }
    pub fn frequency(&self) -> usize {
        self.line(self.comb + self.lone)
    }
    /// The frequency of the first lone line.
    pub fn lone_frequency(&self) -> usize {
        self.frequency() + 1 + usize::from(self.with_rate) + 2 * usize::from(self.comb_free)
    }
    pub fn len(&self) -> usize {
        self.lone_frequency() + self.lone
    }
}

impl ToneFit {
    /// The note in blocks `from..to` with everything else taken out, turned back by the fitted phase: a real positive number
    /// (half the amplitude) where the fit holds, and its phase is how far the note is ahead of the fit, rad. `None` where
    /// the block is missing.
    pub fn residual_turns(&self, sums: &BlockSums, span: (usize, usize)) -> Vec<Option<Complex64>> {
        residual_turns(self, sums, span)
    }

    /// Observed minus fitted means of blocks `from..to`; missing blocks are left out.
    pub fn residuals(&self, sums: &BlockSums, (from, to): (usize, usize)) -> impl Iterator<Item = Complex64> {
        let mut turns = Turns::new(self, sums, from);
        (from..to).step_by(ROWS).flat_map(move |k| {
            let tau = taus(self, sums, k);
            let (back, turns) = turns.turn();
            let mut fitted =
                times(self.amplitude, &self.pass.terms(sums, &self.frequency_at(&tau), &turns[0], &back));
            self.add_nuisance(&mut fitted, sums, &tau, &back, &turns[1..]);
            let left = |i: usize| Some(sums.mean(k + i)? - Complex64::new(fitted[0][i], fitted[1][i]));
            let left: [Option<Complex64>; ROWS] = std::array::from_fn(left);
            left.into_iter().take(to - k).flatten()
        })
    }

    /// The note's frequency `tau` s from the middle.
    #[inline(always)]
    fn frequency_at(&self, tau: &[f64; ROWS]) -> [f64; ROWS] {
        let mut frequency = [self.frequency_hz; ROWS];
        for i in 0..ROWS {
            frequency[i] += self.rate * tau[i];
        }
        frequency
    }

    /// The frequency of line `order` of the comb `tau` s from the middle.
    #[inline(always)]
    fn comb_at(&self, order: f64, tau: &[f64; ROWS]) -> [f64; ROWS] {
        let mut frequency = [order * self.comb_hz; ROWS];
        for i in 0..ROWS {
            frequency[i] += order * self.comb_rate * tau[i];
        }
        frequency
    }

    /// Adds what the comb, the lone lines and the steady level leave in some blocks `tau` s from the middle; `back` is e^(−j·the
    /// carrier's phase) there, `turns` e^(j·phase) of the comb's lines and of the lone ones.
    #[inline(always)]
    fn add_nuisance(
        &self,
        sum: &mut Parts,
        sums: &BlockSums,
        tau: &[f64; ROWS],
        back: &Parts,
        turns: &[Parts],
    ) {
        let level = self.level * self.level_pass;
        for part in 0..2 {
            for i in 0..ROWS {
                sum[part][i] += back[part][i] * level;
            }
        }
        let (comb_turns, lone_turns) = turns.split_at(self.lines.len());
        for (line, turn) in self.lines.iter().zip(comb_turns) {
            let frequency = self.comb_at(f64::from(line.what), tau);
            add_times(sum, line.amplitude, &line.pass.terms(sums, &frequency, turn, back));
        }
        for (line, turn) in self.lone.iter().zip(lone_turns) {
            add_times(sum, line.amplitude, &line.pass.terms(sums, &[line.what; ROWS], turn, back));
        }
    }

    /// Puts the derivatives of the means of some blocks, `tau` s from the middle, by all parameters or only by the amplitudes;
    /// `turns` are e^(j·phase) there of the note, of the comb's lines and of the lone ones, `back` is e^(−j·the carrier's
    /// phase).
    #[inline(always)]
    fn columns(
        &self,
        sums: &BlockSums,
        tau: &[f64; ROWS],
        (back, turns): (&Parts, &[Parts]),
        layout: &Layout,
        [re, im]: &mut [Vec<[f64; ROWS]>; 2],
        all: bool,
    ) {
        let mut put = |at: usize, z: &Parts| (re[at], im[at]) = (z[0], z[1]);
        let (mut slid, mut bent) = ([0.0; ROWS], [0.0; ROWS]);
        for i in 0..ROWS {
            (slid[i], bent[i]) = (2.0 * PI * tau[i], PI * tau[i] * tau[i]);
        }
        let (comb_turns, lone_turns) = turns[1..].split_at(self.lines.len());
        let note = self.pass.terms(sums, &self.frequency_at(tau), &turns[0], back);
        put(0, &note[0]);
        put(1, &note[1]);
        if layout.level {
            put(2, &[[1.0; ROWS], [0.0; ROWS]]);
        }
        let mut combed = [[0.0; ROWS]; 2];
        for (i, (line, turn)) in self.lines.iter().zip(comb_turns).enumerate() {
            let h = f64::from(line.what);
            let terms = line.pass.terms(sums, &self.comb_at(h, tau), turn, back);
            put(layout.line(i), &terms[0]);
            put(layout.line(i) + 1, &terms[1]);
            add_times(&mut combed, line.amplitude * Complex64::i() * h, &terms);
        }
        for (i, (line, turn)) in self.lone.iter().zip(lone_turns).enumerate() {
            let terms = line.pass.terms(sums, &[line.what; ROWS], turn, back);
            let at = layout.line(self.lines.len() + i);
            put(at, &terms[0]);
            put(at + 1, &terms[1]);
            if all {
                let turned = times(line.amplitude * Complex64::i(), &terms);
                put(layout.lone_frequency() + i, &scaled(&turned, &slid));
            }
        }
        if !all {
            return;
        }
        let turned = times(self.amplitude * Complex64::i(), &note);
        let mut at = layout.frequency();
        put(at, &scaled(&turned, &slid));
        if layout.with_rate {
            at += 1;
            put(at, &scaled(&turned, &bent));
        }
        if layout.comb_free {
            put(at + 1, &scaled(&combed, &slid));
            put(at + 2, &scaled(&combed, &bent));
        }
    }
}

/// The turns of a fit's lines, some blocks after some.
struct Turns {
    carrier: Turnings<ROWS>,
    lines: Vec<Turnings<ROWS>>,
    now: Vec<Parts>,
}

impl Turns {
    /// From block `from` on.
    fn new(fit: &ToneFit, sums: &BlockSums, from: usize) -> Self {
        let (from_s, step_s) = (sums.centre_s(from), sums.block_s());
        let tau = from_s - fit.at_s;
        let line = |h: &Line<u32>| {
            let h = f64::from(h.what);
            Turnings::new(h * fit.comb_hz, h * fit.comb_rate, tau, step_s)
        };
        let mut lines = vec![Turnings::new(fit.frequency_hz, fit.rate, tau, step_s)];
        lines.extend(fit.lines.iter().map(line));
        lines.extend(fit.lone.iter().map(|l| Turnings::new(l.what, 0.0, tau, step_s)));
        let carrier = Turnings::new(-sums.carrier_hz(), 0.0, from_s, step_s);
        Self { carrier, now: vec![[[0.0; ROWS]; 2]; lines.len()], lines }
    }

    /// What turns the carrier back in the next blocks, and e^(j·phase) there of the note, the comb's lines and the lone ones.
    #[inline(always)]
    fn turn(&mut self) -> (Parts, &[Parts]) {
        for (now, line) in self.now.iter_mut().zip(&mut self.lines) {
            *now = line.turn();
        }
        (self.carrier.turn(), &self.now)
    }
}

/// How far the blocks from `k` on are from the middle of a fit, s.
#[inline(always)]
fn taus(fit: &ToneFit, sums: &BlockSums, k: usize) -> [f64; ROWS] {
    std::array::from_fn(|i| sums.centre_s(k + i) - fit.at_s)
}

/// See [`ToneFit::residual_turns`].
#[multiversion(targets("x86_64+avx2"))]
fn residual_turns(fit: &ToneFit, sums: &BlockSums, (from, to): (usize, usize)) -> Vec<Option<Complex64>> {
    let ahead = fit.amplitude.conj() / fit.amplitude.norm().max(1e-30);
    let mut turns = Turns::new(fit, sums, from);
    let mut residuals = Vec::with_capacity(to - from);
    for k in (from..to).step_by(ROWS) {
        let tau = taus(fit, sums, k);
        let (back, turns) = turns.turn();
        // The note's image and the turn that takes the note back.
        let image = scaled(&back, &fit.pass.at(sums, &fit.frequency_at(&tau))[1]);
        let (mut beside, mut undone, own) = ([[0.0; ROWS]; 2], [[0.0; ROWS]; 2], &turns[0]);
        for i in 0..ROWS {
            let half = fit.amplitude * 0.5;
            let (re, im) =
                (own[0][i] * half.re - own[1][i] * half.im, own[0][i] * half.im + own[1][i] * half.re);
            beside[0][i] = re * image[0][i] + im * image[1][i];
            beside[1][i] = re * image[1][i] - im * image[0][i];
            let (re, im) = (
                back[0][i] * own[0][i] - back[1][i] * own[1][i],
                back[0][i] * own[1][i] + back[1][i] * own[0][i],
            );
            (undone[0][i], undone[1][i]) = (re * ahead.re + im * ahead.im, re * ahead.im - im * ahead.re);
        }
        fit.add_nuisance(&mut beside, sums, &tau, &back, &turns[1..]);
        let one = |i: usize| {
            let [beside, undone] = [&beside, &undone].map(|z| Complex64::new(z[0][i], z[1][i]));
            Some((sums.mean(k + i)? - beside) * undone)
        };
        residuals.extend((0..ROWS.min(to - k)).map(one));
    }
    residuals
}

/// Gathers the normal equations of the first `columns` parameters about the present fit: the linear ones are
/// solved for anew, the nonlinear ones for their step. `None` with too few rows.
#[multiversion(targets("x86_64+avx2"))]
pub fn gather(
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
    for k in (from..to).step_by(ROWS) {
        let (back, turns) = turns.turn();
        let (mut there, mut means) = ([false; ROWS], [[0.0; ROWS]; 2]);
        for i in 0..ROWS.min(to - k) {
            if let Some(mean) = sums.mean(k + i).filter(|_| !skip(k + i)) {
                (there[i], means[0][i], means[1][i]) = (true, mean.re, mean.im);
            }
        }
        if there == [false; ROWS] {
            continue;
        }
        // On plain means the rows have no imaginary part, and the level is a parameter.
        normal.fill_parts(there, !layout.level, |parts| {
            fit.columns(sums, &taus(fit, sums, k), (&back, turns), layout, parts, all);
            for (part, columns) in parts.iter_mut().enumerate() {
                let column = columns.last_mut().expect("one for the observed values");
                *column = means[part];
                if !layout.level {
                    for i in 0..ROWS {
                        column[i] -= back[part][i] * level;
                    }
                }
            }
        });
    }
    (normal.rows() >= columns + 3).then_some(normal)
}
