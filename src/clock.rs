//! Sample index ↔ seconds, and the card's clock error.
//!
//! Inside, time is the sample index over the nominal rate. A fast card reads low: `f_true = f_apparent·(1 + error)`.
//! The ear never applies this; it is an input of the correction.

use serde::{Deserialize, Serialize};

/// What is known of the sound card's clock, as it stands in every answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Clock {
    /// (actual − nominal)/nominal of the card's rate, ppm; null when it was never measured.
    pub error_ppm: Option<f64>,
    /// Standard uncertainty of the error, ppm. An unmeasured card is taken as 0 ± this.
    pub u_ppm: f64,
    /// Whether the figures of this answer have it applied.
    pub applied: bool,
    /// Where the figures come from.
    pub source: String,
    /// Degrees of freedom of the comparison; left out when unlimited.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dof: Option<f64>,
    /// Whether one rectangle rules the comparison's uncertainty; left out when none does.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub flat: bool,
}

impl Clock {
    /// What frequencies read by this clock are multiplied by to put them right; 1 where its error is not known.
    pub fn factor(&self) -> f64 {
        1.0 + self.error_ppm.unwrap_or(0.0) * 1e-6
    }

    /// The same for figures of this answer: 1 where they have it applied already.
    pub fn factor_left(&self) -> f64 {
        if self.applied { 1.0 } else { self.factor() }
    }

    /// Whether the error is anywhere within its bounds alike: where it was never measured, and where a rectangle rules.
    pub fn is_flat(&self) -> bool {
        self.flat || self.error_ppm.is_none()
    }
}

impl Default for Clock {
    /// An unmeasured card: crystals of consumer sound cards are within ±100 ppm (common practice, no source), taken
    /// as a rectangle.
    fn default() -> Self {
        Self {
            error_ppm: None,
            u_ppm: 100.0 / f64::sqrt(3.0),
            applied: false,
            source: "unmeasured card: within 100 ppm, rectangular".to_owned(),
            dof: None,
            flat: false,
        }
    }
}
