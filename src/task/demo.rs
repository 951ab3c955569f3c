//! `demo`: the main job on a recording and a meter that ship inside the program. Club, net and meter are invented.

use super::analyse::{AnalyseError, Analysis, analyse_recording};
use super::correct::{CheckText, Corrected, Job, Observation, TextError, correct};
use super::trail::Trail;
use crate::clock::Clock;
use crate::correction::{Allowances, CorrectionError, Target, Transport};
use crate::dial::{Date, DialError, Meter};
use crate::heard::NoOffset;
use crate::offset::{Hand, Turning};
use crate::pipeline::Settings;
use crate::quantity::{Hertz, QuantityError};
use crate::source::recording::Recording;
use std::io::Cursor;

static RECORDING: &[u8] = include_bytes!("../../fixtures/recordings/fall-to-rest.wav");
const METER: &str = include_str!("../../fixtures/meters/club-bench.toml");
const LOW: &str = include_str!("../../fixtures/books/club-bench-low.csv");
const HIGH: &str = include_str!("../../fixtures/books/club-bench-high.csv");

/// The net's frequency and how far net control may be off it.
pub const NET: Hertz = Hertz(3_520_000.0);
/// What was read when the note stood still.
pub const READING: &str = "8/49.0";
/// The check point that was tried before.
pub const CHECK: &str = "8/12.9:7/2:within20Hz";
const TOLERANCE: &str = "200Hz";
const RANGE: &str = "high";
const HARMONIC: u32 = 2;
/// The evening of the recording: what the crystal's age is reckoned to.
const EVENING: (i32, u32, u32) = (2026, 11, 19);

/// Everything the demo has to tell.
#[derive(Debug, Clone)]
pub struct Demo {
    /// What was heard.
    pub analysis: Analysis,
    /// The note's way down.
    pub trail: Trail,
    /// The corrected frequency.
    pub corrected: Corrected,
}

/// Why the demo could not be done: none of this can happen with what ships.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs, reason = "each carries its own text")]
pub enum DemoError {
    #[error(transparent)]
    Analyse(#[from] AnalyseError),
    #[error(transparent)]
    Dial(#[from] DialError),
    #[error(transparent)]
    Correction(#[from] CorrectionError),
    #[error(transparent)]
    Offset(#[from] NoOffset),
    #[error(transparent)]
    Text(#[from] TextError),
    #[error(transparent)]
    Quantity(#[from] QuantityError),
}

/// Listens to the recording and corrects the frequency, as `analyse` and `correct` would.
///
/// # Errors
/// Only if what ships inside the program were damaged.
pub fn demo() -> Result<Demo, DemoError> {
    let books = |name: &str| match name.rsplit('/').next() {
        Some("club-bench-low.csv") => Ok((name.to_owned(), LOW.to_owned())),
        Some("club-bench-high.csv") => Ok((name.to_owned(), HIGH.to_owned())),
        _ => Err("no such book ships with the demo"),
    };
    let meter = Meter::parse(METER, "club-bench.toml", books)?;
    let settings = Settings { hand: Hand::Meter, turning: Some(Turning::Up), ..Settings::default() };
    let recording =
        Recording::from_reader(Cursor::new(RECORDING), "the demo's recording").map_err(AnalyseError::from)?;
    let mut trail = Trail::default();
    let analysis = analyse_recording(recording, "the demo's recording", &settings, None, &mut trail)?;
    let job = Job {
        range: RANGE.to_owned(),
        observation: Observation::Single {
            reading: READING.to_owned(),
            offset: analysis.heard.offset(None)?,
        },
        recorded: true,
        approach: None,
        harmonic: HARMONIC,
        signal_harmonic: 1,
        checks: vec![CHECK.parse::<CheckText>()?],
        transport: Transport::Auto,
        at_min: None,
        crystal_ppm: None,
        today: Date::new(EVENING.0, EVENING.1, EVENING.2),
        clock: Clock::default(),
        allowances: Allowances::default(),
        target: Some(Target { frequency: NET, tolerance: Some(TOLERANCE.parse()?) }),
    };
    let corrected = correct(&meter, &job)?;
    Ok(Demo { analysis, trail, corrected })
}
