//! The demo's story in under twenty lines.

use super::{correct, text};
use crate::offset::Side;
use crate::task::demo::Told;
use std::fmt::Write;

/// Sets the story out: what was recorded, how the note fell and where it rests, and what that makes of the reading.
pub fn story(told: &Told) -> String {
    let (heard, corrected) = (&told.analysis.heard, &told.corrected);
    let target = corrected.target.as_ref();
    let net = target.map_or_else(String::new, |target| format!(" on {:.0} kHz", target.target_hz / 1000.0));
    let mut out = format!(
        "A club's net meets{net}. Is net control where it belongs? One evening its\ncarrier is met with the {}, \
         the meter's frequency turned up from\nbelow, and the phone jack recorded ({:.0} s).\n\n",
        told.meter, told.analysis.input.duration_s
    );
    // Writing to a String can't fail.
    let mut line = |label: &str, body: &str| {
        let _ = writeln!(out, "{label:<10}{body}");
    };
    let mut note =
        told.trail.rows().iter().filter_map(|row| row.offset_hz.zip(row.u_hz).zip(Some(row.time_s)));
    if let Some(((offset, u), at)) = note.next() {
        line("fall", &format!("the note is heard from {at:.2} s on, first at {}", text::hertz(offset, u)));
    }
    if let Some(hum) = &heard.hum {
        line(
            "hum",
            &format!("{}, with its harmonics, is told apart", text::hertz(hum.fundamental_hz, hum.u_hz)),
        );
    }
    if let Some(rest) = heard.rests.last() {
        let amount = text::hertz(rest.offset_hz, rest.u_hz);
        let span = format!("{:.2} to {:.2} s", rest.start_s, rest.end_s);
        line("rest", &format!("{}, {span}", told.hand.side_in_words(rest.side, &amount)));
        if rest.side == Side::Low {
            line("side", "the meter went up and the note fell: the meter is still below");
        }
    }
    let book_hz = f64::from(corrected.harmonic) * corrected.book_hz;
    line(
        "dial",
        &format!(
            "{} by drum and dial, harmonic {}: {book_hz:.0} Hz by the book",
            told.reading, corrected.harmonic
        ),
    );
    for check in &corrected.checks {
        let point = format!("{}/{}", check.crystal_harmonic, check.meter_harmonic);
        line(
            "check",
            &format!(
                "at point {point} the meter is {:.0} ± {:.0} Hz off its book",
                check.error_hz, check.u_hz
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
