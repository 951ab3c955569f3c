//! `hushbeat sheet`.

use super::failure::Failure;
use super::show::show;
use crate::report;
use crate::store;
use crate::task::sheet::{self, Channels};
use std::io::Write;
use std::path::PathBuf;

/// Dial settings for a list of net frequencies, on one card
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The meter file
    #[arg(long, value_name = "M.toml")]
    meter: PathBuf,
    /// The channels: `label,frequency` and, where wanted, `tolerance`
    #[arg(value_name = "CHANNELS.csv")]
    channels: PathBuf,
    /// A page for paper as well
    #[arg(long, value_name = "OUT.html")]
    html: Option<PathBuf>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// Does the job.
///
/// # Errors
/// Files that can't be read or written, a frequency that no range reaches.
pub fn run(args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let meter = store::read_meter(&args.meter)?;
    let list = Channels::parse(&store::read_text(&args.channels)?, &args.channels.display().to_string())?;
    let record = sheet::sheet(&meter, &list)?;
    if let Some(path) = &args.html {
        store::write_atomic(path, report::sheet::page(&record, &meter.plate).as_bytes())?;
    }
    show(&record, args.json, || report::sheet::text(&record, &meter.plate), out)
}
