//! The side of a crystal, which has no dial: from a touch, from two notes, or by way of the meter's oscillator.

use super::ChainError;
use crate::correction::CorrectionError;
use crate::dial::{BookPoint, Meter};
use crate::offset::{Hand, Offset, Side, Turning, side_from_turn};
use crate::task::correct::{TextError, offset_size, side};
use std::str::FromStr;

/// What the note did when the crystal was touched: a hand near it, or a turn of its trimmer towards more capacitance,
/// lowers its frequency.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Touch {
    /// The note rose.
    Rises,
    /// The note fell.
    Falls,
}

impl Touch {
    /// Where the crystal's harmonic stands against the carrier: it went down, so a note that rises puts it below.
    pub fn side(self) -> Side {
        let rate = if self == Self::Rises { 1.0 } else { -1.0 };
        side_from_turn(Hand::Meter, Turning::Down, rate)
    }
}

/// Sides as different observations have them, each with the words for it.
pub type Sides = Vec<(String, Side)>;

/// The one side that all observations agree on.
///
/// # Errors
/// None of them has a side, or two contradict each other.
pub fn agreed(sides: &[(String, Side)]) -> Result<Side, ChainError> {
    let says = |wanted: Side| sides.iter().find(|(_, side)| *side == wanted).map(|(words, _)| words.clone());
    match (says(Side::High), says(Side::Low)) {
        (Some(one), Some(other)) => {
            Err(ChainError::Contradiction { subject: "crystal's harmonic", one, other })
        }
        (Some(_), None) => Ok(Side::High),
        (None, Some(_)) => Ok(Side::Low),
        (None, None) => Err(ChainError::NoSide),
    }
}

/// Two notes in a receiver with its beat oscillator on, the crystal's and the station's, Hz: on the upper side pitch
/// grows with radio frequency, on the lower it falls.
pub fn both_notes(crystal: (f64, f64), station: (f64, f64), upper: bool) -> Offset {
    let beat = if upper { crystal.0 - station.0 } else { station.0 - crystal.0 };
    Offset::Heard { offset_hz: beat.abs(), u_hz: crystal.1.hypot(station.1), side: Side::of(beat) }
}

/// `[READING:]OFFSET:SIDE`: the meter's oscillator against one of the two.
#[derive(Debug, Clone, PartialEq)]
pub struct Passage {
    reading: Option<String>,
    beat_hz: f64,
    u_hz: f64,
}

impl Passage {
    /// Whether the dial was read.
    pub fn has_reading(&self) -> bool {
        self.reading.is_some()
    }
}

/// `PASSAGE,PASSAGE`: the meter's harmonic against the carrier, then against the crystal's harmonic.
#[derive(Debug, Clone, PartialEq)]
pub struct ByMeter {
    /// Against the carrier.
    pub carrier: Passage,
    /// Against the crystal's harmonic.
    pub crystal: Passage,
}

impl FromStr for ByMeter {
    type Err = TextError;

    fn from_str(text: &str) -> Result<Self, TextError> {
        let wrong = || TextError::ByMeter(text.to_owned());
        let one = |part: &str| -> Result<Passage, TextError> {
            let parts: Vec<&str> = part.split(':').map(str::trim).collect();
            let (reading, size, word) = match *parts.as_slice() {
                [size, word] => (None, size, word),
                [reading, size, word] => (Some(reading.to_owned()), size, word),
                _ => return Err(wrong()),
            };
            let (offset_hz, u_hz) = offset_size(size)?;
            let sign = side(word)?.sign().ok_or_else(wrong)?;
            Ok(Passage { reading, beat_hz: sign * offset_hz, u_hz })
        };
        let (carrier, crystal) = text.split_once(',').ok_or_else(wrong)?;
        let both = Self { carrier: one(carrier)?, crystal: one(crystal)? };
        if both.carrier.reading.is_some() == both.crystal.reading.is_some() { Ok(both) } else { Err(wrong()) }
    }
}

/// The beat between the crystal's harmonic and the carrier by way of the meter's oscillator. Left alone in between,
/// it gives b1 − b2; turned from one reading to another, H·(f2 − f1) by its book on top.
///
/// # Errors
/// Readings without a meter, or off its dial or book.
pub fn by_meter(
    by: &ByMeter,
    dial: Option<(&Meter, &str)>,
    harmonic: u32,
) -> Result<Offset, CorrectionError> {
    let mut beat = by.carrier.beat_hz - by.crystal.beat_hz;
    let mut u = by.carrier.u_hz.hypot(by.crystal.u_hz);
    if let (Some(first), Some(second), Some((meter, range))) =
        (&by.carrier.reading, &by.crystal.reading, dial)
    {
        let (plate, book) = (&meter.plate, &meter.range(range)?.book);
        let at = |text: &str| Ok::<BookPoint, CorrectionError>(book.at(plate.reading(text)?)?);
        let (first, second) = (at(first)?, at(second)?);
        let h = f64::from(harmonic);
        beat += h * (second.hertz - first.hertz);
        // Two settings of the dial; between so near readings what is wrong with the book is common.
        let setting = plate.u_div * std::f64::consts::SQRT_2 * f64::midpoint(first.slope, second.slope);
        u = u.hypot(h * setting);
    }
    Ok(Offset::Heard { offset_hz: beat.abs(), u_hz: u, side: Side::of(beat) })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Capacitance lowers a crystal: a note that rises then comes from a crystal that was below, one that falls from one
    /// above (worked on paper: 8 Hz below and 1 Hz lower makes 9 Hz).
    #[test]
    fn a_touch_tells_the_side() {
        assert_eq!((Touch::Rises.side(), Touch::Falls.side()), (Side::Low, Side::High));
        let says = |one, other| agreed(&[("--side".into(), one), ("--touch".into(), other)]);
        assert_eq!(says(Side::High, Side::High), Ok(Side::High));
        assert_eq!(says(Side::Unknown, Side::Low), Ok(Side::Low));
        assert_eq!(says(Side::Unknown, Side::Unknown), Err(ChainError::NoSide));
        let told = says(Side::High, Side::Low).unwrap_err().to_string();
        assert!(
            told.contains("contradictory sides: by --side") && told.contains("by --touch below"),
            "{told}"
        );
    }

    #[test]
    fn two_notes_tell_it_by_the_receivers_side() {
        let side = |upper| match both_notes((1008.0, 0.1), (1000.0, 0.1), upper) {
            Offset::Heard { side, offset_hz, .. } if (offset_hz - 8.0).abs() < 1e-9 => side,
            other => panic!("{other:?}"),
        };
        assert_eq!((side(true), side(false)), (Side::High, Side::Low));
    }

    /// The oscillator 100 Hz above the carrier and 92 Hz above the crystal's harmonic: that one is 8 Hz above the carrier.
    #[test]
    fn the_meter_goes_between() {
        let by: ByMeter = "100Hz:high,92Hz:high".parse().unwrap();
        let Offset::Heard { offset_hz, side, .. } = by_meter(&by, None, 4).unwrap() else { panic!("heard") };
        assert!((offset_hz - 8.0).abs() < 1e-9 && side == Side::High);
        let by: ByMeter = "20Hz:low,30Hz:high".parse().unwrap();
        let Offset::Heard { offset_hz, side, .. } = by_meter(&by, None, 4).unwrap() else { panic!("heard") };
        assert!((offset_hz - 50.0).abs() < 1e-9 && side == Side::Low);
        for text in ["100Hz:high", "100Hz,92Hz", "1.0:100Hz:high,92Hz:high", "100Hz:unknown,92Hz:high"] {
            assert!(text.parse::<ByMeter>().is_err(), "{text}");
        }
    }
}
