//! `drift`: how an oscillator warms up, drifts and wanders, from a series or from the rest of a note in a recording.

mod limit;
mod recording;
mod series;

pub use limit::{Limit, NotALimit};
pub use recording::{RecordingDrift, RecordingDriftError, from_recording};
pub use series::{Kind, Series, SeriesError};

use crate::correction::{Drift, DriftOf, DriftSource};
use crate::heard::{Rest, Warning};
use crate::stability::{self, PhaseSeries, Stability, WarmUp};
use serde::{Deserialize, Serialize};

/// The answer of `drift --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriftRecord {
    /// The file.
    pub path: String,
    /// What values are in: `fraction` (of the nominal frequency) or `Hz`.
    pub unit: String,
    /// The nominal frequency that fractions are of, Hz; null where the series came as fractions or is in Hz.
    pub nominal_hz: Option<f64>,
    /// Time between marks, s.
    pub tau0_s: f64,
    /// Values.
    pub points: usize,
    /// Values that are missing.
    pub gaps: usize,
    /// Mean of the values.
    pub mean: f64,
    /// Rate of change at the end, per second.
    pub rate_per_s: f64,
    /// Standard uncertainty of that.
    pub u_rate_per_s: f64,
    /// The warm-up, where the series shows one.
    pub warm_up: Option<WarmUp>,
    /// The limit stated for the rate, per second; null when none was.
    pub limit_per_s: Option<f64>,
    /// From this instant on the rate stays within the limit, s from the series' first mark; null when it does not, or
    /// no limit was stated.
    pub settled_s: Option<f64>,
    /// The Allan family; the time deviation in s, or in cycles where values are in Hz.
    pub stability: Stability,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

/// Higher than any note: a series in hertz about this was counted, not heard, Hz.
const COUNTED_HZ: f64 = 20e3;

impl DriftRecord {
    /// What the record says of the meter's drift at its end: of the beat where it was heard, else relative.
    pub fn drift(&self) -> Drift {
        let (of, scale) = match self.unit.as_str() {
            "Hz" if self.mean.abs() < COUNTED_HZ => (DriftOf::Beat, 1.0),
            "Hz" => (DriftOf::Relative, 1.0 / self.mean),
            _ => (DriftOf::Relative, 1.0),
        };
        Drift {
            per_min: 60.0 * scale * self.rate_per_s,
            u_per_min: 60.0 * scale.abs() * self.u_rate_per_s,
            of,
            source: DriftSource::Stated,
            seen_min: Some(self.points as f64 * self.tau0_s / 60.0),
        }
    }
}

/// A shorter rest tells nothing of the minutes to come, s.
const LEAST_REST_S: f64 = 30.0;

/// The drift within a rest, of meter and signal together; `None` where it is too short to tell.
pub fn drift_of_rest(rest: &Rest) -> Option<Drift> {
    (rest.end_s - rest.start_s >= LEAST_REST_S).then(|| Drift {
        per_min: 60.0 * rest.rate_hz_per_s,
        u_per_min: 60.0 * rest.rate_u,
        of: DriftOf::Beat,
        source: DriftSource::Rest,
        seen_min: Some((rest.end_s - rest.start_s) / 60.0),
    })
}

/// The series beside its record, for plots: (t in s, value), and the fitted course.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Course {
    /// Values as they are.
    pub values: Vec<(f64, f64)>,
    /// The fit at the same instants.
    pub fitted: Vec<f64>,
}

/// Why a series tells nothing.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum DriftError {
    /// Too short.
    #[error("{path}: {points} values tell no drift; hint: three at least, better a hundred")]
    TooShort {
        /// The file.
        path: String,
        /// How many there are.
        points: usize,
    },
    /// A limit in another unit than the series.
    #[error(
        "{path}: a limit in {limit} for a series in {series}; hint: state --nominal, or the limit in {series} per time"
    )]
    Unit {
        /// The file.
        path: String,
        /// Unit of the limit.
        limit: &'static str,
        /// Unit of the series.
        series: &'static str,
    },
    /// No rest long enough.
    #[error("{path}: {what}; hint: {hint}")]
    NoRest {
        /// The recording.
        path: String,
        /// What is missing.
        what: String,
        /// What to do.
        hint: &'static str,
    },
}

/// Works out drift and stability of a series.
///
/// # Errors
/// Too few values, a limit in another unit.
pub fn drift(path: &str, series: &Series, limit: Option<Limit>) -> Result<(DriftRecord, Course), DriftError> {
    let limit_per_s = match limit {
        None => None,
        Some(limit) => Some(limit.for_series(series).map_err(|(limit, series)| DriftError::Unit {
            path: path.to_owned(),
            limit,
            series,
        })?),
    };
    let values = series.timed();
    let points = values.len();
    let fit =
        stability::drift(&values).ok_or_else(|| DriftError::TooShort { path: path.to_owned(), points })?;
    let phases = match &series.phase {
        Some(phase) => PhaseSeries::from_phase(phase, series.tau0_s),
        None => PhaseSeries::from_frequency(&series.frequency, series.tau0_s),
    };
    let stability = stability::family(&phases);
    let settled_s = limit_per_s.and_then(|limit| fit.settled_s(limit));
    let mut warnings = series.warnings.clone();
    let mut warn = |code: &str, message: String| warnings.push(Warning { code: code.into(), message });
    if stability.noise_assumed {
        warn("few", "too few values to tell the kind of noise: white frequency noise is assumed".into());
    }
    if let (Some(limit), None) = (limit_per_s, settled_s) {
        if fit.rate_per_s.abs() > limit {
            warn("unsettled", "the rate is beyond the limit at the end: let it warm up for longer".into());
        } else {
            warn(
                "rate-unsure",
                "the rate is not known well enough to say that it is within the limit".into(),
            );
        }
    }
    let first = values.first().map_or(0.0, |value| value.0);
    let fitted = values.iter().map(|value| fit.at(value.0)).collect();
    let record = DriftRecord {
        path: path.to_owned(),
        unit: series.unit().to_owned(),
        nominal_hz: series.nominal_hz,
        tau0_s: series.tau0_s,
        points,
        gaps: series.gaps(),
        mean: fit.mean,
        rate_per_s: fit.rate_per_s,
        u_rate_per_s: fit.u_rate_per_s,
        warm_up: fit.warm_up,
        limit_per_s,
        settled_s: settled_s.map(|at| if at <= first { 0.0 } else { at }),
        stability,
        warnings,
    };
    Ok((record, Course { values, fitted }))
}
