//! The reading to try next: where one of two candidates would be heard and the other would not.

use super::hypothesis::gcd;
use super::{Candidate, HIGHEST_ORDER};
use crate::dial::{Meter, Range};

/// A reading that tells two candidates apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Next {
    /// Name of the range.
    pub range: String,
    /// Reading, divisions.
    pub reading: f64,
    /// The meter's harmonic there.
    pub harmonic: u32,
    /// The candidate that would be heard there, Hz.
    pub heard_if_hz: f64,
    /// The candidate that would not, Hz.
    pub silent_if_hz: f64,
}

/// The other candidate keeps this far from the reading, divisions.
const CLEAR_DIV: f64 = 3.0;

/// The loudest such reading: on the range of the beats if there is one, else on another.
pub(super) fn reading(meter: &Meter, range: &Range, first: &Candidate, second: &Candidate) -> Option<Next> {
    let others = meter.ranges.iter().filter(|other| other.name != range.name);
    std::iter::once(range).chain(others).find_map(|range| on(range, first, second))
}

fn on(range: &Range, first: &Candidate, second: &Candidate) -> Option<Next> {
    let (low, high) = range.book.reach();
    let (low, high) = (low.max(range.from_hz), high.min(range.to_hz));
    let mut best: Option<Next> = None;
    for (heard, silent) in [(first, second), (second, first)] {
        let from = (heard.hertz / high).ceil().max(1.0) as u32;
        let to = ((heard.hertz / low).floor() as u32).min(HIGHEST_ORDER);
        for harmonic in from..=to {
            let place = heard.hertz / f64::from(harmonic);
            let Some(point) = range.book.reading_of(place) else { continue };
            let clear = CLEAR_DIV * point.slope.abs();
            // Its harmonics count where it needs them itself.
            let highest = silent.signal_harmonics.iter().copied().max().unwrap_or(1);
            let known = heard.harmonics.contains(&harmonic) && heard.signal_harmonics.iter().all(|&k| k == 1);
            if known || nearest_beat(silent.hertz, highest, place) < clear {
                continue;
            }
            if best.as_ref().is_none_or(|best| harmonic < best.harmonic) {
                best = Some(Next {
                    range: range.name.clone(),
                    reading: point.reading,
                    harmonic,
                    heard_if_hz: heard.hertz,
                    silent_if_hz: silent.hertz,
                });
            }
        }
    }
    best
}

/// Distance from a fundamental to the nearest beat of a signal with its harmonics up to `highest`, Hz.
fn nearest_beat(signal_hz: f64, highest: u32, place: f64) -> f64 {
    let one = |k: u32| {
        let h = (f64::from(k) * signal_hz / place).round().max(1.0);
        let same = gcd(h as u32, k) != 1 && k > 1;
        if same { f64::INFINITY } else { (f64::from(k) * signal_hz / h - place).abs() }
    };
    (1..=highest).map(one).fold(f64::INFINITY, f64::min)
}
