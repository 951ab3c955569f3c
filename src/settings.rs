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

/// Which side of a receiver's beat oscillator the notes are heard on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Sideband {
    /// Pitch rises with radio frequency: b = meter's note − signal's note.
    Upper,
    /// Pitch falls with radio frequency: b = signal's note − meter's note.
    Lower,
    /// Whichever a declared turning shows.
    #[default]
    Auto,
}

/// Where the meter's note stands when the two are first heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pitch {
    /// Above the signal's note.
    Higher,
    /// Below it.
    Lower,
}

/// Two notes are to be followed, signal's and meter's, in a receiver with its beat oscillator on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct TwoNotes {
    /// How their pitch goes with radio frequency.
    pub sideband: Sideband,
    /// Which is the meter's at first; else it is the one that moves with the hand.
    pub meter_pitch: Option<Pitch>,
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
    /// Two notes in a receiver instead of one beat note.
    pub two_notes: Option<TwoNotes>,
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
