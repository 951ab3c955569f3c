//! `demo`: the whole job without a sound card.

use super::failure::Failure;
use crate::report::{demo, plot};
use crate::store;
use crate::task::demo::tell;
use std::io::Write;
use std::path::Path;

/// Show the whole job on a recording and a meter that ship inside the program
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Where the picture is left: in the current folder.
const PICTURE: &str = "hushbeat-demo.svg";

/// Does the job.
///
/// # Errors
/// A current folder that does not take the picture.
pub fn run(_: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    let told = tell().map_err(|error| Failure::Job(error.to_string()))?;
    out.write_all(demo::story(&told).as_bytes())?;
    let picture = plot::descent_svg(&told.analysis, told.trail.rows(), told.hand)
        .map_err(|error| Failure::Job(error.to_string()))?;
    store::write_atomic(Path::new(PICTURE), picture.as_bytes())?;
    writeln!(out, "\npicture   the fall and the rest are drawn in {PICTURE}")?;
    writeln!(out, "next      hushbeat analyse YOURS.wav --turning up --plot yours.svg")?;
    Ok(())
}
