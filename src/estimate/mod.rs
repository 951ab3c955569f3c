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
mod pass;
mod tone;
mod tones;
mod turning;
mod wander;

pub use blocks::BlockSums;
pub use bound::tone_bound_hz;
pub use linear::{Normal, ROWS, Solution};
pub use marks::{Marks, between_marks, shortest_tau0_s};
pub use pair::{PairFit, PairFree, fit_pair};
pub use tone::{Comb, ToneFit, ToneModel, fit_tone};
pub use tones::{Phasors, ToneStretch, phasors, sounding_part, stretches, strongest_near};
pub use turning::{Turning, Turnings};
pub use wander::{Drift, PhasePoint, Smoothed, WanderFilter, smooth};

/// The whole turns nearest to a phase, rad: what is to be taken off to wrap it to ±π.
#[inline(always)]
pub fn whole_turns(phase: f64) -> f64 {
    (phase / (2.0 * std::f64::consts::PI)).round_ties_even() * 2.0 * std::f64::consts::PI
}

/// Where the top of the parabola through three neighbouring values lies, in steps from the middle one, `most` at most; 0
/// where they have no top.
pub fn vertex([a, b, c]: [f64; 3], most: f64) -> f64 {
    let bend = a - 2.0 * b + c;
    if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-most, most) } else { 0.0 }
}
