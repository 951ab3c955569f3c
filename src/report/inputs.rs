//! The sound inputs as a table.

use crate::source::capture::{Input, spans};

/// Those that work first, then those that don't, with the reason.
pub fn text(inputs: &[Input]) -> String {
    let widest = inputs.iter().map(|input| input.name.chars().count()).max().unwrap_or(0);
    let mut working = String::new();
    let mut failing = String::new();
    for input in inputs {
        let Input { number, name, about, .. } = input;
        let default = if input.is_default { "default" } else { "" };
        match &input.offer {
            Ok(offer) => {
                working += &format!(
                    "{number:>3}  {name:<widest$}  {default:<7}  {} Hz, {} channels\n",
                    spans(&offer.rates_hz),
                    spans(&offer.channels)
                );
                working += &format!(
                    "     {:<widest$}           opened at {} Hz with {}\n",
                    "",
                    offer.opened_as.rate_hz,
                    channels(offer.opened_as.channels)
                );
                if !about.is_empty() && about != name {
                    working += &format!("     {:<widest$}           {about}\n", "");
                }
            }
            Err(error) => {
                failing += &format!("{number:>3}  {name:<widest$}  {default:<7}  {}\n", error.in_brief())
            }
        }
    }
    match (working.is_empty(), failing.is_empty()) {
        (true, true) => {
            "No sound input is listed on this machine; --replay FILE listens to a recording.\n".to_owned()
        }
        (true, false) => format!("No sound input works. Listed, but failing:\n{failing}"),
        (false, true) => format!("Sound inputs:\n{working}"),
        (false, false) => format!("Sound inputs:\n{working}Listed, but failing:\n{failing}"),
    }
}

fn channels(count: u16) -> String {
    if count == 1 { "1 channel".to_owned() } else { format!("{count} channels") }
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
