//! Below what a spectrum resolves: a few cycles of a real note, found by least squares on plain means.
//!
//! A note of frequency f and a steady level under n means leave the misfit `total − E(f)`, where with c and s the sums of
//! the means (their own mean taken out) times cos and sin, `E = (c²·SS − 2·c·s·CS + s²·CC) / (CC·SS − CS²)`. CC, SS and CS
//! are the sums of cos², sin² and cos·sin with their means taken out: they depend on n and f alone and stand in a table;
//! c and s for all f at once are one padded transform.

use super::history::History;
use crate::spectrum::{Peak, PlainFrame};
use multiversion::multiversion;
use num_complex::Complex32;
use std::f64::consts::PI;

/// Highest and lowest note looked for here, Hz.
pub const HIGHEST_HZ: f64 = 26.0;
const LOWEST_HZ: f64 = 0.25;
/// Rate of the plain means, Hz.
const RATE_HZ: f64 = 125.0;
/// Lengths looked at, s, longest first.
const LENGTHS_S: [f64; 3] = [4.0, 2.5, 1.3];
/// Least explained over unexplained power, for each of the note's two amplitudes.
const LEAST_F: f64 = 60.0;
/// The frequencies tried lie this far apart at most, in parts of the inverse of the length.
const STEP: f64 = 0.15;

/// What a note at one frequency makes of the sums: SS, CC and −2·CS over the determinant.
#[derive(Clone, Copy, Default)]
struct Cell {
    ss: f64,
    cc: f64,
    cs2: f64,
}

/// One length of sound that is looked at.
struct Look {
    length_s: f64,
    blocks: usize,
    frame: PlainFrame,
    /// The first bin that is tried; the table begins there.
    first: usize,
    table: Vec<Cell>,
}

impl Look {
    fn new(length_s: f64, dt: f64) -> Self {
        let blocks = (length_s / dt).round() as usize;
        let frame = PlainFrame::new(blocks, (blocks as f64 / STEP) as usize);
        let bin_hz = 1.0 / (dt * frame.size() as f64);
        let first = ((1.0 / length_s).max(LOWEST_HZ) / bin_hz).ceil() as usize;
        let last = ((HIGHEST_HZ / bin_hz) as usize).min(frame.size() / 2);
        let table = (first..=last).map(|k| cell(blocks, 2.0 * PI * k as f64 / frame.size() as f64));
        Self { length_s, blocks, table: table.collect(), first, frame }
    }

    /// The note that explains most of `means`, if it is one: its frequency, squared amplitude and how clear it is.
    fn search(&mut self, means: &[f32], dt: f64) -> Option<Peak> {
        let n = means.len() as f64;
        let mean = means.iter().sum::<f32>() / n as f32;
        let total: f64 = means.iter().map(|x| f64::from(x - mean).powi(2)).sum();
        let bin_hz = 1.0 / (dt * self.frame.size() as f64);
        let bins = &self.frame.bins(means, mean)[self.first..];
        let (at, most) = most_explained(bins, &self.table)?;
        let left = (total - most).max(1e-12 * total);
        let statistic = most / 2.0 / (left / (n - 4.0)).max(1e-300);
        let inside = at > 0 && at + 1 + (0.2 / bin_hz) as usize <= self.table.len();
        (statistic > LEAST_F && inside).then(|| {
            let (z, t) = (bins[at], self.table[at]);
            let (c, s) = (f64::from(z.re), f64::from(-z.im));
            let (p, q) = (c * t.ss + 0.5 * s * t.cs2, s * t.cc + 0.5 * c * t.cs2);
            Peak { frequency_hz: (self.first + at) as f64 * bin_hz, power: p * p + q * q, snr: statistic }
        })
    }
}

/// Where the most is explained, and how much. The most first and where it is afterwards: the compiler can then work on
/// several side by side.
#[multiversion(targets("x86_64+avx2"))]
fn most_explained(bins: &[Complex32], table: &[Cell]) -> Option<(usize, f64)> {
    const SIDE_BY_SIDE: usize = 8;
    let explained = |(z, t): (&Complex32, &Cell)| {
        let (c, s) = (f64::from(z.re), f64::from(-z.im));
        c * c * t.ss + c * s * t.cs2 + s * s * t.cc
    };
    let mut most = [f64::MIN; SIDE_BY_SIDE];
    for (bins, cells) in bins.chunks(SIDE_BY_SIDE).zip(table.chunks(SIDE_BY_SIDE)) {
        for (most, one) in most.iter_mut().zip(bins.iter().zip(cells)) {
            let e = explained(one);
            *most = if e > *most { e } else { *most };
        }
    }
    let most = most.into_iter().fold(f64::MIN, f64::max);
    let at = bins.iter().zip(table).position(|one| explained(one) >= most)?;
    Some((at, most))
}

/// Sums over n steps of cos², sin² and cos·sin of w·i with their means taken out; nothing where they can't be told from
/// a level.
fn cell(n: usize, w: f64) -> Cell {
    // Σ e^(jwi), i = 0 … n − 1.
    let series = |w: f64| {
        let size = if (0.5 * w).sin().abs() < 1e-12 {
            n as f64
        } else {
            (0.5 * n as f64 * w).sin() / (0.5 * w).sin()
        };
        let angle = 0.5 * (n as f64 - 1.0) * w;
        (size * angle.cos(), size * angle.sin())
    };
    let ((c1, s1), (c2, s2)) = (series(w), series(2.0 * w));
    let n = n as f64;
    let (cc, ss, cs) = (0.5 * (n + c2) - c1 * c1 / n, 0.5 * (n - c2) - s1 * s1 / n, 0.5 * s2 - c1 * s1 / n);
    let det = cc * ss - cs * cs;
    if det <= 1e-9 * n * n {
        return Cell::default();
    }
    Cell { ss: ss / det, cc: cc / det, cs2: -2.0 * cs / det }
}

/// Looks for low notes.
pub struct Low {
    rate_hz: f64,
    block: usize,
    looks: Vec<Look>,
    means: Vec<f32>,
}

impl Low {
    /// For sound at `rate_hz`.
    pub fn new(rate_hz: f64) -> Self {
        let block = (rate_hz / RATE_HZ).round().max(1.0) as usize;
        let looks = LENGTHS_S.iter().map(|&s| Look::new(s, block as f64 / rate_hz)).collect();
        Self { rate_hz, block, looks, means: Vec::new() }
    }

    /// Looks for a steady low note in the sound since `since_s`, up to sample `end`. Returns it with the length of sound
    /// that it was found in, s.
    pub fn search(&mut self, sound: &History, end: u64, since_s: f64) -> Option<(Peak, f64)> {
        let dt = self.block as f64 / self.rate_hz;
        let first = |look: &Look| end.checked_sub((look.blocks * self.block) as u64);
        let heard = |from: u64| from as f64 / self.rate_hz >= since_s && from >= sound.first();
        let longest = self.looks.iter().position(|l| first(l).is_some_and(heard))?;
        let from = first(&self.looks[longest])?;
        self.means.clear();
        self.means.extend(sound.slice(from, end).chunks_exact(self.block).map(|c| {
            let all = sum(c);
            let there = if all.is_finite() { all } else { finite_sum(c) };
            there / self.block as f32
        }));
        let means = &self.means;
        self.looks[longest..].iter_mut().find_map(|look| {
            let newest = means.len().checked_sub(look.blocks)?;
            look.search(&means[newest..], dt).map(|peak| (peak, look.length_s))
        })
    }
}

/// Sum of samples, eight sums side by side.
fn sum(samples: &[f32]) -> f32 {
    let (eights, rest) = samples.as_chunks::<8>();
    let mut sums = [0.0f32; 8];
    for eight in eights {
        sums.iter_mut().zip(eight).for_each(|(sum, x)| *sum += x);
    }
    sums.iter().chain(rest).sum()
}

/// Sum of those samples that are not missing.
fn finite_sum(samples: &[f32]) -> f32 {
    samples.iter().filter(|x| x.is_finite()).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::chance::normals;

    /// The table and the transform against plain least squares on each frequency's own cos, sin and level.
    #[test]
    fn explains_what_least_squares_does() {
        let dt = 0.008;
        for f in [0.9, 3.1, 17.3] {
            let mut noise = normals(5);
            let x: Vec<f32> = (0..312)
                .map(|i| (2.0 + (2.0 * PI * f * f64::from(i) * dt + 0.7).cos() + 0.1 * noise()) as f32)
                .collect();
            let mut look = Look::new(312.0 * dt, dt);
            let found = look.search(&x, dt).expect("a clear note");
            let misfit = |f: f64| {
                let mut normal = crate::estimate::Normal::new(3);
                for (i, &x) in x.iter().enumerate() {
                    let (s, c) = (2.0 * PI * f * i as f64 * dt).sin_cos();
                    normal.add(&[c, s, 1.0], f64::from(x));
                }
                let a = normal.solve().expect("three parameters").x;
                (normal.misfit(&a), a[0] * a[0] + a[1] * a[1])
            };
            let step = 1.0 / (dt * look.frame.size() as f64);
            let (here, power) = misfit(found.frequency_hz);
            assert!(
                here <= misfit(found.frequency_hz - step).0 && here <= misfit(found.frequency_hz + step).0
            );
            assert!((found.frequency_hz - f).abs() < 0.1 / (312.0 * dt), "{f}: {found:?}");
            assert!((found.power / power - 1.0).abs() < 1e-3, "{f}: {found:?} {power}");
        }
    }
}
