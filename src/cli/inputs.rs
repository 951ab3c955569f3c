//! `hushbeat inputs`.

use super::failure::Failure;
use std::io::Write;

/// List the sound inputs that work, and those that don't with the reason
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Lists the inputs.
///
/// # Errors
/// There is no sound system.
#[cfg(feature = "live")]
pub fn run(_args: &Args, out: &mut dyn Write) -> Result<(), Failure> {
    use crate::report;
    use crate::source::capture;
    let inputs = capture::inputs().map_err(|error| Failure::Job(error.to_string()))?;
    Ok(out.write_all(report::inputs::text(&inputs).as_bytes())?)
}

/// Says that there is nothing to list.
///
/// # Errors
/// Always: this build has no sound cards.
#[cfg(not(feature = "live"))]
pub fn run(_args: &Args, _out: &mut dyn Write) -> Result<(), Failure> {
    Err(without_cards())
}

/// What a build without sound cards says.
#[cfg(not(feature = "live"))]
pub fn without_cards() -> Failure {
    Failure::Job(
        "this build can't use sound cards; hint: build it with the feature `live`, or listen to a recording with \
         --replay FILE"
            .to_owned(),
    )
}
