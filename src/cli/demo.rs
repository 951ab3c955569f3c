//! `hushbeat demo`.

use super::failure::Failure;
use crate::offset::Hand;
use crate::report::{self, plot};
use crate::store;
use crate::task::demo;
use std::io::Write;
use std::path::Path;

/// Do the whole job once, on a recording and a meter that ship with the program; no sound card
#[derive(Debug, clap::Args)]
pub struct Args {}

const PICTURE: &str = "hushbeat-demo.svg";

/// Tells the story and leaves the picture in the current folder.
///
/// # Errors
/// A folder that may not be written to.
pub fn run(_: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let demo = demo::demo().map_err(|error| Failure::Job(error.to_string()))?;
    let picture = plot::descent_svg(&demo.analysis, demo.trail.rows(), Hand::Meter)
        .map_err(|error| Failure::Job(error.to_string()))?;
    out.write_all(report::demo::text(&demo).as_bytes())?;
    store::write_atomic(Path::new(PICTURE), picture.as_bytes())?;
    writeln!(out, "\npicture   the fall and the rest are drawn in {PICTURE}")?;
    writeln!(out, "next      hushbeat analyse YOURS.wav --turning up --plot yours.svg")?;
    Ok(())
}
