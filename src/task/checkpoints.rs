//! `checkpoints`: the check points that a meter offers, each with its reading.

use crate::dial::{CheckPoint, DialError, Meter, Range, check_points, settings};
use crate::quantity::Hertz;
use serde::Serialize;

/// One check point.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckPointRecord {
    /// The fundamental, Hz.
    pub frequency_hz: f64,
    /// Name of the range.
    pub range: String,
    /// N.
    pub crystal_harmonic: u32,
    /// M.
    pub meter_harmonic: u32,
    /// Reading by the book, divisions.
    pub reading: f64,
    /// 1 for the loudest of its range.
    pub loudness_rank: usize,
    /// Another point of like loudness lies so near that the two are easily mistaken.
    pub too_close: bool,
}

/// The answer of `checkpoints --json`, by range and frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckPoints {
    /// The points.
    pub checkpoints: Vec<CheckPointRecord>,
}

/// Points listed on either side of a wanted frequency.
const EACH_SIDE: usize = 3;

/// Lists the check points of all ranges, of one, or those nearest to where the dial stands for a frequency.
///
/// # Errors
/// A range that is not there, a frequency that no range reaches.
pub fn checkpoints(
    meter: &Meter,
    range: Option<&str>,
    near: Option<Hertz>,
) -> Result<CheckPoints, DialError> {
    let ranges: Vec<&Range> = match range {
        Some(name) => vec![meter.range(name)?],
        None => meter.ranges.iter().collect(),
    };
    let ways = near.map(|near| settings(meter, near.0, 1)).transpose()?;
    let mut found = Vec::new();
    for range in ranges {
        let points = check_points(meter, range);
        let wanted = |point: &CheckPoint| {
            let Some(ways) = &ways else { return true };
            let places = ways.iter().filter(|way| way.range.name == range.name).map(|way| way.point.hertz);
            // Among the nearest: fewer than so many lie between the point and the place.
            places.into_iter().any(|place| {
                let between = |other: &&CheckPoint| {
                    let (low, high) = (place.min(point.hertz()), place.max(point.hertz()));
                    (low..high).contains(&other.hertz()) && other.loudness_rank != point.loudness_rank
                };
                points.iter().filter(between).count() < EACH_SIDE
            })
        };
        found.extend(points.iter().filter(|point| wanted(point)).map(|point| CheckPointRecord {
            frequency_hz: point.hertz(),
            range: range.name.clone(),
            crystal_harmonic: point.crystal_harmonic,
            meter_harmonic: point.meter_harmonic,
            reading: point.point.reading,
            loudness_rank: point.loudness_rank,
            too_close: point.too_close,
        }));
    }
    Ok(CheckPoints { checkpoints: found })
}
