//! The sound inputs as a table.

use crate::source::capture::{Input, Offer, spans};
use std::fmt::Write;

/// Those that work first, then those that don't, with the reason.
pub fn text(inputs: &[Input]) -> String {
    let working: Vec<(&Input, &Offer)> =
        inputs.iter().filter_map(|input| Some((input, input.offer.as_ref().ok()?))).collect();
    if inputs.is_empty() {
        return "No sound input is listed on this machine; --replay FILE listens to a recording.\n"
            .to_owned();
    }
    let mut text = if working.is_empty() { "No sound input works.\n".to_owned() } else { table(&working) };
    if working.len() < inputs.len() {
        text += "Listed, but failing:\n";
    }
    for input in inputs {
        if let Err(error) = &input.offer {
            let _ = writeln!(text, "{:>3}{} {}: {}", input.number, star(input), input.name, error.in_brief());
        }
    }
    if inputs.iter().any(|input| input.is_default) {
        text += "* the system's default\n";
    }
    text
}

fn table(working: &[(&Input, &Offer)]) -> String {
    let header = ["input", "rates, Hz", "channels", "opened at"].map(str::to_owned);
    let row = |(input, offer): &(&Input, &Offer)| {
        let opened = offer.opened_as;
        let channels = if opened.channels == 1 { "channel" } else { "channels" };
        [
            input.name.clone(),
            spans(&offer.rates_hz),
            spans(&offer.channels),
            format!("{} Hz, {} {channels}", opened.rate_hz, opened.channels),
        ]
    };
    let rows: Vec<[String; 4]> = working.iter().map(row).collect();
    let width = |column: usize| {
        let cells = rows.iter().chain([&header]).map(|row| row[column].chars().count());
        cells.max().unwrap_or(0)
    };
    let [input_w, rates_w, channels_w] = [0, 1, 2].map(width);
    let line = |[input, rates, channels, opened]: &[String; 4]| {
        format!("{input:<input_w$}  {rates:<rates_w$}  {channels:<channels_w$}  {opened}\n")
    };
    let mut text = format!("     {}", line(&header));
    for ((input, _), row) in working.iter().zip(&rows) {
        let _ = write!(text, "{:>3}{} {}", input.number, star(input), line(row));
        if !input.about.is_empty() && input.about != input.name {
            let _ = writeln!(text, "     {}", input.about);
        }
    }
    text
}

fn star(input: &Input) -> &'static str {
    if input.is_default { "*" } else { " " }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::StreamFormat;
    use crate::source::capture::{CaptureError, Offer};

    #[test]
    fn working_and_failing_inputs() {
        let offer = |rates_hz: &[(u32, u32)], channels, opened_as| {
            Ok(Offer { rates_hz: rates_hz.to_vec(), channels, opened_as })
        };
        let input = |number, name: &str, about: &str, offer| Input {
            number,
            name: name.to_owned(),
            about: about.to_owned(),
            is_default: number == 1,
            offer,
        };
        let inputs = [
            input(
                1,
                "default",
                "Default Audio Device",
                offer(&[(4000, 192_000)], vec![(1, 32)], StreamFormat { rate_hz: 48_000, channels: 2 }),
            ),
            input(2, "hw:CARD=bench,DEV=0", "", Err(CaptureError::Busy("hw:CARD=bench,DEV=0".to_owned()))),
            input(
                3,
                "plughw:CARD=line",
                "Line, Line In: with all conversions",
                offer(
                    &[(8000, 8000), (44_100, 48_000)],
                    vec![(1, 1)],
                    StreamFormat { rate_hz: 48_000, channels: 1 },
                ),
            ),
        ];
        insta::assert_snapshot!([text(&inputs), text(&inputs[1..2]), text(&[])].join("\n"));
    }
}
