//! Soundings: how loud the note and its harmonics are at every frequency that it passes.
//!
//! The path's roll-off is there for free: the same note was heard higher up. While a line moves, a stretch of a few
//! cycles is fitted now and then by least squares with a note that slides, `x = Re Σ a_k·e^(jkφ) + d`,
//! φ = 2π(fτ + ½rτ²), k = 1 … 3, 5 for a low note. Between two soundings the note must have moved by a few per cent, so that a line
//! that stands costs nothing and a fall is a few dozen.

use crate::block::any_missing;
use crate::estimate::{Normal, ROWS, Turnings};
use multiversion::multiversion;
use num_complex::Complex64;
use std::f64::consts::PI;

/// Frequencies at which soundings are taken, Hz.
pub const RANGE_HZ: (f64, f64) = (16.0, 800.0);
/// Least change of ln |b| between two soundings.
const SPACING: f64 = 0.045;
/// Cycles in a sounding, and its length at least and at most, s.
const CYCLES: f64 = 6.0;
pub const LENGTH_S: (f64, f64) = (0.06, 0.25);
/// Most soundings kept of a line.
const MOST: usize = 120;
/// Harmonics fitted; higher ones of a note that has them would pass for noise.
const HARMONICS: usize = 5;
const FEW: usize = 3;
const LOW_HZ: f64 = 120.0;

/// One sounding.
#[derive(Debug, Clone, Copy)]
pub struct Sounding {
    pub at_s: f64,
    pub frequency_hz: f64,
    pub rate: f64,
    /// Amplitude of the note and standard uncertainty of each part of it.
    pub amplitude: f64,
    pub u: f64,
    /// Amplitudes of harmonics 2 and 3, each with its standard uncertainty.
    pub harmonics: [(f64, f64); 2],
    /// One-sided density of what the fit leaves, squared units per Hz.
    pub density: f64,
}

impl Sounding {
    /// By how much of itself the frequency changes in a cycle: so far may the levels be from those of a steady note.
    pub fn haste(&self) -> f64 {
        self.rate.abs() / self.frequency_hz.powi(2)
    }

    /// Whether the note stood out enough for its level to be known to a tenth or so.
    fn sound(&self) -> bool {
        self.amplitude > 8.0 * self.u
    }
}

/// The soundings of a line.
#[derive(Debug, Clone, Default)]
pub struct Soundings {
    list: Vec<Sounding>,
    /// ln |b| when last tried.
    tried: Option<f64>,
}

impl Soundings {
    /// Whether a line that is now at `frequency_hz` is worth one.
    pub fn due(&self, frequency_hz: f64) -> bool {
        (RANGE_HZ.0..RANGE_HZ.1).contains(&frequency_hz)
            && self.tried.is_none_or(|last| (frequency_hz.ln() - last).abs() > SPACING)
    }

    /// Takes one at the end of `samples`, where the line's |b| was `frequency_hz`, changing at `rate` Hz/s, `ago_s`
    /// before that end.
    pub fn take(
        &mut self,
        samples: &[f32],
        rate_hz: f64,
        end_s: f64,
        frequency_hz: f64,
        rate: f64,
        ago_s: f64,
    ) {
        self.tried = Some(frequency_hz.ln());
        let length_s = (CYCLES / frequency_hz).clamp(LENGTH_S.0, LENGTH_S.1);
        let len = ((length_s * rate_hz) as usize).min(samples.len());
        // From the state's instant to the middle of this stretch.
        let f = frequency_hz + rate * (ago_s - 0.5 * len as f64 / rate_hz);
        let found = sound(&samples[samples.len() - len..], rate_hz, end_s, f, rate);
        if let Some(found) = found.filter(Sounding::sound) {
            if self.list.len() >= MOST {
                let mut nth = 0;
                self.list.retain(|_| {
                    nth += 1;
                    nth > MOST / 2 || nth % 2 == 0
                });
            }
            self.list.push(found);
        }
    }

    /// Those of the last fall.
    pub fn last_fall(&self) -> Vec<Sounding> {
        last_fall(&self.list).to_vec()
    }

    /// All that are kept, oldest first.
    pub fn all(&self) -> &[Sounding] {
        &self.list
    }
}

/// The soundings of the last fall only.
pub fn last_fall(soundings: &[Sounding]) -> &[Sounding] {
    let mut highest = 0.0f64;
    let from = soundings.iter().rposition(|s| {
        let broken = s.frequency_hz < 0.8 * highest;
        highest = highest.max(s.frequency_hz);
        broken
    });
    &soundings[from.map_or(0, |i| i + 1)..]
}

/// Gauss–Newton steps at most, and the step of the frequency, in parts of the inverse of the length, that is none.
const STEPS: usize = 5;
const SETTLED: f64 = 0.08;
/// A period of the highest harmonic has at least so many means: a mean then passes 0.90 of it.
const MEANS: f64 = 4.0;

/// Means over `by` samples each, of a sounding's samples.
struct Means {
    values: Vec<f64>,
    by: usize,
    rate_hz: f64,
}

impl Means {
    /// As few of them as a note with harmonics up to `highest_hz` allows.
    fn of(samples: &[f32], rate_hz: f64, highest_hz: f64) -> Self {
        let by = ((rate_hz / (MEANS * highest_hz)) as usize).max(1);
        let values = samples.chunks_exact(by).map(|c| f64::from(c.iter().sum::<f32>()) / by as f64).collect();
        Self { values, by, rate_hz }
    }

    /// What a mean passes of a line at `frequency_hz`.
    fn pass(&self, frequency_hz: f64) -> f64 {
        let (x, by) = (PI * frequency_hz / self.rate_hz, self.by as f64);
        if self.by == 1 { 1.0 } else { (by * x).sin() / (by * x.sin()) }
    }
}

/// Gathers the normal equations of `lines`, the level, and where `n` has room the steps of f and rate.
#[multiversion(targets("x86_64+avx2"))]
fn gather(means: &Means, f: f64, rate: f64, lines: &[Complex64], n: usize) -> Normal {
    let mut pass = [0.0; HARMONICS];
    for (k, pass) in pass.iter_mut().enumerate().take(lines.len()) {
        *pass = means.pass((k + 1) as f64 * f);
    }
    let mut normal = Normal::new(n);
    let dt = means.by as f64 / means.rate_hz;
    let first = -0.5 * (means.values.len() - 1) as f64 * dt;
    let mut turning = Turnings::<ROWS>::new(f, rate, first, dt);
    for (some, values) in means.values.chunks(ROWS).enumerate() {
        let taus: [f64; ROWS] = std::array::from_fn(|i| first + (ROWS * some + i) as f64 * dt);
        let turns = turning.turn();
        normal.fill_rows(values.len(), |columns| {
            let level = 2 * lines.len();
            let bent = line_columns(&turns, &pass, lines, columns);
            columns[level] = [1.0; ROWS];
            if n > level + 1 {
                columns[level + 1] = std::array::from_fn(|i| bent[i] * 2.0 * PI * taus[i]);
                columns[level + 2] = std::array::from_fn(|i| bent[i] * PI * taus[i] * taus[i]);
            }
            columns[n][..values.len()].copy_from_slice(values);
        });
    }
    normal
}

/// Columns of the derivatives by the parts of the lines' amplitudes at some instants, at which the note has made these
/// `turns`; returns that by the note's phase.
#[inline(always)]
fn line_columns(
    [turn_re, turn_im]: &[[f64; ROWS]; 2],
    pass: &[f64; HARMONICS],
    lines: &[Complex64],
    columns: &mut [[f64; ROWS]],
) -> [f64; ROWS] {
    let (mut re, mut im, mut bent) = (*turn_re, *turn_im, [0.0; ROWS]);
    for (k, (line, pair)) in lines.iter().zip(columns.as_chunks_mut::<2>().0).enumerate() {
        let (own, by) = (pass[k], (k + 1) as f64 * pass[k]);
        for i in 0..ROWS {
            bent[i] -= by * (line.re * im[i] + line.im * re[i]);
            (pair[0][i], pair[1][i]) = (own * re[i], -own * im[i]);
            (re[i], im[i]) =
                (re[i] * turn_re[i] - im[i] * turn_im[i], re[i] * turn_im[i] + im[i] * turn_re[i]);
        }
    }
    bent
}

fn sound(samples: &[f32], rate_hz: f64, end_s: f64, mut f: f64, mut rate: f64) -> Option<Sounding> {
    if f <= 0.5 * RANGE_HZ.0 || any_missing(samples) {
        return None;
    }
    let length_s = samples.len() as f64 / rate_hz;
    let fitted = if f < LOW_HZ { HARMONICS } else { FEW };
    let means = Means::of(samples, rate_hz, fitted as f64 * (f + 0.5 * rate.abs() * length_s));
    let len = means.values.len();
    let columns = 2 * fitted + 1;
    let n = columns + 2;
    let (mut lines, mut solved) = ([Complex64::default(); HARMONICS], None);
    let started = f;
    for step in 0..STEPS {
        let first = step == 0;
        let mut normal = gather(&means, f, rate, &lines[..fitted], if first { columns } else { n });
        if normal.rows() < n + 3 {
            return None;
        }
        let solution = normal.solve()?;
        let x = &solution.x;
        for (k, line) in lines.iter_mut().take(fitted).enumerate() {
            *line = Complex64::new(x[2 * k], x[2 * k + 1]);
        }
        if first {
            continue;
        }
        let moved = x[columns].clamp(-1.0 / length_s, 1.0 / length_s);
        f += moved;
        rate += x[columns + 1].clamp(-4.0 / length_s.powi(2), 4.0 / length_s.powi(2));
        let variance = normal.misfit(x) / (len - n) as f64;
        solved = Some((variance, solution));
        if moved.abs() * length_s < SETTLED {
            break;
        }
    }
    let (variance, solution) = solved?;
    if (f - started).abs() > 1.0 / length_s + 0.1 * started || f <= 0.0 {
        return None; // it went to another line
    }
    let u = |k: usize| (variance * solution.variance(2 * k).max(solution.variance(2 * k + 1))).sqrt();
    Some(Sounding {
        at_s: end_s - length_s / 2.0,
        frequency_hz: f,
        rate,
        amplitude: lines[0].norm(),
        u: u(0),
        harmonics: [(lines[1].norm(), u(1)), (lines[2].norm(), u(2))],
        density: 2.0 * variance * means.by as f64 / rate_hz,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A falling note's level is found at every frequency, whatever the fall's speed.
    #[test]
    fn a_slide_is_sounded() {
        const RATE: f64 = 8000.0;
        for (f0, rate) in [(60.0, -150.0), (300.0, -900.0), (30.0, 0.0), (600.0, 1200.0)] {
            let samples: Vec<f32> = (0..1280)
                .map(|i| {
                    let tau = (f64::from(i) - 640.0) / RATE;
                    let phase = 1.0 + 2.0 * PI * (f0 + 0.5 * rate * tau) * tau;
                    (0.1 * phase.cos() + 0.02 * (2.0 * phase).sin() + 1e-4 * (f64::from(i) * 1.7).sin())
                        as f32
                })
                .collect();
            let mut soundings = Soundings::default();
            assert!(soundings.due(f0));
            soundings.take(&samples, RATE, 1.0, f0 + 0.7, 0.95 * rate, 0.08);
            let [found] = soundings.all() else { panic!("{f0}: none") };
            assert!((found.amplitude / 0.1 - 1.0).abs() < 0.01, "{f0}: {found:?}");
            assert!((found.harmonics[0].0 / 0.02 - 1.0).abs() < 0.03, "{f0}: {found:?}");
            assert!(found.harmonics[1].0 < 5e-4);
            assert!(!soundings.due(f0) && (soundings.due(1.05 * f0) || soundings.due(0.95 * f0)));
        }
    }
}
