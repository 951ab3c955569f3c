//! A record on its way out, as one JSON object or as text.

use super::failure::Failure;
use serde::Serialize;
use std::io::Write;

/// Writes a record.
///
/// # Errors
/// An output that does not take it.
pub fn show(
    record: &impl Serialize,
    json: bool,
    text: impl FnOnce() -> String,
    out: &mut dyn Write,
) -> Result<(), Failure> {
    if json {
        let object = serde_json::to_string(record).map_err(|error| Failure::Job(error.to_string()))?;
        writeln!(out, "{object}")?;
    } else {
        out.write_all(text().as_bytes())?;
    }
    Ok(())
}
