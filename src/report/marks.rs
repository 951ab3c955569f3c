//! The rests that were marked while listening.

use super::lines::set;
use crate::live::{Mark, side_words};
use crate::measured::value_and_u;
use std::fmt::Write;

/// A line per mark, and below it its label and what the dial makes of it.
pub fn text(marks: &[Mark]) -> String {
    if marks.is_empty() {
        return "No rest was marked.\n".to_owned();
    }
    let mut text = "Rests marked (u: standard uncertainty)\n".to_owned();
    for (mark, number) in marks.iter().zip(1..) {
        let (offset, u) = value_and_u(mark.rest.offset_hz, mark.rest.u_hz);
        let _ = writeln!(
            text,
            "{number:>3}  at {:>7.1} s  {offset:>10} Hz  u {u} Hz  {}",
            mark.at_s,
            side_words(mark.rest.side)
        );
        let label = mark.label.as_deref().map(crate::source::one_line);
        let mut more: Vec<String> = label.into_iter().collect();
        if let Some(signal) = &mark.signal {
            let all: Vec<String> = signal
                .frequencies_hz
                .iter()
                .map(|&hz| format!("{} Hz", value_and_u(hz, signal.u_hz).0))
                .collect();
            more.push(format!("signal {}, u {} Hz", all.join(" or "), value_and_u(0.0, signal.u_hz).1));
        }
        if !more.is_empty() {
            text += &set("     ", &more.join("; "));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heard::{Method, Rest};
    use crate::live::Signal;
    use crate::offset::{Hand, Side};

    #[test]
    fn marks_with_and_without_a_frequency() {
        let mark = |at_s, offset_hz, side, frequencies_hz: &[f64]| Mark {
            at_s,
            rest: Rest {
                start_s: at_s - 3.0,
                end_s: at_s,
                at_s,
                offset_hz,
                u_hz: 0.0121,
                u_noise_hz: 0.0121,
                u_wander_hz: 0.0,
                heard_hz: offset_hz,
                rate_hz_per_s: 0.0,
                rate_u: 0.001,
                side,
                snr_db: 20.0,
                method: Method::Note,
                notes_hz: None,
                alternatives_hz: vec![],
                pulled: None,
                near_hum_hz: None,
            },
            hand: Hand::Meter,
            label: (at_s > 100.0).then(|| "station B".to_owned()),
            signal: (!frequencies_hz.is_empty()).then(|| Signal {
                frequencies_hz: frequencies_hz.to_vec(),
                u_hz: 4.2,
                expanded_u_hz: 8.4,
                from_target_hz: None,
            }),
        };
        let marks = [
            mark(12.34, 6.4137, Side::High, &[]),
            mark(75.0, 1240.77, Side::Low, &[2_125_006.4]),
            mark(130.2, 31.0, Side::Unknown, &[2_124_969.0, 2_125_031.0]),
        ];
        insta::assert_snapshot!([text(&marks), text(&[])].join("\n"));
    }
}
