//! Frequency stability: the Allan family with its confidence, the kind of noise, drift and warm-up.
//!
//! Everything works on phase, that is on the time error x (s) of an oscillator at marks `tau0` apart, or on any other
//! unit whose rate of change is the frequency that is judged: the deviations come out in that unit per second.
//! Formulae and symbols are those of W. J. Riley, "Handbook of Frequency Stability Analysis", NIST SP 1065 (2008).

mod confidence;
mod deviation;
mod family;
mod noise;
mod series;
#[cfg(test)]
mod testing;
mod warm_up;

pub use confidence::{Statistic, equivalent_dof, interval};
pub use deviation::{Estimate, hadamard, modified_allan, overlapping_allan, time, total};
pub use family::{Point, Stability, family};
pub use noise::{Noise, kind_of_noise};
pub use series::PhaseSeries;
pub use warm_up::{Drift, WarmUp, drift};
