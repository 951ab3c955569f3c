//! Stretches over which the notes stand still against each other, and the rests measured in them.

use super::follow::Follow;
use super::motion::Sighting;
use super::phase::{Apart, Reference};
use super::sight::Sight;
use super::{near, wide};
use crate::beat::path::{Still, Taken};
use std::collections::VecDeque;

/// Notes nearer than this are measured together, Hz.
const NEAR_HZ: f64 = 24.0;
/// The newest sightings must stand for so long, s.
const WINDOW_S: f64 = 0.45;
/// How far sightings may stray from the mean so far, and runs of them, Hz.
const STRAY_HZ: f64 = 0.6;
const STILL_HZ: f64 = 0.35;
/// Drift of the difference that the sightings may show, Hz/s: more is no rest.
const FASTEST: f64 = 0.6;
/// Shortest rest, s, and fastest drift of one, Hz/s.
const SHORTEST_S: f64 = 0.5;
const FASTEST_DRIFT: f64 = 0.2;
/// How long there may be nothing that speaks for a stretch before it is over: with sightings, and in silence, s.
const DOUBT_S: f64 = 0.6;
const MET_DOUBT_S: f64 = 2.4;
/// How far sightings must lie for the notes to be elsewhere, Hz.
const ELSEWHERE_HZ: f64 = 1.0;
const SILENCE_S: f64 = 4.0;
/// No rest is measured over more than this, s.
const LONGEST_S: f64 = 60.0;

/// A stretch under way.
#[derive(Debug, Clone)]
pub struct Standing {
    /// Instants that it is sure to hold, s.
    pub core: (f64, f64),
    /// Where the notes were (s, Hz, Hz), twice a second.
    trace: Vec<(f64, [f64; 2])>,
    pub apart_hz: f64,
    /// Whether it is sure which note is which.
    pub sure: bool,
    pub chapter: usize,
    /// Where the one before ended, s.
    pub from_s: f64,
}

/// A rest measured.
#[derive(Debug, Clone)]
pub struct PairRest {
    pub apart: Apart,
    pub sure: bool,
    pub chapter: usize,
}

/// Finds and measures rests.
#[derive(Default)]
pub struct Stand {
    pub open: Option<Standing>,
    pub rests: Vec<PairRest>,
    last_end_s: f64,
}

impl Stand {
    /// Takes the newest look.
    pub fn look(&mut self, sight: &Sight, follow: &Follow) {
        let now_s = sight.now_s();
        let evidence = if follow.met() {
            follow.standing.and_then(|(found, sure)| {
                let last = follow.sightings().back()?;
                Some((now_s - found.window_s, now_s, *last, sure))
            })
        } else {
            stretch(follow.sightings(), now_s).map(|(from, last)| (from, last.at_s, last, true))
        };
        if let Some((from, to, last, sure)) = evidence {
            let goes_on = self.open.as_ref().is_some_and(|s| {
                s.chapter == follow.chapter()
                    && from < s.core.1 + SILENCE_S
                    && (last.apart() - s.apart_hz).abs() < 0.5 + 3.0 * last.u_hz + 0.2 * (to - s.core.1)
            });
            if !goes_on {
                self.close(sight, now_s);
                let from = from.max(self.last_end_s);
                if to - from < WINDOW_S - 0.06 {
                    return;
                }
                self.open = Some(Standing {
                    core: (from, to),
                    trace: Vec::new(),
                    apart_hz: last.apart(),
                    sure,
                    chapter: follow.chapter(),
                    from_s: self.last_end_s,
                });
            }
            if let Some(s) = &mut self.open {
                s.core.1 = to;
                s.sure = sure;
                s.apart_hz += 0.2 * (last.apart() - s.apart_hz);
                if s.trace.last().is_none_or(|t| to - t.0 > 0.5) {
                    s.trace.push((to, last.hz));
                }
                if to - s.core.0 > LONGEST_S {
                    s.core.0 = to - LONGEST_S;
                }
            }
            return;
        }
        let Some(open) = &self.open else { return };
        // What has been seen since: elsewhere, or only unsteady as after a key's click?
        let since: Vec<f64> =
            follow.sightings().iter().filter(|s| s.at_s > open.core.1 + 0.1).map(Sighting::apart).collect();
        let elsewhere = since.len() > 4 && {
            let mut last = since[since.len() - 5..].to_vec();
            last.sort_unstable_by(f64::total_cmp);
            (last[2] - open.apart_hz).abs() > ELSEWHERE_HZ
        };
        let silent_s = now_s - open.core.1;
        let moves = follow.motion.moves.last().is_some_and(|m| m.to_s > open.core.1 + 0.2);
        let over = silent_s > SILENCE_S
            || moves && elsewhere
            || elsewhere && silent_s > DOUBT_S
            || follow.met() && silent_s > MET_DOUBT_S;
        if over {
            self.close(sight, now_s);
        }
    }

    /// Ends the stretch under way and measures it.
    pub fn close(&mut self, sight: &Sight, now_s: f64) {
        let Some(open) = self.open.take() else { return };
        if let Some(apart) = open.measure(sight, now_s) {
            self.last_end_s = apart.end_s;
            let creeps = apart.rate.abs() - 3.0 * apart.rate_u > FASTEST_DRIFT;
            if !creeps {
                self.rests.push(PairRest { apart, sure: open.sure, chapter: open.chapter });
            }
        }
    }
}

impl Standing {
    /// The rest as it is known now.
    pub fn measure(&self, sight: &Sight, now_s: f64) -> Option<Apart> {
        let sound = sight.sound();
        let kept = sound.kept_s();
        let core = (self.core.0.max(kept.0), self.core.1);
        let middle = f64::midpoint(core.0, core.1);
        let trace = &self.trace;
        let at = trace.partition_point(|t| t.0 < middle).min(trace.len().checked_sub(1)?);
        let nearest = trace[at.saturating_sub(1)..=at]
            .iter()
            .min_by(|a, b| (a.0 - middle).abs().total_cmp(&(b.0 - middle).abs()))?;
        let far = |t: &&(f64, [f64; 2])| (t.0 - middle).abs() < 6.0;
        let (first, last) = (trace.iter().find(far)?, trace.iter().rev().find(far)?);
        let rate = if last.0 - first.0 > 2.0 { (last.1[0] - first.1[0]) / (last.0 - first.0) } else { 0.0 };
        let rate = rate.clamp(-0.5, 0.5);
        // The difference is known better from all sightings than from any one of them.
        let first_hz = nearest.1[0] + rate * (middle - nearest.0);
        let hz = [first_hz, first_hz + self.apart_hz];
        let reference = Reference { at_s: middle, hz, rate };
        let limits = (kept.0.max(self.from_s), kept.1.min(now_s));
        let measured = if (hz[1] - hz[0]).abs() < NEAR_HZ {
            near::measure(sound, core, reference, limits)
        } else {
            let own = |f: f64| hz.iter().any(|n| (n - f).abs() < 8.0);
            let lines = sight.table.lines.iter().filter(|l| l.confirmed() && l.r.abs() < 2.0 && !own(l.b));
            let beside: Vec<f64> = lines.map(|l| l.b).collect();
            wide::measure(sound, core, reference, limits, self.cn0(sight), &beside)
        };
        measured.filter(|m| m.end_s - m.start_s >= SHORTEST_S)
    }

    /// Power over noise density of the weaker note, roughly, Hz.
    fn cn0(&self, sight: &Sight) -> f64 {
        let Some((_, hz)) = self.trace.last() else { return 1e4 };
        let power = |f: f64| {
            let near = sight.table.lines.iter().filter(|l| (l.b - f).abs() < 6.0);
            near.map(|l| l.power).fold(0.0, f64::max)
        };
        let weaker = power(hz[0]).min(power(hz[1]));
        if weaker > 0.0 { weaker / 2.0 / sight.density().max(1e-300) } else { 1e4 }
    }
}

/// The stretch, up to now, over which the difference stands still: its first instant and the newest sighting.
fn stretch(ring: &VecDeque<Sighting>, now_s: f64) -> Option<(f64, Sighting)> {
    let last = *ring.back()?;
    if now_s - last.at_s > 0.7 {
        return None;
    }
    let mut still = Still::new(STRAY_HZ, STILL_HZ);
    let mut first_s = last.at_s;
    let mut rows: Vec<(f64, f64, f64)> = Vec::new();
    for s in ring.iter().rev() {
        let (f, w) = (s.apart(), 1.0 / (s.u_hz * s.u_hz));
        match still.take(f, w) {
            Taken::Ends => break,
            Taken::Strays => {}
            Taken::Belongs => {
                first_s = s.at_s;
                rows.push((s.at_s - last.at_s, f, w));
            }
        }
    }
    if still.count() < 4 || last.at_s - first_s < WINDOW_S {
        return None;
    }
    // Its own slope must be small, or unknown.
    let weight = still.weight();
    let (t0, f0) = rows.iter().fold((0.0, 0.0), |(t, f), r| (t + r.2 * r.0 / weight, f + r.2 * r.1 / weight));
    let moment: f64 = rows.iter().map(|r| r.2 * (r.0 - t0).powi(2)).sum();
    let slope = rows.iter().map(|r| r.2 * (r.0 - t0) * (r.1 - f0)).sum::<f64>() / moment;
    (slope.abs() < FASTEST + 3.0 / moment.sqrt()).then_some((first_s, last))
}
