//! What a line of the log holds.

use super::program;
use crate::correction::Taken;
use crate::offset::Side;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;

/// One line of the file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Line {
    /// An entry.
    Entry(Box<Entry>),
    /// A strike of an earlier entry.
    Strike(Strike),
    /// The note that a torn line was cut off.
    Mend(Mend),
}

/// One entry. Instants are UTC, `2026-11-19T20:41:07Z`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Its number, from 1.
    pub entry: u64,
    /// When it was made.
    pub at: String,
    /// What it comes from: `note`, `correct`, `listen`, `analyse`, `reference crystal` …
    pub kind: String,
    /// Name and version of the program that made it.
    pub program: String,
    /// What the operator says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// What the operator adds, by key: `temperature` = `21 C`, `supply` = `117 V` …
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub with: BTreeMap<String, String>,
    /// What it is about, in figures that can be listed.
    #[serde(flatten)]
    pub about: About,
    /// The whole record, as the command's `--json` gives it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub result: Option<Value>,
}

/// What an entry is about; everything may be missing.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct About {
    /// The meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter: Option<MeterMark>,
    /// The range it stood on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub range: Option<String>,
    /// Reading of the dial, as written.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reading: Option<String>,
    /// |b|, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_hz: Option<f64>,
    /// Its standard uncertainty, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_u_hz: Option<f64>,
    /// Nothing was heard: |b| is below this, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bound_hz: Option<f64>,
    /// Where the meter stood against the signal.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub side: Option<Side>,
    /// The signal's frequency: one, or the two that an unknown side allows, Hz.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub frequencies_hz: Vec<f64>,
    /// Its standard uncertainty, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u_hz: Option<f64>,
    /// Half-width of the interval that covers 95 %, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expanded_u_hz: Option<f64>,
    /// A relative error that was found, of a crystal, a card or a counter, ppm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error_ppm: Option<f64>,
    /// Its standard uncertainty, ppm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error_u_ppm: Option<f64>,
    /// A drift that was found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drift: Option<DriftMark>,
    /// The recording it comes from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recording: Option<FileMark>,
    /// What entered the corrected frequency and does not stand in the record.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken: Option<Taken>,
}

/// A drift: the rate at the end, per second.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriftMark {
    /// Rate of change per second.
    pub per_s: f64,
    /// Its standard uncertainty.
    pub u_per_s: f64,
    /// What changes: `Hz`, or `fraction` of the nominal frequency.
    pub unit: String,
}

/// A file by its name and its content.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileMark {
    /// Path as given.
    pub path: String,
    /// SHA-256 of the content, hexadecimal.
    pub sha256: String,
    /// Length, bytes.
    pub bytes: u64,
}

/// A meter and the files that describe it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MeterMark {
    /// What its owner calls it.
    pub name: String,
    /// The meter file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub file: Option<FileMark>,
    /// The book of the range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub book: Option<FileMark>,
}

/// A strike.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Strike {
    /// Number of the entry that is struck.
    pub strike: u64,
    /// When.
    pub at: String,
    /// Why.
    pub reason: String,
    /// Name and version of the program.
    pub program: String,
}

/// What was cut off because a power cut or a kill had torn it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mend {
    /// The beginning of the line that was never finished.
    pub cut_off: String,
    /// When it was found.
    pub at: String,
    /// Name and version of the program.
    pub program: String,
}

/// An entry as `--json` tells it: the line as it is kept, and its strike.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told<'a> {
    /// The entry.
    #[serde(flatten)]
    pub entry: &'a Entry,
    /// Its strike; null where it stands.
    pub struck: Option<&'a Strike>,
}

/// An entry without number and time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Draft {
    /// What it comes from.
    pub kind: String,
    /// What the operator says.
    pub note: Option<String>,
    /// What the operator adds.
    pub with: BTreeMap<String, String>,
    /// What it is about.
    pub about: About,
    /// The whole record.
    pub result: Option<Value>,
}

impl Draft {
    /// A draft with the record of a command in it.
    ///
    /// # Errors
    /// A record that JSON can't hold.
    pub fn of(kind: &str, about: About, record: &impl Serialize) -> Result<Self, serde_json::Error> {
        let result = Some(serde_json::to_value(record)?);
        Ok(Self { kind: kind.to_owned(), about, result, ..Self::default() })
    }

    /// The entry under this number.
    pub fn entry(self, entry: u64, at: String) -> Entry {
        let Self { kind, note, with, about, result } = self;
        Entry { entry, at, kind, program: program(), note, with, about, result }
    }
}
