//! `analyse`: a recording in, an [`Analysis`] out.

use crate::clock::Clock;
use crate::heard::Heard;
use serde::{Deserialize, Serialize};

/// What was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Input {
    /// Path as given.
    pub path: String,
    /// Frames per second, Hz.
    pub sample_rate_hz: u32,
    /// Channels in the file.
    pub channels: u16,
    /// The channel analysed, counted from 1.
    pub channel_used: u16,
    /// Frames read.
    pub frames: u64,
    /// Length, s.
    pub duration_s: f64,
    /// Sample format in words, such as "16-bit integer".
    pub format: String,
    /// What was mended while reading.
    pub notes: Vec<String>,
    /// The sound card's clock.
    pub clock: Clock,
}

/// The answer of `analyse --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Analysis {
    /// Version of this record's shape.
    pub schema: u32,
    /// What was read.
    pub input: Input,
    /// What the ear has to say.
    #[serde(flatten)]
    pub heard: Heard,
}
