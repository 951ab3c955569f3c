//! Opens sound on a thread of its own: a sound system that has stopped lets no opening return, and the session must go
//! on obeying the user meanwhile.

use crate::source::inflow::{Inflow, Sound, SoundError};
use std::sync::mpsc::{self, Receiver, Sender};
use std::thread;
use std::time::Duration;

/// Opens when asked, one opening at a time.
pub(super) struct Opener {
    asks: Sender<()>,
    answers: Receiver<Result<Inflow, SoundError>>,
    pending: bool,
}

impl Opener {
    /// Nothing is opened yet.
    pub fn new(mut sound: impl Sound + 'static) -> Self {
        let (asks, asked) = mpsc::channel();
        let (answer, answers) = mpsc::channel();
        thread::spawn(move || {
            while asked.recv().is_ok() {
                if answer.send(sound.open()).is_err() {
                    break;
                }
            }
        });
        Self { asks, answers, pending: false }
    }

    /// Asks for an opening, unless one is under way.
    pub fn ask(&mut self) {
        if !self.pending {
            self.pending = self.asks.send(()).is_ok();
        }
    }

    /// What came of the opening asked for, waiting so long for it; none while it is under way.
    pub fn answer(&mut self, wait: Duration) -> Option<Result<Inflow, SoundError>> {
        if !self.pending {
            return None;
        }
        let answer = self.answers.recv_timeout(wait).ok()?;
        self.pending = false;
        Some(answer)
    }
}
