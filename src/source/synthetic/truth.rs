//! What was put into a recording.

use super::scene::Scene;
use serde::{Deserialize, Serialize};

/// Step of the beat's table, s.
const STEP_S: f64 = 0.05;
/// A shorter stop of the hand is no rest, s.
const SHORTEST_REST_S: f64 = 0.5;
/// Passages of zero nearer to each other than this are one, s.
const ONE_PASSAGE_S: f64 = 0.2;

/// What was put into a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Signed beat b every `step_s` from 0 on, Hz: the true one, also where pulling lets another be heard.
    pub beat_hz: Vec<f64>,
    /// Step of that table, s.
    pub step_s: f64,
    /// Stretches of at least half a second in which the hand stood still; none where there is no beat at all.
    pub rests: Vec<TrueRest>,
    /// Passages through zero.
    pub crossings: Vec<TrueCrossing>,
}

/// A stretch in which the hand stood still.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrueRest {
    /// When the hand let go, s.
    pub start_s: f64,
    /// When it moved again, or the recording ended, s.
    pub end_s: f64,
    /// Signed beat at the middle, Hz.
    pub beat_hz: f64,
}

/// A passage through zero.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrueCrossing {
    /// Instant, s.
    pub at_s: f64,
    /// Whether b rose through zero.
    pub rising: bool,
}

impl Truth {
    /// Signed beat at an instant, Hz, between the table's entries along a straight line.
    pub fn beat_at(&self, t: f64) -> f64 {
        let last = self.beat_hz.len().saturating_sub(1);
        let at = (t / self.step_s).clamp(0.0, last as f64);
        let i = (at as usize).min(last.saturating_sub(1));
        match self.beat_hz[i..] {
            [b0, b1, ..] => b0 + (b1 - b0) * (at - i as f64),
            [b0] => b0,
            [] => 0.0,
        }
    }
}

/// Watches the beat while a recording is made.
pub(super) struct Witness {
    rate_hz: f64,
    knots: Vec<(f64, f64)>,
    beat_hz: Vec<f64>,
    crossings: Vec<TrueCrossing>,
    previous_hz: f64,
    last_side: f64,
}

impl Witness {
    pub(super) fn new(scene: &Scene) -> Self {
        Self {
            rate_hz: f64::from(scene.rate_hz),
            knots: if scene.has_beat() { scene.knots.clone() } else { Vec::new() },
            beat_hz: Vec::new(),
            crossings: Vec::new(),
            previous_hz: 0.0,
            last_side: 0.0,
        }
    }

    /// Notes the beat at a frame; frames come in order.
    pub(super) fn see(&mut self, frame: u64, beat_hz: f64) {
        let t = frame as f64 / self.rate_hz;
        // The first sample at or after each instant of the table, brought back to it along the beat's slope.
        let instant = self.beat_hz.len() as f64 * STEP_S;
        if t >= instant - 1e-9 {
            let slope = if frame == 0 { 0.0 } else { (beat_hz - self.previous_hz) * self.rate_hz };
            self.beat_hz.push(beat_hz - slope * (t - instant));
        }
        if self.last_side * beat_hz < 0.0 {
            let rising = beat_hz > 0.0;
            // A wandering beat may pass zero to and fro: what comes back at once never passed.
            match self.crossings.last() {
                Some(last) if t - last.at_s < ONE_PASSAGE_S && last.rising != rising => {
                    self.crossings.pop();
                }
                _ => self.crossings.push(TrueCrossing { at_s: t, rising }),
            }
        }
        self.previous_hz = beat_hz;
        if beat_hz.abs() > 0.0 {
            self.last_side = beat_hz.signum();
        }
    }

    /// The truth of a recording of so many frames.
    pub(super) fn truth(self, frames: u64) -> Truth {
        let end = frames as f64 / self.rate_hz;
        let mut truth =
            Truth { beat_hz: self.beat_hz, step_s: STEP_S, rests: Vec::new(), crossings: self.crossings };
        for pair in self.knots.windows(2) {
            let [(start_s, from), (to_s, to)] = [pair[0], pair[1]];
            let end_s = end.min(to_s);
            if (from - to).abs() < f64::EPSILON && end_s - start_s >= SHORTEST_REST_S - 1e-9 {
                let beat_hz = truth.beat_at(f64::midpoint(start_s, end_s));
                truth.rests.push(TrueRest { start_s, end_s, beat_hz });
            }
        }
        truth
    }
}
