//! The offset: what passes from the ear to the dial.
//!
//! `b = H·f_meter − K·f_signal`, signed; the audio tells |b| (the offset) and, with a declared hand and turning, its
//! side.

use serde::{Deserialize, Serialize};

/// On which side of the signal the meter is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// b > 0: the meter is above the signal.
    High,
    /// b < 0: the meter is below the signal.
    Low,
    /// The audio could not tell and nobody said.
    #[default]
    Unknown,
}

impl Side {
    /// +1 for high, −1 for low, `None` when unknown.
    pub fn sign(self) -> Option<f64> {
        match self {
            Self::High => Some(1.0),
            Self::Low => Some(-1.0),
            Self::Unknown => None,
        }
    }

    /// The side of a signed beat.
    pub fn of(beat: f64) -> Self {
        if beat > 0.0 {
            Self::High
        } else if beat < 0.0 {
            Self::Low
        } else {
            Self::Unknown
        }
    }

    /// The other side; unknown stays unknown.
    #[must_use]
    pub fn opposite(self) -> Self {
        match self {
            Self::High => Self::Low,
            Self::Low => Self::High,
            Self::Unknown => Self::Unknown,
        }
    }
}

/// Which oscillator is being turned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, Default)]
#[serde(rename_all = "lowercase")]
pub enum Hand {
    /// The meter's dial is turned; the signal stands.
    #[default]
    Meter,
    /// Netting: the meter is preset, the transmitter is tuned to it.
    Signal,
}

impl Hand {
    /// Side and amount in words, always with their subject; `amount` carries its unit. With the signal in the hand
    /// the words say what to do with the transmitter.
    pub fn side_in_words(self, side: Side, amount: &str) -> String {
        match (self, side) {
            (Self::Meter, Side::High) => format!("meter {amount} above the signal"),
            (Self::Meter, Side::Low) => format!("meter {amount} below the signal"),
            (Self::Signal, Side::High) => format!("transmitter {amount} low: raise it"),
            (Self::Signal, Side::Low) => format!("transmitter {amount} high: lower it"),
            (_, Side::Unknown) => format!("meter and signal {amount} apart, side unknown"),
        }
    }
}

/// Which way the frequency of the oscillator in the hand moves in the first move heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Turning {
    /// Its frequency rises.
    Up,
    /// Its frequency falls.
    Down,
}

/// The side from a turn: sign(b) = h·t·ρ, with h = +1 for the meter in the hand and −1 for the signal, t = +1 up and
/// −1 down, ρ = sign(d|b|/dt) of the move. A move without a direction tells nothing.
pub fn side_from_turn(hand: Hand, turning: Turning, offset_rate: f64) -> Side {
    let h = match hand {
        Hand::Meter => 1.0,
        Hand::Signal => -1.0,
    };
    let t = match turning {
        Turning::Up => 1.0,
        Turning::Down => -1.0,
    };
    Side::of(h * t * offset_rate)
}

/// What is known of the beat when the dial is read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Offset {
    /// A note was heard (or typed in): its |b| in Hz, the standard uncertainty of that in Hz, and the side.
    Heard {
        /// |b|, Hz.
        offset_hz: f64,
        /// Standard uncertainty of |b|, Hz.
        u_hz: f64,
        /// Which side of zero.
        side: Side,
    },
    /// Zero beat as near as can be heard: |b| is somewhere below the bound, rectangular in ±bound.
    Within {
        /// Half-width of the interval for b, Hz.
        bound_hz: f64,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All eight cases of hand × turning × rising or falling note, from sign(b) = h·t·ρ worked on paper:
    /// turning the meter up while the note falls means that the meter is still below the signal, and so on.
    #[test]
    fn the_sign_rule_in_all_eight_cases() {
        use {Hand::*, Side::*, Turning::*};
        let table = [
            (Meter, Up, 1.0, High),
            (Meter, Up, -1.0, Low),
            (Meter, Down, 1.0, Low),
            (Meter, Down, -1.0, High),
            (Signal, Up, 1.0, Low),
            (Signal, Up, -1.0, High),
            (Signal, Down, 1.0, High),
            (Signal, Down, -1.0, Low),
        ];
        for (hand, turning, rho, side) in table {
            assert_eq!(side_from_turn(hand, turning, rho), side, "{hand:?} {turning:?} {rho}");
            // The rule against the beat itself: b moves with the meter and against the signal.
            let b0 = if side == High { 100.0 } else { -100.0 };
            let step = if turning == Up { 1.0 } else { -1.0 } * if hand == Meter { 1.0 } else { -1.0 };
            let moved: f64 = b0 + step;
            assert!((moved.abs() - 100.0) * rho > 0.0);
        }
        assert_eq!(side_from_turn(Meter, Up, 0.0), Unknown);
    }

    /// b > 0 puts the meter above the signal, so a transmitter in the hand is the one that is low.
    #[test]
    fn the_side_is_said_with_its_subject() {
        assert_eq!(Hand::Meter.side_in_words(Side::High, "3.2 Hz"), "meter 3.2 Hz above the signal");
        assert_eq!(Hand::Meter.side_in_words(Side::Low, "3.2 Hz"), "meter 3.2 Hz below the signal");
        assert_eq!(Hand::Signal.side_in_words(Side::High, "3.2 Hz"), "transmitter 3.2 Hz low: raise it");
        assert_eq!(Hand::Signal.side_in_words(Side::Low, "3.2 Hz"), "transmitter 3.2 Hz high: lower it");
    }
}
