//! A counter against a known frequency, by way of the meter's oscillator, whose harmonic stands at (or near) a carrier.

use super::{ChainError, Total, in_words, path_ppm, reaches, total};
use crate::correction::budget::{Component, Kind};
use crate::correction::paper;
use crate::heard::Warning;
use crate::offset::Offset;
use serde::{Deserialize, Serialize};

/// What the meter's harmonic was held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Standard {
    /// A carrier as received, with its standard uncertainty in Hz if that is stated.
    Carrier {
        /// Stated uncertainty, Hz.
        path_u_hz: Option<f64>,
    },
    /// A harmonic of a crystal whose error is known.
    Crystal {
        /// What it is marked with, Hz.
        nominal_hz: f64,
        /// Its error, ppm.
        error_ppm: f64,
        /// Standard uncertainty of that, ppm.
        u_ppm: f64,
        /// Its error is anywhere between two bounds rather than near their middle: one rectangle ruled its budget.
        flat: bool,
        /// Its effective degrees of freedom; `None` when unlimited.
        dof: Option<f64>,
        /// What it may have aged since its comparison, ppm, half-width.
        aged_ppm: f64,
    },
}

/// Everything that enters.
#[derive(Debug, Clone, PartialEq)]
pub struct CounterRequest {
    /// The carrier, or the nominal frequency of the crystal's harmonic, Hz.
    pub carrier_hz: f64,
    /// What stands there.
    pub standard: Standard,
    /// The meter's harmonic that meets it.
    pub harmonic: u32,
    /// b = `H·f_meter − f_carrier`.
    pub offset: Offset,
    /// What the counter shows, reading by reading, Hz.
    pub shown_hz: Vec<f64>,
    /// One unit of its last digit, Hz.
    pub digit_hz: f64,
    /// What the meter may have drifted between beat and count: standard uncertainty of its fundamental, Hz.
    pub drift_u_hz: f64,
}

/// What `reference counter` finds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CounterReference {
    /// (shown − true)/true, ppm.
    pub error_ppm: f64,
    /// Uncertainty and budget.
    #[serde(flatten)]
    pub total: Total,
    /// The sum on one line, as on paper: the counter's error.
    pub line: String,
    /// The meter's fundamental by the standard, Hz.
    pub true_hz: f64,
    /// Mean of what the counter shows, Hz.
    pub shown_hz: f64,
    /// One unit of its last digit, ppm of what is counted.
    pub digit_ppm: f64,
    /// Whether the last digit is fine enough for this: it makes less than half of u.
    pub digit_supports: bool,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

impl CounterReference {
    /// The same worked out again: the error from what was shown and what was true, the budget.
    #[must_use]
    pub fn again(&self) -> Self {
        let error_ppm = (self.shown_hz / self.true_hz - 1.0) * 1e6;
        Self { error_ppm, total: self.total.again(), ..self.clone() }
    }
}

/// The counter's error.
///
/// # Errors
/// A carrier that no harmonic of the crystal reaches or whose reception is not known, a beat without side, a counter
/// that shows something else.
pub fn counter(request: &CounterRequest) -> Result<CounterReference, ChainError> {
    let h = f64::from(request.harmonic);
    let (standard_hz, standard) = standard(request)?;
    let (beat_hz, beat) = match request.offset {
        Offset::Heard { offset_hz, u_hz, side } => {
            let beat_hz = side.sign().ok_or(ChainError::NoSide)? * offset_hz;
            (beat_hz, Component::normal("beat", beat_hz, "Hz", 1.0, u_hz))
        }
        Offset::Within { bound_hz } => (0.0, Component::rectangle("beat", 0.0, "Hz", 1.0, bound_hz)),
    };
    let true_hz = (standard_hz + beat_hz) / h;
    let count = request.shown_hz.len();
    let shown_hz = request.shown_hz.iter().sum::<f64>() / count as f64;
    let ratio = shown_hz / true_hz;
    if !(0.99..1.01).contains(&ratio) {
        return Err(ChainError::NotThat { shown: in_words(shown_hz), expected: in_words(true_hz) });
    }
    // ppm of the result for one hertz of the meter's fundamental, and for one of what is shown.
    let by_true = -ratio / true_hz * 1e6;
    let by_shown = 1e6 / true_hz;
    let scaled = |part: Component, sensitivity: f64| Component {
        sensitivity: part.sensitivity * sensitivity,
        u_hz: (part.u_hz * sensitivity).abs(),
        ..part
    };
    let digit = Component::triangle("last digit", shown_hz, "Hz", by_shown, request.digit_hz);
    let mut lines: Vec<Component> = standard.into_iter().map(|line| scaled(line, by_true / h)).collect();
    lines.extend([
        scaled(beat, by_true / h),
        digit.clone(),
        Component::normal("drift of the meter", 0.0, "Hz", by_true, request.drift_u_hz),
    ]);
    if count > 1 {
        let free = (count - 1) as f64;
        let squares: f64 = request.shown_hz.iter().map(|shown| (shown - shown_hz).powi(2)).sum();
        let u = (squares / free / count as f64).sqrt();
        let scatter = Component::normal(format!("{count} counts"), shown_hz, "Hz", by_shown, u);
        lines.push(Component { kind: Kind::A, dof: Some(free), ..scatter });
    }
    let total = total(lines);
    let digit_supports = digit.u_hz < 0.5 * total.u_ppm;
    let mut warnings = Vec::new();
    if !digit_supports {
        warnings.push(Warning {
            code: "digit".into(),
            message: format!(
                "the last digit, {:.2} ppm, limits this; a longer gate or a higher harmonic shows more",
                by_shown * request.digit_hz
            ),
        });
    }
    let error_ppm = (ratio - 1.0) * 1e6;
    let decimals = paper::decimals(total.expanded_u_ppm);
    let line = paper::equation(error_ppm, decimals, "ppm", |places| {
        let beat = if beat_hz.abs() > 0.0 { paper::signed(beat_hz, places) } else { String::new() };
        format!("({shown_hz:.places$} × {} / ({standard_hz:.places$}{beat}) - 1) × 1000000", request.harmonic)
    });
    Ok(CounterReference {
        error_ppm,
        line,
        digit_ppm: by_shown * request.digit_hz,
        digit_supports,
        total,
        true_hz,
        shown_hz,
        warnings,
    })
}

/// The standard's frequency, Hz, and its lines with a sensitivity of Hz per unit.
fn standard(request: &CounterRequest) -> Result<(f64, Vec<Component>), ChainError> {
    let carrier_hz = request.carrier_hz;
    match request.standard {
        Standard::Carrier { path_u_hz } => {
            let u = path_ppm(carrier_hz, path_u_hz)?;
            Ok((carrier_hz, vec![Component::normal("carrier as received", 0.0, "ppm", carrier_hz * 1e-6, u)]))
        }
        Standard::Crystal { nominal_hz, error_ppm, u_ppm, flat, dof, aged_ppm } => {
            let order = (carrier_hz / nominal_hz).round().max(1.0);
            reaches(nominal_hz, order as u32, carrier_hz)?;
            let marked = order * nominal_hz;
            let line = Component::compared("crystal", (error_ppm, u_ppm), (dof, flat), marked * 1e-6);
            let since = Component::rectangle("crystal since its check", 0.0, "ppm", marked * 1e-6, aged_ppm);
            Ok((marked * (1.0 + error_ppm * 1e-6), vec![line, since]))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::offset::Side;

    fn request(shown: &[f64], offset: Offset) -> CounterRequest {
        CounterRequest {
            carrier_hz: 10e6,
            standard: Standard::Carrier { path_u_hz: Some(0.2) },
            harmonic: 4,
            offset,
            shown_hz: shown.to_vec(),
            digit_hz: 0.1,
            drift_u_hz: 0.0,
        }
    }

    /// Common practice, no source: 10 MHz is met with the fourth harmonic of 2.5 MHz, where 8 Hz at the carrier are 2 Hz
    /// at the fundamental and 0.8 ppm on the counter.
    #[test]
    fn eight_hertz_at_the_carrier_are_two_at_the_fundamental() {
        let above = Offset::Heard { offset_hz: 8.0, u_hz: 0.1, side: Side::High };
        let got = counter(&request(&[2_500_002.0], above)).unwrap();
        assert!((got.true_hz - 2_500_002.0).abs() < 1e-9 && got.error_ppm.abs() < 1e-9);
        // Taken as zero, the beat's 8 Hz would be read as the counter's 0.8 ppm.
        let zero = Offset::Within { bound_hz: 0.5 };
        let got = counter(&request(&[2_500_002.0], zero)).unwrap();
        assert!((got.error_ppm - 0.8).abs() < 1e-6, "{}", got.error_ppm);
    }

    /// One digit either way, triangular (JCGM 100, 4.3.9): 0.1 Hz of 2.5 MHz is 0.04 ppm, 0.04/√6 of u; the carrier
    /// 0.02 ppm, the beat 0.01 ppm.
    #[test]
    fn the_budget_of_a_count() {
        let heard = Offset::Heard { offset_hz: 0.0, u_hz: 0.1, side: Side::High };
        let got = counter(&request(&[2_500_001.0], heard)).unwrap();
        let expected = (0.04 / 6f64.sqrt()).hypot(0.02).hypot(0.01);
        assert!((got.total.u_ppm - expected).abs() < 1e-6, "{} {expected}", got.total.u_ppm);
        assert!(!got.digit_supports && got.warnings[0].code == "digit");
        let coarse = CounterRequest { digit_hz: 0.01, ..request(&[2_500_001.0], heard) };
        assert!(counter(&coarse).unwrap().digit_supports);
    }

    #[test]
    fn a_checked_crystal_serves_as_well() {
        let heard = Offset::Heard { offset_hz: 0.0, u_hz: 0.1, side: Side::Low };
        let standard = Standard::Crystal {
            nominal_hz: 1e6,
            error_ppm: 2.0,
            u_ppm: 0.3,
            flat: false,
            dof: None,
            aged_ppm: 0.0,
        };
        let with = |carrier_hz| CounterRequest { carrier_hz, standard, ..request(&[2_500_005.0], heard) };
        let got = counter(&with(10e6)).unwrap();
        assert!(got.error_ppm.abs() < 1e-6 && got.total.u_ppm > 0.3, "{got:?}");
        assert!(counter(&with(10.5e6)).unwrap_err().to_string().contains("no harmonic of 1 MHz"));
        let far = request(&[25_000_010.0], heard);
        assert!(counter(&far).unwrap_err().to_string().contains("decimal point"));
    }
}
