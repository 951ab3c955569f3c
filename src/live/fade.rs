//! Notices a note that fades over seconds while nothing is turned: noise suppression takes a steady note for noise.

use crate::heard::{EndingState, Snapshot};
use std::collections::VecDeque;

/// A fade takes at least this long and is looked for over at most that long, s.
const LEAST_S: f64 = 1.0;
const MOST_S: f64 = 6.0;
/// It takes the note down by at least this, dB: more than a note at rest wavers.
const FALL_DB: f64 = 6.0;
/// A note is steady that stays within this part of itself or so many hertz.
const STEADY_PART: f64 = 0.01;
const STEADY_HZ: f64 = 1.0;

/// Follows the level of a note that stands still.
#[derive(Debug, Default)]
pub struct Fade {
    /// Instant s, offset Hz, level dB.
    seen: VecDeque<(f64, f64, f64)>,
    fading: bool,
}

impl Fade {
    /// Takes a snapshot.
    pub fn take(&mut self, snapshot: &Snapshot) {
        let heard = matches!(snapshot.state, EndingState::Moving | EndingState::Resting);
        let Some(offset) = snapshot.offset_hz.filter(|_| heard) else {
            // What faded away altogether has still faded; any other silence says nothing.
            self.fading &= matches!(snapshot.state, EndingState::Lost | EndingState::Quiet);
            self.seen.clear();
            return;
        };
        let steady = STEADY_HZ.max(STEADY_PART * offset);
        let goes_on = |&(at, before, _): &(f64, f64, f64)| {
            (before - offset).abs() <= steady && (0.0..LEAST_S).contains(&(snapshot.at_s - at))
        };
        if !self.seen.back().is_some_and(goes_on) {
            self.seen.clear();
            self.fading = false;
        }
        self.seen.push_back((snapshot.at_s, offset, snapshot.level_db));
        while self.seen.front().is_some_and(|&(at, ..)| snapshot.at_s - at > MOST_S) {
            self.seen.pop_front();
        }
        if self.seen.front().is_some_and(|&(_, first, _)| (first - offset).abs() > steady) {
            self.seen.pop_front();
        }
        self.fading = self.falls() || (self.fading && !self.rises());
    }

    /// Whether the note fades, or has just faded away.
    pub fn is_fading(&self) -> bool {
        self.fading
    }

    /// Mean levels of the first, second and last third of what is remembered; none when it is too short.
    fn thirds(&self) -> Option<[f64; 3]> {
        let (first, last) = (self.seen.front()?, self.seen.back()?);
        if last.0 - first.0 < LEAST_S || self.seen.len() < 6 {
            return None;
        }
        let third = self.seen.len() / 3;
        let mean = |from: usize| self.seen.range(from..from + third).map(|s| s.2).sum::<f64>() / third as f64;
        Some([mean(0), mean(third), mean(self.seen.len() - third)])
    }

    /// From the first to the last third of a straight fall the level goes down by two thirds of the whole. A drop
    /// that happens mostly at once is a key let go or a plug pulled.
    fn falls(&self) -> bool {
        let Some([a, b, c]) = self.thirds() else { return false };
        let fall = (a - c) * 1.5;
        let quarter = self.seen.partition_point(|s| s.0 < self.seen[0].0 + LEAST_S / 4.0).max(1);
        let steepest =
            (quarter..self.seen.len()).map(|n| self.seen[n - quarter].2 - self.seen[n].2).fold(0.0, f64::max);
        a > b && b > c && fall >= FALL_DB && steepest < fall / 2.0
    }

    fn rises(&self) -> bool {
        self.thirds().is_some_and(|[a, _, c]| c - a >= FALL_DB / 2.0)
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests_support::snapshot;
    use super::*;

    /// Twenty snapshots a second of a note whose offset and level go as given.
    fn fades(seconds: f64, offset: impl Fn(f64) -> f64, level: impl Fn(f64) -> f64) -> bool {
        let mut fade = Fade::default();
        (0..(seconds * 20.0) as u32).map(|n| f64::from(n) / 20.0).any(|t| {
            let mut s = snapshot(EndingState::Resting);
            (s.at_s, s.offset_hz, s.level_db) = (t, Some(offset(t)), level(t));
            fade.take(&s);
            fade.is_fading()
        })
    }

    #[test]
    fn a_steady_note_eaten_over_seconds_is_noticed() {
        assert!(fades(5.0, |_| 431.0, |t| -20.0 - 4.0 * t));
        assert!(fades(3.0, |t| 431.0 + 0.1 * t, |t| -20.0 - 8.0 * t));
    }

    #[test]
    fn a_note_that_wavers_moves_or_is_keyed_is_not() {
        assert!(!fades(20.0, |_| 431.0, |t| -20.0 + 2.0 * (3.0 * t).sin()));
        assert!(!fades(5.0, |t| 431.0 - 60.0 * t, |t| -20.0 - 4.0 * t), "the path's roll-off while turning");
        assert!(!fades(5.0, |_| 431.0, |t| if t < 2.0 { -20.0 } else { -60.0 }), "a key that is let go");
    }

    #[test]
    fn the_advice_stays_when_the_note_has_gone_and_goes_when_a_note_is_back() {
        let mut fade = Fade::default();
        let mut at = |state, at_s: f64, offset_hz, level_db| {
            let mut s = snapshot(state);
            (s.at_s, s.offset_hz, s.level_db) = (at_s, offset_hz, level_db);
            fade.take(&s);
            fade.is_fading()
        };
        let faded = (0..60)
            .map(|n| f64::from(n) / 20.0)
            .fold(false, |_, t| at(EndingState::Resting, t, Some(431.0), -20.0 - 6.0 * t));
        assert!(faded);
        assert!(at(EndingState::Lost, 3.1, None, -60.0));
        assert!(!at(EndingState::Moving, 9.0, Some(600.0), -20.0));
    }
}
