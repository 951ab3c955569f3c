//! A rest of two notes that short stretches do not tell apart.
//!
//! The sound about a carrier between the notes is brought down to means over 5 ms. Two tones with one common drift are
//! fitted to the middle of the rest ([`crate::estimate::fit_pair`]); from there it grows by steps of 40 ms as long as
//! what the last turns of the beat foretell is what comes. The phase between the notes is then taken turn by turn of
//! the beat, where the two are orthogonal, and settled as for notes that stand far apart.
//!
//! Weak points: a key that goes up or down ends the rest, since within a turn of the beat it can't be told from the
//! beat itself; hum and other lines within some 30 Hz are not fitted beside the notes.

use super::phase::{Apart, Point, Reference, settle};
use super::wide::Sound;
use crate::estimate::{BlockSums, Normal, PairFit, PairFree, Solution, fit_pair, whole_turns};
use num_complex::Complex64;
use std::f64::consts::PI;

/// Length of a block, s, and blocks to a step outward.
const BLOCK_S: f64 = 0.005;
const STEP: usize = 8;
/// What foretells: so many turns of the beat, between these lengths, s.
const TURNS: f64 = 2.0;
const FORETELLS_S: (f64, f64) = (0.4, 6.0);
/// How far, in standard deviations of χ², a step and a run of steps may stray.
const EDGE_SIGMAS: f64 = 5.0;
const RUN: usize = 4;
/// Backing off from a noticed edge, s.
const BACK_OFF_S: f64 = 0.1;
/// Fewest turns of the beat that are a measurement.
const LEAST_TURNS: f64 = 1.3;
/// A drift is freed over this, s and turns.
const DRIFT_S: f64 = 1.0;
const DRIFT_TURNS: f64 = 2.0;

/// Sums for notes about `carrier_hz` over a stretch, s.
pub fn sums_over(sound: Sound, carrier_hz: f64, (from_s, to_s): (f64, f64), block_s: f64) -> BlockSums {
    let index = |s: f64| (s.max(0.0) * sound.rate_hz).round() as u64;
    let samples = sound.history.slice(index(from_s), index(to_s));
    let first = index(from_s).max(sound.history.first());
    let block = (block_s * sound.rate_hz).round() as usize;
    let mut sums = BlockSums::new(sound.rate_hz, carrier_hz, block, first);
    sums.push(samples);
    sums
}

/// Measures the rest about `core` (s) of notes near `reference`; `limits` is where it may reach to.
pub fn measure(sound: Sound, core: (f64, f64), reference: Reference, limits: (f64, f64)) -> Option<Apart> {
    let apart = (reference.hz[1] - reference.hz[0]).abs();
    let middle_s = f64::midpoint(core.0, core.1);
    let carrier = f64::midpoint(reference.hz_at(0, middle_s), reference.hz_at(1, middle_s));
    let sums = sums_over(sound, carrier, limits, BLOCK_S);
    let index = |s: f64| ((s - sums.origin_s()) / sums.block_s()).clamp(0.0, sums.len() as f64) as usize;
    let (mut from, mut to) = (index(core.0), index(core.1));
    let local_s = middle_s - sums.origin_s();
    let hz = [0, 1].map(|i| reference.hz_at(i, middle_s));
    let mut fit = PairFit::guess(local_s, hz, reference.rate);
    fit = refit(&sums, (from, to), &fit, apart)?;
    // Outward, with the fit made anew whenever the rest has grown by half.
    let mut open = [true, true];
    while open[0] || open[1] {
        let most = ((to - from) / 4).max(2 * STEP);
        let (was_from, was_to) = (from, to);
        if open[1] {
            (to, open[1]) = grow(&sums, &fit, (from, to), 1, most, apart);
        }
        if open[0] {
            (from, open[0]) = grow(&sums, &fit, (from, to), -1, most, apart);
        }
        if (from, to) != (was_from, was_to) {
            fit = refit(&sums, (from, to), &fit, apart).unwrap_or(fit);
        }
    }
    let span = (to.checked_sub(from)?) as f64 * sums.block_s();
    if span * apart < LEAST_TURNS {
        return None;
    }
    fit = refit(&sums, (from, to), &fit, apart)?;
    let edges =
        (sums.origin_s() + from as f64 * sums.block_s(), sums.origin_s() + to as f64 * sums.block_s());
    let reference = Reference { at_s: sums.origin_s() + fit.at_s, hz: fit.hz, rate: fit.rate };
    settle(&turns(&sums, &fit, (from, to)), &reference, edges)
}

fn refit(sums: &BlockSums, span: (usize, usize), fit: &PairFit, apart: f64) -> Option<PairFit> {
    let length = (span.1 - span.0) as f64 * sums.block_s();
    let free =
        PairFree { rate: length > DRIFT_S && length * apart > DRIFT_TURNS, swell: length * apart > 4.0 };
    fit_pair(sums, span, fit, free)
}

/// Both notes' complex amplitudes against the fit over blocks `from..to`, each with a steady change where `change`,
/// and the variance of a row.
fn amplitudes(
    sums: &BlockSums,
    fit: &PairFit,
    (from, to): (usize, usize),
    change: bool,
) -> Option<(Solution, f64)> {
    let columns = if change { 8 } else { 4 };
    let mut normal = Normal::new(columns);
    for k in from..to {
        let Some(z) = sums.mean(k) else { continue };
        let row = columns_of(sums, fit, k, f64::midpoint(from as f64, to as f64 - 1.0));
        let (re, im): (Vec<f64>, Vec<f64>) = row[..columns].iter().map(|c| (c.re, c.im)).unzip();
        normal.add(&re, z.re);
        normal.add(&im, z.im);
    }
    if normal.rows() < columns + 4 {
        return None;
    }
    let solution = normal.solve()?;
    let variance = normal.misfit(&solution.x) / (normal.rows() - columns) as f64;
    Some((solution, variance))
}

fn columns_of(sums: &BlockSums, fit: &PairFit, k: usize, middle: f64) -> [Complex64; 8] {
    let tau = (k as f64 - middle) * sums.block_s();
    let t = [fit.term(0, sums, k), fit.term(1, sums, k)];
    let i = Complex64::i();
    [t[0], t[0] * i, t[1], t[1] * i, t[0] * tau, t[0] * i * tau, t[1] * tau, t[1] * i * tau]
}

/// Grows the span by at most `most` blocks to one side; whether it may grow further.
fn grow(
    sums: &BlockSums,
    fit: &PairFit,
    (from, to): (usize, usize),
    outward: isize,
    most: usize,
    apart: f64,
) -> (usize, bool) {
    let foretells = (TURNS / apart).clamp(FORETELLS_S.0, FORETELLS_S.1);
    let length = ((foretells / sums.block_s()) as usize).min(to - from);
    let back = |edge: usize, steps: usize| {
        let blocks = steps * STEP + (BACK_OFF_S / sums.block_s()) as usize;
        if outward > 0 { edge.saturating_sub(blocks).max(from + 1) } else { (edge + blocks).min(to - 1) }
    };
    let mut edge = if outward > 0 { to } else { from };
    let mut strays: Vec<f64> = Vec::new();
    let mut taken = 0;
    while taken < most {
        let next = if outward > 0 { (edge, edge + STEP) } else { (edge.wrapping_sub(STEP), edge) };
        if next.1 > sums.len() || outward < 0 && edge < STEP {
            // The sound itself ends here.
            return (edge, false);
        }
        let known = if outward > 0 {
            (edge - length.min(edge), edge)
        } else {
            (edge, (edge + length).min(sums.len()))
        };
        let Some((solution, variance)) = amplitudes(sums, fit, known, true) else { return (edge, false) };
        let middle = f64::midpoint(known.0 as f64, known.1 as f64 - 1.0);
        let (mut square, mut rows, mut expected) = (0.0, 0.0, 0.0);
        for k in next.0..next.1 {
            let Some(z) = sums.mean(k) else { continue };
            let row = columns_of(sums, fit, k, middle);
            let told: Complex64 = row.iter().zip(&solution.x).map(|(c, x)| c * x).sum();
            square += (z - told).norm_sqr();
            rows += 2.0;
            // What the foretelling itself leaves open.
            let open = |part: fn(Complex64) -> f64| solution.variance_of(&row.map(part));
            expected += 2.0 + open(|c| c.re) + open(|c| c.im);
        }
        edge = if outward > 0 { next.1 } else { next.0 };
        taken += STEP;
        if rows < 1.0 {
            strays.push(0.0);
            continue;
        }
        // χ² of the step over what noise and foretelling lead one to expect.
        let stray = (square / variance - expected) / (2.0 * expected * expected / rows).sqrt();
        strays.push(stray);
        let run = strays.len().min(RUN);
        let sum = strays[strays.len() - run..].iter().sum::<f64>() / (run as f64).sqrt();
        if stray > 2.5 * EDGE_SIGMAS || sum > EDGE_SIGMAS {
            return (back(edge, if stray > 2.5 * EDGE_SIGMAS { 1 } else { run }), false);
        }
    }
    (edge, true)
}

/// The phases turn by turn of the beat.
fn turns(sums: &BlockSums, fit: &PairFit, (from, to): (usize, usize)) -> Vec<Point> {
    let apart = (fit.hz[1] - fit.hz[0]).abs();
    let span = (to - from) as f64 * sums.block_s();
    let beats = span * apart;
    let several = (beats / 24.0).floor().clamp(1.0, 4.0);
    let length = (several / apart).min(span / 5.0);
    let count = (span / length).floor().max(1.0) as usize;
    let change = several >= 2.0;
    let edge = |i: usize| from + (i * (to - from)) / count;
    let mut points: Vec<Point> = Vec::with_capacity(count);
    for i in 0..count {
        let part = (edge(i), edge(i + 1));
        let Some((solution, variance)) = amplitudes(sums, fit, part, change) else { continue };
        let x = &solution.x;
        let a = [Complex64::new(x[0], x[1]), Complex64::new(x[2], x[3])];
        // Derivatives of both phases and of the one between by the amplitudes.
        let by = |i: usize| [-a[i].im / a[i].norm_sqr(), a[i].re / a[i].norm_sqr()];
        let (d0, d1) = (by(0), by(1));
        let spread = |d: [f64; 4]| variance * solution.variance_of(&d);
        let variances = [spread([d0[0], d0[1], 0.0, 0.0]), spread([0.0, 0.0, d1[0], d1[1]])];
        let between_variance = spread([-d0[0], -d0[1], d1[0], d1[1]]);
        if between_variance > 0.5 {
            continue;
        }
        let local = f64::midpoint(sums.centre_s(part.0), sums.centre_s(part.1 - 1));
        let bend = PI * fit.rate * (local - fit.at_s).powi(2);
        let phases = [a[0].arg() + bend, a[1].arg() + bend];
        let mut between = a[1].arg() - a[0].arg();
        if let Some(last) = points.last() {
            between -= whole_turns(between - last.between);
        }
        points.push(Point {
            at_s: sums.origin_s() + local,
            phases,
            between,
            variances,
            variance: between_variance,
            powers: [a[0].norm_sqr(), a[1].norm_sqr()],
            density: sums.density(variance),
        });
    }
    points
}
