//! Decimation by a whole factor, in stages of linear-phase FIR filters.

use crate::block::any_missing;
use multiversion::multiversion;
use std::collections::VecDeque;

/// Notes up to this fraction of the working rate pass flat; what would fold onto them is stopped.
const PASS: f64 = 0.45;
/// Stop-band attenuation asked of the Kaiser design, dB.
const STOP_DB: f64 = 75.0;

/// Outputs that are worked out side by side, so that the compiler may keep their sums in wide registers.
const SIDE_BY_SIDE: usize = 64;
const FEW_SIDE_BY_SIDE: usize = 8;
/// Taps below this are none: a half-band filter has a zero at every second place, and so a phase with one tap.
const LEAST_TAP: f32 = 1e-9;

/// Every `factor`-th input sample, and the taps that meet them. Sample m of phase p is input sample m·factor + p, and output
/// k is the sum over p and q of tap q·factor + p times sample k + q of phase p, so that neighbouring outputs read
/// neighbouring samples.
struct Phase {
    /// The first q with a tap, and the taps from there on.
    first: usize,
    taps: Vec<f32>,
    samples: Vec<f32>,
}

/// One stage: a symmetric FIR and a factor.
struct Stage {
    phases: Vec<Phase>,
    /// The largest q.
    longest: usize,
    /// The phase that the next input sample belongs to.
    turn: usize,
    /// Where in the phases the next output's filter begins.
    at: usize,
    /// The newest outputs.
    output: Vec<f32>,
}

impl Stage {
    /// `pass` and `stop` in cycles per input sample.
    fn new(factor: usize, pass: f64, stop: f64) -> (Self, usize) {
        let taps = kaiser_lowpass(pass, stop);
        let half = taps.len() / 2;
        let phase = |p: usize| {
            let every: Vec<f32> = taps.iter().skip(p).step_by(factor).copied().collect();
            let there = |t: &f32| t.abs() > LEAST_TAP;
            let first = every.iter().position(there).unwrap_or(0);
            let end = every.iter().rposition(there).map_or(first, |last| last + 1);
            Phase { first, taps: every[first..end].to_vec(), samples: Vec::new() }
        };
        let mut stage = Self {
            phases: (0..factor).map(phase).collect(),
            longest: (taps.len() - 1) / factor,
            turn: 0,
            at: 0,
            output: Vec::new(),
        };
        // Half a filter of zeros, so that output 0 is centred on input 0.
        stage.take(&vec![0.0; half]);
        (stage, half)
    }

    /// Deals the input out to the phases.
    fn take(&mut self, input: &[f32]) {
        let factor = self.phases.len();
        let head = ((factor - self.turn) % factor).min(input.len());
        for &x in &input[..head] {
            self.phases[self.turn].samples.push(x);
            self.turn = (self.turn + 1) % factor;
        }
        let tail = input[head..].chunks_exact(factor).remainder();
        let whole = &input[head..input.len() - tail.len()];
        match factor {
            2 => deal::<2>(&mut self.phases, whole),
            3 => deal::<3>(&mut self.phases, whole),
            _ => {
                for (p, phase) in self.phases.iter_mut().enumerate() {
                    phase.samples.extend(whole.iter().skip(p).step_by(factor));
                }
            }
        }
        for &x in tail {
            self.phases[self.turn].samples.push(x);
            self.turn += 1;
        }
    }

    /// The outputs that `input` completes.
    fn run(&mut self, input: &[f32]) -> &[f32] {
        self.take(input);
        // The last phase is the shortest.
        let have = self.phases.last().map_or(0, |p| p.samples.len());
        let ready = have.saturating_sub(self.at + self.longest);
        self.output.resize(ready, 0.0);
        filter(&self.phases, self.at, &mut self.output);
        self.at += ready;
        if self.at > 4096 {
            for phase in &mut self.phases {
                phase.samples.drain(..self.at);
            }
            self.at = 0;
        }
        &self.output
    }
}

/// Deals whole turns of the input out to `N` phases.
#[multiversion(targets("x86_64+avx2"))]
fn deal<const N: usize>(phases: &mut [Phase], input: &[f32]) {
    let (turns, _) = input.as_chunks::<N>();
    for (p, phase) in phases.iter_mut().enumerate() {
        phase.samples.extend(turns.iter().map(|turn| turn[p]));
    }
}

/// Works out outputs, the filter of the first of which begins at `at` in the phases.
#[multiversion(targets("x86_64+avx2"))]
fn filter(phases: &[Phase], at: usize, output: &mut [f32]) {
    let (wide, rest) = output.as_chunks_mut::<SIDE_BY_SIDE>();
    let (narrow, single) = rest.as_chunks_mut::<FEW_SIDE_BY_SIDE>();
    let narrow_at = at + wide.len() * SIDE_BY_SIDE;
    let single_at = narrow_at + narrow.len() * FEW_SIDE_BY_SIDE;
    wide.iter_mut().enumerate().for_each(|(i, out)| *out = filtered(phases, at + i * SIDE_BY_SIDE));
    narrow
        .iter_mut()
        .enumerate()
        .for_each(|(i, out)| *out = filtered(phases, narrow_at + i * FEW_SIDE_BY_SIDE));
    single.iter_mut().enumerate().for_each(|(i, out)| [*out] = filtered(phases, single_at + i));
}

/// `N` neighbouring outputs.
#[inline(always)]
fn filtered<const N: usize>(phases: &[Phase], at: usize) -> [f32; N] {
    let mut sums = [0.0f32; N];
    for phase in phases {
        let windows = phase.samples[at + phase.first..].windows(N);
        for (window, tap) in windows.zip(&phase.taps) {
            for (sum, x) in sums.iter_mut().zip(window) {
                *sum += tap * x;
            }
        }
    }
    sums
}

/// Odd-length Kaiser-window low-pass with unit gain at zero; edges in cycles per sample.
///
/// Kaiser's design formulae as in Oppenheim and Schafer, Discrete-Time Signal Processing, section 7.5.3 (from memory).
fn kaiser_lowpass(pass: f64, stop: f64) -> Vec<f32> {
    use std::f64::consts::PI;
    let width = 2.0 * PI * (stop - pass);
    let half = ((STOP_DB - 8.0) / (2.285 * width) / 2.0).ceil() as i32;
    let beta = 0.1102 * (STOP_DB - 8.7);
    let centre = pass + stop; // cut-off in half-cycles per sample: 2·(pass + stop)/2
    let taps: Vec<f64> = (-half..=half)
        .map(|n| {
            let x = f64::from(n);
            let ideal = if n == 0 { centre } else { (PI * centre * x).sin() / (PI * x) };
            let w = (1.0 - (x / f64::from(half + 1)).powi(2)).sqrt();
            ideal * bessel_i0(beta * w) / bessel_i0(beta)
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|t| (t / sum) as f32).collect()
}

/// Modified Bessel function of the first kind and order zero, by its power series.
fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * 1e-16 {
        term *= (x / (2.0 * k)).powi(2);
        sum += term;
        k += 1.0;
    }
    sum
}

/// Brings one channel down by a whole factor; missing input (NaN) comes out as NaN around its place.
pub struct Decimator {
    stages: Vec<Stage>,
    factor: usize,
    /// Input frames on either side that an output depends on.
    reach: u64,
    /// Input taken so far.
    taken: u64,
    /// Output given so far.
    given: u64,
    /// Missing input still within reach, as half-open ranges of input index.
    missing: VecDeque<(u64, u64)>,
    /// Scratch: input with zeros for what is missing.
    filled: Vec<f32>,
}

impl Decimator {
    /// A decimator by `factor` (1 passes the samples through).
    pub fn new(factor: usize) -> Self {
        let mut stages = Vec::new();
        let (mut left, mut reach, mut scale) = (factor, 0.0, 1.0);
        while left > 1 {
            // The sharp filter works at the lowest rate: the smallest prime factor comes last.
            let smallest = (2..=left).find(|p| left % p == 0).unwrap_or(left);
            let by = if smallest == left { left } else { left / smallest };
            let rate_in = left as f64; // in units of the final rate
            let last = by == left;
            // What folds onto the pass band must be stopped; in between, the later stages stop it.
            let stop = rate_in / by as f64 - if last { PASS } else { 0.5 };
            let (stage, half) = Stage::new(by, PASS / rate_in, stop / rate_in);
            reach += half as f64 * scale;
            scale *= by as f64;
            stages.push(stage);
            left /= by;
        }
        Self {
            stages,
            factor,
            reach: reach as u64,
            taken: 0,
            given: 0,
            missing: VecDeque::new(),
            filled: Vec::new(),
        }
    }

    /// Input frames on either side of an output that it depends on.
    pub fn reach(&self) -> u64 {
        self.reach
    }

    /// So much input, `about` or less, that outputs come in whole groups of those that are worked out side by side.
    pub fn handy(&self, about: usize) -> usize {
        let group = self.factor * SIDE_BY_SIDE;
        (about / group).max(1) * group
    }

    /// Takes `input`, appends what it completes to `output`: sample k of the whole output stands for input k·factor.
    pub fn run(&mut self, input: &[f32], output: &mut Vec<f32>) {
        if !any_missing(input) {
            return self.run_whole(input, output);
        }
        let mut filled = std::mem::take(&mut self.filled);
        filled.clear();
        filled.extend_from_slice(input);
        for (i, x) in filled.iter_mut().enumerate() {
            if !x.is_finite() {
                *x = 0.0;
                self.note_missing(self.taken + i as u64);
            }
        }
        self.run_whole(&filled, output);
        self.filled = filled;
    }

    /// The same for input of which nothing is missing.
    pub fn run_whole(&mut self, input: &[f32], output: &mut Vec<f32>) {
        self.taken += input.len() as u64;
        let mut latest = input;
        for stage in &mut self.stages {
            latest = stage.run(latest);
        }
        let from = output.len();
        output.extend_from_slice(latest);
        let given = latest.len();
        if !self.missing.is_empty() {
            for (k, x) in (self.given..).zip(&mut output[from..]) {
                if self.touches_missing(k * self.factor as u64) {
                    *x = f32::NAN;
                }
            }
        }
        self.given += given as u64;
    }

    /// Gives the outputs that still wait for input beyond the end.
    pub fn finish(&mut self, output: &mut Vec<f32>) {
        let want = self.taken.div_ceil(self.factor as u64).saturating_sub(self.given) as usize;
        let from = output.len();
        let zeros = vec![0.0; self.reach as usize + self.factor];
        self.run(&zeros, output);
        output.truncate(from + want);
    }

    fn note_missing(&mut self, at: u64) {
        match self.missing.back_mut() {
            Some((_, end)) if *end == at => *end += 1,
            _ => self.missing.push_back((at, at + 1)),
        }
    }

    fn touches_missing(&mut self, centre: u64) -> bool {
        while self.missing.front().is_some_and(|&(_, end)| end + self.reach <= centre) {
            self.missing.pop_front();
        }
        self.missing.front().is_some_and(|&(start, _)| start <= centre + self.reach)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gain_at(factor: usize, cycles_per_input: f64) -> f64 {
        let n = 4000 * factor;
        let tone: Vec<f32> =
            (0..n).map(|i| (2.0 * std::f64::consts::PI * cycles_per_input * i as f64).cos() as f32).collect();
        let mut out = Vec::new();
        let mut d = Decimator::new(factor);
        d.run(&tone, &mut out);
        d.finish(&mut out);
        let middle = &out[500..3500];
        (middle.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / middle.len() as f64 * 2.0).sqrt()
    }

    /// The design's own promises: flat to 0.45 of the output rate, 70 dB down where it would fold onto that band.
    #[test]
    fn passes_the_beat_and_stops_what_would_fold() {
        for factor in [2, 3, 5, 6, 12, 24] {
            let f = factor as f64;
            for pass in [0.01, 0.2, 0.44] {
                assert!((gain_at(factor, pass / f) - 1.0).abs() < 2e-3, "{factor} {pass}");
            }
            for stop in [0.57, 0.8, 0.99] {
                assert!(gain_at(factor, stop / f) < 4e-4, "{factor} {stop}: {}", gain_at(factor, stop / f));
            }
        }
    }

    #[test]
    fn output_k_stands_for_input_k_times_factor_whatever_the_block_size() {
        let input: Vec<f32> = (0..6000).map(|i| (i as f32 * 0.01).sin()).collect();
        let mut whole = Vec::new();
        let mut d = Decimator::new(6);
        d.run(&input, &mut whole);
        d.finish(&mut whole);
        assert_eq!(whole.len(), 1000);
        for (k, y) in whole.iter().enumerate().skip(60).take(880) {
            assert!((y - input[k * 6]).abs() < 1e-3);
        }
        let mut pieces = Vec::new();
        let mut d = Decimator::new(6);
        for chunk in input.chunks(7) {
            d.run(chunk, &mut pieces);
        }
        d.finish(&mut pieces);
        assert_eq!(whole, pieces);
    }

    #[test]
    fn a_gap_stays_a_gap() {
        let mut input = vec![0.5f32; 6000];
        input[3000..3060].fill(f32::NAN);
        let mut out = Vec::new();
        let mut d = Decimator::new(6);
        d.run(&input, &mut out);
        d.finish(&mut out);
        assert!(out[500..510].iter().all(|x| x.is_nan()));
        assert!(out[..400].iter().all(|x| x.is_finite()) && out[620..].iter().all(|x| x.is_finite()));
    }
}
