//! Conditioning: from interleaved frames at the card's rate to one channel at a working rate of 8 to 16 kHz.
//!
//! Everything the beat does is below 4 kHz, so the sound is brought down by linear-phase filters; a working sample
//! stands for the input frame at its centre, so time needs no correction. A sample that is missing, or so near a gap
//! that the filter reaches into it, is NaN: a gap is data and is never closed up.

mod decimate;
mod watch;

pub use decimate::Decimator;
pub use watch::{LevelWatch, Looked};

/// Lowest input rate that still carries a beat note, Hz.
pub const SLOWEST_RATE_HZ: u32 = 400;

/// The whole factor by which an input rate is divided: the working rate stays at or above 8 kHz where the input has
/// that much.
pub fn decimation_factor(rate_hz: u32) -> usize {
    (rate_hz / 8000).max(1) as usize
}
