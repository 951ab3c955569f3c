//! `demo`: the main job on a recording and a meter that ship inside the binary.
//!
//! The club, its net and its meter are invented. The recording is one of the fixtures and says in its folder how it
//! was made; what is told about it here is measured anew at each run.

use super::analyse::{AnalyseError, Analysis, analyse_recording};
use super::correct::{Corrected, Extra, Job, Observation, TextError, correct};
use super::trail::Trail;
use crate::correction::{Allowances, CorrectionError, Target, Transport};
use crate::dial::{Date, DialError, Meter, NotADate};
use crate::heard::NoOffset;
use crate::offset::{Hand, Turning};
use crate::pipeline::Settings;
use crate::quantity::{Hertz, Width};
use crate::source::recording::{Recording, RecordingError};
use std::io::Cursor;

const RECORDING: &[u8] = include_bytes!("../../fixtures/recordings/fall-to-rest.wav");
const METER: &str = include_str!("../../fixtures/meters/club-bench.toml");
const BOOKS: [(&str, &str); 2] = [
    ("../books/club-bench-low.csv", include_str!("../../fixtures/books/club-bench-low.csv")),
    ("../books/club-bench-high.csv", include_str!("../../fixtures/books/club-bench-high.csv")),
];

/// Where the net belongs, Hz, and how far off its members may be, Hz.
const NET: (f64, f64) = (3_520_000.0, 200.0);
/// What was read off the dial when the note was left alone, and the check point tried before: drum and dial.
const READING: &str = "8/49.0";
const CHECK: &str = "8/12.9:7/2:within20Hz";
/// The day of the recording: the crystal's age counts.
const DAY: &str = "2026-11-19";

/// All that the demo has to tell.
#[derive(Debug)]
pub struct Told {
    /// What the ear heard.
    pub analysis: Analysis,
    /// The track, for the picture.
    pub trail: Trail,
    /// The oscillator that was turned.
    pub hand: Hand,
    /// The meter's name.
    pub meter: String,
    /// The reading as on the dial.
    pub reading: &'static str,
    /// What the clerk made of it.
    pub corrected: Corrected,
}

/// Why the demo can't be given; it ships all it needs, so each is a fault of the program.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The recording.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// The ear.
    #[error(transparent)]
    Analyse(#[from] AnalyseError),
    /// No rest.
    #[error(transparent)]
    NoOffset(#[from] NoOffset),
    /// The meter or its books.
    #[error(transparent)]
    Dial(#[from] DialError),
    /// The check point as written.
    #[error(transparent)]
    Text(#[from] TextError),
    /// The day as written.
    #[error(transparent)]
    Day(#[from] NotADate),
    /// The clerk.
    #[error(transparent)]
    Correction(#[from] CorrectionError),
}

/// Listens to the shipped recording and corrects its frequency with the shipped meter.
///
/// # Errors
/// None but a fault of the program.
pub fn tell() -> Result<Told, DemoError> {
    let settings = Settings { turning: Some(Turning::Up), ..Settings::default() };
    let recording = Recording::from_reader(Cursor::new(RECORDING), "the club net's recording")?;
    let mut trail = Trail::default();
    let analysis = analyse_recording(recording, "the club net's recording", &settings, None, &mut trail)?;
    let meter = Meter::parse(METER, "club-bench.toml", |name| {
        let book = BOOKS.iter().find(|(book, _)| *book == name);
        book.map(|(name, text)| ((*name).to_owned(), (*text).to_owned()))
            .ok_or("it does not ship with the program")
    })?;
    let (net_hz, tolerance_hz) = NET;
    let job = Job {
        range: "high".to_owned(),
        observation: Observation::Single {
            reading: READING.to_owned(),
            offset: analysis.heard.offset(None)?,
        },
        recorded: true,
        approach: None,
        harmonic: 2,
        signal_harmonic: 1,
        checks: vec![CHECK.parse()?],
        transport: Transport::Auto,
        at_min: None,
        crystal: None,
        today: Some(DAY.parse::<Date>()?),
        clock: analysis.input.clock.clone(),
        allowances: Allowances::default(),
        target: Some(Target {
            frequency: Hertz(net_hz),
            tolerance: Some(Width::Absolute(Hertz(tolerance_hz))),
        }),
        extra: Extra::default(),
    };
    let corrected = correct(&meter, &job)?;
    Ok(Told { analysis, trail, hand: settings.hand, meter: meter.name, reading: READING, corrected })
}
