//! Check points as they were heard: what the meter gave there against what the book says.

use super::CorrectionError;
use super::beat::Beat;
use super::transport::CheckErrors;
use crate::clock::Clock;
use crate::dial::{Book, BookPoint, Crystal, Matrix, Plate};
use crate::heard::Warning;
use crate::offset::Offset;
use serde::{Deserialize, Serialize};

/// One check: at `reading`, crystal harmonic N met meter harmonic M and their beat
/// `M·f_meter − N·f_crystal` was heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// Reading of the dial, divisions.
    pub reading: f64,
    /// N.
    pub crystal_harmonic: u32,
    /// M.
    pub meter_harmonic: u32,
    /// The beat.
    pub offset: Offset,
    /// Time of the day, minutes.
    pub at_min: Option<f64>,
}

/// What one check comes to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckResult {
    /// Reading, divisions.
    pub reading: f64,
    /// N.
    pub crystal_harmonic: u32,
    /// M.
    pub meter_harmonic: u32,
    /// The meter's fundamental there by the crystal, Hz.
    pub meter_hz: f64,
    /// The same by the book, Hz.
    pub book_hz: f64,
    /// The meter's error there: by the crystal less by the book, Hz.
    pub error_hz: f64,
    /// Standard uncertainty of the error without the crystal's, Hz.
    pub u_hz: f64,
    /// Weight of this error in the correction.
    pub weight: f64,
}

/// A check held against book and crystal.
#[derive(Debug, Clone)]
pub(super) struct Held {
    pub check: Check,
    pub point: BookPoint,
    pub beat: Beat,
    pub meter_hz: f64,
}

impl Held {
    pub fn new(
        check: &Check,
        book: &Book,
        crystal: &Crystal,
        clock: &Clock,
    ) -> Result<Self, CorrectionError> {
        let point = book.at(check.reading)?;
        let beat =
            Beat::sided(check.offset, clock).ok_or(CorrectionError::CheckWithoutSide(check.reading))?;
        let n = f64::from(check.crystal_harmonic);
        let meter_hz = (n * crystal.actual_hz() + beat.hertz) / f64::from(check.meter_harmonic);
        Ok(Self { check: check.clone(), point, beat, meter_hz })
    }

    /// True less book, Hz.
    pub fn error_hz(&self) -> f64 {
        self.meter_hz - self.point.hertz
    }

    /// How it is called in the budget and in warnings.
    pub fn name(&self) -> String {
        let Check { reading, crystal_harmonic, meter_harmonic, .. } = self.check;
        format!("check {crystal_harmonic}/{meter_harmonic} at {reading:.1}")
    }

    /// Standard uncertainty of the error, the crystal's left out, Hz.
    pub fn u_hz(&self, plate: &Plate) -> f64 {
        self.own_variance(plate).sqrt().hypot(self.point.u_hz())
    }

    /// Variance of the error from the beat and from setting the dial, Hz².
    fn own_variance(&self, plate: &Plate) -> f64 {
        let beat = self.beat.u_hz / f64::from(self.check.meter_harmonic);
        beat.powi(2) + (plate.u_div * self.point.slope).powi(2)
    }
}

/// Checks at one reading, brought to the time of the measurement.
#[derive(Debug, Clone)]
pub(super) struct Group {
    /// Index and weight of each check that takes part; the weights sum to 1.
    pub members: Vec<(usize, f64)>,
    /// What drift between the checks leaves open, Hz at the fundamental, half-width.
    pub drift_hz: f64,
}

/// All checks, grouped by reading.
#[derive(Debug, Clone)]
pub(super) struct Checks {
    pub held: Vec<Held>,
    pub groups: Vec<Group>,
    pub points: Vec<BookPoint>,
    pub errors: Vec<f64>,
    pub covariance: Matrix,
}

impl Checks {
    /// Holds the checks against book and crystal, brings those at one reading to the time of the measurement
    /// (minutes; between first and last check when not given), and works out how their errors vary together.
    pub fn new(
        checks: &[Check],
        at_min: Option<f64>,
        (book, plate, crystal, clock): (&Book, &Plate, &Crystal, &Clock),
    ) -> Result<Self, CorrectionError> {
        let held: Vec<Held> =
            checks.iter().map(|check| Held::new(check, book, crystal, clock)).collect::<Result<_, _>>()?;
        let mut readings: Vec<f64> = Vec::new();
        for check in checks {
            if !readings.iter().any(|&reading| same_reading(reading, check.reading)) {
                readings.push(check.reading);
            }
        }
        let groups: Vec<Group> = readings.iter().map(|&reading| group(&held, reading, at_min)).collect();
        let points: Vec<BookPoint> =
            groups.iter().map(|group| held[group.members[0].0].point.clone()).collect();
        let errors: Vec<f64> = groups
            .iter()
            .map(|group| group.members.iter().map(|&(j, weight)| weight * held[j].error_hz()).sum())
            .collect();
        let covariance = Matrix::from_fn(groups.len(), |(g, h)| {
            let shared = row_covariance(&points[g], &points[h]);
            if g != h {
                return shared;
            }
            let own: f64 = groups[g].members.iter().map(|&(j, w)| w * w * held[j].own_variance(plate)).sum();
            shared + own + points[g].remainder_hz.powi(2) + groups[g].drift_hz.powi(2) / 3.0
        });
        Ok(Self { held, groups, points, errors, covariance })
    }

    /// The errors for transport.
    pub fn errors(&self) -> CheckErrors<'_> {
        CheckErrors { points: &self.points, errors: &self.errors, covariance: &self.covariance }
    }

    /// Names a check whose error the others contradict, and one so far from the book that it may be another point.
    pub fn doubts(&self, transport: super::Transport) -> Vec<Warning> {
        let mut doubts = Vec::new();
        for held in &self.held {
            let relative = held.error_hz().abs() / held.point.hertz;
            if relative > FAR {
                doubts.push(Warning {
                    code: "check-far".into(),
                    message: format!(
                        "{} puts the meter {:.2} % from its book: is it another check point? see `hushbeat checkpoints`",
                        held.name(),
                        relative * 100.0
                    ),
                });
            }
        }
        let others = |skip: usize| (0..self.points.len()).filter(move |&j| j != skip).collect::<Vec<usize>>();
        let strangeness = |j: usize| {
            let keep = others(j);
            let points: Vec<BookPoint> = keep.iter().map(|&k| self.points[k].clone()).collect();
            let errors: Vec<f64> = keep.iter().map(|&k| self.errors[k]).collect();
            let covariance = Matrix::from_fn(keep.len(), |(a, b)| self.covariance[(keep[a], keep[b])]);
            let rest = CheckErrors { points: &points, errors: &errors, covariance: &covariance };
            let carried = rest.carry(transport, &self.points[j]);
            let predicted: f64 = carried.weights.iter().zip(&errors).map(|(w, e)| w * e).sum();
            let variance = self.covariance[(j, j)]
                + carried.u_hz.powi(2)
                + covariance.between(&carried.weights, &carried.weights);
            ((self.errors[j] - predicted) / variance.sqrt(), predicted)
        };
        if self.points.len() < 2 {
            return doubts;
        }
        let worst = (0..self.points.len())
            .map(|j| (j, strangeness(j)))
            .max_by(|a, b| a.1.0.abs().total_cmp(&b.1.0.abs()));
        if let Some((j, (z, predicted))) = worst.filter(|worst| worst.1.0.abs() > STRANGE) {
            let name = self.held[self.groups[j].members[0].0].name();
            let against = if self.points.len() == 2 { "the other check" } else { "the other checks" };
            doubts.push(Warning {
                code: "check-disagrees".into(),
                message: format!(
                    "{name} disagrees with {against}: error {:.1} Hz where {predicted:.1} Hz is expected, {:.1} times the uncertainty; hear it again",
                    self.errors[j],
                    z.abs()
                ),
            });
        }
        doubts
    }
}

/// Errors beyond this share of the frequency are more likely a wrong N/M than an old meter.
const FAR: f64 = 0.005;
/// Beyond this many standard uncertainties a check is named.
const STRANGE: f64 = 3.0;

/// Covariance of the book's values at two readings from rows that they share, Hz².
fn row_covariance(a: &BookPoint, b: &BookPoint) -> f64 {
    let shared = |(row, weight): &(usize, f64)| {
        b.rows.iter().find(|other| other.0 == *row).map(|other| weight * a.row_u_hz * other.1 * b.row_u_hz)
    };
    a.rows.iter().filter_map(shared).sum()
}

/// Readings that are one and the same setting.
pub(super) fn same_reading(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-9
}

/// Minutes of a day.
const A_DAY_MIN: f64 = 1440.0;

/// Brings times of the day into the order in which they came: where a session passed midnight, those after it count on
/// beyond the day's minutes. It is taken to be the shortest session that has all of them.
pub(super) fn past_midnight(checks: &mut [Check], at_min: &mut Option<f64>) {
    let mut times: Vec<f64> = checks.iter().filter_map(|check| check.at_min).chain(*at_min).collect();
    times.sort_by(f64::total_cmp);
    let widest = times.windows(2).max_by(|a, b| (a[1] - a[0]).total_cmp(&(b[1] - b[0])));
    let (Some(&[before, after]), Some(first), Some(last)) = (widest, times.first(), times.last()) else {
        return;
    };
    if after - before > first + A_DAY_MIN - last {
        let all = checks.iter_mut().map(|check| &mut check.at_min).chain([at_min]);
        all.flatten().filter(|at| **at <= before).for_each(|at| *at += A_DAY_MIN);
    }
}

/// Brings the checks at one reading to the time of the measurement: on the straight line between the two that lie
/// around it, or halfway where no time is given. Without times they are averaged.
fn group(held: &[Held], reading: f64, at_min: Option<f64>) -> Group {
    let members: Vec<usize> =
        (0..held.len()).filter(|&j| same_reading(held[j].check.reading, reading)).collect();
    let even = 1.0 / members.len() as f64;
    let mut timed: Vec<(f64, usize)> =
        members.iter().filter_map(|&j| held[j].check.at_min.map(|at| (at, j))).collect();
    if timed.len() < 2 || timed.len() < members.len() {
        return Group { members: members.iter().map(|&j| (j, even)).collect(), drift_hz: 0.0 };
    }
    timed.sort_by(|a, b| a.0.total_cmp(&b.0));
    let last = timed.len() - 1;
    let Some(at) = at_min else {
        let (first, last) = (timed[0].1, timed[last].1);
        let drift_hz = (held[last].error_hz() - held[first].error_hz()).abs() / 2.0;
        return Group { members: vec![(first, 0.5), (last, 0.5)], drift_hz };
    };
    let right = timed.partition_point(|(time, _)| *time <= at).clamp(1, last);
    let ((from, a), (to, b)) = (timed[right - 1], timed[right]);
    if to <= from {
        return Group { members: vec![(a, 0.5), (b, 0.5)], drift_hz: 0.0 };
    }
    let share = (at - from) / (to - from);
    // Beyond the checks the drift goes on as it did, give or take all of it.
    let beyond = (-share).max(share - 1.0).max(0.0);
    let drift_hz = beyond * (held[b].error_hz() - held[a].error_hz()).abs();
    Group { members: vec![(a, 1.0 - share), (b, share)], drift_hz }
}
