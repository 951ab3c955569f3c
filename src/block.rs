//! A block of sound as it comes from a source: interleaved samples, where they belong, and what was lost before.

use multiversion::multiversion;

/// Whether a sample is missing (not a finite number).
#[multiversion(targets("x86_64+avx2"))]
pub fn any_missing(samples: &[f32]) -> bool {
    samples.chunks(64).any(|some| some.iter().fold(false, |missing, x| missing | !x.is_finite()))
}

/// Frames that never arrived before a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// This many frames are missing; the block's `first_frame` already counts them.
    Frames(u64),
    /// An unknown number of frames is missing: the time base restarts here with an unknown phase.
    Unknown,
}

/// A block of interleaved samples, full scale = ±1.
#[derive(Debug, Clone, Default)]
pub struct SampleBlock {
    /// Interleaved samples, `channels` to a frame. NaN marks a sample that is not there (a damaged file).
    pub samples: Vec<f32>,
    /// Index of the first frame since the recording or the session began, lost frames counted.
    pub first_frame: u64,
    /// What was lost between the previous block and this one.
    pub lost_before: Option<Loss>,
}

/// Rate and channel count of a stream of blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StreamFormat {
    /// Frames per second, Hz.
    pub rate_hz: u32,
    /// Samples to a frame.
    pub channels: u16,
}
