//! `dial`: where to set the meter for a frequency, or what a reading stands for.

use crate::dial::{
    Approach, CheckPoint, DialError, Meter, Transfer, check_points, either_side, settings, transfer,
};
use crate::quantity::Hertz;
use serde::Serialize;
use std::collections::HashMap;

/// A check point beside a setting.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NearCheck {
    /// The fundamental there, Hz.
    pub frequency_hz: f64,
    /// Reading by the book, divisions.
    pub reading: f64,
    /// N.
    pub crystal_harmonic: u32,
    /// M.
    pub meter_harmonic: u32,
}

impl From<&CheckPoint> for NearCheck {
    fn from(point: &CheckPoint) -> Self {
        Self {
            frequency_hz: point.hertz(),
            reading: point.point.reading,
            crystal_harmonic: point.crystal_harmonic,
            meter_harmonic: point.meter_harmonic,
        }
    }
}

/// A setting at which a check point and the signal are both heard without touching the dial.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TransferRecord {
    /// N.
    pub crystal_harmonic: u32,
    /// M.
    pub meter_harmonic: u32,
    /// Reading by the book, divisions.
    pub reading: f64,
    /// Beat of the check there, `M·f_meter − N·f_crystal`, Hz.
    pub check_beat_hz: f64,
    /// Beat of the signal there, `H·f_meter − K·f_signal`, Hz, if it is on the frequency wanted.
    pub signal_beat_hz: f64,
    /// Standard uncertainty of the signal by the crystal alone, Hz.
    pub u_hz: f64,
}

impl From<Transfer> for TransferRecord {
    fn from(found: Transfer) -> Self {
        Self {
            crystal_harmonic: found.crystal_harmonic,
            meter_harmonic: found.meter_harmonic,
            reading: found.point.reading,
            check_beat_hz: found.check_beat_hz,
            signal_beat_hz: found.signal_beat_hz,
            u_hz: found.u_hz,
        }
    }
}

/// Highest note that the ear follows and every sound card passes, Hz.
pub const REACH_HZ: f64 = 3600.0;

/// One way to set the dial.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SettingRecord {
    /// Name of the range.
    pub range: String,
    /// H.
    pub harmonic: u32,
    /// The meter's fundamental, Hz.
    pub fundamental_hz: f64,
    /// Reading by the book, divisions.
    pub reading: f64,
    /// Whole turns.
    pub drum: u32,
    /// Divisions within the turn.
    pub dial: f64,
    /// Hz at the signal to one division.
    pub slope_hz_per_div: f64,
    /// Standard uncertainty at the signal from book and reading, Hz.
    pub u_hz: f64,
    /// The nearest check points either side, in order of frequency.
    pub checkpoints: Vec<NearCheck>,
    /// Which way to come at it: as the book was made.
    pub approach: Approach,
    /// The check point that is heard together with the signal, the dial left alone; null where none is near enough.
    pub transfer: Option<TransferRecord>,
}

/// The answer of `dial --frequency --json`: every way, best first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Settings {
    /// The frequency wanted, Hz.
    #[serde(skip)]
    pub wanted_hz: f64,
    /// K.
    #[serde(skip)]
    pub signal_harmonic: u32,
    /// The ways.
    pub settings: Vec<SettingRecord>,
}

/// The answer of `dial --reading --json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Read {
    /// H times the book's frequency at the reading, Hz.
    pub frequency_hz: f64,
    /// Standard uncertainty from book and reading, Hz.
    pub u_hz: f64,
    /// Hz at the harmonic to one division.
    pub slope_hz_per_div: f64,
}

/// Lists every way to reach a frequency with its harmonic K, and with each the check point that is heard there too, both
/// notes at most `reach_hz`; `None` where nothing is to be heard beside the setting.
///
/// # Errors
/// A frequency that no range reaches.
pub fn to_reading(
    meter: &Meter,
    frequency: Hertz,
    signal_harmonic: u32,
    reach_hz: Option<f64>,
) -> Result<Settings, DialError> {
    let mut of_range: HashMap<String, Vec<CheckPoint>> = HashMap::new();
    let record = |way: &crate::dial::Setting| {
        let name = way.range.name.clone();
        let points = of_range.entry(name).or_insert_with(|| check_points(meter, way.range));
        let (below, above) = either_side(points, way.point.hertz);
        let (drum, dial) = meter.plate.drum_and_dial(way.point.reading);
        SettingRecord {
            range: way.range.name.clone(),
            harmonic: way.harmonic,
            fundamental_hz: way.point.hertz,
            reading: way.point.reading,
            drum,
            dial,
            slope_hz_per_div: way.scale * way.point.slope,
            u_hz: way.u_hz,
            checkpoints: below.into_iter().chain(above).map(NearCheck::from).collect(),
            approach: meter.plate.book_approach,
            transfer: reach_hz
                .and_then(|reach_hz| {
                    let orders = (way.harmonic, signal_harmonic);
                    transfer(meter, way.range, points, orders, frequency.0, reach_hz)
                })
                .map(TransferRecord::from),
        }
    };
    Ok(Settings {
        wanted_hz: frequency.0,
        signal_harmonic,
        settings: settings(meter, frequency.0, signal_harmonic)?.iter().map(record).collect(),
    })
}

/// Tells what a reading on a range stands for at the harmonic H.
///
/// # Errors
/// A range that is not there, a reading off dial or book.
pub fn to_frequency(meter: &Meter, range: &str, reading: &str, harmonic: u32) -> Result<Read, DialError> {
    let point = meter.range(range)?.book.at(meter.plate.reading(reading)?)?;
    let h = f64::from(harmonic);
    Ok(Read {
        frequency_hz: h * point.hertz,
        u_hz: h * point.u_hz().hypot(meter.plate.u_div * point.slope),
        slope_hz_per_div: h * point.slope,
    })
}
