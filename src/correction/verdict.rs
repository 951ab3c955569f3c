//! A signal against its target: inside the tolerance, outside, or undecided (JCGM 106).

use super::interval::Combined;
use crate::quantity::{Hertz, Width};
use serde::{Deserialize, Serialize};

/// Probability of conformity that counts as sure.
const SURE: f64 = 0.95;

/// Where the signal ought to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// Its nominal frequency.
    pub frequency: Hertz,
    /// How far it may be off, either way.
    pub tolerance: Option<Width>,
}

/// The verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// In tolerance with a probability of 95 % or more.
    Inside,
    /// Out of tolerance with a probability of 95 % or more.
    Outside,
    /// Neither is sure.
    Undecided,
}

/// The signal against its target.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TargetResult {
    /// The target, Hz.
    pub target_hz: f64,
    /// Signal − target, Hz; null when the side is unknown.
    pub difference_hz: Option<f64>,
    /// Tolerance either way, Hz; null when none was stated.
    pub tolerance_hz: Option<f64>,
    /// Probability that the signal is within the tolerance; null without tolerance. Of two alternatives the lesser.
    pub probability_inside: Option<f64>,
    /// The verdict; null without tolerance. With two alternatives it stands only if it is the same for both.
    pub verdict: Option<Verdict>,
}

/// Holds one frequency, or two alternatives, against a target.
pub(super) fn judge(target: Target, frequencies: &[f64], combined: &Combined) -> TargetResult {
    let nominal = target.frequency.0;
    let tolerance_hz = target.tolerance.map(|width| width.at(target.frequency).0);
    let inside: Option<Vec<f64>> = tolerance_hz.map(|tolerance| {
        frequencies.iter().map(|hertz| combined.conformity(hertz - nominal, tolerance)).collect()
    });
    let verdict = inside.as_ref().map(|inside| {
        if inside.iter().all(|&p| p >= SURE) {
            Verdict::Inside
        } else if inside.iter().all(|&p| p <= 1.0 - SURE) {
            Verdict::Outside
        } else {
            Verdict::Undecided
        }
    });
    TargetResult {
        target_hz: nominal,
        difference_hz: if let [only] = frequencies { Some(only - nominal) } else { None },
        tolerance_hz,
        probability_inside: inside.map(|inside| inside.into_iter().fold(1.0, f64::min)),
        verdict,
    }
}
