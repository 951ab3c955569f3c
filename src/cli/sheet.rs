//! `hushbeat sheet`.

use super::correct::Ear;
use super::failure::Failure;
use super::show::show;
use crate::pipeline::Settings;
use crate::quantity::{Hertz, QuantityError};
use crate::report;
use crate::store;
use crate::task::hold_off;
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
    /// Hold the meter so far above every channel instead of at zero beat (B:low for below); auto proposes how far, clear of
    /// the hum and within what the path passes
    #[arg(long, value_name = "B|auto", value_parser = hold_off)]
    hold_off: Option<HoldOff>,
    /// A recording from which auto learns hum and path [default: both mains, a path that passes 100 Hz]
    #[arg(long, value_name = "FILE", requires = "hold_off")]
    heard: Option<PathBuf>,
    /// A page for paper as well
    #[arg(long, value_name = "OUT.html")]
    html: Option<PathBuf>,
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// How far to hold off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HoldOff {
    /// So many Hz above; below, where it is negative.
    Stated(f64),
    /// As proposed.
    Auto,
}

/// Reads `B`, `B:high`, `B:low` or `auto`.
pub(super) fn hold_off(text: &str) -> Result<HoldOff, String> {
    if text == "auto" {
        return Ok(HoldOff::Auto);
    }
    let (size, side) = text.split_once(':').unwrap_or((text, "high"));
    let Hertz(hertz) = size.parse().map_err(|error: QuantityError| error.to_string())?;
    if !(LEAST_HZ..=MOST_HZ).contains(&hertz) {
        return Err(format!("`{size}` is no hold-off; hint: {LEAST_HZ} to {MOST_HZ} Hz, such as 275Hz"));
    }
    match side {
        "high" => Ok(HoldOff::Stated(hertz)),
        "low" => Ok(HoldOff::Stated(-hertz)),
        other => Err(format!("`{other}` is not a side; write high (the meter above the channel) or low")),
    }
}

/// A hold-off below is none, and one above is not heard well, Hz.
const LEAST_HZ: f64 = 20.0;
const MOST_HZ: f64 = 3500.0;

/// Does the job; `ear` is asked where hum and path come from a recording.
///
/// # Errors
/// Files that can't be read or written, a frequency that no range reaches.
pub fn run(args: &Args, ear: Ear, out: &mut dyn Write) -> Result<(), Failure> {
    let meter = store::read_meter(&args.meter)?;
    let list = Channels::parse(&store::read_text(&args.channels)?, &args.channels.display().to_string())?;
    let hold_off_hz = match args.hold_off {
        None => None,
        Some(HoldOff::Stated(hertz)) => Some(hertz),
        Some(HoldOff::Auto) => {
            let heard = args.heard.as_ref().map(|path| ear(path, &Settings::default())).transpose()?;
            Some(hold_off::hold_off(heard.as_ref().map(|analysis| &analysis.heard)).hold_off_hz)
        }
    };
    let record = sheet::sheet(&meter, &list, hold_off_hz)?;
    if let Some(path) = &args.html {
        store::write_atomic(path, report::sheet::page(&record, &meter.plate).as_bytes())?;
    }
    show(&record, args.json, || report::sheet::text(&record, &meter.plate), out)
}
