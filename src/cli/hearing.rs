//! What the user declares about the sound; the same words for recordings and for live sound.

use crate::offset::{Hand, Turning};
use crate::pipeline::{ChannelChoice, Mains, Settings};
use crate::quantity::Hertz;
use crate::settings::{Pitch, Sideband, TwoNotes};
use clap::builder::{PossibleValuesParser, TypedValueParser};

/// Declarations about the sound
#[derive(Debug, Clone, Copy, clap::Args)]
pub struct Hearing {
    /// The channel to listen to, counted from 1, or `auto` for the one with the note
    #[arg(long, value_name = "auto|N", default_value = "auto", value_parser = channel)]
    channel: ChannelChoice,
    /// Which oscillator is turned: the meter's, or the transmitter being set to it
    #[arg(long, default_value = "meter", value_parser = hand())]
    hand: Hand,
    /// Which way its frequency moves in the first move heard; this is what tells the side
    #[arg(long, value_parser = turning())]
    turning: Option<Turning>,
    /// Mains hum: find it, expect it near 50 Hz, 60 Hz or FREQ, or don't look for it
    #[arg(long, value_name = "auto|50|60|FREQ|off", default_value = "auto", value_parser = mains)]
    mains: Mains,
    /// Expect a standard station's tones and ticks
    #[arg(long)]
    station_tones: bool,
    /// Follow two notes, the signal's and the meter's, in a receiver with its beat oscillator on: pitch rises (upper) or
    /// falls (lower) with radio frequency, or does what a declared --turning shows (auto)
    #[arg(long, value_parser = sideband())]
    two_notes: Option<Sideband>,
    /// Which of the two notes is the meter's at first [default: the one that moves with the hand]
    #[arg(long, requires = "two_notes", value_parser = pitch())]
    meter_pitch: Option<Pitch>,
}

impl Hearing {
    /// The declarations as the ear takes them.
    pub fn settings(&self) -> Settings {
        Settings {
            channel: self.channel,
            hand: self.hand,
            turning: self.turning,
            mains: self.mains,
            station_tones: self.station_tones,
            two_notes: self.two_notes.map(|sideband| TwoNotes { sideband, meter_pitch: self.meter_pitch }),
        }
    }
}

fn channel(text: &str) -> Result<ChannelChoice, String> {
    match (text, text.parse::<u16>()) {
        ("auto", _) => Ok(ChannelChoice::Auto),
        (_, Ok(number @ 1..)) => Ok(ChannelChoice::Number(number)),
        _ => Err("channels are counted from 1; hint: write auto, 1, 2 …".to_owned()),
    }
}

fn hand() -> impl TypedValueParser<Value = Hand> {
    PossibleValuesParser::new(["meter", "signal"]).map(|word| match word.as_str() {
        "signal" => Hand::Signal,
        _ => Hand::Meter,
    })
}

fn turning() -> impl TypedValueParser<Value = Turning> {
    PossibleValuesParser::new(["up", "down"]).map(|word| match word.as_str() {
        "down" => Turning::Down,
        _ => Turning::Up,
    })
}

/// Reads the side of a receiver.
pub fn sideband() -> impl TypedValueParser<Value = Sideband> {
    PossibleValuesParser::new(["upper", "lower", "auto"]).map(|word| match word.as_str() {
        "upper" => Sideband::Upper,
        "lower" => Sideband::Lower,
        _ => Sideband::Auto,
    })
}

/// Reads where the meter's note stands at first.
pub fn pitch() -> impl TypedValueParser<Value = Pitch> {
    PossibleValuesParser::new(["higher", "lower"]).map(|word| match word.as_str() {
        "lower" => Pitch::Lower,
        _ => Pitch::Higher,
    })
}

/// The two mains frequencies of the world need no unit; any other does.
fn mains(text: &str) -> Result<Mains, String> {
    match text {
        "auto" => Ok(Mains::Auto),
        "off" => Ok(Mains::Off),
        "50" => Ok(Mains::Near(50.0)),
        "60" => Ok(Mains::Near(60.0)),
        _ => match text.parse::<Hertz>() {
            Ok(Hertz(hz)) if (10.0..=1000.0).contains(&hz) => Ok(Mains::Near(hz)),
            Ok(hz) => Err(format!("{hz} is no mains frequency; hint: 10Hz to 1kHz, auto or off")),
            Err(error) => Err(error.to_string()),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mains_with_and_without_unit() {
        assert_eq!(mains("60"), Ok(Mains::Near(60.0)));
        assert_eq!(mains("400Hz"), Ok(Mains::Near(400.0)));
        assert_eq!(mains("off"), Ok(Mains::Off));
        assert!(mains("55").unwrap_err().contains("no unit"));
        assert!(mains("5MHz").unwrap_err().contains("no mains frequency"));
    }

    #[test]
    fn channels_count_from_one() {
        assert_eq!(channel("auto"), Ok(ChannelChoice::Auto));
        assert_eq!(channel("2"), Ok(ChannelChoice::Number(2)));
        assert!(channel("0").is_err() && channel("left").is_err());
    }
}
