//! The track as CSV: one row per analysis step, in Hz, s and dB.

use crate::heard::{TrackRow, TrackState};
use crate::offset::Side;
use std::fmt::Write;

/// The header line of a track, newline included.
pub const HEADER: &str = "time_s,offset_hz,u_hz,side,level_db,state\n";

/// Appends one row. What was not heard stays an empty field, never a zero.
pub fn append_row(text: &mut String, row: &TrackRow) {
    let side = match row.side {
        Side::High => "high",
        Side::Low => "low",
        Side::Unknown if row.offset_hz.is_some() => "unknown",
        Side::Unknown => "",
    };
    let state = match row.state {
        TrackState::Quiet => "quiet",
        TrackState::Moving => "moving",
        TrackState::Resting => "resting",
        TrackState::DeadBand => "dead-band",
    };
    let field = |value: Option<f64>| value.map_or_else(String::new, |v| v.to_string());
    // Writing to a String can't fail.
    let _ = writeln!(
        text,
        "{},{},{},{side},{},{state}",
        row.time_s,
        field(row.offset_hz),
        field(row.u_hz),
        field(row.level_db)
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_heard_is_empty() {
        let heard = TrackRow {
            time_s: 1.5,
            offset_hz: Some(38.612_345_678_9),
            u_hz: Some(0.002),
            side: Side::Low,
            level_db: Some(-21.5),
            state: TrackState::Resting,
            notes_hz: None,
        };
        let silent = TrackRow::quiet(1.6);
        let mut text = HEADER.to_owned();
        append_row(&mut text, &heard);
        append_row(&mut text, &silent);
        assert_eq!(
            text,
            "time_s,offset_hz,u_hz,side,level_db,state\n1.5,38.6123456789,0.002,low,-21.5,resting\n1.6,,,,,quiet\n"
        );
    }
}
