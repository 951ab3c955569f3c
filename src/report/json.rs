//! Records as JSON, one object to a line, so that a batch can be read line by line.

use serde::Serialize;

/// The record on one line without the newline. Numbers are not rounded; what is not finite becomes null.
///
/// # Errors
/// Only for records that JSON can't hold, such as maps whose keys are no strings.
pub fn line(record: &impl Serialize) -> Result<String, serde_json::Error> {
    serde_json::to_string(record)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    /// The shape of `analyse --json` that others build on: a field renamed or dropped shows here.
    #[test]
    fn the_analysis_keeps_its_shape() {
        let (told, _) = example::pulled();
        let object: serde_json::Value = serde_json::from_str(&line(&told).unwrap()).unwrap();
        insta::assert_json_snapshot!(object);
    }

    #[test]
    fn numbers_come_back_to_the_last_bit_and_silence_is_null() {
        let (mut told, _) = example::fall_to_rest();
        told.heard.rests[0].offset_hz = 38.599_720_000_000_004;
        told.heard.level.peak_dbfs = f64::NEG_INFINITY;
        let object: serde_json::Value = serde_json::from_str(&line(&told).unwrap()).unwrap();
        let offset = object["rests"][0]["offset_hz"].as_f64().unwrap();
        assert_eq!(offset.to_bits(), 38.599_720_000_000_004_f64.to_bits());
        assert!(object["level"]["peak_dbfs"].is_null());
    }
}
