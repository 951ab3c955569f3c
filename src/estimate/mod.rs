//! Maximum likelihood: a note among hum lines, its bound, and the wander of an oscillator.
//!
//! Everything works on [`BlockSums`]: the sound multiplied by a carrier near the note and averaged over short blocks,
//! so that a fit costs the same whatever the sample rate. In white noise least squares is maximum likelihood.

mod blocks;
mod bound;
#[cfg(test)]
pub(crate) mod chance;
mod linear;
mod marks;
mod pair;
mod tone;
mod tones;
mod wander;

pub use blocks::BlockSums;
pub use bound::tone_bound_hz;
pub use linear::Normal;
pub use marks::{Marks, between_marks, shortest_tau0_s};
pub use pair::{PairFit, PairFree, fit_pair};
pub use tone::{Comb, ToneFit, ToneModel, fit_tone};
pub use tones::{Phasors, ToneStretch, phasors, sounding_part, stretches, strongest_near};
pub use wander::{Drift, PhasePoint, Smoothed, WanderFilter, smooth};
