//! `hushbeat dial`.

use super::failure::Failure;
use super::show::show;
use crate::dial::DialError;
use crate::quantity::Hertz;
use crate::report;
use crate::store::{self, StoreError};
use crate::task::dial;
use std::io::Write;
use std::path::PathBuf;

/// Where to set the dial for a frequency, or what a reading stands for
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The meter file
    #[arg(long, value_name = "M.toml")]
    meter: PathBuf,
    /// The frequency wanted, with its unit
    #[arg(long, value_name = "F", conflicts_with_all = ["range", "reading", "harmonic"], required_unless_present = "reading")]
    frequency: Option<Hertz>,
    /// The signal's harmonic that is to meet the meter's
    #[arg(long, value_name = "K", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000), requires = "frequency")]
    signal_harmonic: u32,
    /// The range that the reading is on
    #[arg(long, value_name = "NAME", requires = "reading")]
    range: Option<String>,
    /// A reading: divisions, or drum/dial
    #[arg(long, value_name = "D", requires = "range")]
    reading: Option<String>,
    /// The meter's harmonic
    #[arg(long, value_name = "H", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=1000))]
    harmonic: u32,
    /// Highest note that can be heard: a check point and the frequency within it of each other need no touch of the dial
    #[arg(long, value_name = "B", default_value = "3.6kHz", requires = "frequency")]
    reach: Hertz,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::Job(error.to_string())
    }
}

impl From<DialError> for Failure {
    fn from(error: DialError) -> Self {
        match error {
            DialError::NotAReading(_) => Self::Usage(error.to_string()),
            other => Self::Job(other.to_string()),
        }
    }
}

/// Does the job.
///
/// # Errors
/// A meter that can't be read, a frequency out of reach, a reading off the dial.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let meter = store::read_meter(&args.meter)?;
    if let (Some(range), Some(reading)) = (&args.range, &args.reading) {
        let record = dial::to_frequency(&meter, range, reading, args.harmonic)?;
        return show(&record, args.json, || report::dial::reading_text(&record), out);
    }
    let frequency = args.frequency.unwrap_or_default();
    let record = dial::to_reading(&meter, frequency, args.signal_harmonic, Some(args.reach.0))?;
    show(&record, args.json, || report::dial::settings_text(&record, &meter.plate), out)
}
