//! The measurement laid out: settings, checks, their weights, and the lines of the budget.

use super::CorrectionError;
use super::beat::Beat;
use super::budget::{Component, Shape};
use super::check::{Check, CheckResult, Checks, Held, past_midnight, same_reading};
use super::correct::{Measurement, Request};
use crate::dial::{Approach, BookPoint};
use crate::offset::{Offset, Side};
use crate::quantity::Hertz;
use std::collections::BTreeMap;

/// One setting of the dial in the measurement.
pub(super) struct Setting {
    pub reading: f64,
    /// The book at the reading, lost motion allowed for.
    pub point: BookPoint,
    /// Lost motion: shift taken and half-width left, divisions.
    pub lost_motion: (f64, f64),
    /// Hz of the result for one Hz of the fundamental.
    pub weight: f64,
    /// The beat heard there, its sign +1 where the side is unknown; `None` where it cancels.
    pub beat: Option<Beat>,
    /// Correction from the checks, Hz.
    pub correction: f64,
    /// Weight of each group of checks in it, and what not knowing the cause leaves, Hz.
    check_weights: Vec<f64>,
    transport_hz: f64,
}

/// The measurement laid out for the sum.
pub(super) struct Work<'a> {
    pub request: &'a Request<'a>,
    pub settings: Vec<Setting>,
    pub checks: Option<Checks>,
    /// Time of the measurement, minutes of the day on which the session began.
    pub at_min: Option<f64>,
    /// The check lies at the reading of the measurement: book and reading cancel.
    pub transfer: bool,
}

impl<'a> Work<'a> {
    pub fn new(request: &'a Request<'a>) -> Result<Self, CorrectionError> {
        let Request { meter, range, clock, .. } = *request;
        let plate = &meter.plate;
        let here = match request.measurement {
            Measurement::Single { reading, .. } => Some(reading),
            Measurement::Pair { .. } => None,
        };
        let at_it = |check: &&Check| here.is_some_and(|here| same_reading(check.reading, here));
        let transfer = request.checks.iter().any(|check| at_it(&check));
        let mut used: Vec<Check> =
            request.checks.iter().filter(|check| !transfer || at_it(check)).cloned().collect();
        let mut at_min = request.at_min;
        past_midnight(&mut used, &mut at_min);
        let checks = if used.is_empty() {
            None
        } else {
            Some(Checks::new(&used, at_min, (&range.book, plate, request.crystal, clock))?)
        };
        let scale = f64::from(request.harmonic) / f64::from(request.signal_harmonic);
        let setting = |reading: f64, approach: Approach, weight: f64, beat: Option<Beat>| {
            // At the reading of a check nothing was moved in between, so lost motion cancels as the reading does.
            let lost_motion = if transfer { (0.0, 0.0) } else { plate.lost_motion(approach) };
            let point = range.book.at(reading + lost_motion.0)?;
            let mut setting = Setting {
                reading,
                lost_motion,
                weight,
                beat,
                correction: 0.0,
                check_weights: Vec::new(),
                transport_hz: 0.0,
                point,
            };
            if let Some(checks) = &checks {
                if transfer {
                    setting.check_weights = vec![1.0];
                } else {
                    let carried = checks.errors().carry(request.transport, &setting.point);
                    setting.check_weights = carried.weights;
                    setting.transport_hz = carried.u_hz;
                }
                setting.correction = setting
                    .check_weights
                    .iter()
                    .zip(&checks.errors)
                    .map(|(weight, error)| weight * error)
                    .sum();
            }
            Ok::<_, CorrectionError>(setting)
        };
        let settings = match request.measurement {
            Measurement::Single { reading, offset } => {
                let beat = Beat::sided(offset, clock).unwrap_or(Beat::new(offset, 1.0, clock));
                vec![setting(reading, request.approach.unwrap_or(plate.book_approach), scale, Some(beat))?]
            }
            Measurement::Pair { low, high } => {
                if low.pitch.is_some() != high.pitch.is_some() {
                    return Err(CorrectionError::HalfAPair);
                }
                // Rocked through zero, the low reading is come to from above and the high one from below.
                let (down, up) = if plate.rises {
                    (Approach::Falling, Approach::Rising)
                } else {
                    (Approach::Rising, Approach::Falling)
                };
                let beat = |pitch: Option<Offset>, sign| pitch.map(|pitch| Beat::new(pitch, sign, clock));
                vec![
                    setting(
                        low.reading,
                        request.approach.unwrap_or(down),
                        scale / 2.0,
                        beat(low.pitch, -1.0),
                    )?,
                    setting(
                        high.reading,
                        request.approach.unwrap_or(up),
                        scale / 2.0,
                        beat(high.pitch, 1.0),
                    )?,
                ]
            }
        };
        Ok(Self { request, settings, checks, at_min, transfer })
    }

    pub fn side_unknown(&self) -> bool {
        matches!(
            self.request.measurement,
            Measurement::Single { offset: Offset::Heard { side: Side::Unknown, .. }, .. }
        )
    }

    /// Weight of a setting's beat in the result: −1/K, shared among the settings.
    fn beat_weight(&self) -> f64 {
        -1.0 / (f64::from(self.request.signal_harmonic) * self.settings.len() as f64)
    }

    /// The signal, Hz, with the beat's sign as it is (+1) or turned (−1).
    pub fn value(&self, turn: f64) -> f64 {
        let one = |setting: &Setting| {
            setting.weight * (setting.point.hertz + setting.correction)
                + self.beat_weight() * turn * setting.beat.map_or(0.0, |beat| beat.hertz)
        };
        self.settings.iter().map(one).sum()
    }

    /// Weight of each group of checks in the result, Hz per Hz.
    pub fn group_weights(&self) -> Vec<f64> {
        let groups = self.checks.as_ref().map_or(0, |checks| checks.groups.len());
        (0..groups).map(|g| self.settings.iter().map(|s| s.weight * s.check_weights[g]).sum()).collect()
    }

    /// Each check's index and weight in the result.
    fn check_weights(&self) -> Vec<(usize, f64)> {
        let Some(checks) = &self.checks else { return Vec::new() };
        let weights = self.group_weights();
        checks
            .groups
            .iter()
            .zip(weights)
            .flat_map(|(group, weight)| group.members.iter().map(move |&(j, share)| (j, weight * share)))
            .collect()
    }

    /// The checks as they stand in the record.
    pub fn check_results(&self, scale: f64) -> Vec<CheckResult> {
        let Some(checks) = &self.checks else { return Vec::new() };
        let weights = self.check_weights();
        let result = |(j, held): (usize, &Held)| CheckResult {
            reading: held.check.reading,
            crystal_harmonic: held.check.crystal_harmonic,
            meter_harmonic: held.check.meter_harmonic,
            meter_hz: held.meter_hz,
            book_hz: held.point.hertz,
            error_hz: held.error_hz(),
            u_hz: held.u_hz(&self.request.meter.plate),
            weight: weights.iter().filter(|other| other.0 == j).map(|other| other.1).sum::<f64>() / scale,
        };
        checks.held.iter().enumerate().map(result).collect()
    }

    /// Standard uncertainty from the book, Hz: rows that several readings lean on count once, with their sum.
    fn book_u(&self) -> f64 {
        let mut rows: BTreeMap<usize, f64> = BTreeMap::new();
        let mut remainders: Vec<(f64, f64)> = Vec::new();
        let mut lean = |point: &BookPoint, weight: f64| {
            for &(row, share) in &point.rows {
                *rows.entry(row).or_default() += weight * share * point.row_u_hz;
            }
            let remainder = weight * point.remainder_hz;
            match remainders.iter_mut().find(|other| same_reading(other.0, point.reading)) {
                Some(other) => other.1 += remainder,
                None => remainders.push((point.reading, remainder)),
            }
        };
        for setting in &self.settings {
            lean(&setting.point, setting.weight);
        }
        if let Some(checks) = &self.checks {
            for (point, weight) in checks.points.iter().zip(self.group_weights()) {
                lean(point, -weight);
            }
        }
        let rows = rows.values().map(|u| u * u).sum::<f64>();
        (rows + remainders.iter().map(|(_, u)| u * u).sum::<f64>()).sqrt()
    }

    /// The lines of the budget; those that cancel are left out.
    pub fn components(&self) -> Vec<Component> {
        let request = self.request;
        let plate = &request.meter.plate;
        let scale: f64 = self.settings.iter().map(|setting| setting.weight).sum();
        let book_hz = self.settings.iter().map(|s| s.weight * s.point.hertz).sum::<f64>() / scale;
        let mut lines = vec![Component::normal("book", book_hz, "Hz", scale, self.book_u() / scale)];
        for setting in &self.settings {
            let slope = if self.transfer { 0.0 } else { setting.weight * setting.point.slope };
            lines.push(Component::normal("reading", setting.reading, "div", slope, plate.u_div));
            let (shift, half) = setting.lost_motion;
            lines.push(Component::rectangle("backlash", shift, "div", slope, half));
        }
        let mut card = 0.0;
        if let Some(checks) = &self.checks {
            let mut crystal = 0.0;
            for (j, weight) in self.check_weights() {
                let held = &checks.held[j];
                let (n, m) = (f64::from(held.check.crystal_harmonic), f64::from(held.check.meter_harmonic));
                crystal += weight * n * request.crystal.frequency_hz * 1e-6 / m;
                card += weight * held.beat.hertz * 1e-6 / m;
                lines.push(held.beat.component(format!("{}: beat", held.name()), weight / m, false));
                let slope = if self.transfer { 0.0 } else { -weight * held.point.slope };
                let source = format!("{}: reading", held.name());
                lines.push(Component::normal(source, held.check.reading, "div", slope, plate.u_div));
            }
            let (u_ppm, flat) = request.crystal.u_then_ppm();
            let (error_ppm, dof) = (request.crystal.error_ppm, request.crystal.dof);
            lines.push(Component::compared("crystal", (error_ppm, u_ppm), (dof, flat), crystal));
            let aged = request.crystal.aged_ppm(request.today);
            lines.push(Component::rectangle("crystal since its check", 0.0, "ppm", crystal, aged));
            for (group, weight) in checks.groups.iter().zip(self.group_weights()) {
                let error = checks.held[group.members[0].0].error_hz();
                lines.push(Component::rectangle("drift between checks", error, "Hz", weight, group.drift_hz));
            }
            lines.push(self.transport_line(scale));
        }
        let fundamental = Hertz(book_hz);
        let allowed = request.allowances;
        for (source, width) in [
            ("drift since the check", allowed.drift),
            ("switching the crystal", allowed.switching),
            ("coupling", allowed.coupling),
        ] {
            let u = width.map_or(0.0, |width| width.at(fundamental).0);
            lines.push(Component::normal(source, 0.0, "Hz", scale, u));
        }
        for beat in self.settings.iter().filter_map(|setting| setting.beat) {
            card += self.beat_weight() * beat.hertz * 1e-6;
            lines.push(beat.component("beat".into(), self.beat_weight(), request.recorded));
        }
        let clock = request.clock;
        let error = (clock.error_ppm.unwrap_or(0.0), clock.u_ppm);
        lines.push(Component::compared("sound-card clock", error, (clock.dof, clock.is_flat()), card));
        lines.retain(|line| line.u_hz > NIL_HZ);
        lines
    }

    /// What not knowing the cause of the meter's error leaves.
    fn transport_line(&self, scale: f64) -> Component {
        // Two settings of a pair lie close together, so what is not known of one is not known of the other alike.
        let u: f64 = self.settings.iter().map(|setting| setting.weight / scale * setting.transport_hz).sum();
        let value = self.settings.iter().map(|setting| setting.weight / scale * setting.correction).sum();
        let single = self.checks.as_ref().is_some_and(|checks| checks.groups.len() == 1);
        let shape = if single { Shape::Rectangle } else { Shape::Normal };
        Component { shape, ..Component::normal("transport", value, "Hz", scale, u) }
    }
}

/// Contributions below this are nil but for rounding, Hz.
const NIL_HZ: f64 = 1e-9;
