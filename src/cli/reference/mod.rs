//! `hushbeat reference`: the links of the chain back to a standard.

mod card;
mod counter;
mod crystal;

use super::correct::today;
use super::failure::Failure;
use super::logging::Logging;
use super::show::show;
use crate::benchlog::About;
use crate::dial::Date;
use crate::offset::Offset;
use crate::quantity::{Hertz, Width};
use crate::report;
use crate::stations::STATIONS;
use crate::store;
use crate::task::correct::{TextError, offset_size};
use crate::task::reference::{ChainError, Reference};
use serde::Serialize;
use std::io::Write;
use std::path::Path;

/// Hold crystal, counter and sound card against a standard station, or against each other
#[derive(Debug, clap::Subcommand)]
pub enum Link {
    Stations(Stations),
    Crystal(crystal::Args),
    Counter(counter::Args),
    Card(card::Args),
}

/// List standard-frequency and time stations: carriers, tones, quiet gaps, accuracy, sources
#[derive(Debug, clap::Args)]
pub struct Stations {
    /// One JSON object instead of text
    #[arg(long)]
    json: bool,
}

/// The answer of `reference stations --json`.
#[derive(Serialize)]
struct StationList {
    stations: &'static [crate::stations::Station],
    /// What is left of the accuracy as sent after the way through the ionosphere, ppm, standard uncertainty.
    received_u_ppm: f64,
    /// Why.
    received_reason: &'static str,
}

impl From<ChainError> for Failure {
    fn from(error: ChainError) -> Self {
        Self::Job(error.to_string())
    }
}

/// Does the job.
///
/// # Errors
/// As the link's own.
pub fn run(link: &Link, out: &mut dyn Write) -> Result<(), Failure> {
    match link {
        Link::Stations(args) => {
            let list = StationList {
                stations: STATIONS,
                received_u_ppm: crate::stations::HF_PATH_U_PPM,
                received_reason: crate::stations::HF_PATH_REASON,
            };
            show(&list, args.json, report::reference::stations, out)
        }
        Link::Crystal(args) => crystal::run(args, out),
        Link::Counter(args) => counter::run(args, out),
        Link::Card(args) => card::run(args, out),
    }
}

/// Prints a link, writes it and enters it in the bench log where asked; `about` is what the log lists.
fn hand_out<T: Serialize>(
    link: &Reference<T>,
    (json, file): (bool, Option<&Path>),
    text: impl FnOnce(&T) -> String,
    (logging, about): (&Logging, About),
    out: &mut dyn Write,
) -> Result<(), Failure> {
    show(link, json, || text(&link.found), out)?;
    if let Some(path) = file {
        let text = serde_json::to_string_pretty(link).map_err(|error| Failure::Job(error.to_string()))?;
        store::write_atomic(path, (text + "\n").as_bytes())?;
    }
    logging.keep(&format!("reference {}", link.reference), || about, link, json, out)
}

/// What the log lists of an error.
fn error(error_ppm: Option<f64>, u_ppm: f64) -> About {
    About { error_ppm, error_u_ppm: error_ppm.map(|_| u_ppm), ..About::default() }
}

/// The day of the comparison.
fn day(on: Option<Date>) -> Option<String> {
    on.or_else(today).map(|day| day.to_string())
}

/// An offset as written, with its last place for uncertainty.
fn offset(text: &str) -> Result<(f64, f64), TextError> {
    offset_size(text)
}

fn size(text: &str) -> Result<f64, TextError> {
    offset_size(text).map(|(size, _)| size)
}

/// A bound as an offset.
fn within(bound_hz: f64) -> Offset {
    Offset::Within { bound_hz }
}

/// The uncertainty of the way in Hz at a carrier.
fn path_u_hz(path_u: Option<Width>, carrier: Hertz) -> Option<f64> {
    path_u.map(|width| width.at(carrier).0)
}

/// A share in ppm, of the form `1ppm` or `0.01%`.
fn share(text: &str) -> Result<f64, String> {
    match text.parse::<Width>() {
        Ok(Width::Relative(ppm)) => Ok(ppm.0),
        Ok(Width::Absolute(_)) => Err(format!("`{text}` is not a share; hint: write it in ppm or %")),
        Err(error) => Err(error.to_string()),
    }
}

fn above_zero(text: &str) -> Result<Hertz, String> {
    match text.parse::<Hertz>() {
        Ok(hertz) if hertz.0 > 0.0 => Ok(hertz),
        Ok(_) => Err(format!("`{text}` is not above zero; hint: such as 10MHz")),
        Err(error) => Err(error.to_string()),
    }
}
