//! `hushbeat checkpoints`.

use super::failure::Failure;
use super::show::show;
use crate::quantity::Hertz;
use crate::report;
use crate::store;
use crate::task::checkpoints;
use std::io::Write;
use std::path::PathBuf;

/// List the check points that the crystal gives, with their readings
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The meter file
    #[arg(long, value_name = "M.toml")]
    meter: PathBuf,
    /// Only those of this range
    #[arg(long, value_name = "NAME")]
    range: Option<String>,
    /// Only those nearest to the settings for this frequency
    #[arg(long, value_name = "F")]
    near: Option<Hertz>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Does the job.
///
/// # Errors
/// A meter that can't be read, a range that is not there, a frequency out of reach.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let meter = store::read_meter(&args.meter)?;
    let record = checkpoints::checkpoints(&meter, args.range.as_deref(), args.near)?;
    show(&record, args.json, || report::checkpoints::text(&record, &meter.plate), out)
}
