//! A rest measured: from the sums around a standing note to its edges, its offset and an honest uncertainty.
//!
//! A steady fit to the middle of the stretch gives a reference phase. From there a filter that allows the oscillator
//! its wander walks outward over the phase of the note, and stops where the phase stops fitting: an end a tenth of a
//! second inside the hand's move would spoil the figure, so the walk also backs off by as much as it needed to notice.
//! Where it stops short of what the tracker saw standing still, more wander is tried: a piece of a wandering rest that
//! happens to look rigid would be stated many times better than it is.
//! Between the edges the note is fitted by least squares with the hum beside it, and what its phase holds beyond
//! white noise goes into the uncertainty as wander. Below [`LOW_HZ`] a block has no phase of its own: there the edges
//! come from the misfit of the samples and the figure from the fit alone.

use crate::estimate::{
    BlockSums, Comb, Drift, PhasePoint, Smoothed, ToneFit, ToneModel, WanderFilter, fit_tone, smooth,
};
use num_complex::Complex64;
use std::f64::consts::PI;

/// Below this a note is measured on plain means of samples, Hz.
pub const LOW_HZ: f64 = 20.0;
/// Shortest rest, s.
pub const SHORTEST_S: f64 = 0.5;
/// Fastest steady drift that is still a rest, Hz/s.
pub const FASTEST_DRIFT: f64 = 0.2;
/// Least energy of the note over the noise density within the rest: 15 dB. Noise alone passes it once in a million
/// trials (the statistic is χ² with two degrees of freedom over two).
const LEAST_ENERGY: f64 = 32.0;
/// Wander that the walk to the edges allows for at least and at most, Hz/√s (a good tube oscillator has 0.01); in
/// between three times what the middle of the rest shows. The less is allowed, the sooner a gentle start of the hand is
/// noticed.
const EDGE_WANDER: (f64, f64) = (0.003, 0.1);
/// A walk that stops so far within the core has most likely been stopped by the oscillator's wander: the tracker saw the
/// note stand there, and where the hand moves it stops seeing that sooner, s. Then the walk is tried with more allowed.
const CUT_S: f64 = 0.3;
/// By how much more, and up to what, Hz/√s. What stops the walk even so is the hand.
const CUT_ALLOWANCE: (f64, f64) = (3.0, 0.03);
/// How far, in standard deviations, a run of innovations may stray before the rest is over.
const EDGE_SIGMAS: f64 = 4.5;
/// Runs of innovations that are looked at, blocks.
const WINDOWS: [usize; 5] = [2, 3, 5, 8, 13];
/// Least backing off from a noticed edge, s.
const BACK_OFF_S: f64 = 0.06;
/// Longest silence inside a rest, s.
const LONGEST_ABSENCE_S: f64 = 1.5;

/// How long a note must be heard after a silence to be the same rest, s.
const LEAST_RETURN_S: f64 = 0.4;

/// Sums suited to a note near `frequency_hz`: blocks of about 20 ms that hold whole periods, so that the noise of both
/// quadratures is alike and the note's own harmonics drop out; plain means of 4 ms for a low note.
pub fn sums_for(frequency_hz: f64, rate_hz: f64, first_sample: u64) -> BlockSums {
    if frequency_hz < LOW_HZ {
        return BlockSums::new(rate_hz, 0.0, (0.004 * rate_hz).round() as usize, first_sample);
    }
    let periods = (0.02 * frequency_hz).round().max(1.0);
    BlockSums::new(rate_hz, frequency_hz, (periods / frequency_hz * rate_hz).round() as usize, first_sample)
}

/// A measured rest, times in s from the beginning of the stream.
#[derive(Debug, Clone)]
pub struct Measured {
    pub start_s: f64,
    pub end_s: f64,
    pub at_s: f64,
    pub heard_hz: f64,
    pub u_noise_hz: f64,
    pub u_wander_hz: f64,
    pub rate: f64,
    pub rate_u: f64,
    pub cn0_hz: f64,
    /// Squared amplitude.
    pub power: f64,
    pub near_hum_hz: Option<f64>,
    /// What pulled the note, judged apart.
    pub pull: Option<super::pulling::Pull>,
}

impl Measured {
    /// Combined standard uncertainty, Hz.
    pub fn u_hz(&self) -> f64 {
        self.u_noise_hz.hypot(self.u_wander_hz)
    }
}

/// Measures the rest around `core` (s from the beginning of the stream) in `sums`; `comb` is the hum to be taken out
/// with it. `None` when there is no rest of half a second that stands out of the noise.
pub fn measure(sums: &BlockSums, core: (f64, f64), guess_hz: f64, comb: &Comb) -> Option<Measured> {
    let measured = if sums.carrier_hz() > 0.0 {
        by_phase(sums, core, guess_hz, comb)
    } else {
        by_misfit(sums, core, guess_hz, comb)
    }?;
    let energy = measured.cn0_hz * (measured.end_s - measured.start_s);
    let creeps = measured.rate.abs() - 3.0 * measured.rate_u > FASTEST_DRIFT;
    (energy >= LEAST_ENERGY && !creeps && measured.end_s - measured.start_s >= SHORTEST_S).then_some(measured)
}

/// How near a hum line must be to be fitted, Hz: those further off have been taken out of the sound.
const NEAR_LINE_HZ: f64 = 30.0;
/// How near a hum line must be for the reference to wait until it can be told from the note, Hz.
const CLOSE_LINE_HZ: f64 = 4.0;
/// How near a steady line must be for its leakage into the blocks to matter, Hz, and how many are fitted.
const LONE_LINE_HZ: f64 = 160.0;
const MOST_LONE: usize = 3;

/// The lines that matter beside a note heard for `span_s`: near ones that the span and the blocks can tell from the
/// note and from each other.
fn near_lines(sums: &BlockSums, comb: &Comb, note_hz: f64, span_s: f64) -> Comb {
    let line = |h: &u32| f64::from(*h) * comb.fundamental_hz;
    // What the blocks make of a distance in frequency: they can't tell multiples of their own rate apart.
    let folded = |d: f64| {
        let turns = d * sums.block_s();
        (turns - turns.round()).abs() / sums.block_s()
    };
    let told = |f: f64| {
        let apart = if sums.carrier_hz() > 0.0 {
            folded(f - note_hz).min(folded(f + note_hz))
        } else {
            (f - note_hz).abs()
        };
        apart * span_s > 1.0
    };
    let mut orders: Vec<u32> = comb.orders.clone();
    orders.retain(|h| (line(h) - note_hz).abs() < NEAR_LINE_HZ && told(line(h)));
    orders.sort_by(|g, h| (line(g) - note_hz).abs().total_cmp(&(line(h) - note_hz).abs()));
    orders.truncate(2);
    let mut lone: Vec<f64> = Vec::new();
    if sums.carrier_hz() > 0.0 {
        let mut near: Vec<f64> =
            comb.lone.iter().copied().filter(|f| (f - note_hz).abs() < LONE_LINE_HZ).collect();
        near.sort_by(|a, b| (a - note_hz).abs().total_cmp(&(b - note_hz).abs()));
        for f in near {
            let clear = told(f) && lone.iter().all(|g| folded(f - g) * span_s > 1.5);
            let combed =
                orders.iter().any(|h| (f64::from(*h) * comb.fundamental_hz - f).abs() * span_s < 2.0);
            if clear && !combed && lone.len() < MOST_LONE {
                lone.push(f);
            }
        }
    }
    Comb { fundamental_hz: comb.fundamental_hz, free: span_s > 2.0 && !orders.is_empty(), orders, lone }
}

/// How far from the tracker's figure the note may be in the middle of its rest, Hz: a long rest drifts.
const GUESS_HZ: f64 = 4.0;

/// The frequency within `within_hz` of `guess_hz` at which the blocks add up highest.
fn strongest_near(sums: &BlockSums, (from, to): (usize, usize), guess_hz: f64, within_hz: f64) -> f64 {
    let step = 0.25 / ((to - from) as f64 * sums.block_s());
    let steps = (within_hz / step) as i32;
    let total = |f: f64| {
        let turn = Complex64::from_polar(1.0, -2.0 * PI * (f - sums.carrier_hz()) * sums.block_s());
        let mut at = Complex64::new(1.0, 0.0);
        let mut sum = Complex64::default();
        for k in from..to {
            sum += sums.mean(k).unwrap_or_default() * at;
            at *= turn;
        }
        sum.norm_sqr()
    };
    // Nearer counts more: a louder neighbour four hertz off is another line.
    (-steps..=steps)
        .map(|i| (guess_hz + f64::from(i) * step, 1.0 / (1.0 + (f64::from(i) * step).powi(2))))
        .map(|(f, weight)| (f, total(f) * weight))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(guess_hz, |best| best.0)
}

fn index_of(sums: &BlockSums, at_s: f64) -> usize {
    ((at_s - sums.origin_s()) / sums.block_s()).clamp(0.0, sums.len() as f64) as usize
}

/// The note's turns relative to a fit, block by block.
struct Turned {
    first: usize,
    turns: Vec<Option<Complex64>>,
}

impl Turned {
    /// In blocks `from..to`, as far as there are any.
    fn of(fit: &ToneFit, sums: &BlockSums, (from, to): (usize, usize)) -> Self {
        Self { first: from, turns: fit.residual_turns(sums, (from, to.min(sums.len()).max(from))) }
    }

    /// Those of blocks `from..to`.
    fn within(&self, from: usize, to: usize) -> &[Option<Complex64>] {
        let index = |k: usize| k.saturating_sub(self.first).min(self.turns.len());
        &self.turns[index(from)..index(to).max(index(from))]
    }

    /// Their mean over `group` blocks from `k`, what is spoilt left out, and how many there are; `None` where there are none.
    fn mean(&self, k: usize, group: usize, spoilt: &[bool]) -> Option<(Complex64, usize)> {
        let sound = |i: &usize| !spoilt.get(*i).copied().unwrap_or(false);
        let (sum, n) = (k..k + group)
            .zip(self.within(k, k + group))
            .filter(|(i, _)| sound(i))
            .filter_map(|(_, turn)| *turn)
            .fold((Complex64::default(), 0), |(s, n), w| (s + w, n + 1));
        (n > 0).then(|| (sum / n as f64, n))
    }
}

/// No phase is known better than to 1e-5 rad: a smoother that believes in more loses itself in its own rounding, rad².
const LEAST_VARIANCE: f64 = 1e-10;
/// What single-precision sound leaves at least, in parts of the note's power: no note is known better.
const LEAST_NOISE: f64 = 1e-17;

/// Variance of one real row of the blocks' turns, from second differences: blind to slow changes of phase and loudness; the
/// wildest are trimmed off.
fn noise_of(fit: &ToneFit, turns: &[Option<Complex64>]) -> Option<f64> {
    let mut squares: Vec<f64> =
        turns.windows(3).filter_map(|w| Some((w[1]? - (w[0]? + w[2]?) * 0.5).norm_sqr())).collect();
    if squares.len() < 6 {
        return None;
    }
    squares.sort_unstable_by(f64::total_cmp);
    // A made tone may repeat itself to the last bit: then half of the differences are nothing, and there is no telling the
    // wild ones.
    let median = squares[squares.len() / 2];
    let kept = if median > 0.0 { squares.partition_point(|&d| d <= 8.0 * median) } else { squares.len() };
    let mean = squares[..kept].iter().sum::<f64>() / kept as f64 / 3.0;
    Some(mean.max(LEAST_NOISE * fit.amplitude.norm_sqr()))
}

/// Walks outward from block `middle` and returns the first block (in walking order) that no longer belongs.
/// Blocks that clicks or gaps spoil are marked in `spoilt`.
#[allow(clippy::too_many_arguments)]
fn walk(
    fit: &ToneFit,
    turned: &Turned,
    sums: &BlockSums,
    middle: usize,
    outward: isize,
    (first, end): (isize, isize),
    trusted: usize,
    wander: f64,
    group: usize,
    row_variance: f64,
    spoilt: &mut [bool],
) -> isize {
    let block_s = sums.block_s();
    let back_off =
        |window: usize| ((window * group) as f64 * 0.6 + 2.0).max(BACK_OFF_S / block_s).ceil() as isize;
    let amplitude = fit.amplitude.norm() / 2.0;
    let mut filter =
        WanderFilter::new(sums.centre_s(middle), wander).with_frequency(2.0 * PI * 3.0 * fit.u_hz);
    let mut strays: Vec<f64> = Vec::new();
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
        let point = PhasePoint { at_s: sums.centre_s(at), phase: w.arg(), variance: variance / power };
        filter.predict(point.at_s);
        let (nu, s) = filter.innovation(&point);
        let stray = nu / s.sqrt();
        let loud = power > 9.0 * amplitude * amplitude;
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
        filter.update(&point);
        heard_since += 1;
        strays.push(stray);
        let trust = (at as isize - middle as isize).unsigned_abs() < trusted;
        for (window, (squares, count)) in WINDOWS.into_iter().zip(&mut shaken) {
            if let Some(run) = strays.len().checked_sub(window) {
                let sum = strays[run..].iter().sum::<f64>() / (window as f64).sqrt();
                let usual = if *count > 8.0 { (*squares / *count).sqrt().max(1.0) } else { 1.0 };
                if trust {
                    *squares += sum * sum;
                    *count += 1.0;
                } else if sum.abs() > EDGE_SIGMAS * usual {
                    break 'walk k - outward * ((window * group) as isize + back_off(window));
                }
            }
        }
    };
    settle(edge, fell_silent, heard_since)
}

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

/// Longest stretch that the reference fit takes from the middle, s.
const REFERENCE_S: f64 = 1.0;
/// Most walks until the edges stay where they are.
const MOST_WALKS: usize = 24;

fn by_phase(sums: &BlockSums, core: (f64, f64), guess_hz: f64, comb: &Comb) -> Option<Measured> {
    let from = index_of(sums, core.0);
    let mut ground = Ground { sums, comb, core: (from, index_of(sums, core.1).max(from + 1)), half: 0 };
    let fit = reference(&mut ground, guess_hz)?;
    // The walk goes only three times as far as the fit reaches, then the fit is made anew: so a steady drift is
    // learnt before it could lose the phase.
    let sharp = settle(&ground, fit, (Allowance::LEAST, Allowance::LEAST), 3 * ground.half)?;
    let Stretch { fit, edges, spoilt } = widened(&ground, &sharp).unwrap_or(sharp);
    finish_by_phase(sums, &fit, edges, &spoilt, comb)
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
/// from the middle, each further one three times as far; `least` is what they allow towards the beginning and the end.
fn settle(
    ground: &Ground,
    mut fit: ToneFit,
    least: (Allowance, Allowance),
    mut reach: usize,
) -> Option<Stretch> {
    let (sums, comb, block_s) = (ground.sums, ground.comb, ground.sums.block_s());
    let (middle, trusted) = (ground.middle(), ground.trusted());
    let mut spoilt = vec![false; sums.len()];
    let (mut edges, mut steady) = ((0, 0), true);
    // Edges found so far: what finds the same ones once more has found them for good, or would go on in circles.
    let mut known = Vec::new();
    for _ in 0..MOST_WALKS {
        let around = (middle.saturating_sub(100), middle + 100);
        let least_seen = around.0.min(middle.saturating_sub(reach.max(trusted)));
        let turned = Turned::of(&fit, sums, (least_seen, around.1.max(middle + reach.max(trusted))));
        let noise = noise_of(&fit, turned.within(around.0, around.1)).unwrap_or(fit.row_variance);
        let per_block = fit.amplitude.norm_sqr() / 4.0 / noise.max(1e-300);
        let group = ((8.0 / per_block).ceil() as usize).clamp(1, 1 + (0.4 / block_s) as usize);
        let sure = (middle.saturating_sub(trusted), (middle + trusted).min(sums.len()));
        let seen = smooth(&phases(&turned, sums, sure, group, noise, &[]).0, sums.centre_s(middle), None);
        let shown = seen.map_or(0.003, |s| if s.rigid > 0.2 { 0.0 } else { s.wander });
        spoilt.fill(false);
        let within = (middle.saturating_sub(reach) as isize, (middle + reach).min(sums.len()) as isize);
        let mut side = |outward, least: Allowance| {
            let wander = (3.0 * shown).clamp(least.wander, EDGE_WANDER.1);
            walk(&fit, &turned, sums, middle, outward, within, trusted, wander, group, noise, &mut spoilt)
        };
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
        if let Some(better) = fit_tone(sums, edges, &model, &|k| spoilt[k]) {
            // A wandering oscillator is no steady note over a long span: then the reference stays where it was.
            steady = better.row_variance < 3.0 * noise;
            if steady || edges.1 - edges.0 < 4 * ground.half {
                fit = better;
            }
        }
    }
    Some(Stretch { fit, edges, spoilt })
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
        wide = Some(settle(ground, fit.clone(), (before, after), ground.sums.len())?);
    }
}

/// Phases of the note over groups of blocks, what is spoilt left out, and the sum of their powers.
fn phases(
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

/// Phases of the note between the edges, smoothed, and the record of the rest.
fn finish_by_phase(
    sums: &BlockSums,
    fit: &ToneFit,
    (from, to): (usize, usize),
    spoilt: &[bool],
    comb: &Comb,
) -> Option<Measured> {
    let block_s = sums.block_s();
    let turned = Turned::of(fit, sums, (from, to));
    let noise = noise_of(fit, &turned.turns)?;
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

/// Blocks to a cycle of a low note at least, and how long one is at most, s: a period of mains.
const LOW_BLOCKS: f64 = 16.0;
const LOW_BLOCK_S: f64 = 0.02;
/// Length of a stretch that is added or refused as a whole, s.
const LOW_STEP_S: f64 = 0.1;
/// By how much the stretch grows before it is fitted anew.
const LOW_GROWTH: f64 = 1.1;
/// Cycles below which a note is no note.
const LEAST_CYCLES: f64 = 1.5;
/// Cycles below which a drift can't be told from the note's own curve.
const DRIFT_CYCLES: f64 = 6.0;

fn by_misfit(sums: &BlockSums, core: (f64, f64), guess_hz: f64, comb: &Comb) -> Option<Measured> {
    let longest_s = LOW_BLOCK_S.min(1.0 / (LOW_BLOCKS * guess_hz));
    let sums = &sums.coarser((longest_s / sums.block_s()) as usize);
    let block_s = sums.block_s();
    let (core_from, core_to) = (index_of(sums, core.0), index_of(sums, core.1));
    let fit_span = |from: usize, to: usize, f: f64, rate: f64, drift: bool| {
        let cycles = f * (to - from) as f64 * block_s;
        let model = ToneModel {
            frequency_hz: f,
            rate: if drift { rate } else { 0.0 },
            with_rate: drift && cycles > DRIFT_CYCLES,
            comb: Comb { free: false, ..near_lines(sums, comb, f, (to - from) as f64 * block_s) },
        };
        fit_tone(sums, (from, to), &model, &|_| false)
    };
    // The middle of the core: at least a cycle and a quarter, at least half a second.
    let middle = usize::midpoint(core_from, core_to);
    let least = ((1.25 / guess_hz).max(0.5) / block_s) as usize;
    let half = (least / 2).max((core_to - core_from) / 4).max(8);
    let (mut from, mut to) = (middle.saturating_sub(half), (middle + half).min(sums.len()));
    // The line's own figure is rough down here: try a ladder of frequencies.
    let mut fit = (0..9)
        .filter_map(|i| fit_span(from, to, guess_hz * (0.7 + 0.08 * f64::from(i)), 0.0, false))
        .min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
    let step = (LOW_STEP_S / block_s) as usize;
    let (mut open_left, mut open_right) = (true, true);
    let mut fitted = to - from;
    while open_left || open_right {
        let fits = |k0: usize, k1: usize, fit: &ToneFit| {
            let residuals = fit.residuals(sums, (k0, k1));
            let (sum, n) = residuals.fold((0.0, 0), |(s, n), r| (s + r.re * r.re, n + 1));
            // How far the fit itself may be off out there.
            let tau = (sums.centre_s(k0) - fit.at_s).abs();
            let phase = 2.0 * PI * (fit.u_hz * tau).hypot(0.5 * fit.u_rate * tau * tau) + 2.0 * PI * 0.003;
            let off = 0.5 * fit.amplitude.norm_sqr() * phase * phase;
            n == 0
                || sum / f64::from(n) < (fit.row_variance + off) * (1.0 + 4.5 * (2.0 / f64::from(n)).sqrt())
        };
        let fresh = fitted == to - from;
        let mut grown = false;
        if open_right {
            let next = to + step;
            let joins = next <= sums.len() && fits(to, next, &fit);
            // Only a fit that has been made of all there is may refuse.
            (open_right, grown) = (joins || !fresh && next <= sums.len(), joins);
            to = if joins { next } else { to };
        }
        if open_left {
            let joins = from >= step && fits(from - step, from, &fit);
            (open_left, grown) = (joins || !fresh && from >= step, grown || joins);
            from = if joins { from - step } else { from };
        }
        // A fit says for itself how far out it can be trusted: it need not be made anew at every step.
        if !grown || (to - from) as f64 >= LOW_GROWTH * fitted as f64 {
            fitted = to - from;
            if let Some(better) = fit_span(from, to, fit.frequency_hz, fit.rate, true) {
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
        fit = fit_span(from, to, fit.frequency_hz, fit.rate, true)?;
    }
    // A drift that does not stand out is no drift: the steady fit is the better one.
    if fit.u_rate > 0.0 && fit.rate.abs() < 3.0 * fit.u_rate {
        fit = fit_span(from, to, fit.frequency_hz, 0.0, false).unwrap_or(fit);
    }
    let span = (to - from) as f64 * block_s;
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
        rate_u: fit.u_rate,
        cn0_hz: fit.cn0_hz(sums),
        power: fit.amplitude.norm_sqr(),
        near_hum_hz: None,
        pull: None,
    })
}
