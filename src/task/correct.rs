//! `correct`: an offset and a dial reading in, a corrected frequency with its budget out.

use super::unknown::BeatText;
use crate::clock::Clock;
use crate::correction::{
    self, Allowances, Check, CorrectionError, Drift, Measurement, PairReading, Request, Target, Transport,
};
use crate::dial::{Approach, Crystal, Date, DialError, Meter};
use crate::offset::{Offset, Side};
use crate::quantity::{Hertz, QuantityError, Width};
use std::str::FromStr;

pub use crate::correction::{Corrected, Taken};

/// A reading as written, and what was heard there.
#[derive(Debug, Clone, PartialEq)]
pub enum Observation {
    /// One reading.
    Single {
        /// Reading: divisions, or drum/dial.
        reading: String,
        /// The offset.
        offset: Offset,
    },
    /// Two readings, the meter below the signal and above it.
    Pair(PairText),
}

/// `D1[:B1],D2[:B2]`: the two readings of a pair and their pitches.
#[derive(Debug, Clone, PartialEq)]
pub struct PairText {
    /// Reading and pitch with the meter below the signal.
    pub low: (String, Option<Offset>),
    /// Reading and pitch with the meter above.
    pub high: (String, Option<Offset>),
}

/// `READING:N/M:(OFFSET:SIDE|withinB)[@HH:MM]`: a check point as it was heard.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckText {
    reading: String,
    crystal_harmonic: u32,
    meter_harmonic: u32,
    offset: OffsetText,
    at_min: Option<f64>,
}

/// An offset as it was written: itself, or the number of a rest that has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum OffsetText {
    /// The offset.
    Known(Offset),
    /// That of the rest with this number, counted from 1, of a recording; with the side, where it is stated.
    Rest(usize, Option<Side>),
}

impl OffsetText {
    /// Reads `withinB`, `restN`, `restN:SIDE` or `OFFSET:SIDE`; `None` where it is none of these.
    pub fn parse(size: &str, word: Option<&str>) -> Option<Result<Self, TextError>> {
        let stated = word.map(side).transpose();
        if let Some(number) = size.strip_prefix("rest") {
            let number = number.parse().ok().filter(|&number| number > 0)?;
            return Some(stated.map(|stated| Self::Rest(number, stated)));
        }
        match (size.strip_prefix("within"), stated) {
            (_, Err(error)) => Some(Err(error)),
            (Some(bound), Ok(None)) => {
                Some(offset_size(bound).map(|(bound_hz, _)| Self::Known(Offset::Within { bound_hz })))
            }
            (None, Ok(Some(side))) => Some(
                offset_size(size)
                    .map(|(offset_hz, u_hz)| Self::Known(Offset::Heard { offset_hz, u_hz, side })),
            ),
            _ => None,
        }
    }

    /// Puts the offset of a rest in its place.
    pub fn take<E>(&mut self, rest: impl FnOnce(usize) -> Result<Offset, E>) -> Result<(), E> {
        if let Self::Rest(number, stated) = *self {
            let mut heard = rest(number)?;
            if let (Offset::Heard { side, .. }, Some(stated)) = (&mut heard, stated) {
                *side = stated;
            }
            *self = Self::Known(heard);
        }
        Ok(())
    }

    /// The offset.
    ///
    /// # Errors
    /// A rest that was never looked up.
    pub fn offset(self) -> Result<Offset, CorrectionError> {
        match self {
            Self::Known(offset) => Ok(offset),
            Self::Rest(number, _) => Err(CorrectionError::RestOfNoRecording(number)),
        }
    }
}

/// Text on the command line that can't be taken.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TextError {
    /// A frequency without unit and the like.
    #[error(transparent)]
    Quantity(#[from] QuantityError),
    /// A check that does not follow its pattern.
    #[error(
        "`{0}` is not a check; write READING:N/M:OFFSET:SIDE, READING:N/M:withinB or READING:N/M:restN, such as 1531.4:7/2:12Hz:high"
    )]
    Check(String),
    /// A pair that does not follow its pattern.
    #[error(
        "`{0}` is not a pair; write D1:B1,D2:B2, such as 1531.4:300Hz,1534.0:300Hz, or D1,D2 for equal pitch"
    )]
    Pair(String),
    /// A beat that does not follow its pattern.
    #[error(
        "`{0}` is not a beat; write D at zero beat, D:OFFSET:SIDE, D:withinB or D:restN, such as 1531.4:30Hz:high"
    )]
    Beat(String),
    /// A place that does not follow its pattern.
    #[error("`{0}` is not a place; write F±P%, such as 7MHz±2% or 7MHz+-2%")]
    About(String),
    /// A way by the meter that does not follow its pattern.
    #[error(
        "`{0}` is not a way by the meter; write its beats with the carrier and with the crystal, such as \
         100Hz:high,92Hz:high, or with readings, 1531.4:100Hz:high,1531.6:12Hz:low"
    )]
    ByMeter(String),
    /// A time that is none.
    #[error("`{0}` is not a time of the day; write it as 14:05")]
    Time(String),
    /// A side that is none.
    #[error("`{0}` is not a side; write high (the meter above the signal), low or unknown")]
    Side(String),
    /// A negative offset.
    #[error("`{0}` is negative; an offset is a size, its side is said apart")]
    Negative(String),
}

/// Reads an offset's size. Without a stated uncertainty the last digit written is taken to be rounded:
/// u = one unit of it/√12.
///
/// # Errors
/// Text that is no frequency, or a negative one.
pub fn offset_size(text: &str) -> Result<(f64, f64), TextError> {
    let size: Hertz = text.parse()?;
    if size.0 < 0.0 {
        return Err(TextError::Negative(text.to_owned()));
    }
    Ok((size.0, Hertz::last_place(text)?.0 / 12f64.sqrt()))
}

/// Reads a time of the day, minutes.
///
/// # Errors
/// Text that is no time.
pub fn minutes(text: &str) -> Result<f64, TextError> {
    let parsed = text.trim().split_once(':').and_then(|(hours, minutes)| {
        let (hours, minutes): (u32, u32) = (hours.parse().ok()?, minutes.parse().ok()?);
        (hours < 24 && minutes < 60).then(|| f64::from(hours * 60 + minutes))
    });
    parsed.ok_or_else(|| TextError::Time(text.to_owned()))
}

/// Reads a side.
///
/// # Errors
/// Any other word.
pub fn side(text: &str) -> Result<Side, TextError> {
    match text.trim() {
        "high" => Ok(Side::High),
        "low" => Ok(Side::Low),
        "unknown" => Ok(Side::Unknown),
        other => Err(TextError::Side(other.to_owned())),
    }
}

impl FromStr for CheckText {
    type Err = TextError;

    fn from_str(text: &str) -> Result<Self, TextError> {
        let error = || TextError::Check(text.to_owned());
        let (body, at_min) = match text.split_once('@') {
            Some((body, time)) => (body, Some(minutes(time)?)),
            None => (text, None),
        };
        let parts: Vec<&str> = body.split(':').map(str::trim).collect();
        let (reading, point, offset) = match *parts.as_slice() {
            [reading, point, size] => (reading, point, OffsetText::parse(size, None).ok_or_else(error)??),
            [reading, point, size, word] => {
                (reading, point, OffsetText::parse(size, Some(word)).ok_or_else(error)??)
            }
            _ => return Err(error()),
        };
        let (n, m) = point.split_once('/').ok_or_else(error)?;
        let order = |text: &str| text.trim().parse::<u32>().ok().filter(|order| (1..=10_000).contains(order));
        let (crystal_harmonic, meter_harmonic) = order(n).zip(order(m)).ok_or_else(error)?;
        Ok(Self { reading: reading.to_owned(), crystal_harmonic, meter_harmonic, offset, at_min })
    }
}

impl CheckText {
    /// A check as it was heard at a reading: crystal harmonic N met meter harmonic M.
    pub fn heard(reading: &str, (crystal_harmonic, meter_harmonic): (u32, u32), offset: Offset) -> Self {
        let offset = OffsetText::Known(offset);
        Self { reading: reading.to_owned(), crystal_harmonic, meter_harmonic, offset, at_min: None }
    }

    fn on(&self, meter: &Meter) -> Result<Check, CorrectionError> {
        Ok(Check {
            reading: meter.plate.reading(&self.reading)?,
            crystal_harmonic: self.crystal_harmonic,
            meter_harmonic: self.meter_harmonic,
            offset: self.offset.offset()?,
            at_min: self.at_min,
        })
    }

    /// Puts the offset of a rest in its place where one is named; `rest` tells it by its number.
    ///
    /// # Errors
    /// As `rest`.
    pub fn take<E>(&mut self, rest: impl FnOnce(usize) -> Result<Offset, E>) -> Result<(), E> {
        self.offset.take(rest)
    }
}

impl FromStr for PairText {
    type Err = TextError;

    fn from_str(text: &str) -> Result<Self, TextError> {
        let one = |part: &str| -> Result<(String, Option<Offset>), TextError> {
            let Some((reading, pitch)) = part.split_once(':') else {
                return Ok((part.trim().to_owned(), None));
            };
            let (offset_hz, u_hz) = offset_size(pitch)?;
            Ok((reading.trim().to_owned(), Some(Offset::Heard { offset_hz, u_hz, side: Side::Unknown })))
        };
        let (low, high) = text.split_once(',').ok_or_else(|| TextError::Pair(text.to_owned()))?;
        Ok(Self { low: one(low)?, high: one(high)? })
    }
}

/// Everything that `correct` is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    /// Name of the range.
    pub range: String,
    /// What was done at the dial.
    pub observation: Observation,
    /// Whether the ear measured the offset, rather than somebody writing it down.
    pub recorded: bool,
    /// Which way the reading was come to.
    pub approach: Option<Approach>,
    /// H.
    pub harmonic: u32,
    /// K.
    pub signal_harmonic: u32,
    /// Check points.
    pub checks: Vec<CheckText>,
    /// How their correction is carried over.
    pub transport: Transport,
    /// Time of the measurement, minutes of the day.
    pub at_min: Option<f64>,
    /// The crystal as a later comparison found it; its error and all that is known of that replace the meter file's.
    pub crystal: Option<Crystal>,
    /// Today, for the crystal's age.
    pub today: Option<Date>,
    /// The sound card's clock.
    pub clock: Clock,
    /// What else is allowed for.
    pub allowances: Allowances,
    /// Where the signal ought to be.
    pub target: Option<Target>,
    /// What else is known.
    pub extra: Extra,
}

/// What else is known, beside the measurement itself.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Extra {
    /// Other rests of the same signal at other readings.
    pub also: Vec<BeatText>,
    /// Nobody stated H: where the other rests tell it, theirs is taken.
    pub harmonic_open: bool,
    /// The meter's drift.
    pub drift: Option<Drift>,
    /// How far off a result may be before the check must be repeated.
    pub trust: Option<Width>,
}

/// Corrects one measurement.
///
/// # Errors
/// A range that is not there, a reading off dial or book, a check without side, a pair that contradicts itself.
pub fn correct(meter: &Meter, job: &Job) -> Result<Corrected, CorrectionError> {
    asked(meter, job, crate::correction::correct)
}

/// What entered the sum and does not stand in its record, so that it can be redone later without the meter's files.
///
/// # Errors
/// As [`correct`].
pub fn taken(meter: &Meter, job: &Job) -> Result<Taken, CorrectionError> {
    asked(meter, job, crate::correction::taken)
}

/// Hands the job on in the dial's own terms.
fn asked<T>(
    meter: &Meter,
    job: &Job,
    ask: impl FnOnce(&Request) -> Result<T, CorrectionError>,
) -> Result<T, CorrectionError> {
    let plate = &meter.plate;
    let measurement = match &job.observation {
        Observation::Single { reading, offset } => {
            Measurement::Single { reading: plate.reading(reading)?, offset: *offset }
        }
        Observation::Pair(PairText { low, high }) => {
            let one = |text: &(String, Option<Offset>)| {
                Ok::<_, DialError>(PairReading { reading: plate.reading(&text.0)?, pitch: text.1 })
            };
            Measurement::Pair { low: one(low)?, high: one(high)? }
        }
    };
    let checks = job.checks.iter().map(|check| check.on(meter)).collect::<Result<Vec<_>, _>>()?;
    let crystal = match &job.crystal {
        None => meter.crystal.clone(),
        // Measured anew, its old calibration and the ageing since no longer matter.
        Some(anew) => Crystal { frequency_hz: meter.crystal.frequency_hz, ..anew.clone() },
    };
    let range = meter.range(&job.range)?;
    let also = job.extra.also.iter().map(|beat| beat.rest(plate)).collect::<Result<Vec<_>, _>>()?;
    ask(&Request {
        meter,
        range,
        measurement,
        recorded: job.recorded,
        approach: job.approach,
        harmonic: job.harmonic,
        signal_harmonic: job.signal_harmonic,
        checks: &checks,
        transport: job.transport,
        at_min: job.at_min,
        crystal: &crystal,
        today: job.today,
        clock: &job.clock,
        allowances: job.allowances,
        target: job.target,
        extra: correction::Extra {
            also: &also,
            drift: job.extra.drift,
            trust: job.extra.trust,
            harmonic_open: job.extra.harmonic_open,
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn checks_and_pairs_are_read_as_written() {
        let check: CheckText = "12/91.4:7/2:62.4Hz:high@14:05".parse().unwrap();
        assert_eq!((check.reading.as_str(), check.crystal_harmonic, check.meter_harmonic), ("12/91.4", 7, 2));
        assert_eq!(check.at_min, Some(845.0));
        let Offset::Heard { offset_hz, u_hz, side } = check.offset.offset().unwrap() else { panic!("heard") };
        assert_eq!(side, Side::High);
        assert!((offset_hz - 62.4).abs() < 1e-12 && (u_hz - 0.1 / 12f64.sqrt()).abs() < 1e-12);
        let check: CheckText = "1531.4:7/2:within20Hz".parse().unwrap();
        assert_eq!(check.offset.offset(), Ok(Offset::Within { bound_hz: 20.0 }));
        let check: CheckText = "1531.4:7/2:rest3@14:05".parse().unwrap();
        assert_eq!(check.offset, OffsetText::Rest(3, None));
        assert_eq!(check.offset.offset(), Err(CorrectionError::RestOfNoRecording(3)));
        let check: CheckText = "1531.4:7/2:rest3:low".parse().unwrap();
        assert_eq!(check.offset, OffsetText::Rest(3, Some(Side::Low)));
        let pair: PairText = "1531.4:300Hz,1534.0:310Hz".parse().unwrap();
        assert_eq!((pair.low.0.as_str(), pair.high.0.as_str()), ("1531.4", "1534.0"));
        assert_eq!("1531.4,1534.0".parse::<PairText>().unwrap().low.1, None);
        for text in [
            "1531.4:7/2",
            "1531.4:7:20Hz:high",
            "1531.4:7/0:20Hz:high",
            "1531.4:7/2:20:high",
            "x:1/2:within20Hz:low:1",
        ] {
            assert!(text.parse::<CheckText>().is_err(), "{text}");
        }
        assert!("1531.4:7/2:20Hz:high@24:00".parse::<CheckText>().is_err());
        assert!("1531.4".parse::<PairText>().is_err());
        assert!(matches!(offset_size("-3Hz"), Err(TextError::Negative(_))));
    }
}
