//! The demo's story, in under twenty lines.

use super::text::hertz;
use crate::measured::value_and_u;
use crate::offset::Hand;
use crate::report::correct::{signal_words, target_words};
use crate::task::demo::{Demo, READING};
use std::fmt::Write;

/// Tells the demo: what was recorded, the fall, the rest and its side, the dial, the corrected frequency.
pub fn text(demo: &Demo) -> String {
    let (heard, corrected) = (&demo.analysis.heard, &demo.corrected);
    let mut text = format!(
        "A club's net meets on 3520 kHz. Is net control where it belongs? One evening its\n\
         carrier is met with the club bench meter, the meter's frequency turned up from\n\
         below, and the phone jack recorded ({:.0} s).\n\n",
        demo.analysis.input.duration_s
    );
    let mut line = |label: &str, words: String| {
        let _ = writeln!(text, "{label:<10}{words}");
    };
    let first = demo.trail.rows().iter().find_map(|row| Some((row.time_s, row.offset_hz?, row.u_hz?)));
    if let Some((at, offset, u)) = first {
        line("fall", format!("the note is heard from {at:.2} s on, first at {}", hertz(offset, u)));
    }
    if let Some(hum) = &heard.hum {
        let f = hertz(hum.fundamental_hz, hum.u_hz);
        line("hum", format!("{f}, with its harmonics, is told apart"));
    }
    if let Some(rest) = heard.rests.last() {
        let amount = hertz(rest.offset_hz, rest.u_hz);
        let words = Hand::Meter.side_in_words(rest.side, &amount);
        line("rest", format!("{words}, {:.2} to {:.2} s", rest.start_s, rest.end_s));
        line("side", "the meter went up and the note fell: the meter is still below".to_owned());
    }
    let book = f64::from(corrected.harmonic) * corrected.book_hz;
    line(
        "dial",
        format!("{READING} by drum and dial, harmonic {}: {book:.0} Hz by the book", corrected.harmonic),
    );
    for check in &corrected.checks {
        let (error, u) = value_and_u(check.error_hz, check.u_hz);
        let point = format!("{}/{}", check.crystal_harmonic, check.meter_harmonic);
        line("check", format!("at point {point} the meter is {error} ± {u} Hz off its book"));
    }
    line("signal", signal_words(corrected));
    if let Some(target) = &corrected.target {
        line("net", target_words(target, corrected.u_hz));
    }
    line("on paper", corrected.line.clone());
    text
}
