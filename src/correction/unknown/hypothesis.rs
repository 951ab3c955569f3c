//! One frequency held against all beats: which orders they would have, how well it fits, how likely it is.

use super::{About, BeatAt, Candidate, HARMONICS_REACH, HEARD, HIGHEST_ORDER, TAILS, ZERO_BEAT_HZ};
use crate::dial::{DialError, Meter, Range};
use crate::offset::Offset;

/// A beat by the book.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Seen {
    /// The meter's fundamental and its standard uncertainty from book and reading, Hz.
    pub meter: (f64, f64),
    /// b = `H·f_meter − K·f` and its standard uncertainty, Hz.
    beat: (f64, f64),
}

impl Seen {
    pub fn new(meter: &Meter, range: &Range, beat: &BeatAt) -> Result<Self, DialError> {
        let point = range.book.at(beat.reading)?;
        let third = 3f64.sqrt();
        let beat = match beat.offset {
            None => (0.0, ZERO_BEAT_HZ / third),
            Some(Offset::Within { bound_hz }) => (0.0, bound_hz / third),
            Some(Offset::Heard { offset_hz, u_hz, side }) => match side.sign() {
                Some(sign) => (sign * offset_hz, u_hz),
                // On one of two sides: zero give or take all of it.
                None => (0.0, offset_hz.hypot(u_hz)),
            },
        };
        let u_hz = point.u_hz().hypot(meter.plate.u_div * point.slope);
        Ok(Self { meter: (point.hertz, u_hz), beat })
    }

    /// The signal if this is the beat (H, K), and its standard uncertainty, Hz.
    fn signal(&self, (h, k): (u32, u32)) -> (f64, f64) {
        let (h, k) = (f64::from(h), f64::from(k));
        ((h * self.meter.0 - self.beat.0) / k, (h * self.meter.1).hypot(self.beat.1) / k)
    }

    /// The likeliest orders of this beat for a signal, and the logarithm of their likelihood.
    fn orders(&self, signal_hz: f64) -> Option<((u32, u32), f64)> {
        let mut best: Option<((u32, u32), f64)> = None;
        for (k, heard) in (1u32..).zip(HEARD) {
            let h = ((f64::from(k) * signal_hz + self.beat.0) / self.meter.0).round();
            if !(1.0..=f64::from(HIGHEST_ORDER)).contains(&h) || gcd(h as u32, k) != 1 {
                continue;
            }
            let orders = (h as u32, k);
            let (expected, u) = self.signal(orders);
            // The density in terms of the meter's frequency, which is what was read.
            let u_meter = u * f64::from(k) / h;
            let log = heard.ln() + log_student((signal_hz - expected) / u) - u_meter.ln();
            if best.is_none_or(|best| log > best.1) {
                best = Some((orders, log));
            }
        }
        best
    }
}

/// A frequency and what it makes of the beats.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Hypothesis {
    pub hertz: f64,
    pub u_hz: f64,
    pub orders: Vec<(u32, u32)>,
    pub misfit: f64,
    pub log_belief: f64,
}

impl Hypothesis {
    pub fn candidate(&self, share: f64) -> Candidate {
        Candidate {
            hertz: self.hertz,
            // A fit worse than the uncertainties allow widens them.
            u_hz: self.u_hz * self.misfit.max(1.0),
            harmonics: self.orders.iter().map(|orders| orders.0).collect(),
            signal_harmonics: self.orders.iter().map(|orders| orders.1).collect(),
            misfit: self.misfit,
            share,
        }
    }

    /// The best frequency near `guess_hz`; `None` where a beat has no orders at all.
    fn near(range: &Range, seen: &[Seen], about: Option<About>, guess_hz: f64) -> Option<Self> {
        let label = |hertz: f64| seen.iter().map(|one| one.orders(hertz)).collect::<Option<Vec<_>>>();
        let orders: Vec<(u32, u32)> = label(guess_hz)?.into_iter().map(|found| found.0).collect();
        let mut estimates: Vec<(f64, f64)> =
            seen.iter().zip(&orders).map(|(one, &orders)| one.signal(orders)).collect();
        estimates.extend(about.map(|about| (about.hertz, about.half_width_hz / 3f64.sqrt())));
        let weight = estimates.iter().map(|(_, u)| u.powi(-2)).sum::<f64>();
        let hertz = estimates.iter().map(|(value, u)| value * u.powi(-2)).sum::<f64>() / weight;
        let u_hz = weight.powf(-0.5);
        let squares: f64 = estimates.iter().map(|(value, u)| ((value - hertz) / u).powi(2)).sum();
        let misfit = (squares / (estimates.len().max(2) - 1) as f64).sqrt();
        let fits: f64 = seen
            .iter()
            .zip(&orders)
            .map(|(one, &orders)| {
                let (expected, u) = one.signal(orders);
                let (h, k) = (f64::from(orders.0), f64::from(orders.1));
                HEARD[orders.1 as usize - 1].ln() + log_student((hertz - expected) / u) - (u * k / h).ln()
            })
            .sum();
        let nearby = about.map_or(0.0, |about| {
            let u = about.half_width_hz / 3f64.sqrt();
            -0.5 * ((hertz - about.hertz) / u).powi(2)
        });
        let lowest = orders.iter().map(|orders| orders.0).min().unwrap_or(1);
        // Even in ln f: the width of the peak in ln f; and 1/H for the lowest order.
        let prior = (u_hz / hertz).ln() - f64::from(lowest).ln();
        let log_belief = prior + fits + nearby + unheard(range, seen, &orders, hertz);
        Some(Self { hertz, u_hz, orders, misfit, log_belief })
    }
}

/// Everything that may explain the beats, the likeliest first; each set of orders once.
pub(super) fn all(range: &Range, seen: &[Seen], about: Option<About>) -> Vec<Hypothesis> {
    // Whatever explains all beats explains this one, the one that says most about f.
    let relative = |one: &Seen| (one.meter.1 + one.beat.1) / one.meter.0;
    let Some(surest) = seen.iter().min_by(|a, b| relative(a).total_cmp(&relative(b))) else {
        return Vec::new();
    };
    let mut found: Vec<Hypothesis> = Vec::new();
    for k in 1..=HEARD.len() as u32 {
        for h in (1..=HIGHEST_ORDER).filter(|&h| gcd(h, k) == 1) {
            found.extend(Hypothesis::near(range, seen, about, surest.signal((h, k)).0));
        }
    }
    found.sort_by(|a, b| b.log_belief.total_cmp(&a.log_belief));
    let mut kept: Vec<Hypothesis> = Vec::new();
    for one in found {
        if !kept.iter().any(|other| other.orders == one.orders) {
            kept.push(one);
        }
    }
    kept
}

/// The logarithm of the chance that all beats which a signal makes, but for those heard, went unheard: certain to have
/// been passed between the readings, an even chance outside.
fn unheard(range: &Range, seen: &[Seen], orders: &[(u32, u32)], signal_hz: f64) -> f64 {
    let passed = seen.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |span, one| {
        (span.0.min(one.meter.0), span.1.max(one.meter.0))
    });
    let (low, high) = range.book.reach();
    let (low, high) = (low.max(range.from_hz), high.min(range.to_hz));
    let went_by = |k: u32, heard: f64| {
        let harmonic_hz = f64::from(k) * signal_hz;
        let first = (harmonic_hz / high).ceil().max(1.0) as u32;
        let last = ((harmonic_hz / low).floor() as u32).min(HIGHEST_ORDER);
        let (mut inside, mut outside) = (0.0, 0.0);
        for h in (first..=last).filter(|&h| gcd(h, k) == 1 && !orders.contains(&(h, k))) {
            let place = harmonic_hz / f64::from(h);
            let passed = (passed.0..=passed.1).contains(&place);
            *(if passed { &mut inside } else { &mut outside }) += (1.0 - heard).ln();
        }
        inside + f64::midpoint(1.0, f64::exp(outside)).ln()
    };
    let fundamental = went_by(1, HEARD[0]);
    let harmonics: f64 = (2u32..).zip(&HEARD[1..]).map(|(k, &heard)| went_by(k, heard)).sum();
    let reach = HARMONICS_REACH * harmonics.exp();
    let used = orders.iter().any(|orders| orders.1 > 1);
    fundamental + if used { reach } else { 1.0 - HARMONICS_REACH + reach }.ln()
}

/// The logarithm of Student's density with [`TAILS`] degrees of freedom, without its constant.
fn log_student(z: f64) -> f64 {
    -f64::midpoint(TAILS, 1.0) * (z * z / TAILS).ln_1p()
}

pub(super) fn gcd(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { gcd(b, a % b) }
}
