//! A kept correction worked out again from what was kept with it, without meter file or book.

use super::CorrectionError;
use super::budget::Component;
use super::check::CheckResult;
use super::correct::{Corrected, Request};
use super::interval::Combined;
use super::verdict::{Target, TargetResult, judge};
use super::work::Work;
use crate::quantity::{Hertz, Width};
use serde::{Deserialize, Serialize};

/// What entered a sum and does not stand in its record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Taken {
    /// b as it enters, signed, the card's clock undone, Hz: of two settings the mean; 0 for a bound and for equal
    /// pitches, whose b cancels; with its size alone where the side is unknown.
    pub beat_hz: f64,
    /// The check-point crystal's frequency, its error counted in, Hz.
    pub crystal_hz: f64,
    /// The beat at each check point, signed in the same way, Hz.
    pub check_beats_hz: Vec<f64>,
}

/// What entered the sum of a request.
///
/// # Errors
/// As the sum itself.
pub fn taken(request: &Request) -> Result<Taken, CorrectionError> {
    let request = &request.settled()?;
    let work = Work::new(request)?;
    let beats = work.settings.iter().map(|setting| setting.beat.map_or(0.0, |beat| beat.hertz));
    Ok(Taken {
        beat_hz: beats.sum::<f64>() / work.settings.len() as f64,
        crystal_hz: request.crystal.actual_hz(),
        check_beats_hz: work.checks.iter().flat_map(|it| &it.held).map(|held| held.beat.hertz).collect(),
    })
}

/// The record worked out again: each check's error from crystal and beat, their weighted sum, the meter, the signal
/// as `(H·f_meter − b)/K`, every line of the budget from its sensitivity, the interval, and the verdict. Warnings and
/// the sum on paper are left as they were kept.
#[must_use]
pub fn again(kept: &Corrected, taken: &Taken) -> Corrected {
    let check = |(check, beat): (&CheckResult, &f64)| {
        let (n, m) = (f64::from(check.crystal_harmonic), f64::from(check.meter_harmonic));
        let meter_hz = (n * taken.crystal_hz + beat) / m;
        CheckResult { meter_hz, error_hz: meter_hz - check.book_hz, ..check.clone() }
    };
    let checks: Vec<CheckResult> = kept.checks.iter().zip(&taken.check_beats_hz).map(check).collect();
    let correction: f64 = checks.iter().map(|check| check.weight * check.error_hz).sum();
    let meter_hz = kept.book_hz + correction;
    let (h, k) = (f64::from(kept.harmonic), f64::from(kept.signal_harmonic));
    let signal = |turn: f64| (h * meter_hz - turn * taken.beat_hz) / k;
    let unknown = kept.frequency_hz.is_none();
    let frequencies = if unknown { vec![signal(1.0), signal(-1.0)] } else { vec![signal(1.0)] };
    let line = |part: &Component| Component { u_hz: (part.sensitivity * part.u).abs(), ..part.clone() };
    let budget: Vec<Component> = kept.budget.iter().map(line).collect();
    let combined = Combined::of(&budget);
    let target = |target: &TargetResult| {
        let tolerance = target.tolerance_hz.map(|tolerance| Width::Absolute(Hertz(tolerance)));
        judge(Target { frequency: Hertz(target.target_hz), tolerance }, &frequencies, &combined)
    };
    Corrected {
        frequency_hz: (!unknown).then(|| frequencies[0]),
        u_hz: combined.u_hz,
        expanded_u_hz: combined.expanded_u_hz,
        coverage_factor: combined.coverage_factor,
        effective_dof: combined.effective_dof,
        meter_hz,
        correction_hz: (!checks.is_empty()).then_some(correction),
        offset_hz: kept.offset_hz.map(|_| taken.beat_hz.abs()),
        target: kept.target.as_ref().map(target),
        alternatives_hz: if unknown { frequencies } else { Vec::new() },
        recheck: kept.recheck.as_ref().map(|it| it.again(combined.expanded_u_hz)),
        checks,
        budget,
        ..kept.clone()
    }
}
