//! A swell followed cycle by cycle: is it as regular as an oscillator, and how fast is it?
//!
//! From the window in which a line was found comes a template: what the swell does to the envelope over one cycle (two
//! where its half orders stand out). A cycle or more at a time (a chunk) is then compared with it where the phase is expected, by least squares on
//! level, slope, template and the template's derivative: that gives the chunk's depth relative to the template and its
//! phase. The phases go through the filter that rests of a note use, which allows for the oscillators' wander. An
//! oscillator keeps its phase and its depth; fading does not. The scatter of the depths, which no wander touches, also
//! tells how much more noise there is near the line than white noise would have: that factor goes into the
//! uncertainty.

use super::envelope::{Envelope, Values};
use super::fit::{Found, Harmonics, Weights, refine};
use crate::estimate::{Normal, PhasePoint, WanderFilter};
use std::f64::consts::PI;

/// Shortest chunk, s; at least it holds one period of the template.
const SHORTEST_S: f64 = 0.6;
/// Variance of a chunk's phase that is aimed at, rad².
const PHASE_VARIANCE: f64 = 0.05;
/// Wander allowed while following, Hz/√s of the line.
const WANDER: f64 = 0.03;
/// A phase this many standard deviations off is none of the swell's.
const SIGMAS: f64 = 4.5;
/// Depths relative to the template's between which a chunk is the swell's.
const DEPTHS: (f64, f64) = (0.4, 2.2);
/// Chunks in a row that must fail before a swell is over.
const FAILURES: u32 = 2;
/// Phase points kept; beyond that neighbours are joined.
const MOST_POINTS: usize = 240;

/// One chunk's comparison.
#[derive(Debug, Clone, Copy)]
struct Look {
    at_s: f64,
    /// Phase ahead of what was expected, rad, and depth over the template's.
    ahead: f64,
    depth: f64,
    /// Variances of both in white noise.
    ahead_v: f64,
    depth_v: f64,
}

/// A swell that is being followed.
#[derive(Debug, Clone)]
pub struct Followed {
    pub weights: Weights,
    pub template: Harmonics,
    /// Reference phase 2π·f·(t − origin).
    pub line_hz: f64,
    origin_s: f64,
    chunk: u64,
    pub points: Vec<PhasePoint>,
    /// Stretch that fits, indices of envelope values.
    pub from: u64,
    pub to: u64,
    filter: WanderFilter,
    failures: u32,
    pub over: bool,
    /// Depths: number, sum, sum of squares, sum of white variances.
    depths: [f64; 4],
    next: u64,
}

impl Followed {
    /// Follows what was `found` in the values `window` backward to `earliest` and forward to the newest.
    pub fn from_found(
        envelope: &Envelope,
        found: &Found,
        window: (u64, u64),
        earliest: u64,
        weights: Weights,
    ) -> Option<Self> {
        let length_s = (window.1 - window.0) as f64 * envelope.step_s();
        let series: Vec<(f64, f64)> = (window.0..window.1)
            .filter_map(|k| {
                let v = envelope.slice(k, k + 1).first()?;
                Some((envelope.instant_s(k), weights.mix(v)?))
            })
            .collect();
        let origin_s = envelope.instant_s(u64::midpoint(window.0, window.1));
        let centred: Vec<(f64, f64)> = series.iter().map(|&(t, y)| (t - origin_s, y)).collect();
        let (line_hz, mut template) = refine(&centred, found.frequency_hz, length_s)?;
        // Lines that do not stand out would only add noise to the template.
        template.lines.retain(|l| (l.0 - 1.0).abs() < 0.1 || l.1 * l.1 + l.2 * l.2 > 16.0 * l.3);
        let period = if template.lines.iter().any(|l| l.0.fract() > 0.1) { 2.0 } else { 1.0 };
        let steep: f64 = template.lines.iter().map(|l| 0.5 * l.0 * l.0 * (l.1 * l.1 + l.2 * l.2)).sum();
        let needed = template.variance / (steep * PHASE_VARIANCE).max(1e-12) * envelope.step_s();
        let chunk_s = (period / line_hz).max(SHORTEST_S).max(needed);
        if chunk_s > length_s / 2.4 {
            return None;
        }
        let chunk = (chunk_s / envelope.step_s()).round() as u64;
        let middle = u64::midpoint(window.0, window.1);
        let start = |at_s| WanderFilter::new(at_s, WANDER).with_frequency(2.0 * PI * 0.3 / length_s);
        let mut this = Self {
            weights,
            template,
            line_hz,
            origin_s,
            chunk,
            points: Vec::new(),
            from: middle,
            to: middle,
            filter: start(origin_s),
            failures: 0,
            over: false,
            depths: [0.0; 4],
            next: middle,
        };
        // Backward first, then forward from the middle anew.
        let mut back = start(origin_s);
        let (mut end, mut failures) = (middle, 0);
        while end >= earliest + chunk && failures < FAILURES {
            end -= chunk;
            if this.take(envelope, end, &mut back) {
                failures = 0;
                this.from = end;
            } else {
                failures += 1;
            }
        }
        this.points.reverse();
        this.advance(envelope);
        (this.points.len() >= 3).then_some(this)
    }

    /// Goes on over what has come in since.
    pub fn advance(&mut self, envelope: &Envelope) {
        while !self.over && self.next + self.chunk <= envelope.end() {
            let mut filter = self.filter.clone();
            let from = self.next;
            self.next += self.chunk;
            if self.take(envelope, from, &mut filter) {
                self.filter = filter;
                self.failures = 0;
                self.to = self.next;
            } else {
                self.failures += 1;
                self.over = self.failures >= FAILURES;
            }
        }
        if self.points.len() > MOST_POINTS {
            self.points = self
                .points
                .chunks(2)
                .map(|p| match p {
                    [a, b] => PhasePoint {
                        at_s: f64::midpoint(a.at_s, b.at_s),
                        phase: f64::midpoint(a.phase, b.phase),
                        variance: (a.variance + b.variance) / 4.0,
                    },
                    _ => p[0],
                })
                .collect();
        }
    }

    /// Compares the chunk that begins at `from` and takes it if it fits.
    fn take(&mut self, envelope: &Envelope, from: u64, filter: &mut WanderFilter) -> bool {
        let values = envelope.slice(from, from + self.chunk);
        let at_s = 0.5 * (envelope.instant_s(from) + envelope.instant_s(from + self.chunk - 1));
        filter.predict(at_s);
        let (mut expected, mut pace) = (filter.phase(), filter.pace());
        let Some(mut look) = self.look(envelope, values, from, (at_s, expected, pace)) else { return false };
        for _ in 0..2 {
            // Once more from nearer by: the derivative is only that for small steps.
            if look.ahead.abs() > 0.15 && look.ahead.abs() < 1.2 {
                expected += look.ahead;
                pace = filter.pace();
                let Some(again) = self.look(envelope, values, from, (at_s, expected, pace)) else {
                    return false;
                };
                look = again;
            }
        }
        let noise = self.colour();
        let point = PhasePoint { at_s: look.at_s, phase: expected + look.ahead, variance: look.ahead_v };
        let (nu, s) = filter.innovation(&PhasePoint { variance: look.ahead_v * noise, ..point });
        let spread = 3.0 * (look.depth_v * noise).sqrt();
        let fits = nu.abs() < SIGMAS * s.sqrt()
            && look.ahead.abs() < 1.2
            && look.depth > DEPTHS.0 - spread.min(0.3)
            && look.depth < DEPTHS.1 + spread;
        if fits {
            filter.update(&PhasePoint { variance: look.ahead_v * noise, ..point });
            self.points.push(point);
            let [n, sum, squares, white] = &mut self.depths;
            *n += 1.0;
            *sum += look.depth;
            *squares += look.depth * look.depth;
            *white += look.depth_v;
        }
        fits
    }

    fn look(
        &self,
        envelope: &Envelope,
        values: &[Values],
        from: u64,
        (at_s, expected, pace): (f64, f64, f64),
    ) -> Option<Look> {
        let mut normal = Normal::new(4);
        for (k, v) in values.iter().enumerate() {
            let Some(y) = self.weights.mix(v) else { continue };
            let t = envelope.instant_s(from + k as u64);
            let phase = self.reference(t) + expected + pace * (t - at_s);
            let (mut m, mut d) = (0.0, 0.0);
            for &(h, a, b, _) in &self.template.lines {
                let (s, c) = (h * phase).sin_cos();
                m += a * c + b * s;
                d += h * (b * c - a * s);
            }
            normal.add(&[1.0, (t - at_s) * self.line_hz, m, d], y);
        }
        if (normal.rows() as u64) * 3 < 2 * self.chunk || normal.rows() < 8 {
            return None;
        }
        let solution = normal.solve()?;
        let x = &solution.x;
        let depth = x[2];
        Some(Look {
            at_s,
            ahead: x[3] / depth.abs().max(0.4),
            depth,
            ahead_v: self.template.variance * solution.variance(3) / depth.powi(2).max(0.16),
            depth_v: self.template.variance * solution.variance(2),
        })
    }

    fn reference(&self, at_s: f64) -> f64 {
        2.0 * PI * self.line_hz * (at_s - self.origin_s)
    }

    /// Noise near the line over that of white noise, from the scatter of the depths.
    pub fn colour(&self) -> f64 {
        let [n, sum, squares, white] = self.depths;
        if n < 4.0 {
            return 2.0;
        }
        let scatter = squares - sum * sum / n;
        // Four chunks' worth of belief in white noise.
        ((scatter + 4.0 * white / n) / ((n + 3.0) * white / n).max(1e-300)).max(1.0)
    }

    /// Standard deviation of the depth over its mean, noise of the white kind taken off.
    pub fn unsteadiness(&self) -> f64 {
        let [n, sum, squares, white] = self.depths;
        let mean = sum / n.max(1.0);
        ((squares / n.max(1.0) - mean * mean - white / n.max(1.0)).max(0.0)).sqrt() / mean.abs().max(1e-9)
    }

    /// Length of the stretch in cycles of the line.
    pub fn cycles(&self, envelope: &Envelope) -> f64 {
        (self.to - self.from) as f64 * envelope.step_s() * self.line_hz
    }

    /// Share of the chunks within the stretch that fit.
    pub fn share(&self) -> f64 {
        self.depths[0] / ((self.to - self.from) as f64 / self.chunk as f64).max(1.0)
    }

    /// Phase of the line at an instant, the followed one, between neighbouring points.
    pub fn phase_at(&self, at_s: f64) -> f64 {
        let ahead = match self.points.partition_point(|p| p.at_s <= at_s) {
            0 => self.points[0].phase,
            n if n == self.points.len() => self.points[n - 1].phase,
            n => {
                let (p, q) = (self.points[n - 1], self.points[n]);
                p.phase + (q.phase - p.phase) * (at_s - p.at_s) / (q.at_s - p.at_s).max(1e-9)
            }
        };
        self.reference(at_s) + ahead
    }
}
