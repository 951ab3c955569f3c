//! Sound that comes in while one waits for it: what a sound card and a replayed recording have in common.

use super::ring::{Feed, Tap};
use crate::block::{Loss, StreamFormat};
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};
use std::time::Duration;

/// Something that sound can be had from, again and again if need be.
pub trait Sound: Send {
    /// Opens it and lets the sound flow.
    ///
    /// # Errors
    /// It is not there, in use, or can't do what is asked.
    fn open(&mut self) -> Result<Inflow, SoundError>;
}

/// Why sound can't be had.
#[derive(Debug, thiserror::Error)]
pub enum SoundError {
    /// From a sound card.
    #[cfg(feature = "live")]
    #[error(transparent)]
    Capture(#[from] super::capture::CaptureError),
    /// From a recording.
    #[error(transparent)]
    Recording(#[from] super::recording::RecordingError),
    /// From the notes beside it.
    #[error(transparent)]
    Beside(#[from] super::beside::BesideError),
    /// From a fake, or any other source.
    #[error("{0}")]
    Other(String),
}

/// Sound that is flowing.
pub struct Inflow {
    /// Rate and channels.
    pub format: StreamFormat,
    /// Where it comes from, as the user knows it.
    pub name: String,
    /// The sample format in words.
    pub words: String,
    /// Where it comes out.
    pub tap: Tap,
    /// What went wrong on the way.
    pub faults: Arc<Faults>,
    /// How fast it should come; none when it comes as fast as it is taken.
    pub pace: Pace,
    /// What keeps it flowing; dropping it stops the flow.
    pub running: Box<dyn Running + Send>,
}

/// How sound keeps time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// A card's: it waits for nobody and can go away.
    Card,
    /// A recording's: it waits where the ring is full, and looking for more is worth while after so long.
    Waits(Duration),
}

/// What keeps sound flowing.
pub trait Running {
    /// Stops the flow and tells what there is to tell of it, one sentence each.
    ///
    /// # Errors
    /// The flow had ended by a fault.
    fn close(self: Box<Self>) -> Result<Vec<String>, SoundError>;
}

/// What can end a stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum Fault {
    /// The device is not there any more.
    Gone = 1,
    /// The device or its settings changed so that it must be opened anew.
    Changed = 2,
    /// The sound system gives errors.
    Broken = 3,
}

impl Fault {
    /// What happened, for the user.
    pub fn words(self) -> &'static str {
        match self {
            Self::Gone => "the sound input went away",
            Self::Changed => "the sound input was changed under way",
            Self::Broken => "the sound system gives errors instead of sound",
        }
    }
}

/// Faults as they are told by an audio thread: no lock, no allocation, and cheap when told a million times a second.
#[derive(Debug, Default)]
pub struct Faults {
    overruns: AtomicU64,
    fatal: AtomicU8,
}

impl Faults {
    /// Some frames were lost before they could be fetched, nobody knows how many.
    pub fn overrun(&self) {
        self.overruns.fetch_add(1, Ordering::Relaxed);
    }

    /// The stream is lost. The first reason is kept.
    pub fn fatal(&self, fault: Fault) {
        let _ = self.fatal.compare_exchange(0, fault as u8, Ordering::Release, Ordering::Relaxed);
    }

    /// How many overruns there were.
    pub fn overruns(&self) -> u64 {
        self.overruns.load(Ordering::Relaxed)
    }

    /// Why the stream is lost, if it is.
    pub fn reason(&self) -> Option<Fault> {
        match self.fatal.load(Ordering::Acquire) {
            0 => None,
            1 => Some(Fault::Gone),
            2 => Some(Fault::Changed),
            _ => Some(Fault::Broken),
        }
    }
}

/// The whole of what an audio callback does: copies whole frames into the ring and counts what did not fit. It
/// allocates nothing, takes no lock and formats nothing.
pub struct Intake {
    feed: Feed,
    faults: Arc<Faults>,
    overruns: u64,
}

impl Intake {
    /// An intake into a ring.
    pub fn new(feed: Feed, faults: Arc<Faults>) -> Self {
        Self { feed, faults, overruns: 0 }
    }

    /// Takes what one callback brings; `convert` makes full scale ±1 of a sample.
    pub fn take<T: Copy>(&mut self, samples: &[T], convert: impl Fn(T) -> f32) {
        let overruns = self.faults.overruns();
        if overruns != self.overruns {
            self.overruns = overruns;
            self.feed.lose(Loss::Unknown);
        }
        self.feed.push(samples, convert);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::SampleBlock;
    use crate::source::ring::ring;

    #[test]
    fn the_first_fatal_fault_is_kept() {
        let faults = Faults::default();
        assert_eq!(faults.reason(), None);
        for fault in [Fault::Changed, Fault::Gone, Fault::Broken] {
            faults.fatal(fault);
        }
        assert_eq!(faults.reason(), Some(Fault::Changed));
    }

    #[test]
    fn an_overrun_is_a_gap_of_unknown_length_before_the_next_frame() {
        let (feed, mut tap) = ring(StreamFormat { rate_hz: 100, channels: 1 }, 1.0);
        let faults = Arc::new(Faults::default());
        let mut intake = Intake::new(feed, Arc::clone(&faults));
        intake.take(&[0.5f32], |s| s);
        faults.overrun();
        intake.take(&[0.25f32, 0.125], |s| s);
        let mut block = SampleBlock::default();
        assert!(tap.next_block(&mut block, 10) && block.samples == [0.5] && block.lost_before.is_none());
        assert!(tap.next_block(&mut block, 10) && block.samples == [0.25, 0.125]);
        assert_eq!(block.lost_before, Some(Loss::Unknown));
    }
}
