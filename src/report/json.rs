//! Records as JSON, one object to a line, so that a batch can be read line by line.

use serde::Serialize;

/// The record on one line without the newline. Numbers are not rounded; what is not finite becomes null.
///
/// # Errors
/// Only for records that JSON can't hold, such as maps whose keys are no strings.
pub fn line(record: &impl Serialize) -> Result<String, serde_json::Error> {
    serde_json::to_string(record)
}
