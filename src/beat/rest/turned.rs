//! The turns of a note against a fit: what the walk to the edges and the smoother look at.

use crate::estimate::{BlockSums, PhasePoint, ToneFit};
use num_complex::Complex64;

/// No phase is known better than to 1e-5 rad: a smoother that believes in more loses itself in its own rounding, rad².
const LEAST_VARIANCE: f64 = 1e-10;
/// What single-precision sound leaves at least, in parts of the note's power: no note is known better.
const LEAST_NOISE: f64 = 1e-17;

/// The note's turns relative to a fit, block by block.
pub struct Turned {
    first: usize,
    turns: Vec<Option<Complex64>>,
}

impl Turned {
    /// In blocks `from..to`, as far as there are any.
    pub fn of(fit: &ToneFit, sums: &BlockSums, (from, to): (usize, usize)) -> Self {
        Self { first: from, turns: fit.residual_turns(sums, (from, to.min(sums.len()).max(from))) }
    }

    /// Those of blocks `from..to`.
    pub fn within(&self, from: usize, to: usize) -> &[Option<Complex64>] {
        let index = |k: usize| k.saturating_sub(self.first).min(self.turns.len());
        &self.turns[index(from)..index(to).max(index(from))]
    }

    /// Their mean over `group` blocks from `k`, what is spoilt left out, and how many there are; `None` where there are none.
    pub fn mean(&self, k: usize, group: usize, spoilt: &[bool]) -> Option<(Complex64, usize)> {
        let sound = |i: &usize| !spoilt.get(*i).copied().unwrap_or(false);
        let (sum, n) = (k..k + group)
            .zip(self.within(k, k + group))
            .filter(|(i, _)| sound(i))
            .filter_map(|(_, turn)| *turn)
            .fold((Complex64::default(), 0), |(s, n), w| (s + w, n + 1));
        (n > 0).then(|| (sum / n as f64, n))
    }
}

/// By how much each turn but the first and last few differs, squared, from the middle between those `about` blocks before and
/// after it; `None` where one of them is missing.
fn bends(turns: &[Option<Complex64>], about: usize) -> impl Iterator<Item = Option<f64>> {
    let bend = move |w: &[Option<Complex64>]| Some((w[about]? - (w[0]? + w[2 * about]?) * 0.5).norm_sqr());
    turns.windows(2 * about + 1).map(bend)
}

/// Mean of those squares that are no more than so many times their median; of one square at least.
fn trimmed_mean(mut squares: Vec<f64>, most: f64) -> f64 {
    let middle = squares.len() / 2;
    let median = *squares.select_nth_unstable_by(middle, f64::total_cmp).1;
    // A made tone may repeat itself to the last bit: then half of the differences are nothing, and there is no telling the
    // wild ones.
    let limit = if median > 0.0 { most * median } else { f64::INFINITY };
    let kept = squares.iter().filter(|square| **square <= limit);
    let (sum, count) = kept.fold((0.0, 0), |(sum, count), square| (sum + square, count + 1));
    sum / f64::from(count)
}

/// By how many times more, in variance, a note's phase must be shaken than its loudness to have been clipped: what clips it
/// takes the noise out of its loudness and leaves that of its phase. Chance does so to one whole note of half a second in thirty.
const CLIPPED: f64 = 3.0;

/// Variance of the rows along the note's phase and of those along its loudness, from second differences; the wildest are
/// trimmed off.
fn shaken(turns: &[Option<Complex64>]) -> Option<(f64, f64)> {
    let bend = |w: &[Option<Complex64>]| {
        let (before, now, after) = (w[0]?, w[1]?, w[2]?);
        // The sum of the three knows nothing of the noise in the bend.
        let along = before + now + after;
        Some((now - (before + after) * 0.5) * along.conj() / along.norm().max(1e-30))
    };
    let bends: Vec<Complex64> = turns.windows(3).filter_map(bend).collect();
    let variance = |part: fn(&Complex64) -> f64| {
        trimmed_mean(bends.iter().map(|b| part(b).powi(2)).collect(), 20.0) / 1.5
    };
    (bends.len() >= 6).then(|| (variance(|b| b.im), variance(|b| b.re)))
}

/// Variance of one real row of the blocks' turns, from second differences: blind to slow changes of phase and loudness; the
/// wildest are trimmed off. Of a clipped note that of its phase.
pub fn noise_of(fit: &ToneFit, turns: &[Option<Complex64>]) -> Option<f64> {
    let squares: Vec<f64> = bends(turns, 1).flatten().collect();
    if squares.len() < 6 {
        return None;
    }
    let mean = trimmed_mean(squares, 8.0) / 3.0;
    let clipped = shaken(turns).filter(|(phase, loudness)| *phase > CLIPPED * loudness);
    let mean = clipped.map_or(mean, |(phase, _)| phase.max(mean));
    Some(mean.max(LEAST_NOISE * fit.amplitude.norm_sqr()))
}

/// By how many standard deviations a block must differ from those about it to be none of an oscillator's doing.
const SPIKE_SIGMAS: f64 = 5.0;
/// How far from it those are, blocks: a tick may fall into two.
const ABOUT: [usize; 2] = [1, 2];

/// Marks blocks that differ from those before and after by more than noise: a station's pulse, a click. No oscillator wanders
/// there and back within a few hundredths of a second.
pub fn mark_spikes(turned: &Turned, noise: f64, spoilt: &mut [bool]) {
    let most = SPIKE_SIGMAS * SPIKE_SIGMAS * 1.5 * noise;
    for about in ABOUT {
        let marks = spoilt.iter_mut().skip(turned.first + about);
        for (mark, bend) in marks.zip(bends(&turned.turns, about)) {
            *mark |= bend.is_some_and(|bend| bend > most);
        }
    }
}

/// Phases of the note over groups of blocks, what is spoilt left out, and the sum of their powers.
pub fn phases(
    turned: &Turned,
    sums: &BlockSums,
    (from, to): (usize, usize),
    group: usize,
    noise: f64,
    spoilt: &[bool],
) -> (Vec<PhasePoint>, f64) {
    let (mut points, mut loudness) = (Vec::with_capacity((to - from) / group + 1), 0.0);
    for k in (from..(to + 1).saturating_sub(group)).step_by(group) {
        if let Some((w, n)) = turned.mean(k, group, spoilt) {
            let variance = noise / n as f64;
            // A group no louder than its noise has no phase to speak of.
            let power = (w.norm_sqr() - 2.0 * variance).max(0.3 * variance);
            let at_s = sums.centre_s(k) + (group - 1) as f64 / 2.0 * sums.block_s();
            let variance = (variance / power).max(LEAST_VARIANCE);
            points.push(PhasePoint { at_s, phase: w.arg(), variance });
            loudness += power;
        }
    }
    (points, loudness)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::chance::normals;

    /// Blocks of a note with so much noise in its loudness and in its phase, drifting away from its fit.
    fn turns(seed: u64, loudness: f64, phase: f64, count: usize) -> Vec<Option<Complex64>> {
        let mut normal = normals(seed);
        let turn = |k| Complex64::from_polar(1.0, 0.02 * k as f64);
        let one = |k| Some(turn(k) * Complex64::new(1.0 + loudness * normal(), phase * normal()));
        (0..count).map(one).collect()
    }

    /// Of a note whose loudness is held by clipping the phase alone tells the noise; of a whole one both do.
    #[test]
    fn the_noise_of_a_clipped_note_is_that_of_its_phase() {
        for seed in 0..20 {
            let (phase, loudness) = shaken(&turns(seed, 0.002, 0.02, 60)).expect("enough of them");
            assert!((0.4..2.0).contains(&(phase / 4e-4)) && loudness < 4e-5, "{seed}: {phase} {loudness}");
        }
        let rare = (0..200).filter(|&seed| {
            let (phase, loudness) = shaken(&turns(seed, 0.02, 0.02, 60)).expect("enough of them");
            phase > CLIPPED * loudness
        });
        assert!(rare.count() < 4);
    }
}
