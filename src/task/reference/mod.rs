//! `reference`: the links of the chain back to a standard.

mod card;
mod crystal;

pub use crate::correction::chain::{
    CardReference, CardRequest, ChainError, CounterReference, CounterRequest, CrystalReference,
    CrystalRequest, Observation, Reception, Standard, ToneHeard, counter,
};
pub use card::{HeardTones, Tones, card, hear, known};
pub use crystal::{ByMeter, Passage, Sides, Touch, agreed, both_notes, by_meter};

use serde::Serialize;

/// A link as it is written and printed: what it is of, when it was made, and what was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reference<T> {
    /// `crystal`, `counter` or `card`.
    pub reference: &'static str,
    /// Day of the comparison; null when the computer does not know it.
    pub checked: Option<String>,
    /// Bound for the drift since then, ppm a year, either way.
    pub ageing_ppm_per_year: f64,
    /// What was found.
    #[serde(flatten)]
    pub found: T,
}
