//! A beat as it enters the sum: signed, with the sound card's clock undone.

use super::budget::{Component, Kind, Shape};
use crate::clock::Clock;
use crate::offset::Offset;

/// A signed beat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Beat {
    /// b, Hz; 0 for a beat that is only known to be within a bound.
    pub hertz: f64,
    /// Standard uncertainty, Hz, the card's clock left out.
    pub u_hz: f64,
    /// Normal for one that was heard, a rectangle for a bound.
    pub shape: Shape,
}

impl Beat {
    /// The beat of an offset with this sign (+1 where the meter is above), by this sound card.
    ///
    /// A fast card reads low: true = apparent·(1 + error).
    pub fn new(offset: Offset, sign: f64, clock: &Clock) -> Self {
        match offset {
            Offset::Heard { offset_hz, u_hz, .. } => {
                let scale = clock.factor_left();
                Self { hertz: sign * offset_hz * scale, u_hz: u_hz * scale, shape: Shape::Normal }
            }
            Offset::Within { bound_hz } => {
                Self { hertz: 0.0, u_hz: bound_hz / 3f64.sqrt(), shape: Shape::Rectangle }
            }
        }
    }

    /// The same with its side from the offset itself; `None` when that is unknown.
    pub fn sided(offset: Offset, clock: &Clock) -> Option<Self> {
        match offset {
            Offset::Heard { side, .. } => side.sign().map(|sign| Self::new(offset, sign, clock)),
            Offset::Within { .. } => Some(Self::new(offset, 1.0, clock)),
        }
    }

    /// Its line in the budget: of type A where the ear measured it, of type B where it was written down or only bounded.
    pub fn component(&self, source: String, sensitivity: f64, recorded: bool) -> Component {
        let kind = if recorded && self.shape == Shape::Normal { Kind::A } else { Kind::B };
        Component {
            shape: self.shape,
            kind,
            ..Component::normal(source, self.hertz, "Hz", sensitivity, self.u_hz)
        }
    }
}
