//! `sheet`: a net's frequencies in, one card of dial settings out.

use super::dial::{NearCheck, REACH_HZ, SettingRecord, to_reading};
use crate::dial::{DialError, LONGEST, Meter, Table};
use crate::quantity::{Hertz, Width, short};
use serde::Serialize;

/// The header of a list of channels, and what may follow.
const HEADER: [&str; 2] = ["label", "frequency"];
const TOLERANCE: [&str; 1] = ["tolerance"];

/// One frequency of a net.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// What the net calls it.
    pub label: String,
    /// The frequency.
    pub frequency: Hertz,
    /// How far it may be off.
    pub tolerance: Option<Width>,
    line: usize,
}

/// A list of channels.
#[derive(Debug, Clone, PartialEq)]
pub struct Channels {
    /// The channels in the file's order.
    pub channels: Vec<Channel>,
    table: Table,
}

impl Channels {
    /// Reads a list: `label,frequency` and, where wanted, `tolerance`; frequencies with their unit, tolerances in Hz,
    /// ppm or %.
    ///
    /// # Errors
    /// Whatever is wrong, with its line.
    pub fn parse(text: &str, file: &str) -> Result<Self, DialError> {
        let table = Table::read(text, file, &HEADER, &TOLERANCE)?;
        let mut channels = Vec::new();
        for record in &table.records {
            let wrong = |why: String| {
                let (what, hint) = match why.split_once("; ") {
                    Some((what, hint)) => (what.to_owned(), short(hint, LONGEST)),
                    None => (why, "write it as 3725kHz".to_owned()),
                };
                table.error(record.line, what, hint)
            };
            let frequency: Hertz = record.fields[1]
                .parse()
                .map_err(|why: crate::quantity::QuantityError| wrong(why.to_string()))?;
            if frequency.0 <= 0.0 {
                return Err(wrong(format!("a frequency of {frequency} can't be")));
            }
            let tolerance = match record.fields.get(2).map(String::as_str) {
                None | Some("") => None,
                Some(width) => Some(
                    width.parse().map_err(|why: crate::quantity::QuantityError| wrong(why.to_string()))?,
                ),
            };
            channels.push(Channel {
                label: record.fields[0].clone(),
                frequency,
                tolerance,
                line: record.line,
            });
        }
        Ok(Self { channels, table })
    }
}

/// One line of the card.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// What the net calls it.
    pub label: String,
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// Where the setting puts the meter's harmonic: the frequency and the hold-off, Hz.
    pub set_hz: f64,
    /// How far it may be off, Hz; null where nobody said.
    pub tolerance_hz: Option<f64>,
    /// The surest setting of the dial.
    pub setting: SettingRecord,
    /// The check point with the nearest reading; null where none can be heard.
    pub checkpoint: Option<NearCheck>,
    /// The tolerance in divisions of the dial at that setting; null where nobody said.
    pub tolerance_div: Option<f64>,
    /// Whether 2u of book and reading lie within the tolerance; null where nobody said.
    pub sure: Option<bool>,
}

/// The answer of `sheet --json`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sheet {
    /// What its owner calls the meter.
    pub meter: String,
    /// How far above each frequency the meter is held, Hz; negative: below; null where it is set to zero beat.
    pub hold_off_hz: Option<f64>,
    /// A line to each channel, in the file's order.
    pub channels: Vec<Line>,
}

/// Works out the card; with a hold-off the meter's harmonic stands so many Hz above every frequency (below, where it is
/// negative).
///
/// # Errors
/// A frequency that no range reaches, with its line.
pub fn sheet(meter: &Meter, list: &Channels, hold_off_hz: Option<f64>) -> Result<Sheet, DialError> {
    let mut channels = Vec::new();
    for channel in &list.channels {
        let set_hz = channel.frequency.0 + hold_off_hz.unwrap_or(0.0);
        // Held off there is no signal at the setting that a check point could be heard with.
        let reach_hz = hold_off_hz.is_none().then_some(REACH_HZ);
        let ways = to_reading(meter, Hertz(set_hz), 1, reach_hz).map_err(|error| {
            let told = error.to_string();
            let (what, hint) = told.split_once("; hint: ").unwrap_or((&told, "another meter may reach it"));
            list.table.error(channel.line, what, hint)
        })?;
        // There is one, or the frequency would be out of reach.
        let Some(setting) = ways.settings.into_iter().next() else { continue };
        let nearest = setting.checkpoints.iter().min_by(|a, b| {
            let off = |point: &NearCheck| (point.reading - setting.reading).abs();
            off(a).total_cmp(&off(b))
        });
        let tolerance_hz = channel.tolerance.map(|width| width.at(channel.frequency).0);
        channels.push(Line {
            label: channel.label.clone(),
            frequency_hz: channel.frequency.0,
            set_hz,
            tolerance_hz,
            checkpoint: nearest.cloned(),
            tolerance_div: tolerance_hz.map(|hertz| hertz / setting.slope_hz_per_div.abs()),
            sure: tolerance_hz.map(|hertz| 2.0 * setting.u_hz <= hertz),
            setting,
        });
    }
    Ok(Sheet { meter: meter.name.clone(), hold_off_hz, channels })
}
