//! A roll-call: the stations of a net in turn, the dial untouched, each against net control.
//!
//! With `b_i = H·f_meter(t_i) − K·f_i` two stations differ by `f_i − f_c = (b_c − b_i)/K` but for what the meter has moved
//! between their turns. Reading, book, crystal and the meter's error drop out; the sound card's clock counts for the
//! difference of the beats alone.
//!
//! The meter's movement is a random walk of w hertz per root second (a variance of `w²·min(t_i`, `t_j`) between the turns) and
//! a steady drift. Turns of one station at different times show both; so do the rests themselves, each of which has a rate
//! and a wander of its own. All of it is one generalised least-squares fit: a level for each station and the drift, for which
//! [`DRIFT_HZ_PER_S`] is thought of before anything is heard. A walk that is seen in no rest is still thought possible
//! ([`LEAST_WANDER`]), and where turns of one station scatter more than the fit allows, every u is widened by as much.

use crate::clock::Clock;
use crate::dial::Matrix;
use crate::offset::Side;
use serde::{Deserialize, Serialize};

/// One turn: a station heard at rest.
#[derive(Debug, Clone, PartialEq)]
pub struct Turn {
    /// What the net calls it.
    pub label: String,
    /// The instant its offset is stated for, s.
    pub at_s: f64,
    /// Length of the rest, s.
    pub length_s: f64,
    /// |b|, Hz.
    pub offset_hz: f64,
    /// Standard uncertainty of it, Hz.
    pub u_hz: f64,
    /// Part of that from the noise alone, Hz.
    pub u_noise_hz: f64,
    /// Where the meter stood.
    pub side: Side,
    /// Rate of |b|, Hz/s, and its standard uncertainty.
    pub rate: (f64, f64),
}

/// A station against net control.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Station {
    /// What the net calls it.
    pub label: String,
    /// How often it was heard.
    pub turns: usize,
    /// |b| of its first turn, Hz.
    pub offset_hz: f64,
    /// Where the meter stood against it.
    pub side: Side,
    /// Station less net control, Hz; 0 for net control itself; null where a side is not known.
    pub difference_hz: Option<f64>,
    /// The differences that an unknown side allows, Hz; else empty.
    pub alternatives_hz: Vec<f64>,
    /// Standard uncertainty of the difference, Hz: noise, the meter's movement between the turns, the card's clock.
    pub u_hz: f64,
}

/// The stations of a net against net control.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RollCall {
    /// Net control's label.
    pub control: String,
    /// Every station, in the order of first hearing; net control is one of them.
    pub stations: Vec<Station>,
    /// The meter's wander that was taken, Hz per root second at its harmonic.
    pub wander_hz_per_root_s: f64,
    /// The meter's drift, Hz/s at its harmonic; null where no side is known.
    pub drift_hz_per_s: Option<f64>,
    /// Standard uncertainty of that, Hz/s.
    pub drift_u_hz_per_s: f64,
    /// By how much every u was widened because turns of one station scatter; 1 where they don't.
    pub widened: f64,
}

/// Why there is no roll-call.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RollError {
    /// Net control is not among the turns.
    #[error("net control `{0}` was not heard; hint: name it as the list does, with --control")]
    NoControl(String),
    /// One station is no net.
    #[error("one station is no roll-call; hint: hear two or more without touching the dial")]
    OneStation,
}

/// Standard deviation of a meter's drift before anything is heard, Hz/s at the harmonic (common practice, no source: a
/// warm tube oscillator moves by a hertz a minute).
const DRIFT_HZ_PER_S: f64 = 0.02;
/// Least wander that is thought of, Hz per root second: short rests do not show it.
const LEAST_WANDER: f64 = 0.001;

/// Holds every station against net control.
///
/// # Errors
/// Net control was not heard, or nobody else.
pub fn roll_call(turns: &[Turn], control: &str, k: u32, clock: &Clock) -> Result<RollCall, RollError> {
    let mut labels: Vec<&str> = Vec::new();
    for turn in turns {
        if !labels.contains(&turn.label.as_str()) {
            labels.push(&turn.label);
        }
    }
    let Some(place) = labels.iter().position(|label| *label == control) else {
        return Err(RollError::NoControl(control.to_owned()));
    };
    if labels.len() < 2 {
        return Err(RollError::OneStation);
    }
    let (scale, u_clock) = (clock.factor_left(), clock.u_ppm * 1e-6);
    // A side that is not known is taken as above; the other answer follows by turning that station's beats.
    let sign = |turn: &Turn| turn.side.sign().unwrap_or(1.0);
    let beats: Vec<f64> = turns.iter().map(|turn| sign(turn) * scale * turn.offset_hz).collect();
    let wander = wander(turns);
    let fit = Fit::new(turns, &labels, &beats, wander);
    let k = f64::from(k);
    let sided = |label: &str| {
        let mut own = turns.iter().filter(|turn| turn.label == label);
        own.all(|turn| turn.side != Side::Unknown)
    };
    let control_sided = sided(control);
    let stations = labels
        .iter()
        .enumerate()
        .map(|(at, &label)| {
            let own: Vec<&Turn> = turns.iter().filter(|turn| turn.label == label).collect();
            let (level, zero) = (fit.values[at], fit.values[place]);
            let difference = (zero - level) / k;
            let alternatives_hz = match (at == place, sided(label), control_sided) {
                (true, ..) | (_, true, true) => Vec::new(),
                (_, false, true) => vec![difference, (zero + level) / k],
                (_, true, false) => vec![difference, (-zero - level) / k],
                // Both unknown: alike or opposite, either way round.
                (_, false, false) => {
                    vec![difference, -difference, (zero + level) / k, (-zero - level) / k]
                }
            };
            let u_hz = if at == place { 0.0 } else { fit.u(at, place).hypot(u_clock * (zero - level)) / k };
            Station {
                label: label.to_owned(),
                turns: own.len(),
                offset_hz: scale * own[0].offset_hz,
                side: own[0].side,
                difference_hz: (alternatives_hz.is_empty()).then_some(difference),
                alternatives_hz,
                u_hz,
            }
        })
        .collect();
    let drift = labels.len();
    Ok(RollCall {
        control: control.to_owned(),
        stations,
        wander_hz_per_root_s: wander,
        drift_hz_per_s: turns.iter().all(|turn| turn.side != Side::Unknown).then_some(fit.values[drift]),
        drift_u_hz_per_s: fit.u(drift, drift),
        widened: fit.widened,
    })
}

/// The wander that the rests show: what their rates are unsure by beyond the noise, which is w·√(1.2/length) for a random
/// walk under a straight line.
fn wander(turns: &[Turn]) -> f64 {
    let seen = turns.iter().map(|turn| {
        let by_noise = turn.u_noise_hz * 60f64.sqrt() / turn.length_s.max(0.1);
        let rest = (turn.rate.1.powi(2) - by_noise.powi(2)).max(0.0);
        (rest * turn.length_s / 1.2, turn.length_s)
    });
    let (sum, weight) = seen.fold((0.0, 0.0), |sum, (w2, length)| (sum.0 + length * w2, sum.1 + length));
    (sum / f64::max(weight, 1e-9)).sqrt().max(LEAST_WANDER)
}

/// A level for each station and the drift, with their covariance.
struct Fit {
    values: Vec<f64>,
    covariance: Vec<Vec<f64>>,
    widened: f64,
}

impl Fit {
    fn new(turns: &[Turn], labels: &[&str], beats: &[f64], wander: f64) -> Self {
        let start = turns.iter().map(|turn| turn.at_s).fold(f64::INFINITY, f64::min);
        let at: Vec<f64> = turns.iter().map(|turn| turn.at_s - start).collect();
        let count = turns.len();
        let variance = Matrix::from_fn(count, |(i, j)| {
            let own = if i == j { turns[i].u_hz.powi(2).max(1e-18) } else { 0.0 };
            wander.powi(2) * at[i].min(at[j]) + own
        });
        let size = labels.len() + 1;
        let columns: Vec<Vec<f64>> = labels
            .iter()
            .map(|label| turns.iter().map(|turn| f64::from(u8::from(turn.label == *label))).collect())
            .chain([at.clone()])
            .collect();
        let weighted: Vec<Vec<f64>> = columns.iter().map(|column| variance.solve(column)).collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        // What the rests' own rates and the prior say of the drift.
        let rates = turns.iter().filter_map(|turn| {
            let sign = turn.side.sign()?;
            Some((sign * turn.rate.0, turn.rate.1.max(1e-6).powi(-2)))
        });
        let (pull, weight) =
            rates.fold((0.0, DRIFT_HZ_PER_S.powi(-2)), |sum, (rate, w)| (sum.0 + w * rate, sum.1 + w));
        let normal = Matrix::from_fn(size, |(i, j)| {
            dot(&columns[i], &weighted[j]) + if i == j && i + 1 == size { weight } else { 0.0 }
        });
        let right: Vec<f64> =
            (0..size).map(|i| dot(&weighted[i], beats) + if i + 1 == size { pull } else { 0.0 }).collect();
        let values = normal.solve(&right);
        let unit = |i: usize| (0..size).map(|j| f64::from(u8::from(i == j))).collect::<Vec<f64>>();
        let covariance = (0..size).map(|i| normal.solve(&unit(i))).collect();
        let left: Vec<f64> = (0..count)
            .map(|i| beats[i] - (0..size).map(|j| columns[j][i] * values[j]).sum::<f64>())
            .collect();
        let free = count - labels.len();
        let squares = dot(&left, &variance.solve(&left));
        let widened = if free > 0 { (squares / free as f64).sqrt().max(1.0) } else { 1.0 };
        Self { values, covariance, widened }
    }

    /// Standard uncertainty of a difference of two values; of one value where both are the same.
    fn u(&self, a: usize, b: usize) -> f64 {
        let c = &self.covariance;
        let variance = if a == b { c[a][a] } else { c[a][a] + c[b][b] - 2.0 * c[a][b] };
        self.widened * variance.max(0.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turn(label: &str, at_s: f64, beat: f64) -> Turn {
        Turn {
            label: label.into(),
            at_s,
            length_s: 4.0,
            offset_hz: beat.abs(),
            u_hz: 0.003,
            u_noise_hz: 0.003,
            side: Side::of(beat),
            rate: (0.0, 0.003 * 60f64.sqrt() / 4.0),
        }
    }

    /// By hand: the meter 275 Hz above control and 262 Hz above the other, so the other is 13 Hz above control; and the
    /// u of a difference of two is that of both together with the least wander over six seconds.
    #[test]
    fn a_station_against_control() {
        let clock = Clock { u_ppm: 0.0, ..Clock::default() };
        let turns = [turn("NCS", 2.0, 275.0), turn("A", 8.0, 262.0), turn("B", 14.0, -40.0)];
        let told = roll_call(&turns, "NCS", 1, &clock).unwrap();
        let differences: Vec<f64> = told.stations.iter().map(|it| it.difference_hz.unwrap()).collect();
        for (got, want) in differences.iter().zip([0.0, 13.0, 315.0]) {
            assert!((got - want).abs() < 1e-9, "{differences:?}");
        }
        let drift_u = told.drift_u_hz_per_s;
        let want = (2.0 * 0.003f64.powi(2) + 6.0 * LEAST_WANDER.powi(2) + (6.0 * drift_u).powi(2)).sqrt();
        assert!((told.stations[1].u_hz - want).abs() < 1e-6, "{} {want}", told.stations[1].u_hz);
        // A card of 1000 ppm counts for the difference alone.
        let clock = Clock { u_ppm: 1000.0, ..clock };
        let wide = roll_call(&turns, "NCS", 1, &clock).unwrap();
        assert!((wide.stations[1].u_hz - want.hypot(0.013)).abs() < 1e-6);
        // The signal's harmonic divides.
        let third = roll_call(&turns, "NCS", 3, &clock).unwrap();
        assert!((third.stations[1].difference_hz.unwrap() - 13.0 / 3.0).abs() < 1e-9);
    }

    /// Control called again shows the drift, and it is taken out: 0.05 Hz/s between the turns of one station.
    #[test]
    fn control_called_again_shows_the_drift() {
        let clock = Clock { u_ppm: 0.0, ..Clock::default() };
        let at = |label, at_s: f64, beat: f64| Turn {
            rate: (0.05, 0.02),
            ..turn(label, at_s, beat + 0.05 * at_s)
        };
        let turns = [at("NCS", 0.0, 275.0), at("A", 10.0, 262.0), at("NCS", 20.0, 275.0)];
        let told = roll_call(&turns, "NCS", 1, &clock).unwrap();
        assert!((told.stations[1].difference_hz.unwrap() - 13.0).abs() < 0.005, "{told:?}");
        // Wander takes its share of what two turns of control show.
        let off = (told.drift_hz_per_s.unwrap() - 0.05).abs();
        assert!(off < told.drift_u_hz_per_s && told.drift_u_hz_per_s < 0.01, "{told:?}");
    }

    #[test]
    fn a_side_not_known_leaves_two_answers() {
        let clock = Clock::default();
        let mut turns = [turn("NCS", 2.0, 275.0), turn("A", 8.0, 262.0)];
        turns[1].side = Side::Unknown;
        let told = roll_call(&turns, "NCS", 1, &clock).unwrap();
        let station = &told.stations[1];
        assert_eq!(station.difference_hz, None);
        assert!((station.alternatives_hz[0] - 13.0).abs() < 1e-9);
        assert!((station.alternatives_hz[1] - 537.0).abs() < 1e-9);
        assert_eq!(roll_call(&turns, "X", 1, &clock), Err(RollError::NoControl("X".into())));
        assert_eq!(roll_call(&turns[..1], "NCS", 1, &clock), Err(RollError::OneStation));
    }
}
