//! A rest measured by its phase: a reference from the middle of the core, a walk to either edge, a fit of what is between
//! them, in turn until the edges stay; where the oscillator's wander has cut the core, once more with more of it allowed.

use super::guess::strongest_near;
use super::turned::{Turned, mark_spikes, noise_of, phases};
use super::walk::{Way, walk};
use super::{Measured, index_of, near_lines};
use crate::estimate::{BlockSums, Comb, Drift, Smoothed, ToneFit, ToneModel, fit_tone, smooth};

/// Wander that the walk to the edges allows for at least and at most, Hz/√s (a good tube oscillator has 0.01); in
/// between three times what the middle of the rest shows. The less is allowed, the sooner a gentle start of the hand is
/// noticed.
const EDGE_WANDER: (f64, f64) = (0.003, 0.1);
/// A walk that stops so far within the core has most likely been stopped by the oscillator's wander: the tracker saw the
/// note stand there, and where the hand moves it stops seeing that sooner, s. Then the walk is tried with more allowed.
const CUT_S: f64 = 0.3;
/// By how much more, and up to what, Hz/√s. What stops the walk even so is the hand.
const CUT_ALLOWANCE: (f64, f64) = (3.0, 0.03);
/// How near a hum line must be for the reference to wait until it can be told from the note, Hz.
const CLOSE_LINE_HZ: f64 = 4.0;
/// How far from the tracker's figure the note may be in the middle of its rest, Hz: a long rest drifts.
const GUESS_HZ: f64 = 4.0;
/// Longest stretch that the reference fit takes from the middle, s.
const REFERENCE_S: f64 = 1.0;
/// Blocks to either side of the middle that tell the noise.
const NOISE_BLOCKS: usize = 100;
/// Phases that show how much the oscillator wanders in the middle, most of them twice as many.
const SHOWN_POINTS: usize = 100;
/// How much more than the noise a steady fit may leave over, in variance.
const STEADY: f64 = 3.0;
/// Most walks until the edges stay where they are.
const MOST_WALKS: usize = 24;

/// What a walk to one edge allows the oscillator to wander at least, Hz/√s.
#[derive(Clone, Copy)]
struct Allowance {
    wander: f64,
    /// The hand has stopped the walk, whatever was allowed.
    hand: bool,
}

impl Allowance {
    const LEAST: Self = Self { wander: EDGE_WANDER.0, hand: false };

    fn is_least(self) -> bool {
        self.wander <= EDGE_WANDER.0
    }

    /// Changes what is allowed after a walk that left out `cut_s` of the core; whether another walk is worth while.
    fn raise(&mut self, cut_s: f64) -> bool {
        if self.hand || cut_s < CUT_S {
            return false;
        }
        let more = self.wander * CUT_ALLOWANCE.0;
        self.hand = more > CUT_ALLOWANCE.1;
        self.wander = if self.hand { EDGE_WANDER.0 } else { more };
        true
    }
}

/// Where a rest is looked for: the blocks of the core, and those about its middle that the reference fit takes.
struct Ground<'a> {
    sums: &'a BlockSums,
    comb: &'a Comb,
    core: (usize, usize),
    half: usize,
}

impl Ground<'_> {
    fn middle(&self) -> usize {
        usize::midpoint(self.core.0, self.core.1)
    }

    /// Blocks to either side of the middle where the note is known to stand.
    fn trusted(&self) -> usize {
        (self.core.1 - self.core.0) * 3 / 10
    }
}

/// A stretch over which the phase fits, and the blocks of it that don't count.
struct Stretch {
    fit: ToneFit,
    edges: (usize, usize),
    spoilt: Vec<bool>,
}

/// Measures a rest that begins and ends by its phase.
pub fn measure(sums: &BlockSums, core: (f64, f64), guess_hz: f64, comb: &Comb) -> Option<Measured> {
    let from = index_of(sums, core.0);
    let mut ground = Ground { sums, comb, core: (from, index_of(sums, core.1).max(from + 1)), half: 0 };
    let fit = reference(&mut ground, guess_hz)?;
    // The walk goes only three times as far as the fit reaches, then the fit is made anew: so a steady drift is
    // learnt before it could lose the phase.
    let sharp = settle(&ground, fit, (EDGE_WANDER.0, EDGE_WANDER.0), 3 * ground.half)?;
    let Stretch { fit, edges, spoilt } = widened(&ground, &sharp).unwrap_or(sharp);
    record(sums, &fit, edges, &spoilt, comb)
}

/// A steady fit to the middle of the core, longer when the note is weak, never shorter than 0.3 s.
fn reference(ground: &mut Ground, guess_hz: f64) -> Option<ToneFit> {
    let (sums, comb) = (ground.sums, ground.comb);
    let (block_s, middle, core_len) = (sums.block_s(), ground.middle(), ground.core.1 - ground.core.0);
    let mut half =
        ((0.5 * REFERENCE_S / block_s) as usize).min(core_len * 2 / 5).max((0.15 / block_s) as usize);
    // A hum line beside the note must have turned against it before a fit can tell the two apart.
    let turned = |h: &u32| (f64::from(*h) * comb.fundamental_hz - guess_hz).abs();
    let nearest = comb.orders.iter().map(turned).fold(f64::MAX, f64::min);
    if nearest < CLOSE_LINE_HZ {
        half = half.max(((0.75 / nearest / block_s) as usize).min(core_len * 9 / 20));
    }
    loop {
        let (from, to) = (middle.saturating_sub(half), (middle + half).min(sums.len()));
        let with_rate = (to - from) as f64 * block_s > 2.0;
        let model = ToneModel {
            frequency_hz: strongest_near(sums, (from, to), guess_hz, GUESS_HZ.min(0.45 * nearest)),
            rate: 0.0,
            with_rate,
            comb: near_lines(sums, comb, guess_hz, (to - from) as f64 * block_s),
        };
        let fit = fit_tone(sums, (from, to), &model, &|_| false)?;
        let energy = fit.cn0_hz(sums) * (to - from) as f64 * block_s;
        if energy > 60.0 || half * 5 / 2 >= core_len {
            ground.half = half;
            return Some(fit);
        }
        half = (half * 2).min(core_len / 2).max(half + 1);
    }
}

/// Walks to both edges and fits what is between them, in turn, until the edges stay. The first walk goes `reach` blocks
/// from the middle, each further one three times as far; `least` is the wander that they allow at least towards the beginning and the end, Hz/√s.
fn settle(ground: &Ground, mut fit: ToneFit, least: (f64, f64), mut reach: usize) -> Option<Stretch> {
    let (sums, comb, block_s) = (ground.sums, ground.comb, ground.sums.block_s());
    let (middle, trusted) = (ground.middle(), ground.trusted());
    let mut spoilt = vec![false; sums.len()];
    let (mut edges, mut steady) = ((0, 0), true);
    // Edges found so far: what finds the same ones once more has found them for good, or would go on in circles.
    let mut known = Vec::new();
    for _ in 0..MOST_WALKS {
        let seen = reach.max(trusted).max(NOISE_BLOCKS);
        let turned = Turned::of(&fit, sums, (middle.saturating_sub(seen), middle + seen));
        let around = turned.within(middle.saturating_sub(NOISE_BLOCKS), middle + NOISE_BLOCKS);
        let noise = noise_of(&fit, around).unwrap_or(fit.row_variance);
        let per_block = fit.amplitude.norm_sqr() / 4.0 / noise.max(1e-300);
        let group = ((8.0 / per_block).ceil() as usize).clamp(1, 1 + (0.4 / block_s) as usize);
        let sure = (middle.saturating_sub(trusted), (middle + trusted).min(sums.len()));
        spoilt.fill(false);
        mark_spikes(&turned, noise, &mut spoilt);
        let enough = group.max((sure.1 - sure.0) / SHOWN_POINTS);
        let sure = phases(&turned, sums, sure, enough, noise, &spoilt).0;
        let seen = smooth(&sure, sums.centre_s(middle), None);
        let shown = seen.map_or(0.003, |s| if s.rigid > 0.2 { 0.0 } else { s.wander });
        let within = (middle.saturating_sub(reach), (middle + reach).min(sums.len()));
        let way =
            Way { fit: &fit, turned: &turned, sums, middle, trusted, within, group, row_variance: noise };
        let mut side =
            |outward, least| walk(&way, outward, (3.0 * shown).clamp(least, EDGE_WANDER.1), &mut spoilt);
        let to = side(1, least.1).clamp(0, sums.len() as isize) as usize;
        let from = (side(-1, least.0) + 1).max(0) as usize;
        if to <= from + 6 {
            return None;
        }
        edges = (from, to);
        if reach >= sums.len() && (!steady || known.contains(&edges)) {
            break;
        }
        known.push(edges);
        reach = (3 * reach).min(sums.len());
        if !steady {
            continue;
        }
        let span = (to - from) as f64 * block_s;
        let mid_s = f64::midpoint(sums.centre_s(from), sums.centre_s(to - 1));
        let model = ToneModel {
            frequency_hz: fit.frequency_hz + fit.rate * (mid_s - fit.at_s),
            rate: fit.rate,
            with_rate: span > 0.4,
            comb: near_lines(sums, comb, fit.frequency_hz, span),
        };
        if let Some(mut better) = fit_tone(sums, edges, &model, &|k| spoilt[k]) {
            // A wandering oscillator is no steady note over a long span: then the reference stays where it was.
            steady = better.row_variance < STEADY * noise;
            if !steady && keeps_phase(&better, sums, edges, noise, &spoilt) {
                // It fades: what that leaves over says nothing of its phase.
                better.u_rate *= (noise / better.row_variance).sqrt();
                steady = true;
            }
            if steady || edges.1 - edges.0 < 4 * ground.half {
                fit = better;
            }
        }
    }
    Some(Stretch { fit, edges, spoilt })
}

/// Whether the note's phase is that of a fit between the edges, however loud it is.
fn keeps_phase(fit: &ToneFit, sums: &BlockSums, edges: (usize, usize), noise: f64, spoilt: &[bool]) -> bool {
    let group = ((edges.1 - edges.0) / SHOWN_POINTS).max(1);
    let points = phases(&Turned::of(fit, sums, edges), sums, edges, group, noise, spoilt).0;
    let squares: f64 = points.iter().map(|p| p.phase * p.phase / p.variance).sum();
    squares < STEADY * points.len() as f64
}

/// The stretch up to where the core is no longer cut, with more wander allowed towards an edge that cuts it. `None` where
/// no edge does, or more is of no use: then the edges as they are are the sharper ones.
fn widened(ground: &Ground, sharp: &Stretch) -> Option<Stretch> {
    let (mut before, mut after) = (Allowance::LEAST, Allowance::LEAST);
    let mut wide: Option<Stretch> = None;
    loop {
        let Stretch { fit, edges, .. } = wide.as_ref().unwrap_or(sharp);
        let cut_s = |blocks: usize| blocks as f64 * ground.sums.block_s();
        let again = before.raise(cut_s(edges.0.saturating_sub(ground.core.0)));
        let again = after.raise(cut_s(ground.core.1.saturating_sub(edges.1))) || again;
        if !again {
            return wide.filter(|_| !(before.is_least() && after.is_least()));
        }
        wide = Some(settle(ground, fit.clone(), (before.wander, after.wander), ground.sums.len())?);
    }
}

/// Phases of the note between the edges, smoothed, and the record of the rest.
fn record(
    sums: &BlockSums,
    fit: &ToneFit,
    (from, to): (usize, usize),
    spoilt: &[bool],
    comb: &Comb,
) -> Option<Measured> {
    let block_s = sums.block_s();
    let turned = Turned::of(fit, sums, (from, to));
    let noise = noise_of(fit, turned.within(from, to))?;
    let per_block = fit.amplitude.norm_sqr() / 4.0 / noise.max(1e-300);
    let group = ((10.0 / per_block).ceil() as usize).clamp(1, (to - from) / 5).max((to - from) / 400).max(1);
    let (points, loudness) = phases(&turned, sums, (from, to), group, noise, spoilt);
    let power = 4.0 * loudness / points.len().max(1) as f64;
    let at_s = f64::midpoint(sums.centre_s(from), sums.centre_s(to - 1));
    let drift = (fit.u_rate > 0.0).then_some(Drift { rate: fit.rate, u_rate: fit.u_rate, at_s: fit.at_s });
    let Smoothed { frequency_hz, u_hz, u_noise_hz, wander, .. } = smooth(&points, at_s, drift)?;
    let span = (to - from) as f64 * block_s;
    let (start_s, end_s) = (from as f64 * block_s, to as f64 * block_s);
    let fitted_hz = fit.frequency_hz + if drift.is_none() { fit.rate * (at_s - fit.at_s) } else { 0.0 };
    let heard_hz = fitted_hz + frequency_hz;
    // Slope of a straight line through a random walk: variance 6/5·w²/T.
    let rate_u = fit.u_rate.max(u_noise_hz * 60f64.sqrt() / span).hypot(wander * (1.2 / span).sqrt());
    let near_hum_hz = comb
        .orders
        .iter()
        .map(|&h| f64::from(h) * comb.fundamental_hz)
        .find(|line| (line - heard_hz).abs() * span < 1.5);
    Some(Measured {
        start_s: sums.origin_s() + start_s,
        end_s: sums.origin_s() + end_s,
        at_s: sums.origin_s() + at_s,
        heard_hz,
        u_noise_hz,
        u_wander_hz: (u_hz * u_hz - u_noise_hz * u_noise_hz).max(0.0).sqrt(),
        rate: fit.rate,
        rate_u,
        cn0_hz: power / 2.0 / sums.density(noise).max(1e-300),
        power,
        near_hum_hz,
        pull: None,
    })
}

#[cfg(test)]
mod tests {
    use super::super::{Measured, measure, sums_for};
    use crate::estimate::Comb;
    use crate::estimate::chance::normals;
    use std::f64::consts::PI;

    const RATE_HZ: f64 = 8000.0;
    const NOTE_HZ: f64 = 153.2;

    /// A rest of 8 s, 20 dB over the noise in 4 kHz, that drifts; its amplitude by time, and a click of some samples.
    fn rest(rate: f64, amplitude: impl Fn(f64) -> f64, click: std::ops::Range<usize>) -> Measured {
        let mut normal = normals(5);
        let sound: Vec<f32> = (0..64_000)
            .map(|i| {
                let t = i as f64 / RATE_HZ;
                let phase = 2.0 * PI * (NOTE_HZ + 0.5 * rate * (t - 8.0)) * t;
                let ticks = if click.contains(&i) { 6.0 } else { 0.0 };
                (amplitude(t) * phase.cos() + 0.0707 * normal() + ticks) as f32
            })
            .collect();
        let mut sums = sums_for(NOTE_HZ, RATE_HZ, 0);
        sums.push(&sound);
        measure(&sums, (0.3, 7.7), NOTE_HZ, &Comb::default()).expect("a rest")
    }

    /// Fades of 14 dB leave far more than the noise of a fit of one loudness: that is no wander.
    #[test]
    fn a_fading_note_drifts_steadily() {
        let m = rest(0.03, |t| 10f64.powf(-0.35 * (1.0 - (2.0 * PI * 0.3 * t).cos())), 0..0);
        assert!((m.rate - 0.03).abs() < 3.0 * m.rate_u && m.rate_u < 5e-4, "{m:?}");
        // The note is 153.2 Hz less half its drift at the beginning: 153.2 at mid-span.
        assert!((m.heard_hz - NOTE_HZ).abs() < 4.0 * m.u_hz() && m.u_hz() < 5e-4, "{m:?}");
    }

    /// A tick of 3 ms in the very middle, where the walks to both edges begin.
    #[test]
    fn a_click_in_the_middle_is_not_begun_with() {
        for at in (31_800..32_200).step_by(40) {
            let m = rest(0.0, |_| 1.0, at..at + 24);
            assert!(m.start_s < 0.1 && m.end_s > 7.9 && m.u_hz() < 2e-4, "{at}: {m:?}");
        }
    }
}
