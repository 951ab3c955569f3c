//! Held off: the meter stands a known way beside the target, and what is shown is the signal's distance to the target.

use super::trend::Trend;
use crate::offset::{Hand, Side};

/// A target and where the meter stands against it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HoldOff {
    /// The target, Hz.
    pub target_hz: f64,
    /// The beat that a signal on the target gives, Hz: positive where the meter is held above it.
    pub beat_hz: f64,
    /// The signal's harmonic that meets the meter's.
    pub signal_harmonic: u32,
}

impl HoldOff {
    /// Signal less target, Hz, for an offset and its side; where that is unknown, with the meter on the side on which it is
    /// held.
    pub fn difference_hz(&self, offset_hz: f64, side: Side) -> f64 {
        let sign = side.sign().unwrap_or(self.beat_hz.signum());
        (self.beat_hz - sign * offset_hz) / f64::from(self.signal_harmonic)
    }

    /// The other answer that an unknown side leaves, Hz.
    pub fn other_hz(&self, offset_hz: f64) -> f64 {
        (self.beat_hz + self.beat_hz.signum() * offset_hz) / f64::from(self.signal_harmonic)
    }

    /// A standard uncertainty of the offset as one of the difference, Hz.
    pub fn u_hz(&self, u_hz: f64) -> f64 {
        u_hz / f64::from(self.signal_harmonic)
    }

    /// Which way the distance to the target goes, for the way that the offset goes.
    pub fn trend(&self, offset_hz: f64, side: Side, offset: Trend) -> Trend {
        let same_side = side.sign().is_none_or(|sign| sign * self.beat_hz > 0.0);
        match offset {
            Trend::ClosingIn if same_side && offset_hz < self.beat_hz.abs() => Trend::GoingAway,
            Trend::GoingAway if same_side && offset_hz < self.beat_hz.abs() => Trend::ClosingIn,
            other => other,
        }
    }
}

/// What is set to the target: the transmitter in the hand, or whatever signal there is.
pub fn subject(hand: Hand) -> &'static str {
    match hand {
        Hand::Meter => "signal",
        Hand::Signal => "transmitter",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: held 275 Hz above 3520 kHz, a note of 270 Hz is a signal 5 Hz above the target (the meter 270 Hz above it);
    /// with the meter below the signal it would be 545 Hz above.
    #[test]
    fn the_distance_is_that_to_the_target() {
        let held = HoldOff { target_hz: 3.52e6, beat_hz: 275.0, signal_harmonic: 1 };
        assert!((held.difference_hz(270.0, Side::High) - 5.0).abs() < 1e-12);
        assert!((held.difference_hz(270.0, Side::Unknown) - 5.0).abs() < 1e-12);
        assert!((held.difference_hz(270.0, Side::Low) - 545.0).abs() < 1e-12);
        assert!((held.other_hz(270.0) - 545.0).abs() < 1e-12);
        let below = HoldOff { beat_hz: -275.0, signal_harmonic: 2, ..held };
        assert!((below.difference_hz(270.0, Side::Low) + 2.5).abs() < 1e-12);
        assert!((below.other_hz(270.0) + 272.5).abs() < 1e-12);
        // Under the hold-off a rising note comes nearer to the target, above it a falling one.
        assert_eq!(held.trend(200.0, Side::High, Trend::GoingAway), Trend::ClosingIn);
        assert_eq!(held.trend(300.0, Side::High, Trend::ClosingIn), Trend::ClosingIn);
        assert_eq!(held.trend(200.0, Side::Low, Trend::ClosingIn), Trend::ClosingIn);
    }
}
