//! The walk from the middle of a rest to its edges: how far the phase of the note is that of an oscillator.

use super::turned::Turned;
use crate::estimate::{BlockSums, PhasePoint, ToneFit, WanderFilter};
use std::f64::consts::PI;

/// How far, in standard deviations, a run of innovations may stray before the rest is over.
const EDGE_SIGMAS: f64 = 4.5;
/// Runs of innovations that are looked at, blocks.
const WINDOWS: [usize; 5] = [2, 3, 5, 8, 13];
/// Least backing off from a noticed edge, s.
const BACK_OFF_S: f64 = 0.06;
/// What is so many times louder than the note has been lately, in power, is not the note; and how fast that is led on.
const LOUD: f64 = 9.0;
const LATELY: f64 = 0.1;
/// Longest silence inside a rest, s.
const LONGEST_ABSENCE_S: f64 = 1.5;
/// How long a note must be heard after a silence to be the same rest, s.
const LEAST_RETURN_S: f64 = 0.4;

/// By how much the likelihood that the note goes on must have fallen towards the edge (natural logarithm) for the edge to lie
/// where it was highest.
const UNHEARD: f64 = 3.0;

/// Whether a weak note goes on at all: noise has a phase too, so uncertain that it never strays. Sums up by how much likelier
/// each group is with the note than without it; the note ends where that is highest.
struct Presence {
    sum: f64,
    /// The highest sum, and the block after it.
    best: (f64, isize),
}

impl Presence {
    fn new(from: isize) -> Self {
        Self { sum: 0.0, best: (0.0, from) }
    }

    /// Takes a group of length `turn` that is `off` rad from where the note of amplitude `lately` is expected, of so much
    /// variance a row, before block `next`.
    fn take(&mut self, (turn, off): (f64, f64), lately: f64, variance: f64, next: isize) {
        self.sum += lately * (turn * off.cos() - 0.5 * lately) / variance;
        if self.sum >= self.best.0 {
            self.best = (self.sum, next);
        }
    }

    /// Where the note ends, if before the end of the walk.
    fn end(&self) -> Option<isize> {
        (self.best.0 - self.sum > UNHEARD).then_some(self.best.1)
    }
}

/// What there is to walk on.
#[derive(Clone, Copy)]
pub struct Way<'a> {
    pub fit: &'a ToneFit,
    pub turned: &'a Turned,
    pub sums: &'a BlockSums,
    /// The block that both walks begin at, and how many blocks to either side of it the note is known to stand.
    pub middle: usize,
    pub trusted: usize,
    /// First block and the one after the last.
    pub within: (usize, usize),
    /// Blocks taken together, and the variance of one real row of one of them.
    pub group: usize,
    pub row_variance: f64,
}

/// Walks outward (1 or −1) from the middle and returns the first block (in walking order) that no longer belongs; `wander`
/// is what the oscillator may do on the way, Hz/√s. Blocks that clicks or gaps spoil are marked in `spoilt`.
pub fn walk(way: &Way, outward: isize, wander: f64, spoilt: &mut [bool]) -> isize {
    let Way { fit, turned, sums, middle, trusted, group, row_variance, .. } = *way;
    let (first, end) = (way.within.0 as isize, way.within.1 as isize);
    let block_s = sums.block_s();
    let back_off =
        |window: usize| ((window * group) as f64 * 0.6 + 2.0).max(BACK_OFF_S / block_s).ceil() as isize;
    let amplitude = fit.amplitude.norm() / 2.0;
    // As loud as the note has been lately: one that fades swells again.
    let mut lately = amplitude * amplitude;
    let mut filter =
        WanderFilter::new(sums.centre_s(middle), wander).with_frequency(2.0 * PI * 3.0 * fit.u_hz);
    // Sums of all innovations so far, in standard deviations, from none on.
    let mut strays = vec![0.0];
    // What each window's sum comes to where the note is known to stand: other lines nearby shake the phase too.
    let mut shaken = [(0.0f64, 0.0f64); WINDOWS.len()];
    let (mut absent, mut wild, mut missing) = (0usize, 0usize, 0usize);
    // Where the latest silence began, and how much of the note has been heard since: what comes back for a moment only is
    // not the note.
    let (mut fell_silent, mut heard_since) = (None, 0usize);
    let settle = |edge: isize, fell_silent: Option<isize>, heard_since: usize| match fell_silent {
        Some(from) if (heard_since * group) as f64 * block_s < LEAST_RETURN_S => from,
        _ => edge,
    };
    let mut presence = Presence::new(middle as isize);
    let mut k = middle as isize;
    let edge = 'walk: loop {
        let inside = if outward > 0 { k + group as isize <= end } else { k >= first };
        if !inside {
            // The sound itself ends here: nothing to back off from, but what was doubtful stays out.
            break k - outward * ((absent + wild) * group) as isize;
        }
        let at = k as usize;
        k += outward * group as isize;
        let Some((w, n)) = turned.mean(at, group, &[]) else {
            missing += 1;
            if (missing * group) as f64 * block_s > 2.0 {
                return k - outward * (missing * group) as isize;
            }
            continue;
        };
        missing = 0;
        let variance = row_variance / n as f64;
        let power = w.norm_sqr();
        if power < 12.0 * variance && power < 0.02 * amplitude * amplitude {
            absent += 1;
            if absent == 2 {
                // A second silence after a doubtful return counts from the first.
                let from = k - outward * (2 * group as isize + back_off(1));
                fell_silent = Some(settle(from, fell_silent, heard_since));
                heard_since = 0;
            }
            if (absent * group) as f64 * block_s > LONGEST_ABSENCE_S {
                break k - outward * ((absent * group) as isize + back_off(1));
            }
            continue;
        }
        absent = 0;
        if strays.len() == 1 && (at..at + group).any(|i| spoilt.get(i).is_some_and(|spoilt| *spoilt)) {
            // A click tells no phase to begin with.
            continue;
        }
        let point = PhasePoint { at_s: sums.centre_s(at), phase: w.arg(), variance: variance / power };
        filter.predict(point.at_s);
        let (nu, s) = filter.innovation(&point);
        let stray = nu / s.sqrt();
        let loudness = (lately - 2.0 * variance).max(0.0).sqrt();
        presence.take((power.sqrt(), nu), loudness, variance, k);
        let loud = power > LOUD * lately;
        if stray.abs() > EDGE_SIGMAS || loud {
            wild += 1;
            for i in at..(at + group).min(spoilt.len()) {
                spoilt[i] = true;
            }
            if wild >= 4 && (wild * group) as f64 * block_s >= 0.08 {
                break k - outward * ((wild * group) as isize + back_off(1));
            }
            continue;
        }
        wild = 0;
        lately += LATELY * (power - lately);
        filter.update(&point);
        heard_since += 1;
        let all = strays[strays.len() - 1] + stray;
        strays.push(all);
        let trust = (at as isize - middle as isize).unsigned_abs() < trusted;
        for (window, (squares, count)) in WINDOWS.into_iter().zip(&mut shaken) {
            let Some(before) = strays.len().checked_sub(window + 1) else { break };
            let square = (all - strays[before]).powi(2) / window as f64;
            if trust {
                *squares += square;
                *count += 1.0;
                continue;
            }
            let usual = if *count > 8.0 { (*squares / *count).max(1.0) } else { 1.0 };
            if square > EDGE_SIGMAS * EDGE_SIGMAS * usual {
                break 'walk k - outward * ((window * group) as isize + back_off(window));
            }
        }
    };
    let edge = settle(edge, fell_silent, heard_since);
    match presence.end() {
        Some(end) if (edge - end) * outward > 0 => end,
        _ => edge,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::chance::normals;
    use num_complex::Complex64;

    /// A note at 9 dB a group that ends after 60 of 100: noise goes on without straying.
    #[test]
    fn a_weak_note_ends_where_noise_begins() {
        for seed in 0..20 {
            let mut normal = normals(seed);
            let mut presence = Presence::new(0);
            for k in 0..100 {
                let note = if k < 60 { 8f64.sqrt() } else { 0.0 };
                let turn = Complex64::new(note + normal(), normal());
                presence.take((turn.norm(), turn.arg()), 8f64.sqrt(), 1.0, k + 1);
            }
            let end = presence.end().expect("an end");
            assert!((55..=65).contains(&end), "{end}");
        }
    }
}
