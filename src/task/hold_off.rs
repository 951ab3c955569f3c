//! The hold-off: how far from zero to rest, clear of the hum and within what the path passes.
//!
//! At 250 to 300 Hz a note is comfortable to hear, far above where phones and transformers go deaf, and so far from zero
//! that coupled oscillators hardly pull each other: with a lock range of ±w the note at b is heard at √(b² − w²), which is
//! 1.5 Hz off at 300 Hz and 30 Hz.

use crate::heard::{Heard, Hum};
use serde::Serialize;

/// The span that is comfortable, Hz.
const COMFORT_HZ: (f64, f64) = (250.0, 300.0);
/// A path that goes deaf at some frequency is flat from so many times that on: a second-order roll-off costs 0.1 dB there.
const ABOVE_DEAF: f64 = 2.5;
/// Nothing is proposed beyond, Hz.
const HIGHEST_HZ: f64 = 1500.0;
/// Mains where nobody has heard any, Hz.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];

/// Where to rest.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HoldOff {
    /// The hold-off proposed, Hz.
    pub hold_off_hz: f64,
    /// The nearest line of the hum, or other steady note, Hz.
    pub nearest_line_hz: f64,
    /// How far it is from that, Hz.
    pub clear_by_hz: f64,
    /// Below this the path was found deaf, Hz; null where it was not.
    pub deaf_below_hz: Option<f64>,
}

/// Proposes a hold-off for what was heard.
pub fn hold_off(heard: Option<&Heard>) -> HoldOff {
    let hum = heard.and_then(|heard| heard.hum.as_ref()).map(|Hum { fundamental_hz, .. }| *fundamental_hz);
    let deaf = heard.and_then(|heard| heard.ending.bound_hz);
    let notes: Vec<f64> =
        heard.iter().flat_map(|it| &it.steady_notes).map(|note| note.frequency_hz).collect();
    propose(hum, &notes, deaf)
}

/// The middle of the widest clear stretch: whole hertz, the nearest to the middle of the comfortable span where two are
/// alike.
fn propose(hum_hz: Option<f64>, notes_hz: &[f64], deaf_below_hz: Option<f64>) -> HoldOff {
    let combs: Vec<f64> = hum_hz.map_or_else(|| MAINS_HZ.to_vec(), |hum| vec![hum]);
    let nearest = |at: f64| {
        let lines =
            combs.iter().map(|comb| (at / comb).round().max(1.0) * comb).chain(notes_hz.iter().copied());
        lines.min_by(|a, b| (a - at).abs().total_cmp(&(b - at).abs())).unwrap_or(f64::INFINITY)
    };
    let lowest = deaf_below_hz.map_or(0.0, |deaf| ABOVE_DEAF * deaf).clamp(COMFORT_HZ.0, HIGHEST_HZ).ceil();
    let width = COMFORT_HZ.1 - COMFORT_HZ.0;
    let middle = lowest + width / 2.0;
    let steps = (0..=width as u32).map(|step| lowest + f64::from(step));
    let clear = |at: f64| (nearest(at) - at).abs();
    // A hertz of clearance more is worth nothing against being in the middle; ten are.
    let worth = |at: &f64| clear(*at).min(20.0) - 0.02 * (at - middle).abs();
    let best = steps.max_by(|a, b| worth(a).total_cmp(&worth(b))).unwrap_or(middle);
    HoldOff { hold_off_hz: best, nearest_line_hz: nearest(best), clear_by_hz: clear(best), deaf_below_hz }
}

impl HoldOff {
    /// The proposal in a sentence.
    pub fn in_words(&self) -> String {
        let deaf = self.deaf_below_hz.map_or_else(String::new, |deaf| {
            format!(", well above the {deaf:.0} Hz below which this path is deaf")
        });
        format!(
            "Held off at {:.0} Hz a rest is {:.0} Hz clear of the nearest steady line ({:.1} Hz){deaf}.",
            self.hold_off_hz, self.clear_by_hz, self.nearest_line_hz
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: between 250 and 300 Hz lie no lines of a 50 Hz comb, and 240 and 300 Hz of a 60 Hz one.
    #[test]
    fn it_lies_between_the_lines() {
        for hum in [None, Some(49.98), Some(50.03), Some(60.0), Some(59.95)] {
            let told = propose(hum, &[], None);
            assert!((250.0..=300.0).contains(&told.hold_off_hz), "{told:?}");
            assert!(told.clear_by_hz >= 20.0, "{told:?}");
        }
        assert!((propose(None, &[], None).hold_off_hz - 275.0).abs() < 1e-9);
        // A whistle in the middle is kept clear of; a transformer that is deaf below 180 Hz moves it up.
        let told = propose(Some(50.0), &[272.0], None);
        assert!(told.clear_by_hz >= 10.0 && (told.hold_off_hz - 272.0).abs() >= 10.0, "{told:?}");
        let told = propose(Some(50.0), &[], Some(180.0));
        assert!(told.hold_off_hz >= 450.0 && told.clear_by_hz >= 20.0, "{told:?}");
        assert!(told.in_words().contains("180 Hz below which"));
    }
}
