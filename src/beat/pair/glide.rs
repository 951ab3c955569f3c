//! Do the notes glide the same way, or against each other?
//!
//! A receiver that hears one side of its beat oscillator turns the oscillator's drift into the same glide of both
//! notes. One that hears both sides, with a note on each, turns it into opposite ones: then it is the sum of the two
//! that is the offset, and the difference is nothing. Twice a second both notes are measured while neither is turned;
//! straight lines through them tell. The meter's own drift is in one of them only, so opposite glides count where
//! they are nearly equal.

use super::follow::Follow;
use super::sight::Sight;
use super::wide::frequencies;
use crate::estimate::Normal;
use std::collections::VecDeque;

/// Time from one measurement to the next, s, and how much is kept.
const EVERY_S: f64 = 0.5;
const KEPT_S: f64 = 12.0;
/// Fewest measurements, slowest glide that tells, Hz/s, and by how many times its uncertainty.
const LEAST: usize = 5;
const SLOWEST: f64 = 0.009;
const SIGMAS: f64 = 4.0;
/// How unequal opposite glides may be, as a share of the difference of the two.
const UNEQUAL: f64 = 0.25;
/// Least distance of the notes, Hz.
const LEAST_APART_HZ: f64 = 25.0;
/// Both turned by hand at once, the receiver's pitch that is: so far, Hz, it tells.
const TOUCHED_HZ: f64 = 20.0;

/// What was seen at an instant.
#[derive(Debug, Clone, Copy)]
struct Verdict {
    pub at_s: f64,
    /// The notes glide against each other.
    pub against: bool,
}

/// Watches how both notes glide.
#[derive(Default)]
pub struct Glide {
    measured: VecDeque<(f64, [(f64, f64); 2])>,
    next_s: f64,
    verdicts: Vec<Verdict>,
    touched: [f64; 2],
}

impl Glide {
    /// Takes the newest look at notes at `hz` that were last turned at `moved_s`. Notes too near each other for lines are
    /// judged by the fit of the two together.
    pub fn look(&mut self, sight: &Sight, hz: Option<[f64; 2]>, moved_s: f64, follow: &Follow) {
        let (now_s, together_hz) = (sight.now_s(), follow.motion.together_hz);
        for (i, against) in [(0, false), (1, true)] {
            if together_hz[i] - self.touched[i] > TOUCHED_HZ {
                self.touched = together_hz;
                self.say(now_s, against);
            }
        }
        if let Some(against) = follow.standing.and_then(|(found, _)| found.against) {
            self.say(now_s, against);
        }
        self.measured.retain(|m| m.0 - 0.5 * EVERY_S > moved_s && m.0 > now_s - KEPT_S);
        let Some(hz) = hz.filter(|hz| now_s >= self.next_s && (hz[1] - hz[0]).abs() > LEAST_APART_HZ) else {
            return;
        };
        self.next_s = now_s + EVERY_S;
        let sound = sight.sound();
        if now_s - EVERY_S < moved_s {
            return;
        }
        if let Some(found) = frequencies(sound, hz, (now_s - EVERY_S, now_s)) {
            self.measured.push_back((now_s - 0.5 * EVERY_S, found));
            self.judge(now_s);
        }
    }

    fn judge(&mut self, now_s: f64) {
        let (Some(a), Some(b)) = (self.line(0), self.line(1)) else { return };
        let u = a.1.hypot(b.1);
        let (sum, difference) = ((a.0 + b.0).abs(), (a.0 - b.0).abs());
        let least = SLOWEST.max(SIGMAS * a.1.max(b.1));
        if a.0.abs() < least || b.0.abs() < least {
            return;
        }
        if sum < UNEQUAL * difference + 2.0 * u {
            self.say(now_s, true);
        } else if difference < UNEQUAL * sum + 2.0 * u {
            self.say(now_s, false);
        }
    }

    /// Slope of a note and its standard uncertainty, Hz/s.
    fn line(&self, i: usize) -> Option<(f64, f64)> {
        if self.measured.len() < LEAST {
            return None;
        }
        let mut normal = Normal::new(2);
        let from = self.measured[0].0;
        for (at_s, found) in &self.measured {
            let (hz, variance) = found[i];
            // A millihertz beside the noise: what an oscillator wanders within half a second.
            let w = 1.0 / (variance + 1e-6).sqrt();
            normal.add(&[w, w * (at_s - from)], w * (hz - self.measured[0].1[i].0));
        }
        let solution = normal.solve()?;
        let scatter = (normal.misfit(&solution.x) / (normal.rows() - 2) as f64).max(1.0);
        Some((solution.x[1], (solution.variance(1) * scatter).sqrt()))
    }

    /// Keeps the beginning and the end of every run of like verdicts.
    fn say(&mut self, at_s: f64, against: bool) {
        let run = self.verdicts.iter().rev().take_while(|v| v.against == against).count();
        match self.verdicts.last_mut().filter(|_| run >= 2) {
            Some(last) => last.at_s = at_s,
            None => self.verdicts.push(Verdict { at_s, against }),
        }
    }

    /// Whether the beat oscillator lay between the notes at an instant, as far as is known.
    pub fn straddled(&self, at_s: f64) -> bool {
        let nearest =
            self.verdicts.iter().min_by(|a, b| (a.at_s - at_s).abs().total_cmp(&(b.at_s - at_s).abs()));
        nearest.is_some_and(|v| v.against)
    }
}
