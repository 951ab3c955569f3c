//! A rest of two notes that short stretches tell apart.
//!
//! In stretches of two turns of the beat or more (30 ms at least) both notes, other lines near them, and a steady
//! level are fitted by least squares to the samples, mirror images and all. From the middle of the rest a filter that
//! allows the oscillators their wander walks outward over the phase between the notes and stops where it stops
//! fitting. A stretch in which one of them is silent (a key that is up, a fade) has no phase and is passed over.

use super::phase::{Apart, Point, Reference, settle, slope};
use crate::beat::history::History;
use crate::estimate::{Normal, PhasePoint, WanderFilter, phasors, smooth, vertex, whole_turns};
use num_complex::Complex64;
use std::f64::consts::PI;

/// Sound to measure in.
#[derive(Clone, Copy)]
pub struct Sound<'a> {
    pub history: &'a History,
    pub rate_hz: f64,
}

impl Sound<'_> {
    /// First and last instant kept, s.
    pub fn kept_s(&self) -> (f64, f64) {
        (self.history.first() as f64 / self.rate_hz, self.history.end() as f64 / self.rate_hz)
    }

    /// Samples about an instant, and the index of the first of them.
    fn about(&self, at_s: f64, length_s: f64) -> (u64, &[f32]) {
        let len = (length_s * self.rate_hz).round() as u64;
        let from = ((at_s * self.rate_hz).round() as u64).saturating_sub(len / 2);
        (from, self.history.slice(from, from + len))
    }
}

/// Shortest and longest stretch, s, and turns of the beat in one.
const SHORTEST_S: f64 = 0.03;
const LONGEST_S: f64 = 0.16;
const TURNS: f64 = 2.0;
/// A stretch tells a phase where each note has this energy over the noise density.
const LEAST_ENERGY: f64 = 10.0;
/// A note that is further than this below its noise (power) has no phase.
const THERE: f64 = 6.0;
/// Longest silence of one of the notes inside a rest, s.
const LONGEST_ABSENCE_S: f64 = 4.0;
/// How far, in standard deviations, phases may stray before the rest is over; over how many of them.
const EDGE_SIGMAS: f64 = 4.5;
const WINDOWS: [usize; 5] = [2, 3, 5, 8, 13];
/// Wander that the walk allows for at least and at most, Hz/√s.
const EDGE_WANDER: (f64, f64) = (0.003, 0.1);
/// Least backing off from a noticed edge, s.
const BACK_OFF_S: f64 = 0.12;
/// Stretches that a single note's course is taken in, s.
const COURSE_STEP_S: f64 = 0.05;
/// How far from the tracker's figure the difference may be, Hz.
const GUESS_HZ: f64 = 1.5;
/// Lines that are fitted beside the notes: within this, and how many.
const BESIDE_HZ: f64 = 150.0;
const MOST_BESIDE: usize = 3;

/// The notes in stretches of one length.
struct Stretches<'a> {
    sound: Sound<'a>,
    reference: Reference,
    beside: Vec<f64>,
    length_s: f64,
}

impl Stretches<'_> {
    /// The phases in stretch `k` from the reference's instant; `None` where one of the notes is not heard.
    fn point(&self, k: i64) -> Option<Point> {
        let at_s = self.reference.at_s + k as f64 * self.length_s;
        let (first, samples) = self.sound.about(at_s, self.length_s);
        if (samples.len() as f64) < 0.9 * self.length_s * self.sound.rate_hz {
            return None;
        }
        let mut hz = vec![self.reference.hz_at(0, at_s), self.reference.hz_at(1, at_s)];
        hz.extend(&self.beside);
        let found = phasors(samples, first as usize, self.sound.rate_hz, &hz)?;
        let (a, v) = (&found.amplitudes, &found.variances);
        if (0..2).any(|i| a[i].norm_sqr() < THERE * 2.0 * v[i]) {
            return None;
        }
        // Phase at the middle of the stretch, less that of the reference, which is steady: the drift stays in.
        let phase = |i: usize| {
            let turns =
                (hz[i] * found.at_s).fract() - self.reference.hz[i] * (found.at_s - self.reference.at_s);
            let phase = a[i].arg() / (2.0 * PI) + turns;
            2.0 * PI * (phase - phase.round())
        };
        let phases = [phase(0), phase(1)];
        let variances = [v[0] / a[0].norm_sqr(), v[1] / a[1].norm_sqr()];
        Some(Point {
            at_s: found.at_s,
            phases,
            between: phases[1] - phases[0],
            variances,
            variance: variances[0] + variances[1],
            powers: [a[0].norm_sqr(), a[1].norm_sqr()],
            density: 0.5 * (v[0] + v[1]) * self.length_s,
        })
    }
}

/// Measures the rest about `core` (s) of notes near `reference` at its middle; `limits` is where it may reach to, `cn0_hz`
/// the weaker note's power over the noise density, `beside_hz` other lines.
pub fn measure(
    sound: Sound,
    core: (f64, f64),
    mut reference: Reference,
    limits: (f64, f64),
    cn0_hz: f64,
    beside_hz: &[f64],
) -> Option<Apart> {
    let apart = (reference.hz[1] - reference.hz[0]).abs();
    let length_s = (TURNS / apart).max(SHORTEST_S).max(LEAST_ENERGY / cn0_hz.max(1.0)).min(LONGEST_S);
    let middle_s = f64::midpoint(core.0, core.1);
    reference = Reference { at_s: middle_s, hz: [0, 1].map(|i| reference.hz_at(i, middle_s)), ..reference };
    let near = |f: &f64| {
        let distance = |i: usize| (f - reference.hz[i]).abs();
        let d = distance(0).min(distance(1));
        d < BESIDE_HZ && d * length_s > 1.2
    };
    let mut beside: Vec<f64> = beside_hz.iter().copied().filter(near).collect();
    beside.truncate(MOST_BESIDE);
    let mut stretches = Stretches { sound, reference, beside, length_s };
    let half = (0.5 * (core.1 - core.0) / length_s).floor().max(2.0) as i64;
    let inside = (-half..=half).filter_map(|k| stretches.point(k)).collect::<Vec<_>>();
    if inside.len() < 4 {
        return None;
    }
    stretches.reference.hz[1] += beat_of(&inside, middle_s)?;
    let kept = sound.kept_s();
    let limits = (limits.0.max(kept.0), limits.1.min(kept.1));
    let known: Vec<Option<Point>> = (-half..=half).map(|k| stretches.point(k)).collect();
    let trusted = half * 3 / 5;
    // Near the core's ends the hand may still be at it: that is no wander.
    let shown = {
        let points: Vec<PhasePoint> = known[(half - trusted) as usize..=(half + trusted) as usize]
            .iter()
            .flatten()
            .map(|p| PhasePoint {
                at_s: p.at_s,
                phase: p.between - whole_turns(p.between),
                variance: p.variance,
            })
            .collect();
        smooth(&points, middle_s, None).map_or(0.003, |s| if s.rigid > 0.2 { 0.0 } else { s.wander })
    };
    let wander = (3.0 * shown).clamp(EDGE_WANDER.0, EDGE_WANDER.1);
    // The middle's own phase is where both walks begin to count.
    let u_hz = 1.0 / (core.1 - core.0).max(0.3);
    let start = Start { wander, u_hz, trusted };
    let (after, end_s) = walk(&stretches, &known, 1, limits.1, &start);
    let (mut points, start_s) = walk(&stretches, &known, -1, limits.0, &start);
    points.reverse();
    points.extend(after);
    let inside = |p: &Point| p.at_s > start_s && p.at_s < end_s;
    points.retain(inside);
    // Each walk counts its turns from its own first phase: brought together where they meet.
    let meet = points.partition_point(|p| p.at_s < middle_s);
    if let Some((before, after)) =
        meet.checked_sub(1).and_then(|i| Some((*points.get(i)?, *points.get(meet)?)))
    {
        let step = after.between - before.between;
        points[meet..].iter_mut().for_each(|p| p.between -= whole_turns(step));
    }
    settle(&points, &stretches.reference, (start_s, end_s))
}

/// Frequencies of two notes near `hz` over a stretch, each with its variance; `None` where one of them is not heard.
pub fn frequencies(sound: Sound, hz: [f64; 2], (from_s, to_s): (f64, f64)) -> Option<[(f64, f64); 2]> {
    let at_s = f64::midpoint(from_s, to_s);
    let length_s = 0.05f64.max(TURNS / (hz[1] - hz[0]).abs()).min(0.1);
    let reference = Reference { at_s, hz, rate: 0.0 };
    let stretches = Stretches { sound, reference, beside: Vec::new(), length_s };
    let half = (0.5 * (to_s - from_s) / length_s - 0.5).floor() as i64;
    let points: Vec<Point> = (-half..=half).filter_map(|k| stretches.point(k)).collect();
    let one = |i: usize| slope(&points, i).map(|(ahead, variance, _)| (hz[i] + ahead, variance));
    if points.len() as i64 <= half {
        return None;
    }
    Some([one(0)?, one(1)?])
}

/// Frequency at the end and rate of a note near `hz` that goes steadily through a stretch, whatever else is far from it.
/// `None` where it is not heard for long enough, or does not go steadily.
pub fn course(sound: Sound, hz: f64, (from_s, to_s): (f64, f64)) -> Option<(f64, f64)> {
    let count = ((to_s - from_s) / COURSE_STEP_S) as usize;
    let mut normal = Normal::new(3);
    let (mut phase, mut last): (f64, Option<f64>) = (0.0, None);
    let (mut heard, mut noise) = (0, 0.0);
    for i in 0..count {
        let at_s = from_s + (i as f64 + 0.5) * COURSE_STEP_S;
        let (first, samples) = sound.about(at_s, COURSE_STEP_S);
        let Some(found) = phasors(samples, first as usize, sound.rate_hz, &[hz]) else { continue };
        let (a, v) = (found.amplitudes[0], found.variances[0]);
        if a.norm_sqr() < THERE * 2.0 * v {
            continue;
        }
        let step = last.map_or(0.0, |last| a.arg() - last);
        phase += step - whole_turns(step);
        last = Some(a.arg());
        let tau = found.at_s - to_s;
        normal.add(&[1.0, 2.0 * PI * tau, PI * tau * tau], phase);
        noise += v / a.norm_sqr();
        heard += 1;
    }
    if heard < 16 || 10 * heard < 8 * count {
        return None;
    }
    let x = normal.solve()?.x;
    let scatter = normal.misfit(&x) / f64::from(heard as u32);
    (scatter < 0.05 + 4.0 * noise / f64::from(heard as u32)).then_some((hz + x[1], x[2]))
}

/// How far the phase between runs ahead of the reference, Hz: the strongest line of its turns within the guess.
fn beat_of(points: &[Point], middle_s: f64) -> Option<f64> {
    let (first, last) = (points.first()?, points.last()?);
    let step = 0.2 / (last.at_s - first.at_s).max(0.1);
    let steps = (GUESS_HZ / step) as i32;
    let strength = |hz: f64| {
        let turned = |p: &Point| {
            Complex64::from_polar(1.0 / (p.variance + 0.01), p.between - 2.0 * PI * hz * (p.at_s - middle_s))
        };
        points.iter().map(turned).sum::<Complex64>().norm_sqr()
    };
    let best = (-steps..=steps)
        .map(|i| f64::from(i) * step)
        .map(|hz| (hz, strength(hz) / (1.0 + (2.0 * hz).powi(2))))
        .max_by(|a, b| a.1.total_cmp(&b.1))?
        .0;
    Some(best + vertex([best - step, best, best + step].map(strength), 1.0) * step)
}

/// How a walk begins.
struct Start {
    wander: f64,
    u_hz: f64,
    /// Stretches from the middle that are known to stand.
    trusted: i64,
}

/// Walks outward and gives the points passed, in walking order with their phases counted on, and the edge, s; `known` are
/// those in the middle, as many on either side.
fn walk(
    stretches: &Stretches,
    known: &[Option<Point>],
    outward: i64,
    limit_s: f64,
    start: &Start,
) -> (Vec<Point>, f64) {
    let half = (known.len() / 2) as i64;
    let length_s = stretches.length_s;
    let middle_s = stretches.reference.at_s;
    let mut filter = WanderFilter::new(middle_s, start.wander).with_frequency(2.0 * PI * start.u_hz);
    let (mut points, mut strays): (Vec<Point>, Vec<f64>) = (Vec::new(), Vec::new());
    let (mut wild, mut absent) = (0usize, 0usize);
    let mut heard_s = middle_s;
    let sign = outward as f64;
    let back_off = |window: usize| ((window as f64 * 0.6 + 1.0) * length_s).max(BACK_OFF_S);
    let mut k = if outward > 0 { 0 } else { -1 };
    loop {
        let at_s = middle_s + k as f64 * length_s;
        if sign * (at_s + sign * length_s / 2.0 - limit_s) > 0.0 {
            // The sound itself ends here: what was doubtful stays out.
            let doubtful = (wild as f64) * length_s;
            return (
                points,
                if absent > 0 { heard_s + sign * length_s / 2.0 } else { limit_s - sign * doubtful },
            );
        }
        let found = match usize::try_from(k + half).ok().and_then(|at| known.get(at)) {
            Some(point) => *point,
            None => stretches.point(k),
        };
        k += outward;
        let Some(point) = found else {
            absent += 1;
            if absent as f64 * length_s > LONGEST_ABSENCE_S {
                return (points, heard_s - sign * 0.5 * length_s);
            }
            continue;
        };
        absent = 0;
        let seen = PhasePoint { at_s: point.at_s, phase: point.between, variance: point.variance };
        filter.predict(point.at_s);
        let (nu, s) = filter.innovation(&seen);
        let stray = nu / s.sqrt();
        if stray.abs() > EDGE_SIGMAS {
            wild += 1;
            if wild >= 3 && wild as f64 * length_s >= 0.08 {
                return (points, heard_s - sign * back_off(0));
            }
            continue;
        }
        wild = 0;
        let between = filter.phase() + nu;
        filter.update(&PhasePoint { phase: between, ..seen });
        heard_s = point.at_s;
        points.push(Point { between, ..point });
        strays.push(stray);
        if k.abs() <= start.trusted {
            continue;
        }
        for window in WINDOWS {
            if let Some(from) = strays.len().checked_sub(window)
                && strays[from..].iter().sum::<f64>().abs() > EDGE_SIGMAS * (window as f64).sqrt()
            {
                return (points, heard_s - sign * back_off(window));
            }
        }
    }
}
