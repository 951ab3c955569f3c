//! A low note's rest, measured by the misfit of the samples: below 20 Hz a block has no phase of its own. A fit of the
//! middle of the core grows by stretches of a tenth of a second as long as they fit.

use super::guess::strongest_near;
use super::{Measured, index_of, near_lines};
use crate::estimate::{BlockSums, Comb, ToneFit, ToneModel, fit_tone};
use std::f64::consts::PI;
use std::ops::Range;

/// Blocks to a cycle of a low note at least, and how long one is at most, s: a period of mains.
const BLOCKS: f64 = 16.0;
const BLOCK_S: f64 = 0.02;
/// Longest core of which the middle half is fitted first, s.
const MIDDLE_S: f64 = 4.0;
/// Length of a stretch that is added or refused as a whole, s.
const STEP_S: f64 = 0.1;
/// By how much the stretch grows before it is fitted anew.
const GROWTH: f64 = 1.1;
/// Cycles below which a note is no note.
const LEAST_CYCLES: f64 = 1.5;
/// Cycles below which a drift can't be told from the note's own curve.
const DRIFT_CYCLES: f64 = 6.0;
/// Blocks to either side of the one that a click is in that it may reach into.
const CLICK_BLOCKS: usize = 1;
/// By how many standard deviations it stands out at least.
const CLICK_SIGMAS: f64 = 6.0;

/// How far off the line's own figure may be, in parts of it, and up to how many cycles a ladder of frequencies finds the note:
/// its rungs of a twelfth then lie a quarter of a lobe apart.
const ROUGH: f64 = 0.3;
const LADDER_CYCLES: f64 = 3.5;

/// Whether the blocks of a stretch, in one part or two, are those of a fit.
fn fits(sums: &BlockSums, fit: &ToneFit, parts: &[(usize, usize)]) -> bool {
    let residuals = parts.iter().flat_map(|&part| fit.residuals(sums, part));
    let (sum, n) = residuals.fold((0.0, 0), |(s, n), r| (s + r.re * r.re, n + 1));
    // How far the fit itself may be off out there.
    let tau = (sums.centre_s(parts[0].0) - fit.at_s).abs();
    let phase = 2.0 * PI * (fit.u_hz * tau).hypot(0.5 * fit.u_rate * tau * tau) + 2.0 * PI * 0.003;
    let off = 0.5 * fit.amplitude.norm_sqr() * phase * phase;
    n == 0 || sum / f64::from(n) < (fit.row_variance + off) * (1.0 + 4.5 * (2.0 / f64::from(n)).sqrt())
}

/// The blocks of a stretch that does not fit that a click has spoilt, if that is all that is wrong with it: those about the one
/// that is furthest off.
fn click(sums: &BlockSums, fit: &ToneFit, (from, to): (usize, usize)) -> Option<Range<usize>> {
    let off = |k: usize| fit.residuals(sums, (k, k + 1)).map(|r| r.re.abs()).fold(0.0, f64::max);
    let (k, most) = (from..to).map(|k| (k, off(k))).max_by(|a, b| a.1.total_cmp(&b.1))?;
    let stands_out = most * most > CLICK_SIGMAS * CLICK_SIGMAS * fit.row_variance;
    let spoilt = k.saturating_sub(CLICK_BLOCKS).max(from)..(k + CLICK_BLOCKS + 1).min(to);
    (stands_out && fits(sums, fit, &[(from, spoilt.start), (spoilt.end, to)])).then_some(spoilt)
}

/// Whether a rest goes on through a stretch. One that holds a click does, where the one `beyond` fits too; the blocks that it
/// spoils are added to those that don't count.
fn goes_on(
    sums: &BlockSums,
    fit: &ToneFit,
    stretch: (usize, usize),
    beyond: (usize, usize),
    spoilt: &mut Vec<usize>,
) -> bool {
    let plainly = |of: (usize, usize)| fits(sums, fit, &[of]);
    if plainly(stretch) {
        return true;
    }
    let Some(blocks) = click(sums, fit, stretch) else { return false };
    let heard_beyond = beyond.1 > beyond.0 && beyond.1 <= sums.len();
    let goes_on = heard_beyond && (plainly(beyond) || click(sums, fit, beyond).is_some());
    if goes_on {
        spoilt.extend(blocks);
    }
    goes_on
}

/// Measures a low note's rest.
pub fn measure(sums: &BlockSums, core: (f64, f64), guess_hz: f64, comb: &Comb) -> Option<Measured> {
    let longest_s = BLOCK_S.min(1.0 / (BLOCKS * guess_hz));
    let sums = &sums.coarser((longest_s / sums.block_s()) as usize);
    let block_s = sums.block_s();
    let (core_from, core_to) = (index_of(sums, core.0), index_of(sums, core.1));
    let fit_span = |from: usize, to: usize, f: f64, rate: f64, drift: bool, spoilt: &[usize]| {
        let cycles = f * (to - from) as f64 * block_s;
        let model = ToneModel {
            frequency_hz: f,
            rate: if drift { rate } else { 0.0 },
            with_rate: drift && cycles > DRIFT_CYCLES,
            comb: Comb { free: false, ..near_lines(sums, comb, f, (to - from) as f64 * block_s) },
        };
        fit_tone(sums, (from, to), &model, &|k| spoilt.contains(&k))
    };
    // The middle of the core: at least a cycle and a quarter, at least half a second, no longer than a drift allows to be
    // taken for steady.
    let middle = usize::midpoint(core_from, core_to);
    let least = ((1.25 / guess_hz).max(0.5) / block_s) as usize;
    let longest = (MIDDLE_S / block_s) as usize;
    let half = (least / 2).max((core_to - core_from).min(longest) / 4).max(8);
    let (mut from, mut to) = (middle.saturating_sub(half), (middle + half).min(sums.len()));
    // The line's own figure is rough down here. Of many cycles a fit begun a rung off would stay on a side lobe, where the
    // note itself passes for noise and anything fits; of a few, the note's mirror image hides where it stands out most.
    let cycles = guess_hz * (to - from) as f64 * block_s;
    let mut fit = if cycles > LADDER_CYCLES {
        let near_hz = strongest_near(sums, (from, to), guess_hz, ROUGH * guess_hz);
        fit_span(from, to, near_hz, 0.0, false, &[])
    } else {
        let rungs = (0..9).map(|i| guess_hz * (1.0 - ROUGH + 0.08 * f64::from(i)));
        let fits = rungs.filter_map(|f| fit_span(from, to, f, 0.0, false, &[]));
        fits.min_by(|a, b| a.misfit.total_cmp(&b.misfit))
    }?;
    let step = (STEP_S / block_s) as usize;
    let (mut open_left, mut open_right) = (true, true);
    let mut fitted = to - from;
    let mut spoilt: Vec<usize> = Vec::new();
    while open_left || open_right {
        let fresh = fitted == to - from;
        let mut grown = false;
        if open_right {
            let next = to + step;
            let joins =
                next <= sums.len() && goes_on(sums, &fit, (to, next), (next, next + step), &mut spoilt);
            // Only a fit that has been made of all there is may refuse.
            (open_right, grown) = (joins || !fresh && next <= sums.len(), joins);
            to = if joins { next } else { to };
        }
        if open_left {
            let beyond = (from.saturating_sub(2 * step), from.saturating_sub(step));
            let joins = from >= step && goes_on(sums, &fit, (from - step, from), beyond, &mut spoilt);
            (open_left, grown) = (joins || !fresh && from >= step, grown || joins);
            from = if joins { from - step } else { from };
        }
        // A fit says for itself how far out it can be trusted: it need not be made anew at every step.
        if !grown || (to - from) as f64 >= GROWTH * fitted as f64 {
            fitted = to - from;
            if let Some(better) = fit_span(from, to, fit.frequency_hz, fit.rate, true, &spoilt) {
                fit = better;
            }
        }
    }
    // Backing off, but not from the end of the sound.
    let back = (0.12 / block_s) as usize;
    let (a, b) = (
        if from < step { from } else { from + back },
        if to + step > sums.len() { to } else { to.saturating_sub(back) },
    );
    if b > a + least {
        (from, to) = (a, b);
        fit = fit_span(from, to, fit.frequency_hz, fit.rate, true, &spoilt)?;
    }
    let span = (to - from) as f64 * block_s;
    // Where no drift is fitted, as much of one goes unseen as in any steady note.
    let rate_u = if fit.u_rate > 0.0 { fit.u_rate } else { fit.u_hz * 60f64.sqrt() / span };
    // A drift that does not stand out is no drift, as well as that is known: the steady fit is the better one.
    if fit.u_rate > 0.0 && fit.rate.abs() < 3.0 * rate_u {
        fit = fit_span(from, to, fit.frequency_hz, 0.0, false, &spoilt).unwrap_or(fit);
    }
    if fit.frequency_hz * span < LEAST_CYCLES {
        return None;
    }
    Some(Measured {
        start_s: sums.origin_s() + from as f64 * block_s,
        end_s: sums.origin_s() + to as f64 * block_s,
        at_s: sums.origin_s() + fit.at_s,
        heard_hz: fit.frequency_hz,
        u_noise_hz: fit.u_hz,
        u_wander_hz: 0.0,
        rate: fit.rate,
        rate_u,
        cn0_hz: fit.cn0_hz(sums),
        power: fit.amplitude.norm_sqr(),
        near_hum_hz: None,
        pull: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::beat::rest::sums_for;
    use crate::estimate::chance::normals;

    /// A note that falls by 500 Hz and rests at 16.7 Hz for six seconds, 14 dB over noise in 4 kHz, the tracker's figure up to a
    /// few tenths of a hertz off: the rest begins where the hand stops, and its figure is not that of a side lobe.
    #[test]
    fn a_fit_begun_beside_the_note_finds_it() {
        const RATE_HZ: f64 = 8000.0;
        for (seed, off_hz) in [(1, -0.5), (2, -0.33), (3, -0.2), (4, 0.0), (5, 0.2), (6, 0.33), (7, 0.5)] {
            let (mut noise, mut turns) = (normals(seed), 0.1 * seed as f64);
            let sound: Vec<f32> = (0..10 * RATE_HZ as usize)
                .map(|i| {
                    let u = (i as f64 / RATE_HZ / 4.0).min(1.0);
                    let left = 1.0 - (10.0 * u.powi(3) - 15.0 * u.powi(4) + 6.0 * u.powi(5));
                    turns += (16.7 + 500.0 * left) / RATE_HZ;
                    ((2.0 * PI * turns).cos() + 0.14 * noise()) as f32
                })
                .collect();
            let mut sums = sums_for(16.7, RATE_HZ, 0);
            sums.push(&sound);
            let core = (4.4, 9.4);
            let m = measure(&sums, core, 16.7 + off_hz, &Comb::default()).expect("a rest");
            let z = (m.heard_hz - 16.7) / m.u_noise_hz;
            assert!(z.abs() < 4.0 && m.start_s > 3.7, "{off_hz}: {z} {m:?}");
            assert!(m.rate_u > 0.0 && m.rate.abs() < 4.0 * m.rate_u, "{off_hz}: {m:?}");
        }
    }

    /// Key clicks on a note at rest are left out; the rest goes on through them to the end of the sound.
    #[test]
    fn clicks_do_not_end_a_low_rest() {
        const RATE_HZ: f64 = 8000.0;
        for seed in 1..6 {
            let mut noise = normals(seed);
            let sound: Vec<f32> = (0..8 * RATE_HZ as usize)
                .map(|i| {
                    let phase = 2.0 * PI * 17.3 * i as f64 / RATE_HZ + seed as f64;
                    let after_click = (i + 997 * seed as usize) % 7919;
                    let click = if after_click < 8 { 3.0 * 0.6f64.powi(after_click as i32) } else { 0.0 };
                    (phase.cos() + 0.14 * noise() + click) as f32
                })
                .collect();
            let mut sums = sums_for(17.3, RATE_HZ, 0);
            sums.push(&sound);
            let m = measure(&sums, (0.3, 7.8), 17.35, &Comb::default()).expect("a rest");
            assert!(m.start_s < 0.3 && m.end_s > 7.8, "{seed}: {m:?}");
            assert!((m.heard_hz - 17.3).abs() < 4.0 * m.u_hz() && m.u_hz() < 4e-4, "{seed}: {m:?}");
        }
    }
}
