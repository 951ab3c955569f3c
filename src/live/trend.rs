//! Which way the offset goes, told from what was heard over the last moments: the rate of a single moment wavers.

use crate::heard::{EndingState, Snapshot};
use std::collections::VecDeque;

/// The stretch over which a movement is told, s: long against the wavering, short against a hand.
const STRETCH_S: f64 = 0.3;
/// A movement changes the offset by at least this part of itself over the stretch, and by so many hertz.
const LEAST_PART: f64 = 0.005;
const LEAST_HZ: f64 = 0.3;
/// The rate of a single moment is plain when it is so many times as much.
const PLAIN: f64 = 5.0;

/// Which way the offset goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Trend {
    /// Toward zero.
    ClosingIn,
    /// Away from zero.
    GoingAway,
    /// Neither, or too slowly to say.
    #[default]
    Steady,
}

/// Follows the offset.
#[derive(Debug, Default)]
pub struct Follower {
    /// Instant s, offset Hz.
    seen: VecDeque<(f64, f64)>,
    trend: Trend,
}

impl Follower {
    /// Takes a snapshot.
    pub fn take(&mut self, snapshot: &Snapshot) {
        let heard = matches!(snapshot.state, EndingState::Moving | EndingState::Resting);
        let Some(offset) = snapshot.offset_hz.filter(|_| heard) else {
            self.seen.clear();
            self.trend = Trend::Steady;
            return;
        };
        // What was heard an hour ago or comes from before says nothing of now.
        let goes_on = |&(at, _): &(f64, f64)| (0.0..=STRETCH_S).contains(&(snapshot.at_s - at));
        if !self.seen.back().is_some_and(goes_on) {
            self.seen.clear();
        }
        self.seen.push_back((snapshot.at_s, offset));
        while self.seen.get(1).is_some_and(|&(at, _)| snapshot.at_s - at >= STRETCH_S) {
            self.seen.pop_front();
        }
        let (first_s, first) = self.seen[0];
        let stretch_s = snapshot.at_s - first_s;
        self.trend = if stretch_s < STRETCH_S / 2.0 {
            // Too little was heard: the rate of the moment has to do, where it is plain.
            let change = snapshot.rate_hz_per_s.unwrap_or(0.0) * STRETCH_S;
            trend_of(change / PLAIN, offset)
        } else {
            trend_of((offset - first) * STRETCH_S / stretch_s, offset)
        };
    }

    /// Which way it goes now.
    pub fn trend(&self) -> Trend {
        self.trend
    }
}

fn trend_of(change: f64, offset: f64) -> Trend {
    if change.abs() < LEAST_HZ.max(LEAST_PART * offset) {
        Trend::Steady
    } else if change < 0.0 {
        Trend::ClosingIn
    } else {
        Trend::GoingAway
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests_support::snapshot;
    use super::*;

    /// The trends told, each once in a row, of an offset heard twenty times a second.
    fn trends(seconds: f64, offset: impl Fn(f64) -> f64) -> Vec<Trend> {
        let mut follower = Follower::default();
        let mut told: Vec<Trend> = (0..(seconds * 20.0) as u32)
            .map(|n| {
                let t = f64::from(n) / 20.0;
                let mut s = snapshot(EndingState::Moving);
                (s.at_s, s.offset_hz) = (t, Some(offset(t)));
                s.rate_hz_per_s = Some((offset(t + 0.01) - offset(t)) / 0.01);
                follower.take(&s);
                follower.trend()
            })
            .collect();
        told.dedup();
        told
    }

    #[test]
    fn a_fall_and_a_rise_are_told_within_the_stretch() {
        assert_eq!(trends(2.0, |t| 600.0 - 100.0 * t), [Trend::ClosingIn]);
        assert_eq!(trends(2.0, |t| 60.0 + 8.0 * t), [Trend::GoingAway]);
        let back = trends(4.0, |t| 600.0 - 100.0 * t.min(4.0 - t));
        assert_eq!(back, [Trend::ClosingIn, Trend::GoingAway]);
    }

    #[test]
    fn an_offset_that_wavers_is_steady() {
        assert_eq!(trends(5.0, |t| 38.6 + 0.1 * (31.0 * t).sin()), [Trend::Steady]);
        assert_eq!(trends(5.0, |t| 2000.0 + 3.0 * (31.0 * t).sin()), [Trend::Steady]);
        assert_eq!(trends(5.0, |t| 38.6 + 0.05 * t), [Trend::Steady]);
    }
}
