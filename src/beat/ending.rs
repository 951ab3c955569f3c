//! How a note that is no longer heard ended.
//!
//! It can have gone three ways. Into the **dead band**: it was falling, and where it was heading the path passes too
//! little of it. That needs the path's roll-off, learnt on the way down, and gives a bound: the largest offset at
//! which a note of the level last seen, now at rest, would still be unheard. Into **lock**: coupled oscillators dive as
//! √(Δ² − L²), their harmonics swelling on the way, and fall silent where an uncoupled note would still be heard. Or it
//! was **lost**: it stopped standing, rising, or falling where the path still passes it.
//!
//! Weak points: a key let go while a fast fall is within a quarter second of the dead band looks like the dead band.
//! A lock range narrower than the dead band is not seen as a lock, but then the bound holds for it too.

use super::adler;
use super::pulling::{SOUNDING, level_misfit, standing_ratios, swelling_misfit};
use super::rolloff::{HighPass, Weighed, quantile, spread};
use super::sounding::{Sounding, last_fall};
use crate::heard::EndingState;

/// How long a note that falls on as it fell has to get under what is heard before its silence is strange, s.
const ON_ITS_WAY_S: f64 = 0.25;
/// Time from the last sighting to the lock that still makes it one, s.
const DIVE_S: f64 = 0.4;
/// How much better swelling harmonics must fit than standing ones (difference of χ²).
const DECISIVE: f64 = 15.0;
/// χ² of the harmonics for each sounding up to which they are those of a pulled note.
const FITS: f64 = 4.0;
/// Or so much better than standing ones fit: in a dive no fit is good.
const FAR_BETTER: f64 = 0.55;
/// A note that was seen so long after its last sounding, and where that was, stood still, s.
const STOOD_S: f64 = 0.5;
/// Squared amplitude over twice the noise density that is found at rest for sure, Hz: within a second, within two and a
/// half, later (the ear's frames of growing length, with a margin of two for their luck).
const FOUND_HZ: [(f64, f64); 3] = [(0.9, 750.0), (2.5, 210.0), (f64::INFINITY, 60.0)];
/// No bound is lower, Hz: below, a note at rest may pass for the level's own drift.
const LEAST_BOUND_HZ: f64 = 3.0;
/// Below this a moving note is not followed, whatever the path, Hz.
const UNFOLLOWED_HZ: f64 = 26.0;

/// What is known of a note that is gone.
pub struct Gone<'a> {
    /// |b| when last seen, Hz.
    pub offset_hz: f64,
    /// When that was, s, and now.
    pub last_seen_s: f64,
    pub now_s: f64,
    /// Soundings of its life, oldest first.
    pub soundings: &'a [Sounding],
}

/// How it ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Verdict {
    pub state: EndingState,
    pub bound_hz: Option<f64>,
}

impl Gone<'_> {
    /// Judges.
    pub fn judge(&self) -> Verdict {
        let lost = Verdict { state: EndingState::Lost, bound_hz: None };
        let fall = last_fall(self.soundings);
        let Some((last, rate)) = fall.last().copied().zip(speed(fall)) else { return lost };
        // It stood still before it went: a sighting much later than the last sounding, and at the same place.
        let stood = self.last_seen_s - last.at_s > STOOD_S
            && (self.offset_hz - last.frequency_hz).abs() < 0.1 * last.frequency_hz;
        if rate >= -2.0 || stood {
            return lost;
        }
        let (offset_hz, ago_s) = (last.frequency_hz, self.now_s - last.at_s);
        let free = Coupled::fit(fall, 0.0);
        let coupled = free.lock_hz(fall).map(|lock_hz| Coupled::fit(fall, lock_hz));
        let coupled = coupled.and_then(|c| Some(Coupled::fit(fall, c.lock_hz(fall)?)));
        let density = density(fall);
        let swells = coupled.as_ref().is_some_and(|c| {
            let fits = c.harmonics < FITS * fall.len() as f64 || c.misfit < FAR_BETTER * free.misfit;
            free.misfit - c.misfit > DECISIVE && fits
        });
        let now = if swells { coupled.as_ref().unwrap_or(&free) } else { &free };
        // What a short frame just sees, and what is found at rest in the time since.
        let seen = now.deaf_hz(fall, (2.0 * density * FOUND_HZ[0].1).sqrt(), 0.95).max(UNFOLLOWED_HZ);
        let unheard = FOUND_HZ.iter().find(|f| ago_s < f.0).map_or(0.0, |f| f.1);
        let deaf_hz = now.deaf_hz(fall, (2.0 * density * unheard).sqrt(), 0.95);
        if swells {
            let lock_hz = now.lock_hz;
            let offset = offset_hz.hypot(lock_hz);
            // dΔ/dt = f/Δ·df/dt: the hand is slower than the dive.
            let hand = -rate * offset_hz / offset;
            let dives = (offset - lock_hz) / hand.max(1.0) < DIVE_S;
            if dives && lock_hz > 0.5 * deaf_hz {
                return Verdict { state: EndingState::Locked, bound_hz: None };
            }
        }
        if offset_hz + rate * ON_ITS_WAY_S < seen {
            let highest = offset_hz.max(LEAST_BOUND_HZ);
            let bound = deaf_hz.clamp(LEAST_BOUND_HZ, highest).hypot(now.lock_hz);
            return Verdict { state: EndingState::DeadBand, bound_hz: Some(bound) };
        }
        lost
    }
}

/// How fast the fall was at its end, Hz/s: negative; `None` with fewer than three soundings.
fn speed(fall: &[Sounding]) -> Option<f64> {
    let (first, last) = (fall.get(fall.len().checked_sub(3)?)?, fall.last()?);
    Some((last.frequency_hz - first.frequency_hz) / (last.at_s - first.at_s).max(0.05))
}

/// Noise density at the end of the fall, squared units per Hz.
fn density(fall: &[Sounding]) -> f64 {
    let mut last: Vec<f64> = fall.iter().rev().take(9).map(|s| s.density).collect();
    last.sort_unstable_by(f64::total_cmp);
    last.get(last.len() / 3).copied().unwrap_or(0.0)
}

/// A fall explained with a lock range of ±`lock_hz`; 0 for oscillators that leave each other alone.
struct Coupled {
    lock_hz: f64,
    paths: Vec<Weighed>,
    best: HighPass,
    misfit: f64,
    /// The part of the misfit that the harmonics make.
    harmonics: f64,
}

impl Coupled {
    fn fit(fall: &[Sounding], lock_hz: f64) -> Self {
        let harmonics = |path: HighPass| -> f64 {
            if lock_hz > 0.0 {
                let ratio = |f: f64| adler::line_ratio(f, lock_hz);
                swelling_misfit(fall, path, &ratio, &|f| ratio(f).powi(2))
            } else {
                let (second, third) = standing_ratios(fall, path);
                swelling_misfit(fall, path, &|_| second, &|_| third)
            }
        };
        let paths = spread(&mut |path| level_misfit(fall, path, lock_hz, SOUNDING) + harmonics(path));
        let best = paths.iter().min_by(|a, b| a.misfit.total_cmp(&b.misfit));
        let (best, misfit) =
            best.map_or((HighPass { corner_hz: 1.0, order: 1 }, 0.0), |w| (w.path, w.misfit));
        Self { lock_hz, paths, best, misfit, harmonics: harmonics(best) }
    }

    /// The lock range that fits the harmonics best behind this path, Hz.
    fn lock_hz(&self, fall: &[Sounding]) -> Option<f64> {
        let misfit = |lock_hz: f64| {
            let ratio = |f: f64| adler::line_ratio(f, lock_hz);
            swelling_misfit(fall, self.best, &ratio, &|f| ratio(f).powi(2))
        };
        let (mut best, mut factor) = (1.0f64, 1.25f64);
        let coarse = (0..30).map(|i| factor.powi(i));
        best = coarse.min_by(|a, b| misfit(*a).total_cmp(&misfit(*b))).unwrap_or(best);
        while factor > 1.005 {
            factor = factor.sqrt();
            best = [best / factor, best, best * factor]
                .into_iter()
                .min_by(|a, b| misfit(*a).total_cmp(&misfit(*b)))
                .unwrap_or(best);
        }
        (best > 1.0).then_some(best)
    }

    /// The frequency below which less than `amplitude` is left of the note, with probability `p`, Hz.
    fn deaf_hz(&self, fall: &[Sounding], amplitude: f64, p: f64) -> f64 {
        let mut values: Vec<(f64, f64)> = self
            .paths
            .iter()
            .filter(|w| w.weight > 1e-6)
            .map(|w| {
                let whole = fall.iter().map(|s| {
                    let pulled = adler::first_line(adler::line_ratio(s.frequency_hz, self.lock_hz));
                    s.amplitude.ln() - pulled.ln() - w.path.level(s.frequency_hz)
                });
                let level = whole.sum::<f64>() / fall.len() as f64;
                (w.path.reaches_hz(amplitude.ln() - level), w.weight)
            })
            .collect();
        quantile(&mut values, p).unwrap_or(0.0)
    }
}
