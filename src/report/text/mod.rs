//! What was heard, in plain words for people: the story, the rests, how it ends and what to do next.

mod ending;

pub use ending::ending_in_words;

use super::table::Table;
use crate::clock::Clock;
use crate::heard::{Crossing, CrossingKind, EndingState, Heard, Level, Method, Rest, TrackRow, two_notes};
use crate::measured::value_and_u;
use crate::offset::{Hand, Side};
use crate::task::analyse::{Analysis, Input};
use crate::task::hold_off::hold_off;
use std::fmt::Write;

/// The whole answer of `analyse` as text. `trail` is the track, thinned or not; `hand` says whose side is told.
pub fn analysis(analysis: &Analysis, trail: &[TrackRow], hand: Hand) -> String {
    let heard = &analysis.heard;
    let mut text = input_line(&analysis.input);
    text.push('\n');
    if heard.ending.state != EndingState::Quiet {
        push_sentence(&mut text, story(trail));
    }
    for crossing in &heard.crossings {
        push_sentence(&mut text, Some(crossing_in_words(crossing)));
    }
    push_sentence(&mut text, Some(ending_in_words(&heard.ending, &heard.rests, hand)));
    if !heard.rests.is_empty() {
        text.push('\n');
        text.push_str(&rests_table(&heard.rests, hand));
        push_sentence(
            &mut text,
            Some("± is one standard uncertainty, noise and wander together.".to_owned()),
        );
        push_sentence(&mut text, clock_in_words(&analysis.input.clock, &heard.rests));
        for (number, rest) in heard.rests.iter().enumerate() {
            push_sentence(&mut text, remark(number + 1, rest));
        }
    }
    text.push('\n');
    background(&mut text, heard);
    let pulled = heard.rests.iter().any(|rest| rest.pulled.is_some());
    if pulled || matches!(heard.ending.state, EndingState::DeadBand | EndingState::Locked) {
        push_sentence(&mut text, Some(hold_off(Some(heard)).in_words()));
    }
    for note in &analysis.input.notes {
        push_sentence(&mut text, Some(format!("Mended while reading: {note}.")));
    }
    for warning in &heard.warnings {
        push_sentence(&mut text, Some(format!("Caution ({}): {}", warning.code, warning.message)));
    }
    text
}

/// "38.612 ± 0.002 Hz", u to two significant digits.
pub fn hertz(value: f64, u: f64) -> String {
    let (value, u) = value_and_u(value, u);
    format!("{value} ± {u} Hz")
}

/// The note of a rest as it was heard; of one that is pulled nobody needs to know how exactly.
pub fn heard(rest: &Rest) -> String {
    if rest.pulled.is_some() {
        format!("about {:.2} Hz", rest.heard_hz)
    } else {
        hertz(rest.heard_hz, rest.u_hz)
    }
}

/// A bound in Hz, rounded up to two significant digits: rounding down would promise too much.
pub fn bound(bound_hz: f64) -> String {
    let place = 10f64.powi(bound_hz.abs().log10().floor() as i32 - 1);
    let rounded = (bound_hz / place).ceil() * place;
    let decimals = usize::try_from(-place.log10().round() as i64).unwrap_or(0);
    format!("{rounded:.decimals$} Hz")
}

/// Widest line of running text, characters.
const WIDTH: usize = 80;

/// Adds a sentence, broken into lines that fit a plain terminal; a figure keeps its unit and its ± on its line.
fn push_sentence(text: &mut String, sentence: Option<String>) {
    let Some(sentence) = sentence else { return };
    let glued = |word: &str| {
        let word = word.trim_end_matches(['.', ',', ';', ':', ')']);
        matches!(word, "Hz" | "s" | "dB" | "dBFS" | "ppm" | "%" | "±")
    };
    let words: Vec<&str> = sentence.split(' ').collect();
    let mut room = WIDTH;
    for (number, group) in words.chunk_by(|before, word| glued(word) || *before == "±").enumerate() {
        let group = group.join(" ");
        let length = group.chars().count();
        if number > 0 && length < room {
            text.push(' ');
            room -= 1;
        } else if number > 0 {
            text.push('\n');
            room = WIDTH;
        }
        text.push_str(&group);
        room = room.saturating_sub(length);
    }
    text.push('\n');
}

fn input_line(input: &Input) -> String {
    format!(
        "{}: {:.2} s, {} Hz, {}, channel {} of {}\n",
        crate::source::one_line(&input.path),
        input.duration_s,
        input.sample_rate_hz,
        input.format,
        input.channel_used,
        input.channels
    )
}

/// From where to where the note was followed; nothing when no step heard one.
pub(super) fn story(trail: &[TrackRow]) -> Option<String> {
    let two = two_notes(trail);
    let mut heard = trail.iter().filter_map(|row| row.offset_hz.map(|offset| (row.time_s, offset, row.u_hz)));
    let first = heard.next()?;
    let last = heard.next_back()?;
    let put = |(time, offset, u): (f64, f64, Option<f64>)| {
        let offset = u.map_or_else(|| format!("about {offset:.0} Hz"), |u| hertz(offset, u));
        format!("{offset} at {time:.2} s")
    };
    let what = if two { "Two notes were followed, their distance" } else { "A note was followed" };
    Some(format!("{what} from {} to {}.", put(first), put(last)))
}

pub(super) fn crossing_in_words(crossing: &Crossing) -> String {
    let (at, u) = value_and_u(crossing.at_s, crossing.u_s);
    match crossing.kind {
        CrossingKind::Crossed => format!("It went through zero at {at} ± {u} s: the side changed there."),
        CrossingKind::TurnedBack => {
            format!("It came close to zero at {at} ± {u} s and went back on the same side.")
        }
        CrossingKind::Unsure => {
            format!("It came close to zero at {at} ± {u} s; the sound does not tell whether it went through.")
        }
    }
}

fn rests_table(rests: &[Rest], hand: Hand) -> String {
    let mut table = Table::new(&[
        ("rest", ""),
        ("from", "s"),
        ("to", "s"),
        ("offset", "Hz"),
        ("±", "Hz"),
        ("drift", "Hz/s"),
        ("±", "Hz/s"),
        ("SNR", "dB"),
        ("side", ""),
    ]);
    for (rest, number) in rests.iter().zip(1..) {
        table.row(rest_cells(number, rest, hand));
    }
    table.print()
}

/// The cells of a rest's row: number, from and to in s, offset and u in Hz, drift and its u in Hz/s, SNR in dB, side.
pub(super) fn rest_cells(number: usize, rest: &Rest, hand: Hand) -> [String; 9] {
    let (offset, u) = value_and_u(rest.offset_hz, rest.u_hz);
    let (rate, rate_u) = value_and_u(rest.rate_hz_per_s, rest.rate_u);
    let nil = !rate.contains(|digit: char| matches!(digit, '1'..='9'));
    let rate = if rest.rate_hz_per_s > 0.0 && !nil { format!("+{rate}") } else { rate };
    [
        number.to_string(),
        format!("{:.2}", rest.start_s),
        format!("{:.2}", rest.end_s),
        offset,
        u,
        rate,
        rate_u,
        format!("{:.0}", rest.snr_db),
        side_with_subject(hand, rest.side).to_owned(),
    ]
}

/// The side for a table cell: short, and still with its subject.
pub(super) fn side_with_subject(hand: Hand, side: Side) -> &'static str {
    match (hand, side) {
        (Hand::Meter, Side::High) => "meter above",
        (Hand::Meter, Side::Low) => "meter below",
        (Hand::Signal, Side::High) => "transmitter low",
        (Hand::Signal, Side::Low) => "transmitter high",
        (_, Side::Unknown) => "unknown",
    }
}

/// What the card's clock adds, at the largest offset of the rests, because it is common to all of them.
pub(super) fn clock_in_words(clock: &Clock, rests: &[Rest]) -> Option<String> {
    let largest = rests.iter().map(|rest| rest.offset_hz).reduce(f64::max)?;
    let (_, adds) = value_and_u(0.0, clock.u_ppm * 1e-6 * largest);
    let (offset, _) = value_and_u(largest, largest * 1e-2);
    let stand = if clock.applied { "is applied" } else { "is not in it" };
    Some(format!("The sound card's clock {stand} ({}); at {offset} Hz it makes ± {adds} Hz.", clock.source))
}

/// What is particular about one rest; nothing for a plain one.
pub(super) fn remark(number: usize, rest: &Rest) -> Option<String> {
    let mut parts = Vec::new();
    match rest.method {
        Method::Note => {}
        Method::Swell => parts.push("taken from the programme's swelling".to_owned()),
        Method::TwoNotes => parts.push("taken from two notes".to_owned()),
    }
    if let Some([signal, meter]) = rest.notes_hz {
        parts.push(format!("signal's note about {signal:.1} Hz, meter's about {meter:.1} Hz"));
    }
    if let Some(pulled) = &rest.pulled {
        parts.push(format!(
            "heard at {}, pulled by coupling (lock half-width about {:.2} Hz) and undone with ± {} Hz of its own; \
             loosen the coupling or work at a larger offset",
            heard(rest),
            pulled.lock_hz,
            value_and_u(rest.offset_hz, pulled.u_true_hz).1
        ));
    }
    if let Some(hum) = rest.near_hum_hz {
        parts.push(format!(
            "hum at about {hum:.2} Hz is too near to be told apart; move the dial by some hertz"
        ));
    }
    if !rest.alternatives_hz.is_empty() {
        let others: Vec<String> = rest.alternatives_hz.iter().map(|&hz| hertz(hz, rest.u_hz)).collect();
        parts.push(format!("the sound also allows {}", others.join(" or ")));
    }
    (!parts.is_empty()).then(|| format!("Rest {number}: {}.", parts.join("; ")))
}

/// Steady notes, hum and level: what else was on the line.
fn background(text: &mut String, heard: &Heard) {
    for note in &heard.steady_notes {
        push_sentence(
            text,
            Some(format!(
                "Steady, not the beat: {} at {:.0} dBFS ({}).",
                hertz(note.frequency_hz, note.u_hz),
                note.level_db,
                note.why
            )),
        );
    }
    if let Some(hum) = &heard.hum {
        let mut line = format!(
            "Mains hum: {} at {:.0} dBFS, harmonics",
            hertz(hum.fundamental_hz, hum.u_hz),
            hum.level_db
        );
        for order in &hum.harmonics {
            let _ = write!(line, " {order}");
        }
        push_sentence(text, Some(line + "."));
    }
    push_sentence(text, Some(level_in_words(&heard.level)));
}

pub(super) fn level_in_words(level: &Level) -> String {
    if !level.peak_dbfs.is_finite() {
        return "Input: digital silence; check the plug, the channel and the recorder's level.".to_owned();
    }
    let clipped = if level.clipped_fraction > 0.0 {
        format!(", {:.2} % of the samples clipped", 100.0 * level.clipped_fraction)
    } else {
        String::new()
    };
    format!("Input: peak {:.1} dBFS, rms {:.1} dBFS{clipped}.", level.peak_dbfs, level.rms_dbfs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::example;

    #[test]
    fn a_bound_is_never_rounded_down() {
        assert_eq!(bound(17.2), "18 Hz");
        assert_eq!(bound(0.401), "0.41 Hz");
        assert_eq!(bound(123.0), "130 Hz");
        assert_eq!(bound(100.0), "100 Hz");
    }

    #[test]
    fn a_fall_to_rest_in_words() {
        let (told, trail) = example::fall_to_rest();
        insta::assert_snapshot!(analysis(&told, &trail, Hand::Meter));
    }

    #[test]
    fn a_dead_band_in_words_with_the_transmitter_in_the_hand() {
        let (told, trail) = example::dead_band();
        insta::assert_snapshot!(analysis(&told, &trail, Hand::Signal));
    }

    #[test]
    fn nothing_heard_is_said_and_no_figure_is_given_for_it() {
        let (told, trail) = example::quiet();
        let text = analysis(&told, &trail, Hand::Meter);
        assert!(!text.contains("0 Hz apart") && !text.contains(" 0.0 Hz"), "{text}");
        insta::assert_snapshot!(text);
    }
}
