//! A crystal against a carrier: b = `N·f_crystal − f_carrier`.

use super::{ChainError, Total, path_ppm, reaches, total};
use crate::correction::budget::{Component, Kind, Shape};
use crate::correction::paper;
use crate::heard::Warning;
use crate::offset::Offset;
use serde::{Deserialize, Serialize};

/// One beat between a harmonic of the crystal and a carrier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// The carrier as sent, Hz.
    pub carrier_hz: f64,
    /// N.
    pub harmonic: u32,
    /// The beat; its side is where the crystal's harmonic stands against the carrier.
    pub offset: Offset,
}

/// Everything that enters.
#[derive(Debug, Clone, PartialEq)]
pub struct CrystalRequest {
    /// What the crystal is marked with, Hz.
    pub nominal_hz: f64,
    /// The beats heard, one at least.
    pub observations: Vec<Observation>,
    /// Standard uncertainty of the carrier as received, Hz; `None` for what is usual in its band.
    pub path_u_hz: Option<f64>,
    /// The most that temperature may move the crystal between here and where it is used, ppm, half-width.
    pub temperature_ppm: f64,
}

/// One beat and what it comes to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ObservationRow {
    /// The carrier, Hz.
    pub carrier_hz: f64,
    /// N.
    pub harmonic: u32,
    /// The beat, positive where the crystal's harmonic is above the carrier, Hz; null for a bound.
    pub beat_hz: Option<f64>,
    /// The crystal's error by this beat, ppm.
    pub error_ppm: f64,
    /// Standard uncertainty from the beat alone, ppm.
    pub u_ppm: f64,
    /// Its weight in the mean.
    pub weight: f64,
}

/// What `reference crystal` finds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CrystalReference {
    /// What the crystal is marked with, Hz.
    pub nominal_hz: f64,
    /// (actual − nominal)/nominal, ppm.
    pub error_ppm: f64,
    /// Uncertainty and budget.
    #[serde(flatten)]
    pub total: Total,
    /// The sum on one line, as on paper: the crystal's frequency.
    pub line: String,
    /// The beats.
    pub observations: Vec<ObservationRow>,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

impl CrystalReference {
    /// The same worked out again: each beat's error, their weighted mean, the budget.
    #[must_use]
    pub fn again(&self) -> Self {
        let row = |row: &ObservationRow| {
            let marked = f64::from(row.harmonic) * self.nominal_hz;
            let error_ppm = ((row.carrier_hz + row.beat_hz.unwrap_or(0.0)) / marked - 1.0) * 1e6;
            ObservationRow { error_ppm, ..row.clone() }
        };
        let observations: Vec<ObservationRow> = self.observations.iter().map(row).collect();
        let error_ppm = observations.iter().map(|row| row.weight * row.error_ppm).sum();
        Self { error_ppm, observations, total: self.total.again(), ..self.clone() }
    }
}

/// The crystal's error from one beat or several.
///
/// Several beats are averaged by their own uncertainties; where they scatter more than those allow, the scatter counts,
/// with its degrees of freedom. The way through the ionosphere is common to all of them and does not average away.
///
/// # Errors
/// A carrier that no harmonic reaches, a beat without side, a carrier of which the reception is not known.
pub fn crystal(request: &CrystalRequest) -> Result<CrystalReference, ChainError> {
    let mut rows = Vec::new();
    let mut path = Vec::new();
    for observation in &request.observations {
        let Observation { carrier_hz, harmonic, offset } = *observation;
        reaches(request.nominal_hz, harmonic, carrier_hz)?;
        let (beat_hz, u_hz) = match offset {
            Offset::Heard { offset_hz, u_hz, side } => {
                (Some(side.sign().ok_or(ChainError::NoSide)? * offset_hz), u_hz)
            }
            Offset::Within { bound_hz } => (None, bound_hz / 3f64.sqrt()),
        };
        let marked = f64::from(harmonic) * request.nominal_hz;
        path.push(path_ppm(carrier_hz, request.path_u_hz)? * carrier_hz / marked);
        rows.push(ObservationRow {
            carrier_hz,
            harmonic,
            beat_hz,
            error_ppm: ((carrier_hz + beat_hz.unwrap_or(0.0)) / marked - 1.0) * 1e6,
            u_ppm: u_hz / marked * 1e6,
            weight: 0.0,
        });
    }
    weigh(&mut rows);
    let mean = |of: &dyn Fn(&ObservationRow) -> f64| rows.iter().map(|row| row.weight * of(row)).sum::<f64>();
    let error_ppm = mean(&|row| row.error_ppm);
    let beats = beats_line(request, &rows, error_ppm);
    let propagation = rows.iter().zip(&path).map(|(row, path)| row.weight * path).sum();
    let mut warnings = Vec::new();
    if beats.kind == Kind::A {
        warnings.push(Warning {
            code: "scatter".into(),
            message: "the beats scatter more than their uncertainties allow; the scatter is in the budget"
                .into(),
        });
    }
    let total = total(vec![
        beats,
        Component::normal("carrier as received", 0.0, "ppm", 1.0, propagation),
        Component::rectangle("temperature", 0.0, "ppm", 1.0, request.temperature_ppm),
    ]);
    let line = line(request.nominal_hz, error_ppm, total.expanded_u_ppm, &rows);
    Ok(CrystalReference {
        nominal_hz: request.nominal_hz,
        error_ppm,
        total,
        line,
        observations: rows,
        warnings,
    })
}

/// The crystal's frequency on paper: carrier and mean beat over the harmonic where all beats are of one carrier, else from
/// the mean error.
fn line(nominal_hz: f64, error_ppm: f64, expanded_u_ppm: f64, rows: &[ObservationRow]) -> String {
    let value = nominal_hz * (1.0 + error_ppm * 1e-6);
    let decimals = paper::decimals(nominal_hz * expanded_u_ppm * 1e-6);
    let [first, ..] = rows else { return String::new() };
    let of_one = |row: &ObservationRow| {
        row.harmonic == first.harmonic && (row.carrier_hz - first.carrier_hz).abs() <= 0.0
    };
    if !rows.iter().all(of_one) {
        return paper::equation(value, decimals, "Hz", |places| {
            let sign = if error_ppm < 0.0 { '-' } else { '+' };
            format!("{nominal_hz} {sign} {nominal_hz} × {:.places$} / 1000000", error_ppm.abs())
        });
    }
    let beat: f64 = rows.iter().map(|row| row.weight * row.beat_hz.unwrap_or(0.0)).sum();
    paper::equation(value, decimals, "Hz", |places| {
        let beat = if beat.abs() > 0.0 { paper::signed(beat, places) } else { String::new() };
        format!("({}{beat}) / {}", first.carrier_hz, first.harmonic)
    })
}

/// Weights by the beats' own uncertainties, all alike where one of them has none.
fn weigh(rows: &mut [ObservationRow]) {
    let sure = rows.iter().any(|row| row.u_ppm <= 0.0);
    let own = |row: &ObservationRow| if sure { 1.0 } else { row.u_ppm.powi(-2) };
    let sum: f64 = rows.iter().map(own).sum();
    for row in rows {
        row.weight = own(row) / sum;
    }
}

/// The line of the beats: their own uncertainties, or their scatter where that is larger.
fn beats_line(request: &CrystalRequest, rows: &[ObservationRow], error_ppm: f64) -> Component {
    if let ([row], [observation]) = (rows, request.observations.as_slice()) {
        let slope = row.u_ppm / u_hz(observation).max(f64::MIN_POSITIVE);
        let slope = if row.u_ppm > 0.0 { slope } else { 0.0 };
        return match observation.offset {
            Offset::Heard { u_hz, .. } => {
                Component::normal("beat", row.beat_hz.unwrap_or(0.0), "Hz", slope, u_hz)
            }
            Offset::Within { bound_hz } => Component::rectangle("beat", 0.0, "Hz", slope, bound_hz),
        };
    }
    let own = rows.iter().map(|row| (row.weight * row.u_ppm).powi(2)).sum::<f64>().sqrt();
    let scatter = rows.iter().map(|row| row.weight * (row.error_ppm - error_ppm).powi(2)).sum::<f64>();
    let free = (rows.len() - 1) as f64;
    let scatter = (scatter / free).sqrt();
    let name = format!("{} beats", rows.len());
    if scatter > own {
        let line = Component::normal(name, error_ppm, "ppm", 1.0, scatter);
        return Component { kind: Kind::A, dof: Some(free), ..line };
    }
    let bound = request.observations.iter().all(|o| matches!(o.offset, Offset::Within { .. }));
    let shape = if bound { Shape::Rectangle } else { Shape::Normal };
    Component { shape, ..Component::normal(name, error_ppm, "ppm", 1.0, own) }
}

fn u_hz(observation: &Observation) -> f64 {
    match observation.offset {
        Offset::Heard { u_hz, .. } => u_hz,
        Offset::Within { bound_hz } => bound_hz / 3f64.sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::offset::Side;

    fn heard(offset_hz: f64, side: Side) -> Observation {
        let offset = Offset::Heard { offset_hz, u_hz: 0.1, side };
        Observation { carrier_hz: 10e6, harmonic: 10, offset }
    }

    fn request(observations: Vec<Observation>) -> CrystalRequest {
        CrystalRequest { nominal_hz: 1e6, observations, path_u_hz: None, temperature_ppm: 0.0 }
    }

    /// By the definition: the tenth harmonic 8 Hz above 10 MHz is 0.8 ppm, at every order. 0.1 Hz there is 0.01 ppm, the
    /// way 0.05 ppm: together √(0.01² + 0.05²).
    #[test]
    fn eight_hertz_at_ten_megahertz_is_eight_tenths_of_a_ppm() {
        let got = crystal(&request(vec![heard(8.0, Side::High)])).unwrap();
        assert!((got.error_ppm - 0.8).abs() < 1e-9 && (got.total.u_ppm - 0.01f64.hypot(0.05)).abs() < 1e-9);
        assert!((got.total.coverage_factor - 1.96).abs() < 1e-3);
        let got = crystal(&request(vec![heard(8.0, Side::Low)])).unwrap();
        assert!((got.error_ppm + 0.8).abs() < 1e-9);
    }

    /// A hundred beats average their noise away, the ionosphere not.
    #[test]
    fn propagation_does_not_average_away() {
        let got = crystal(&request(vec![heard(8.0, Side::High); 100])).unwrap();
        assert!((got.total.u_ppm - 0.001f64.hypot(0.05)).abs() < 1e-9, "{}", got.total.u_ppm);
    }

    /// Scatter beyond the beats' own uncertainty: s/√n with n − 1 degrees of freedom (JCGM 100, 4.2). 7, 8 and 9 Hz have
    /// s = 1 Hz, 0.1 ppm here.
    #[test]
    fn scatter_counts_with_its_degrees_of_freedom() {
        let beats = [7.0, 8.0, 9.0].map(|b| heard(b, Side::High)).to_vec();
        let got = crystal(&CrystalRequest { path_u_hz: Some(0.0), ..request(beats) }).unwrap();
        assert!((got.total.u_ppm - 0.1 / 3f64.sqrt()).abs() < 1e-9, "{}", got.total.u_ppm);
        assert_eq!(got.total.effective_dof, Some(2.0));
        // t95(2) = 4.3027 (any table).
        assert!((got.total.coverage_factor - 4.3027).abs() < 1e-3);
    }

    #[test]
    fn carriers_that_no_harmonic_reaches_are_refused() {
        let at = |nominal_hz, carrier_hz, harmonic| {
            let offset = Offset::Within { bound_hz: 1.0 };
            let observations = vec![Observation { carrier_hz, harmonic, offset }];
            let request = CrystalRequest { nominal_hz, observations, path_u_hz: None, temperature_ppm: 0.0 };
            crystal(&request).unwrap_err().to_string()
        };
        assert!(at(1e6, 3.33e6, 3).contains("no harmonic of 1 MHz reaches 3.33 MHz; hint: "));
        assert!(at(1e6, 10e6, 9).contains("hint: it is harmonic 10"));
        assert!(at(60e3, 60e3, 1).contains("--path-u"));
        let unknown = heard(8.0, Side::Unknown);
        assert_eq!(crystal(&request(vec![unknown])), Err(ChainError::NoSide));
    }
}
