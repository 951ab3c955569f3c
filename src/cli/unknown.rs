//! `hushbeat unknown`.

use super::failure::Failure;
use super::show::show;
use crate::report;
use crate::store;
use crate::task::unknown::{self, AboutText, BeatText};
use std::io::Write;
use std::path::PathBuf;

/// Which frequency, and which harmonics, the beats of one unknown signal come from
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The meter file
    #[arg(long, value_name = "M.toml")]
    meter: PathBuf,
    /// The range that was turned across
    #[arg(long, value_name = "NAME")]
    range: String,
    /// A beat of the signal: D at zero beat, D:OFFSET:SIDE or D:withinB; give each one that was heard
    #[arg(long = "reading", value_name = "BEAT", required = true)]
    readings: Vec<BeatText>,
    /// Roughly where the signal is, as a receiver's dial has it, such as 7MHz±2% (or 7MHz+-2%)
    #[arg(long, value_name = "F±P%")]
    about: Option<AboutText>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Does the job.
///
/// # Errors
/// A meter that can't be read, a reading off the dial, too few beats.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let meter = store::read_meter(&args.meter)?;
    let record = unknown::unknown(&meter, &args.range, &args.readings, args.about)?;
    show(&record, args.json, || report::unknown::text(&record, &meter.plate), out)
}
