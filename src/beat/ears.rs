//! Two ears behind one door: for one beat note, and for the two notes of a receiver.

use super::{Ear, pair};
use crate::heard::{Heard, Level, Snapshot, TrackRow, Warning};
use crate::settings::{Command, Settings};

/// What an ear can tell while it listens.
pub trait Tells {
    /// Rows that have become final since the last call.
    fn drain_rows(&mut self) -> std::vec::Drain<'_, TrackRow>;
    /// The newest that is known, provisional.
    fn snapshot(&mut self) -> Snapshot;
}

/// An ear, as the settings ask for it.
pub enum Ears {
    /// For one beat note.
    Note(Box<Ear>),
    /// For two notes in a receiver.
    Pair(Box<pair::Ear>),
}

impl Ears {
    /// An ear for samples at `rate_hz`, at least 400 Hz.
    pub fn new(rate_hz: f64, settings: &Settings) -> Self {
        match settings.two_notes {
            None => Self::Note(Box::new(Ear::new(rate_hz, settings))),
            Some(two_notes) => Self::Pair(Box::new(pair::Ear::new(rate_hz, settings, two_notes))),
        }
    }

    /// Takes a declaration that holds from `at_s` on.
    pub fn command(&mut self, at_s: f64, command: Command) {
        match self {
            Self::Note(ear) => ear.command(at_s, command),
            Self::Pair(ear) => ear.command(at_s, command),
        }
    }

    /// Takes conditioned samples; `each_look` is called after every look with the ear itself.
    pub fn push(&mut self, samples: &[f32], each_look: &mut dyn FnMut(&mut dyn Tells)) {
        match self {
            Self::Note(ear) => ear.push(samples, &mut |ear| each_look(ear)),
            Self::Pair(ear) => ear.push(samples, each_look),
        }
    }

    /// The newest that is known, provisional.
    pub fn snapshot(&mut self) -> Snapshot {
        match self {
            Self::Note(ear) => ear.snapshot(),
            Self::Pair(ear) => ear.snapshot(),
        }
    }

    /// Ends the sound: all that was heard. `level` and `warnings` come from the conditioning.
    pub fn finish(self, level: Level, warnings: Vec<Warning>) -> (Heard, Vec<TrackRow>) {
        match self {
            Self::Note(ear) => ear.finish(level, warnings),
            Self::Pair(ear) => ear.finish(level, warnings),
        }
    }
}

impl Tells for Ear {
    fn drain_rows(&mut self) -> std::vec::Drain<'_, TrackRow> {
        Self::drain_rows(self)
    }

    fn snapshot(&mut self) -> Snapshot {
        Self::snapshot(self)
    }
}
