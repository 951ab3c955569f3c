//! The demo's story in under twenty lines.

use super::{correct, text};
use crate::task::demo::Told;
use std::fmt::Write;

/// Sets the story out: what was recorded, how the note fell and where it rests, and what that makes of the reading.
pub fn story(told: &Told) -> String {
    let (heard, corrected) = (&told.analysis.heard, &told.corrected);
    let mut out = String::new();
    // Writing to a String can't fail.
    let mut line = |label: &str, body: &str| {
        let _ = writeln!(out, "{label:<10}{body}");
    };
    let target = corrected.target.as_ref();
    let net = target.map_or_else(String::new, |target| format!(" on {:.0} kHz", target.target_hz / 1000.0));
    line(
        "",
        &format!(
            "A club holds its net{net}. One evening net control is zero-beaten with the {},",
            told.meter
        ),
    );
    line("", "the phone jack recorded, the meter's frequency turned up from below. What was heard?");
    line("", "");
    if let Some(story) = text::story(told.trail.rows()) {
        line("fall", &story);
    }
    if let Some(hum) = &heard.hum {
        line("hum", &format!("{} beside it, taken out", text::hertz(hum.fundamental_hz, hum.u_hz)));
    }
    if let Some(rest) = heard.rests.last() {
        let amount = text::hertz(rest.offset_hz, rest.u_hz);
        line(
            "rest",
            &format!(
                "{}, from {:.2} to {:.2} s",
                told.hand.side_in_words(rest.side, &amount),
                rest.start_s,
                rest.end_s
            ),
        );
    }
    line(
        "dial",
        &format!(
            "{} (drum/dial), harmonic {}: by the book {:.0} Hz",
            told.reading,
            corrected.harmonic,
            f64::from(corrected.harmonic) * corrected.book_hz
        ),
    );
    for check in &corrected.checks {
        line(
            "check",
            &format!(
                "crystal harmonic {} on meter harmonic {}: the book is {:.0} ± {:.0} Hz off there",
                check.crystal_harmonic, check.meter_harmonic, check.error_hz, check.u_hz
            ),
        );
    }
    line("signal", &correct::signal(corrected));
    if let Some(target) = target {
        line("net", &correct::target_words(target, corrected.u_hz));
    }
    line("on paper", &corrected.line);
    out
}
