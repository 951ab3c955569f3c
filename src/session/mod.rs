//! A pipeline on a thread of its own, fed by sound as it comes in.
//!
//! The thread opens the sound, keeps it where asked, pushes it through the ear, and hands out an [`Update`] for every
//! snapshot. It outlives the loss of a sound card: it says so, tries again until the card is back, and goes on with
//! the time that passed counted as a gap.

mod meter;
mod opener;
mod run;
mod watch;

pub use meter::InputLevel;

use crate::block::StreamFormat;
use crate::clock::Clock;
use crate::heard::Snapshot;
use crate::pipeline::{Finished, Pipeline, PipelineError};
use crate::settings::{Command, Settings};
use crate::source::inflow::{Sound, SoundError};
use run::{Ear, Waits};
use std::path::PathBuf;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::thread::{self, JoinHandle};
use std::time::Duration;

/// Updates that may wait to be taken. A card's older ones give way when there are more; a recording waits.
const WAITING: usize = 256;

/// What a session is to do.
#[derive(Debug, Clone, Default)]
pub struct Options {
    /// What is declared before the first sample.
    pub settings: Settings,
    /// What is declared later, with the frame from which it holds, in order: a kept recording's declarations.
    pub declared: Vec<(u64, Command)>,
    /// Where to keep what is heard.
    pub keep: Option<PathBuf>,
    /// End after so much sound, s.
    pub seconds: Option<f64>,
}

/// The newest state of everything; each one replaces the one before.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Update {
    /// What the ear hears; none before it has heard enough.
    pub snapshot: Option<Snapshot>,
    /// How loud the input is.
    pub level: InputLevel,
    /// How the input is.
    pub input: InputState,
    /// Gaps so far, those of unknown length included.
    pub gaps: u32,
    /// Why the sound is not kept any more.
    pub keep_failed: Option<String>,
}

/// How the input is.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum InputState {
    /// Sound comes in.
    #[default]
    Flowing,
    /// No sound has come for so many seconds, though the input says nothing is wrong.
    Silent(f64),
    /// The input gives less sound than its rate says: this part goes missing unseen.
    Leaking(f64),
    /// It was lost; why, and what became of the last attempt to get it back.
    Gone {
        /// Why it was lost.
        why: String,
        /// Why it could not be had again.
        attempt: Option<String>,
    },
}

/// Why a session could not begin or go on.
#[derive(Debug, thiserror::Error)]
pub enum SessionError {
    /// No sound.
    #[error(transparent)]
    Sound(#[from] SoundError),
    /// The pipeline does not take such sound.
    #[error(transparent)]
    Pipeline(#[from] PipelineError),
    /// It can't be kept.
    #[error(transparent)]
    Keep(#[from] crate::source::keep::KeepError),
    /// What happens meanwhile can't be noted beside it.
    #[error(transparent)]
    Beside(#[from] crate::source::beside::BesideError),
    /// A sound system that does not answer.
    #[error(
        "the sound system does not answer; hint: is its server stopped? start it again, or listen to a recording with \
         --replay FILE"
    )]
    NoAnswer,
    /// Not a card.
    #[error(
        "sound input {0} gives sound far faster than any card does, so it is none; hint: choose another with --input"
    )]
    Runaway(String),
    /// A fault of the program.
    #[error("the analysis broke off by a fault of this program; what was kept until then is readable")]
    Broken,
}

/// What there is to tell when a session has ended.
#[derive(Debug)]
pub struct Outcome {
    /// What was heard.
    pub finished: Finished,
    /// Rate and channels.
    pub format: StreamFormat,
    /// Where the sound came from.
    pub name: String,
    /// The sample format in words.
    pub words: String,
    /// What happened to the sound on the way, one sentence each.
    pub notes: Vec<String>,
    /// Why it ended before its time.
    pub broke_off: Option<String>,
    /// Why not all of it was kept.
    pub keep_failed: Option<String>,
    /// The sound card's clock; where its error is known it is applied to what was heard.
    pub clock: Clock,
}

/// An order to the thread.
#[derive(Debug, Clone, Copy)]
enum Order {
    Declare(Command),
    Stop,
}

/// What the thread says first.
type Opened = Result<(StreamFormat, String), SessionError>;

/// A running session.
pub struct Session {
    format: StreamFormat,
    name: String,
    clock: Clock,
    orders: Sender<Order>,
    updates: Receiver<Update>,
    thread: JoinHandle<Result<Outcome, SessionError>>,
}

/// What there is to take from a session.
#[derive(Debug)]
pub enum Next {
    /// A newer state.
    Update(Box<Update>),
    /// Nothing new.
    Nothing,
    /// No more will come.
    Ended,
}

impl Session {
    /// Opens the sound and begins to listen; returns when sound flows.
    ///
    /// # Errors
    /// The sound can't be had or kept, or is of no use.
    pub fn start(sound: impl Sound + 'static, options: Options) -> Result<Self, SessionError> {
        Self::start_with(sound, options, Pipeline::new, Waits::default())
    }

    fn start_with<E: Ear>(
        sound: impl Sound + 'static,
        options: Options,
        ear: impl FnOnce(StreamFormat, &Settings) -> Result<E, PipelineError> + Send + 'static,
        waits: Waits,
    ) -> Result<Self, SessionError> {
        let (orders, for_thread) = mpsc::channel();
        let (from_thread, updates) = mpsc::sync_channel(WAITING);
        let (say_opened, opened) = mpsc::sync_channel(1);
        let thread = thread::spawn(move || {
            run::run(sound, options, ear, &for_thread, from_thread, &say_opened, waits)
        });
        match opened.recv() {
            Ok(Ok((format, name))) => {
                Ok(Self { format, name, clock: Clock::default(), orders, updates, thread })
            }
            Ok(Err(error)) => Err(error),
            Err(_) => Err(SessionError::Broken),
        }
    }

    /// Rate and channels of the sound.
    pub fn format(&self) -> StreamFormat {
        self.format
    }

    /// Where the sound comes from: the input's name, or the recording's.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Applies a sound card's clock to all that is told from now on, and to what is told at the end. The ear itself
    /// never knows of it.
    pub fn by_clock(&mut self, clock: Clock) {
        self.clock = Clock { applied: clock.error_ppm.is_some(), ..clock };
    }

    /// The sound card's clock as it is applied.
    pub fn clock(&self) -> &Clock {
        &self.clock
    }

    /// Takes the next update, waiting for it at most so long.
    pub fn next_update(&self, wait: Duration) -> Next {
        match self.updates.recv_timeout(wait) {
            Ok(mut update) => {
                if let (true, Some(snapshot)) = (self.clock.applied, &mut update.snapshot) {
                    snapshot.scale(self.clock.factor());
                }
                Next::Update(Box::new(update))
            }
            Err(RecvTimeoutError::Timeout) => Next::Nothing,
            Err(RecvTimeoutError::Disconnected) => Next::Ended,
        }
    }

    /// Declares something that holds from the sound that comes in now.
    pub fn declare(&self, command: Command) {
        // A session that has ended listens to nobody, which is no fault.
        let _ = self.orders.send(Order::Declare(command));
    }

    /// Stops listening, if it has not ended by itself, and tells what was heard.
    ///
    /// # Errors
    /// The sound broke off and could not be had again.
    pub fn finish(self) -> Result<Outcome, SessionError> {
        let _ = self.orders.send(Order::Stop);
        // The thread may be waiting to hand over an update.
        drop(self.updates);
        let mut outcome = self.thread.join().unwrap_or(Err(SessionError::Broken))?;
        if self.clock.applied {
            outcome.finished.heard.scale(self.clock.factor());
        }
        outcome.clock = self.clock;
        Ok(outcome)
    }
}

#[cfg(test)]
mod tests;
