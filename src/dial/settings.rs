//! Frequency → reading over all ranges and harmonics.

use super::book::BookPoint;
use super::error::DialError;
use super::meter::{Meter, Range};

/// One way to set the meter to a signal.
#[derive(Debug, Clone, PartialEq)]
pub struct Setting<'a> {
    /// The range.
    pub range: &'a Range,
    /// H, the meter's harmonic that meets the signal's.
    pub harmonic: u32,
    /// Hz at the signal to one Hz of the fundamental: H/K.
    pub scale: f64,
    /// Reading, fundamental and slope by the book.
    pub point: BookPoint,
    /// Standard uncertainty at the signal, from book and reading, Hz.
    pub u_hz: f64,
}

/// Every way to reach a signal with its harmonic K, the surest first, the lower harmonic before the higher where
/// two are equal.
///
/// # Errors
/// A frequency that no range and harmonic reaches.
pub fn settings(meter: &Meter, signal_hz: f64, signal_harmonic: u32) -> Result<Vec<Setting<'_>>, DialError> {
    let wanted = signal_hz * f64::from(signal_harmonic);
    let mut found = Vec::new();
    for range in &meter.ranges {
        for &harmonic in &range.harmonics {
            let fundamental = wanted / f64::from(harmonic);
            if !(range.from_hz..=range.to_hz).contains(&fundamental) {
                continue;
            }
            if let Some(point) = range.book.reading_of(fundamental) {
                let scale = f64::from(harmonic) / f64::from(signal_harmonic);
                let u_hz = scale * point.u_hz().hypot(meter.plate.u_div * point.slope);
                found.push(Setting { range, harmonic, scale, point, u_hz });
            }
        }
    }
    if found.is_empty() {
        return Err(DialError::OutOfReach {
            meter: meter.name.clone(),
            wanted_hz: signal_hz,
            reach: reach(meter, signal_harmonic),
        });
    }
    found.sort_by(|a, b| a.u_hz.total_cmp(&b.u_hz).then(a.harmonic.cmp(&b.harmonic)));
    Ok(found)
}

/// The spans of frequency that the meter reaches, joined where they overlap, in words.
fn reach(meter: &Meter, signal_harmonic: u32) -> String {
    let mut spans: Vec<(f64, f64)> = Vec::new();
    for range in &meter.ranges {
        let (low, high) = range.book.reach();
        for &harmonic in &range.harmonics {
            let scale = f64::from(harmonic) / f64::from(signal_harmonic);
            spans.push((low.max(range.from_hz) * scale, high.min(range.to_hz) * scale));
        }
    }
    spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut joined: Vec<(f64, f64)> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.0 <= last.1 => last.1 = last.1.max(span.1),
            _ => joined.push(span),
        }
    }
    let words: Vec<String> =
        joined.iter().map(|(low, high)| format!("{:.1} to {:.1} kHz", low / 1e3, high / 1e3)).collect();
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dial::meter::tests::plain_meter;

    #[test]
    fn every_way_is_listed_and_reads_back() {
        let meter = plain_meter();
        let ways = settings(&meter, 640_000.0, 1).unwrap();
        assert_eq!(ways.iter().map(|way| way.harmonic).collect::<Vec<_>>(), [2, 4]);
        for way in &ways {
            assert!((f64::from(way.harmonic) * way.point.hertz - 640_000.0).abs() < 1e-5);
        }
        // 100 Hz a division: reading 0.05 div and rounding, times the harmonic.
        assert!(ways[0].u_hz > 2.0 * 5.0 && ways[0].u_hz < 2.0 * 6.0, "{}", ways[0].u_hz);
        // The signal's second harmonic at 2 × 100 kHz.
        let ways = settings(&meter, 100_000.0, 2).unwrap();
        assert!((ways[0].point.hertz - 200_000.0).abs() < 1e-6 && (ways[0].scale - 0.5).abs() < 1e-12);
    }

    /// Common practice, no source: a range that doubles joins up with its harmonics 1, 2, 4, 8 without gaps.
    #[test]
    fn an_octave_with_its_harmonics_leaves_no_gap() {
        let mut meter = plain_meter();
        assert_eq!(reach(&meter, 1), "160.0 to 2640.0 kHz");
        meter.ranges[0].to_hz = 319_000.0;
        assert_eq!(
            reach(&meter, 1),
            "160.0 to 319.0 kHz, 320.0 to 638.0 kHz, 640.0 to 1276.0 kHz, 1280.0 to 2552.0 kHz"
        );
        let error = settings(&meter, 5e6, 1).unwrap_err().to_string();
        assert!(
            error
                .starts_with("no range of `bench meter` reaches 5000000 Hz; hint: within reach are 160.0 to"),
            "{error}"
        );
    }
}
