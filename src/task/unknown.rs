//! `unknown`: beats of one signal in, the frequencies that would make them out.

use super::correct::{OffsetText, TextError};
use crate::correction::{About, BeatAt, Candidate, CorrectionError, Next, RestAt};
use crate::dial::{Meter, Plate};
use crate::heard::Warning;
use crate::offset::Offset;
use crate::quantity::{Hertz, Width};
use serde::Serialize;
use std::str::FromStr;

/// `D`, `D:OFFSET:SIDE` or `D:withinB`: one beat as it was written down.
#[derive(Debug, Clone, PartialEq)]
pub struct BeatText {
    reading: String,
    offset: Option<OffsetText>,
}

impl BeatText {
    /// Puts the offset of a rest in its place where one is named; `rest` tells it by its number.
    ///
    /// # Errors
    /// As `rest`.
    pub fn take<E>(&mut self, rest: impl FnOnce(usize) -> Result<Offset, E>) -> Result<(), E> {
        self.offset.as_mut().map_or(Ok(()), |offset| offset.take(rest))
    }

    /// The offset, where one was written.
    fn offset(&self) -> Result<Option<Offset>, CorrectionError> {
        self.offset.map(OffsetText::offset).transpose()
    }

    /// The rest that it speaks of; zero beat by ear is within 20 Hz.
    pub(super) fn rest(&self, plate: &Plate) -> Result<RestAt, CorrectionError> {
        let by_ear = Offset::Within { bound_hz: ZERO_BEAT_HZ };
        let offset = self.offset()?.unwrap_or(by_ear);
        Ok(RestAt { reading: plate.reading(&self.reading)?, offset })
    }
}

/// Zero beat by ear is no nearer than this, Hz (from memory: the ear loses the note there).
const ZERO_BEAT_HZ: f64 = 20.0;

impl FromStr for BeatText {
    type Err = TextError;

    fn from_str(text: &str) -> Result<Self, TextError> {
        let parts: Vec<&str> = text.split(':').map(str::trim).collect();
        let wrong = || TextError::Beat(text.to_owned());
        let (reading, offset) = match *parts.as_slice() {
            [reading] => (reading, None),
            [reading, size] => (reading, Some(OffsetText::parse(size, None).ok_or_else(wrong)??)),
            [reading, size, word] => (reading, Some(OffsetText::parse(size, Some(word)).ok_or_else(wrong)??)),
            _ => return Err(TextError::Beat(text.to_owned())),
        };
        Ok(Self { reading: reading.to_owned(), offset })
    }
}

/// `F±P%` (or `F+-P%`, and a width in Hz or ppm): roughly where the signal is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AboutText(About);

impl FromStr for AboutText {
    type Err = TextError;

    fn from_str(text: &str) -> Result<Self, TextError> {
        let error = || TextError::About(text.to_owned());
        let (frequency, width) = text.split_once('±').or_else(|| text.split_once("+-")).ok_or_else(error)?;
        let frequency: Hertz = frequency.parse()?;
        let half_width_hz = width.parse::<Width>()?.at(frequency).0;
        if frequency.0 > 0.0 && half_width_hz > 0.0 {
            Ok(Self(About { hertz: frequency.0, half_width_hz }))
        } else {
            Err(error())
        }
    }
}

/// One frequency that would make the beats.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CandidateRecord {
    /// The signal, Hz.
    pub frequency_hz: f64,
    /// Standard uncertainty by book and readings, if this candidate is the one, Hz.
    pub u_hz: f64,
    /// The meter's harmonic at each reading, in the order given.
    pub harmonics: Vec<u32>,
    /// The signal's harmonic at each reading.
    pub signal_harmonics: Vec<u32>,
    /// Root mean square distance of the readings from this candidate, in units of their u.
    pub misfit: f64,
    /// Share of belief, all candidates together 1; rests on a prior, see README.
    pub share: f64,
}

/// The reading to try next.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextRecord {
    /// Name of the range.
    pub range: String,
    /// Reading, divisions.
    pub reading: f64,
    /// Whole turns.
    pub drum: u32,
    /// Divisions within the turn.
    pub dial: f64,
    /// The meter's harmonic there.
    pub harmonic: u32,
    /// The candidate that is heard there, Hz.
    pub heard_if_hz: f64,
    /// The candidate that is not, Hz.
    pub silent_if_hz: f64,
}

/// The answer of `unknown --json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Unknown {
    /// Best first.
    pub candidates: Vec<CandidateRecord>,
    /// The reading that tells the first two candidates apart, divisions; null where one is left.
    pub next_reading: Option<f64>,
    /// The same with its range, and what it would mean.
    pub next: Option<NextRecord>,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

/// Finds the signals that would make these beats.
///
/// # Errors
/// A range that is not there, a reading off dial or book, too few beats, beats that no signal makes.
pub fn unknown(
    meter: &Meter,
    range: &str,
    beats: &[BeatText],
    about: Option<AboutText>,
) -> Result<Unknown, CorrectionError> {
    let range = meter.range(range)?;
    let at = beats
        .iter()
        .map(|beat| Ok(BeatAt { reading: meter.plate.reading(&beat.reading)?, offset: beat.offset()? }))
        .collect::<Result<Vec<_>, CorrectionError>>()?;
    let found = crate::correction::unknown(meter, range, &at, about.map(|about| about.0))?;
    let mut warnings = Vec::new();
    if found.doubted {
        warnings.push(Warning {
            code: "fits-badly".into(),
            message: format!(
                "even the best candidate lies {:.1} u off the readings: is every beat of the same signal, and the corrector set?",
                found.candidates[0].misfit
            ),
        });
    }
    let record = |next: Next| {
        let (drum, dial) = meter.plate.drum_and_dial(next.reading);
        let Next { range, reading, harmonic, heard_if_hz, silent_if_hz } = next;
        NextRecord { range, reading, drum, dial, harmonic, heard_if_hz, silent_if_hz }
    };
    let next = found.next.map(record);
    Ok(Unknown {
        candidates: found.candidates.into_iter().map(CandidateRecord::from).collect(),
        next_reading: next.as_ref().map(|next| next.reading),
        next,
        warnings,
    })
}

impl From<Candidate> for CandidateRecord {
    fn from(one: Candidate) -> Self {
        let Candidate { hertz, u_hz, harmonics, signal_harmonics, misfit, share } = one;
        Self { frequency_hz: hertz, u_hz, harmonics, signal_harmonics, misfit, share }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::offset::Side;

    #[test]
    fn beats_and_places_are_read_as_written() {
        let beat: BeatText = "12/91.4:62.4Hz:high".parse().unwrap();
        assert_eq!(beat.reading, "12/91.4");
        let heard = beat.offset();
        assert!(matches!(heard, Ok(Some(Offset::Heard { side: Side::High, .. }))));
        assert_eq!("1531.4".parse::<BeatText>().unwrap().offset, None);
        let within = "1531.4:within30Hz".parse::<BeatText>().unwrap().offset;
        assert_eq!(within, Some(OffsetText::Known(Offset::Within { bound_hz: 30.0 })));
        for text in ["1531.4:30Hz", "1531.4:30:high", "1531.4:30Hz:above", "1:2:3:4"] {
            assert!(text.parse::<BeatText>().is_err(), "{text}");
        }
        for text in ["7MHz±2%", "7 MHz +- 140kHz", "7Mc±20000ppm"] {
            let AboutText(about) = text.parse().unwrap();
            assert!((about.half_width_hz - 140e3).abs() < 1e-6, "{text}");
        }
        for text in ["7MHz", "7MHz±0%", "7±2%", "7MHz±2", "-7MHz±2%"] {
            assert!(text.parse::<AboutText>().is_err(), "{text}");
        }
    }
}
