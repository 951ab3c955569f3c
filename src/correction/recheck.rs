//! Until when a result may be trusted before the check must be repeated.
//!
//! What the meter drifts by after its check adds to what the result is uncertain by. The result holds as long as
//! U + (|r| + `1.96·u_r)·t` stays within what is allowed: the drift r counted at the signal, with what is not known of it.

use super::check::{Held, same_reading};
use super::work::Work;
use crate::quantity::Hertz;
use serde::{Deserialize, Serialize};

/// What a drift is a drift of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DriftOf {
    /// Of the meter's fundamental, in Hz.
    Fundamental,
    /// Of any frequency the meter makes, relative.
    Relative,
    /// Of the beat, in Hz.
    Beat,
}

/// Where a drift comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum DriftSource {
    /// Two checks at one reading, with their times.
    Checks,
    /// Stated by the operator, or measured by `drift`.
    Stated,
    /// The note moved so within its rest: meter and signal together.
    Rest,
}

/// A drift as it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Change in a minute, Hz or relative.
    pub per_min: f64,
    /// Standard uncertainty of that.
    pub u_per_min: f64,
    /// What it is of.
    pub of: DriftOf,
    /// Where it comes from.
    pub source: DriftSource,
    /// How long it was watched, minutes; `None` where it is stated.
    pub seen_min: Option<f64>,
}

/// Until when a result may be trusted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recheck {
    /// The drift as it counts at the signal, Hz in a minute.
    pub drift_hz_per_min: f64,
    /// Its standard uncertainty, Hz in a minute.
    pub drift_u_hz_per_min: f64,
    /// Where it comes from.
    pub source: DriftSource,
    /// How far off a result may be, Hz: as stated, else the tolerance, else twice the expanded uncertainty.
    pub within_hz: f64,
    /// So long after the check (after the measurement where no check has its time) results stay within that, minutes; 0
    /// where they are not now. No longer than ten times the time for which the drift was watched, nor than a day.
    pub minutes: f64,
    /// Whether it is that bound which ends it, and not the drift.
    pub bounded: bool,
    /// How long the drift was watched, minutes; null where it is stated.
    pub seen_min: Option<f64>,
    /// The time of the day from which they count, minutes; null where no time was stated.
    pub from_min: Option<f64>,
}

/// A drift is not taken to go on as it did for more times the time for which it was watched …
const TIMES_SEEN: f64 = 10.0;
/// … nor for longer than this, minutes (common practice, no source).
const A_DAY_MIN: f64 = 1440.0;
/// Factor for 95 % of a normal distribution.
const K95: f64 = 1.96;

impl Recheck {
    /// The same with its minutes reckoned anew for an expanded uncertainty.
    pub(super) fn again(&self, expanded_u_hz: f64) -> Self {
        let fastest = self.drift_hz_per_min.abs() + K95 * self.drift_u_hz_per_min;
        let longest = self.seen_min.map_or(A_DAY_MIN, |seen| (TIMES_SEEN * seen).min(A_DAY_MIN));
        let left_hz = (self.within_hz - expanded_u_hz).max(0.0);
        let bounded = left_hz > longest * fastest;
        Self { minutes: if bounded { longest } else { left_hz / fastest }, bounded, ..self.clone() }
    }
}

impl Work<'_> {
    /// Until when a result of this size may be trusted; `None` where no drift is known.
    pub(super) fn recheck(&self, value_hz: f64, expanded_u_hz: f64) -> Option<Recheck> {
        let request = self.request;
        let stated = request.extra.drift;
        let by_rest = stated.filter(|drift| drift.source == DriftSource::Rest);
        let drift = stated.filter(|drift| drift.source != DriftSource::Rest);
        let drift = drift.or_else(|| self.drift_of_checks()).or(by_rest)?;
        let (h, k) = (f64::from(request.harmonic), f64::from(request.signal_harmonic));
        let scale = match drift.of {
            DriftOf::Fundamental => h / k,
            DriftOf::Relative => value_hz,
            DriftOf::Beat => 1.0 / k,
        };
        let tolerance = request.target.and_then(|target| Some(target.tolerance?.at(target.frequency).0));
        let trust = request.extra.trust.map(|trust| trust.at(Hertz(value_hz)).0);
        let within_hz = trust.or(tolerance).unwrap_or(2.0 * expanded_u_hz);
        let timed = self.checks.iter().flat_map(|checks| &checks.held).filter_map(|held| held.check.at_min);
        let recheck = Recheck {
            drift_hz_per_min: scale * drift.per_min,
            drift_u_hz_per_min: scale.abs() * drift.u_per_min,
            source: drift.source,
            within_hz,
            minutes: 0.0,
            bounded: false,
            seen_min: drift.seen_min,
            from_min: timed.chain(self.at_min).reduce(f64::max).map(|at| at % A_DAY_MIN),
        };
        Some(recheck.again(expanded_u_hz))
    }

    /// The drift between checks at one reading, at the fundamental: of several readings the mean, each weighed by its
    /// uncertainty.
    fn drift_of_checks(&self) -> Option<Drift> {
        let checks = self.checks.as_ref()?;
        let (mut sum, mut weight, mut seen_min) = (0.0, 0.0, 0f64);
        for point in &checks.points {
            let here = |held: &&Held| same_reading(held.check.reading, point.reading);
            let timed =
                || checks.held.iter().filter(here).filter_map(|held| Some((held.check.at_min?, held)));
            let first = timed().min_by(|a, b| a.0.total_cmp(&b.0));
            let last = timed().max_by(|a, b| a.0.total_cmp(&b.0));
            let Some(((from, a), (to, b))) = first.zip(last) else { continue };
            if to <= from {
                continue;
            }
            // At the reading of the measurement the dial was left alone; else it was set anew.
            let set = if self.transfer { 0.0 } else { self.request.meter.plate.u_div * point.slope };
            let u = |held: &Held| (held.beat.u_hz / f64::from(held.check.meter_harmonic)).hypot(set);
            let variance = (u(a).powi(2) + u(b).powi(2)) / (to - from).powi(2);
            let rate = (b.error_hz() - a.error_hz()) / (to - from);
            let w = variance.max(f64::MIN_POSITIVE).recip();
            sum += w * rate;
            weight += w;
            seen_min = seen_min.max(to - from);
        }
        // What the checks' errors weigh in the fundamental.
        let total: f64 =
            self.group_weights().iter().sum::<f64>() / self.settings.iter().map(|it| it.weight).sum::<f64>();
        (weight > 0.0).then(|| Drift {
            per_min: total * sum / weight,
            u_per_min: total.abs() * weight.powf(-0.5),
            of: DriftOf::Fundamental,
            source: DriftSource::Checks,
            seen_min: Some(seen_min),
        })
    }
}
