//! The whole sum: value, budget, interval, verdict.

use super::CorrectionError;
use super::beat::Beat;
use super::budget::{Component, Shape};
use super::check::{Check, CheckResult, Checks, same_reading};
use super::interval::Combined;
use super::paper;
use super::transport::Transport;
use super::verdict::{Target, TargetResult, judge};
use crate::clock::Clock;
use crate::dial::{Approach, BookPoint, Crystal, Date, Meter, Range};
use crate::heard::Warning;
use crate::offset::{Offset, Side};
use crate::quantity::{Hertz, Width};
use serde::Serialize;
use std::collections::BTreeMap;

/// One reading of a pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairReading {
    /// Reading, divisions.
    pub reading: f64,
    /// Its pitch; `None` where both pitches were equal and cancel.
    pub pitch: Option<Offset>,
}

/// What was done at the dial.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Measurement {
    /// One reading and the offset heard there.
    Single {
        /// Reading, divisions.
        reading: f64,
        /// The offset.
        offset: Offset,
    },
    /// The two-sided method: meter below the signal, then above.
    Pair {
        /// With the meter below the signal.
        low: PairReading,
        /// With the meter above the signal.
        high: PairReading,
    },
}

/// What the operator allows for; each is a standard uncertainty of the meter's fundamental.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Allowances {
    /// Drift since the check.
    pub drift: Option<Width>,
    /// The shift when the crystal is switched off.
    pub switching: Option<Width>,
    /// The shift from coupling the signal in.
    pub coupling: Option<Width>,
}

/// Everything that enters a correction.
#[derive(Debug, Clone, PartialEq)]
pub struct Request<'a> {
    /// The meter.
    pub meter: &'a Meter,
    /// The range it stood on.
    pub range: &'a Range,
    /// What was done.
    pub measurement: Measurement,
    /// Which way the reading was come to; the book's way when not stated (for a pair: from opposite sides).
    pub approach: Option<Approach>,
    /// H.
    pub harmonic: u32,
    /// K.
    pub signal_harmonic: u32,
    /// Check points heard.
    pub checks: &'a [Check],
    /// How their correction is carried over.
    pub transport: Transport,
    /// Time of the measurement, minutes of the day.
    pub at_min: Option<f64>,
    /// The crystal, as the meter file or a later check has it.
    pub crystal: &'a Crystal,
    /// Today, for the crystal's age.
    pub today: Option<Date>,
    /// The sound card's clock.
    pub clock: &'a Clock,
    /// What else is allowed for.
    pub allowances: Allowances,
    /// Where the signal ought to be.
    pub target: Option<Target>,
}

/// The answer of `correct --json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Corrected {
    /// Corrected frequency of the signal, Hz; null when the side is unknown and `alternatives_hz` holds two answers.
    pub frequency_hz: Option<f64>,
    /// Combined standard uncertainty, Hz.
    pub u_hz: f64,
    /// Half-width of the interval that covers 95 %, Hz.
    pub expanded_u_hz: f64,
    /// Expanded over standard uncertainty.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; null when unlimited.
    pub effective_dof: Option<f64>,
    /// The two answers when the side is unknown, the lower first, Hz; else empty.
    pub alternatives_hz: Vec<f64>,
    /// Corrected fundamental of the meter, Hz (for a pair: the mean of the two settings).
    pub meter_hz: f64,
    /// The meter's fundamental by the book alone, Hz.
    pub book_hz: f64,
    /// Correction from the check points, Hz at the fundamental; null without checks.
    pub correction_hz: Option<f64>,
    /// H.
    pub harmonic: u32,
    /// K.
    pub signal_harmonic: u32,
    /// |b|, the card's clock undone, Hz; null for a bound and for a pair.
    pub offset_hz: Option<f64>,
    /// Where the meter stood against the signal.
    pub side: Side,
    /// The sum on one line, as on paper.
    pub line: String,
    /// The check points and what they weigh.
    pub checks: Vec<CheckResult>,
    /// The budget.
    pub budget: Vec<Component>,
    /// The signal against its target; null when none was stated.
    pub target: Option<TargetResult>,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

/// One setting of the dial in the measurement.
pub(super) struct Setting {
    pub reading: f64,
    /// The book at the reading, lost motion allowed for.
    pub point: BookPoint,
    /// Lost motion: shift taken and half-width left, divisions.
    lost_motion: (f64, f64),
    /// Hz of the result for one Hz of the fundamental.
    weight: f64,
    /// The beat heard there, its sign +1 where the side is unknown; `None` where it cancels.
    pub beat: Option<Beat>,
    /// Correction from the checks, Hz.
    pub correction: f64,
    /// Weight of each group of checks in it, and what not knowing the cause leaves, Hz.
    check_weights: Vec<f64>,
    transport_hz: f64,
}

/// Works out the corrected frequency.
///
/// # Errors
/// A reading outside the book, a check without side, a pair that contradicts itself.
pub fn correct(request: &Request) -> Result<Corrected, CorrectionError> {
    let mut work = Work::new(request)?;
    let components = work.components();
    let combined = Combined::of(&components);
    let value = work.value(1.0);
    let unknown = work.side_unknown();
    let frequencies = if unknown { vec![value, work.value(-1.0)] } else { vec![value] };
    let mut warnings = work.warnings(&components, &combined);
    work.judge_pair(&mut warnings)?;
    let scale = f64::from(request.harmonic) / f64::from(request.signal_harmonic);
    let mean =
        |of: &dyn Fn(&Setting) -> f64| work.settings.iter().map(|s| s.weight * of(s)).sum::<f64>() / scale;
    let book_hz = mean(&|setting| setting.point.hertz);
    let correction = mean(&|setting| setting.correction);
    let (offset_hz, side) = match request.measurement {
        Measurement::Single { offset: Offset::Heard { side, .. }, .. } => {
            (work.settings[0].beat.map(|beat| beat.hertz.abs()), side)
        }
        _ => (None, Side::Unknown),
    };
    Ok(Corrected {
        frequency_hz: if unknown { None } else { Some(value) },
        u_hz: combined.u_hz,
        expanded_u_hz: combined.expanded_u_hz,
        coverage_factor: combined.coverage_factor,
        effective_dof: combined.effective_dof,
        alternatives_hz: if unknown { frequencies.clone() } else { Vec::new() },
        meter_hz: book_hz + correction,
        book_hz,
        correction_hz: (!request.checks.is_empty()).then_some(correction),
        harmonic: request.harmonic,
        signal_harmonic: request.signal_harmonic,
        offset_hz,
        side,
        line: paper::line(request, &work, &frequencies, combined.u_hz),
        checks: work.check_results(scale),
        target: request.target.map(|target| judge(target, &frequencies, &combined)),
        budget: components,
        warnings,
    })
}

/// The measurement laid out for the sum.
pub(super) struct Work<'a> {
    request: &'a Request<'a>,
    pub settings: Vec<Setting>,
    pub checks: Option<Checks>,
    /// The check lies at the reading of the measurement: book and reading cancel.
    pub transfer: bool,
}

impl<'a> Work<'a> {
    fn new(request: &'a Request<'a>) -> Result<Self, CorrectionError> {
        let Request { meter, range, clock, .. } = *request;
        let plate = &meter.plate;
        let here = match request.measurement {
            Measurement::Single { reading, .. } => Some(reading),
            Measurement::Pair { .. } => None,
        };
        let at_it = |check: &&Check| here.is_some_and(|here| same_reading(check.reading, here));
        let transfer = request.checks.iter().any(|check| at_it(&check));
        let used: Vec<Check> =
            request.checks.iter().filter(|check| !transfer || at_it(check)).cloned().collect();
        let checks = if used.is_empty() {
            None
        } else {
            Some(Checks::new(&used, request.at_min, (&range.book, plate, request.crystal, clock))?)
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
        Ok(Self { request, settings, checks, transfer })
    }

    fn side_unknown(&self) -> bool {
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
    fn value(&self, turn: f64) -> f64 {
        let one = |setting: &Setting| {
            setting.weight * (setting.point.hertz + setting.correction)
                + self.beat_weight() * turn * setting.beat.map_or(0.0, |beat| beat.hertz)
        };
        self.settings.iter().map(one).sum()
    }

    /// Weight of each group of checks in the result, Hz per Hz.
    fn group_weights(&self) -> Vec<f64> {
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
    fn check_results(&self, scale: f64) -> Vec<CheckResult> {
        let Some(checks) = &self.checks else { return Vec::new() };
        let weights = self.check_weights();
        let result = |(j, held): (usize, &super::check::Held)| CheckResult {
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
    fn components(&mut self) -> Vec<Component> {
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
                lines.push(held.beat.component(format!("{}: beat", held.name()), weight / m));
                let slope = if self.transfer { 0.0 } else { -weight * held.point.slope };
                let source = format!("{}: reading", held.name());
                lines.push(Component::normal(source, held.check.reading, "div", slope, plate.u_div));
            }
            lines.push(Component::normal(
                "crystal",
                request.crystal.error_ppm,
                "ppm",
                crystal,
                request.crystal.u_ppm_on(request.today),
            ));
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
            lines.push(beat.component("beat".into(), self.beat_weight()));
        }
        let clock = request.clock;
        let (value, u) = (clock.error_ppm.unwrap_or(0.0), clock.u_ppm);
        let shape = if clock.error_ppm.is_none() { Shape::Rectangle } else { Shape::Normal };
        lines.push(Component { shape, ..Component::normal("sound-card clock", value, "ppm", card, u) });
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

    /// What is doubtful, and what to do about it.
    fn warnings(&self, components: &[Component], combined: &Combined) -> Vec<Warning> {
        let request = self.request;
        let mut warnings = Vec::new();
        let mut warn = |code: &str, message: String| warnings.push(Warning { code: code.into(), message });
        if self.side_unknown() {
            let turn = if request.meter.plate.rises { "up" } else { "down" };
            warn(
                "side-unknown",
                format!(
                    "two answers: turn the dial a little {turn} (the meter's frequency rises): if the note rises, the lower one holds; if it falls, the higher"
                ),
            );
        }
        match &self.checks {
            None => warn(
                "unchecked",
                "no check point was heard: what the meter has drifted since its book was made is not in the budget; add --check".into(),
            ),
            Some(checks) => {
                warnings.extend(checks.doubts(request.transport));
                let mut warn = |code: &str, message: String| warnings.push(Warning { code: code.into(), message });
                if request.crystal.u_ppm.is_none() {
                    warn(
                        "crystal-unstated",
                        "the meter file states no u_ppm for the crystal: taken as within 100 ppm, rectangular".into(),
                    );
                }
                if self.transfer && checks.held.len() < request.checks.len() {
                    warn(
                        "transfer",
                        "the check at this very reading makes book and reading cancel; the other checks are left out".into(),
                    );
                }
                if request.allowances == Allowances::default() {
                    warn(
                        "not-in-budget",
                        "drift since the check, switching the crystal and coupling are not in the budget; state them with --drift-u, --switching-u, --coupling-u".into(),
                    );
                }
            }
        }
        let plate = &request.meter.plate;
        let mut warn = |code: &str, message: String| warnings.push(Warning { code: code.into(), message });
        if request.approach.is_none() && self.settings.len() == 1 && !self.transfer {
            let lost = plate.backlash_div * self.settings[0].weight * self.settings[0].point.slope;
            if lost.abs() > combined.u_hz / 2.0 {
                warn(
                    "approach-assumed",
                    format!(
                        "taken as come to with the reading {}, as the book was made; from the other side it would be up to {:.0} Hz off: state --approach",
                        plate.book_approach.word(),
                        lost.abs()
                    ),
                );
            }
        }
        if self.settings.len() == 2 && components.iter().any(|line| line.source == "backlash") {
            warn(
                "backlash",
                "rocked through zero, one reading pays for the lost motion: come to both from the same side and state --approach".into(),
            );
        }
        warnings
    }

    /// Refuses a pair whose two sides disagree; says so when the dial can't tell its readings apart.
    fn judge_pair(&self, warnings: &mut Vec<Warning>) -> Result<(), CorrectionError> {
        let [low, high] = self.settings.as_slice() else { return Ok(()) };
        let plate = &self.request.meter.plate;
        let (h, k) = (f64::from(self.request.harmonic), f64::from(self.request.signal_harmonic));
        let signal = |setting: &Setting| {
            (h * (setting.point.hertz + setting.correction) - setting.beat.map_or(0.0, |beat| beat.hertz)) / k
        };
        let own = |setting: &Setting| {
            let div = plate.u_div.hypot(setting.lost_motion.1 / 3f64.sqrt());
            let beat = setting.beat.map_or(0.0, |beat| beat.u_hz) / k;
            (h / k * setting.point.slope * div).hypot(h / k * setting.point.u_hz()).hypot(beat)
        };
        let u = own(low).hypot(own(high));
        let difference = signal(high) - signal(low);
        // Without pitches the readings themselves differ by twice the pitch, so only the order can be wrong.
        let contradicts = if low.beat.is_some() { difference.abs() > 3.0 * u } else { difference < -3.0 * u };
        if contradicts {
            return Err(CorrectionError::PairContradicts {
                low_hz: signal(low),
                high_hz: signal(high),
                times: difference.abs() / u,
            });
        }
        let apart = (h / k * (high.point.hertz + high.correction - low.point.hertz - low.correction)).abs();
        if apart < 3.0 * u {
            warnings.push(Warning {
                code: "pair-too-close".into(),
                message: format!(
                    "the dial can't tell these two readings apart; a pitch of {:.0} Hz or more on either side would do",
                    (1.5 * u * k).ceil()
                ),
            });
        }
        Ok(())
    }
}

/// Contributions below this are nil but for rounding, Hz.
const NIL_HZ: f64 = 1e-9;
