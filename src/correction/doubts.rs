//! What is doubtful about a correction, and what to do about it.

use super::CorrectionError;
use super::budget::Component;
use super::check::{Checks, Held};
use super::correct::{Allowances, Request};
use super::interval::Combined;
use super::order::{self, Order, RestAt};
use super::work::{Setting, Work};
use crate::heard::Warning;

impl Work<'_> {
    /// What is doubtful, and what to do about it.
    pub fn warnings(&self, components: &[Component], combined: &Combined) -> Vec<Warning> {
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
                warnings.extend(false_points(request, checks));
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
    pub fn judge_pair(&self, warnings: &mut Vec<Warning>) -> Result<(), CorrectionError> {
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

/// What other rests say of the harmonic, with a warning where they contradict it, can't tell, or fit no order. Of a pair
/// only a contradiction is worth a word.
pub(super) fn of_order(
    request: &Request,
    order: Option<Order>,
    warnings: &mut Vec<Warning>,
) -> Option<Order> {
    let order = order?;
    let asked = !request.extra.also.is_empty();
    let mut warn = |code: &str, message: String| warnings.push(Warning { code: code.into(), message });
    match order.harmonic {
        Some(told) if told != request.harmonic => warn(
            "harmonic-contradicted",
            format!(
                "the readings tell the meter's harmonic {told} (Δb/Δf = {:.2} by the book), and the sum is made with {}: state --harmonic {told}, or read the dial again",
                order.ratio, request.harmonic
            ),
        ),
        None if asked && !order.fits() => warn(
            "order-fits-badly",
            format!(
                "no order fits these readings, the likeliest is {:.1} u off: are all rests of one signal, on this range, and on the sides stated?",
                order.misfit
            ),
        ),
        _ if !asked => return None,
        _ => {}
    }
    Some(order)
}

/// Checks at one point and different readings tell its meter harmonic; where they tell another than was stated, it was
/// another point.
fn false_points(request: &Request, checks: &Checks) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let mut asked: Vec<(u32, u32)> = Vec::new();
    for held in &checks.held {
        let point = (held.check.crystal_harmonic, held.check.meter_harmonic);
        if asked.contains(&point) {
            continue;
        }
        asked.push(point);
        let same = |other: &&Held| (other.check.crystal_harmonic, other.check.meter_harmonic) == point;
        let rest = |other: &Held| RestAt { reading: other.check.reading, offset: other.check.offset };
        let rests: Vec<RestAt> = checks.held.iter().filter(same).map(rest).collect();
        let Ok(Some(Order { harmonic: Some(told), ratio, .. })) =
            order::order(request.meter, request.range, &rests, request.clock)
        else {
            continue;
        };
        if told == point.1 {
            continue;
        }
        let n = (f64::from(told) * held.point.hertz / request.crystal.actual_hz()).round().max(1.0);
        warnings.push(Warning {
            code: "check-false".into(),
            message: format!(
                "the checks at {}/{} tell the meter's harmonic {told} (Δb/Δf = {ratio:.2} by the book): it is not that check point; by the book it may be {n}/{told}",
                point.0, point.1
            ),
        });
    }
    warnings
}
