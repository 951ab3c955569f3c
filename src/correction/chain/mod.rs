//! The chain back to a standard: crystal, counter and sound card held against a station or against each other.
//!
//! Errors are relative, in ppm: (actual − nominal)/nominal of a crystal or a card's clock, (shown − true)/true of a
//! counter. Every sum goes through the same budget as a corrected frequency.

mod card;
mod counter;
mod crystal;

pub use card::{CardReference, CardRequest, Reception, ToneHeard, ToneRow, card};
pub use counter::{CounterReference, CounterRequest, Standard, counter};
pub use crystal::{CrystalReference, CrystalRequest, Observation, ObservationRow, crystal};
use std::borrow::Cow;

use super::budget::{Component, Kind, Shape};
use super::interval::Combined;
use crate::stations::received_u_ppm;
use serde::{Deserialize, Serialize};

/// Why a link can't be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ChainError {
    /// The crystal has no harmonic there.
    #[error(
        "no harmonic of {nominal} reaches {carrier}; hint: take a carrier that is a whole multiple of the crystal's \
         frequency, such as {instead}"
    )]
    NoHarmonic {
        /// Nominal frequency of the crystal, with its unit.
        nominal: String,
        /// The carrier, with its unit.
        carrier: String,
        /// A carrier that would do.
        instead: String,
    },
    /// It has one, but not this.
    #[error("harmonic {given} of {nominal} is not {carrier}; hint: it is harmonic {right}")]
    WrongHarmonic {
        /// The harmonic stated.
        given: u32,
        /// Nominal frequency, with its unit.
        nominal: String,
        /// The carrier, with its unit.
        carrier: String,
        /// The harmonic that is there.
        right: u32,
    },
    /// The side is nowhere stated.
    #[error(
        "the side of the offset is not known; hint: touch the crystal (its frequency goes down) and say with --touch \
         whether the note rises or falls, or state --side"
    )]
    NoSide,
    /// Two ways of telling the side disagree.
    #[error(
        "contradictory sides: by {one} the {subject} is above, by {other} below; hint: hear both again, one is the wrong \
         way round"
    )]
    Contradiction {
        /// What has a side.
        subject: &'static str,
        /// Says above.
        one: String,
        /// Says below.
        other: String,
    },
    /// No default for the way that this carrier takes.
    #[error(
        "nothing is known here of how well {0} is received; hint: state its standard uncertainty with --path-u, such \
         as --path-u 0.001ppm"
    )]
    NoPath(String),
    /// Not what was set.
    #[error(
        "the counter shows {shown}, but {expected} is what it was given; hint: check --carrier, --harmonic and the \
         counter's decimal point"
    )]
    NotThat {
        /// Shown, with its unit.
        shown: String,
        /// Expected, with its unit.
        expected: String,
    },
    /// No tone was heard long enough.
    #[error(
        "no tone was heard for long enough; hint: a minute of the tone, clear of voice; the tones asked for are those \
         sent ({0})"
    )]
    NoTone(String),
    /// One tone can't tell a fast card from a mistuned receiver.
    #[error(
        "one tone can't tell a fast card from a mistuned receiver; hint: give a second --tone, or --received am where \
         the receiver was set for amplitude modulation"
    )]
    OneTone,
}

/// A line of a budget in ppm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// What it is.
    pub source: String,
    /// The estimate that entered, in `unit`.
    pub value: f64,
    /// Unit of `value` and `u`.
    pub unit: Cow<'static, str>,
    /// Standard uncertainty of the estimate, in `unit`.
    pub u: f64,
    /// Change of the result for one unit of the estimate, ppm per `unit`.
    pub sensitivity: f64,
    /// |sensitivity|·u, ppm.
    pub u_ppm: f64,
    /// Evaluated from observations (A) or otherwise (B).
    pub kind: Kind,
    /// Degrees of freedom; null when unlimited.
    pub dof: Option<f64>,
    /// Distribution assumed.
    pub shape: Shape,
}

/// What a budget in ppm comes to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Total {
    /// Combined standard uncertainty, ppm.
    pub u_ppm: f64,
    /// Half-width of the interval that covers 95 %, ppm.
    pub expanded_u_ppm: f64,
    /// Expanded over standard uncertainty.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; null when unlimited.
    pub effective_dof: Option<f64>,
    /// The budget.
    pub budget: Vec<Line>,
}

impl Total {
    /// The same worked out again from what each line of the budget rests on.
    #[must_use]
    pub fn again(&self) -> Self {
        let component = |line: &Line| Component {
            source: line.source.clone(),
            value: line.value,
            unit: line.unit.clone(),
            u: line.u,
            sensitivity: line.sensitivity,
            u_hz: (line.sensitivity * line.u).abs(),
            kind: line.kind,
            dof: line.dof,
            shape: line.shape,
        };
        total(self.budget.iter().map(component).collect())
    }
}

/// Below this coverage factor a sum is flat: a rectangle has 1.65, a normal distribution 1.96.
const FLAT: f64 = 1.8;

/// Whether a sum with this coverage factor is ruled by one rectangle, and is to be carried on as one.
pub fn is_flat(coverage_factor: f64) -> bool {
    coverage_factor < FLAT
}

/// Contributions below this are nil but for rounding, ppm.
const NIL_PPM: f64 = 1e-9;

/// Sums components whose sensitivities are in ppm per unit; what contributes nothing is left out.
fn total(mut components: Vec<Component>) -> Total {
    components.retain(|part| part.u_hz > NIL_PPM);
    let combined = Combined::of(&components);
    let budget = components
        .into_iter()
        .map(|part| Line {
            source: part.source,
            value: part.value,
            unit: part.unit,
            u: part.u,
            sensitivity: part.sensitivity,
            u_ppm: part.u_hz,
            kind: part.kind,
            dof: part.dof,
            shape: part.shape,
        })
        .collect();
    Total {
        u_ppm: combined.u_hz,
        expanded_u_ppm: combined.expanded_u_hz,
        coverage_factor: combined.coverage_factor,
        effective_dof: combined.effective_dof,
        budget,
    }
}

/// A crystal is within this of its nominal frequency, or it is another crystal: relative.
const FAR: f64 = 1e-3;

/// Whether harmonic `harmonic` of a crystal lies at the carrier.
fn reaches(nominal_hz: f64, harmonic: u32, carrier_hz: f64) -> Result<(), ChainError> {
    let near = |n: f64| (n * nominal_hz / carrier_hz - 1.0).abs() < FAR;
    if near(f64::from(harmonic)) {
        return Ok(());
    }
    let right = (carrier_hz / nominal_hz).round();
    if right >= 1.0 && near(right) {
        return Err(ChainError::WrongHarmonic {
            given: harmonic,
            nominal: in_words(nominal_hz),
            carrier: in_words(carrier_hz),
            right: right as u32,
        });
    }
    let carriers = [5e6, 10e6, 2.5e6, 15e6, 20e6];
    let fits = |carrier: &&f64| {
        let n = (*carrier / nominal_hz).round();
        n >= 1.0 && (n * nominal_hz / *carrier - 1.0).abs() < 1e-6
    };
    Err(ChainError::NoHarmonic {
        nominal: in_words(nominal_hz),
        carrier: in_words(carrier_hz),
        instead: carriers.iter().find(fits).map_or_else(|| "10 MHz for 1 MHz".to_owned(), |c| in_words(*c)),
    })
}

/// A frequency in the unit that suits it.
fn in_words(hertz: f64) -> String {
    match hertz.abs() {
        1e6.. => format!("{} MHz", hertz / 1e6),
        1e3.. => format!("{} kHz", hertz / 1e3),
        _ => format!("{hertz} Hz"),
    }
}

/// Uncertainty of a carrier as received, ppm: as stated (Hz), or the usual one of its band.
fn path_ppm(carrier_hz: f64, stated_hz: Option<f64>) -> Result<f64, ChainError> {
    match stated_hz {
        Some(u) => Ok(u / carrier_hz * 1e6),
        None => received_u_ppm(carrier_hz).ok_or_else(|| ChainError::NoPath(in_words(carrier_hz))),
    }
}
