//! Check point and signal at one setting of the dial: where both are heard without touching it, reading and book drop
//! out of the sum.
//!
//! At the fundamental f the check beats with `M·f − N·f_crystal` and the signal with `H·f − K·f_signal`. Both have to be
//! heard, and neither near zero: f is put where the smaller of the two is a comfortable note and the larger as low as can
//! be.

use super::book::BookPoint;
use super::check_points::CheckPoint;
use super::meter::{Meter, Range};

/// A comfortable note, Hz: clear of the dead band and of the lines of 50 Hz and 60 Hz hum.
pub const COMFORTABLE_HZ: f64 = 275.0;

/// A setting at which a check point and a signal are both heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Transfer {
    /// N.
    pub crystal_harmonic: u32,
    /// M.
    pub meter_harmonic: u32,
    /// Where the dial stands by the book.
    pub point: BookPoint,
    /// M·f − `N·f_crystal` there, Hz.
    pub check_beat_hz: f64,
    /// H·f − `K·f_signal` there, Hz.
    pub signal_beat_hz: f64,
    /// Standard uncertainty of the signal by the crystal alone, Hz: what a transfer is left with beside the beats.
    pub u_hz: f64,
}

/// The best transfer for a signal met by harmonic H with its own harmonic K, both notes at most `highest_hz`; `None` where
/// no check point is near enough. `points` are those of the range.
pub fn transfer(
    meter: &Meter,
    range: &Range,
    points: &[CheckPoint],
    (harmonic, signal_harmonic): (u32, u32),
    signal_hz: f64,
    highest_hz: f64,
) -> Option<Transfer> {
    let (h, k) = (f64::from(harmonic), f64::from(signal_harmonic));
    let least = COMFORTABLE_HZ.min(highest_hz);
    let crystal_hz = meter.crystal.actual_hz();
    let mut best: Option<(u32, f64, Transfer)> = None;
    for check in points {
        let (n, m) = (f64::from(check.crystal_harmonic), f64::from(check.meter_harmonic));
        let check_hz = n * crystal_hz / m;
        let beats = |f: f64| (m * f - n * crystal_hz, h * f - k * signal_hz);
        let signal_at = k * signal_hz / h;
        if (h * (check_hz - signal_at)).abs() > highest_hz * (1.0 + h / m) {
            continue;
        }
        let places = [1.0, -1.0].map(|sign| [check_hz + sign * least / m, signal_at + sign * least / h]);
        for f in places.into_iter().flatten() {
            let (check_beat_hz, signal_beat_hz) = beats(f);
            let (low, high) = (
                check_beat_hz.abs().min(signal_beat_hz.abs()),
                check_beat_hz.abs().max(signal_beat_hz.abs()),
            );
            if low < least * (1.0 - 1e-9) || high > highest_hz {
                continue;
            }
            let Some(point) = range.book.reading_of(f) else { continue };
            let faint = check.crystal_harmonic * check.meter_harmonic;
            if best.as_ref().is_some_and(|best| (best.0, best.1) <= (faint, high)) {
                continue;
            }
            let u_hz = h * n / (k * m) * meter.crystal.frequency_hz * 1e-6 * meter.crystal.u_ppm_on(None);
            let found = Transfer {
                crystal_harmonic: check.crystal_harmonic,
                meter_harmonic: check.meter_harmonic,
                point,
                check_beat_hz,
                signal_beat_hz,
                u_hz,
            };
            best = Some((faint, high, found));
        }
    }
    best.map(|best| best.2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dial::check_points::check_points;
    use crate::dial::meter::tests::plain_meter;

    /// By hand: 500 kHz/2 = 250 kHz; a signal on 501.0 kHz is met by harmonic 2 at 250.5 kHz. With the dial 137.5 Hz above
    /// the check (275 Hz at its second harmonic) the signal beats 725 Hz below it; 137.5 Hz below, at 1275 Hz.
    #[test]
    fn check_and_signal_are_heard_at_one_setting() {
        let meter = plain_meter();
        let range = &meter.ranges[0];
        let points = check_points(&meter, range);
        let found = transfer(&meter, range, &points, (2, 1), 501e3, 3600.0).unwrap();
        assert_eq!((found.crystal_harmonic, found.meter_harmonic), (1, 2));
        assert!((found.check_beat_hz.abs().min(found.signal_beat_hz.abs()) - 275.0).abs() < 1e-6);
        assert!((found.check_beat_hz - found.signal_beat_hz - 1000.0).abs() < 1e-6);
        assert!((found.check_beat_hz - 275.0).abs() < 1e-6 || (found.signal_beat_hz + 275.0).abs() < 1e-6);
        // 5 ppm of 500 kHz.
        assert!((found.u_hz - 2.5).abs() < 1e-9, "{}", found.u_hz);
        // Straddled, the two are never further apart than the sum of their notes.
        assert!(transfer(&meter, range, &points, (2, 1), 507.3e3, 3600.0).is_none());
        for signal in (0..400).map(|step| 400e3 + 500.0 * f64::from(step)) {
            if let Some(found) = transfer(&meter, range, &points, (2, 1), signal, 3600.0) {
                let (n, m) = (f64::from(found.crystal_harmonic), f64::from(found.meter_harmonic));
                let f = found.point.hertz;
                assert!((m * f - n * 500e3 - found.check_beat_hz).abs() < 0.5);
                assert!((2.0 * f - signal - found.signal_beat_hz).abs() < 0.5);
                assert!(found.check_beat_hz.abs() <= 3600.0 && found.signal_beat_hz.abs() <= 3600.0);
                assert!(found.check_beat_hz.abs() > 274.9 && found.signal_beat_hz.abs() > 274.9);
            }
        }
    }
}
