//! What the user declares: before the first sample, and while listening.

use crate::offset::{Hand, Turning};

/// Which channel is listened to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum ChannelChoice {
    /// The most tonal one in the first seconds that hold a tone, then kept.
    #[default]
    Auto,
    /// This one, counted from 1.
    Number(u16),
}

/// What is known of the mains hum.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Mains {
    /// Find it.
    #[default]
    Auto,
    /// Near this fundamental, Hz.
    Near(f64),
    /// Do not look for hum.
    Off,
}

/// What the user declares before the first sample.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Settings {
    /// Channel choice.
    pub channel: ChannelChoice,
    /// Which oscillator is turned.
    pub hand: Hand,
    /// Which way its frequency moves in the first move heard.
    pub turning: Option<Turning>,
    /// Mains hum.
    pub mains: Mains,
    /// A standard station's tones are to be expected.
    pub station_tones: bool,
}

/// What the user declares while listening, stamped with the frame at which it holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Command {
    /// The oscillator in the hand is being moved this way from here on (`None`: not declared any more).
    Turning(Option<Turning>),
    /// This oscillator is in the hand from here on.
    Hand(Hand),
    /// Listen to this channel from here on.
    Channel(ChannelChoice),
    /// Mains hum from here on.
    Mains(Mains),
}
