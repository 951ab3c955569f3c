//! source → condition → spectrum → beat, pushed into a sink. No clock, no file, no device: blocks and commands come
//! in with their frame index, and the result is the same for any block size.

use crate::block::{SampleBlock, StreamFormat};
use crate::heard::{Heard, Snapshot, TrackRow};
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

/// Takes what the pipeline has to tell while sound comes in.
pub trait Sink {
    /// One row of the track, final, in order of time (about three seconds behind the sound).
    fn row(&mut self, row: &TrackRow) {
        let _ = row;
    }
    /// The newest state, provisional, twenty times a second of sound.
    fn snapshot(&mut self, snapshot: &Snapshot) {
        let _ = snapshot;
    }
}

/// A sink that lets everything pass.
#[derive(Debug, Default)]
pub struct Ignore;
impl Sink for Ignore {}

/// Why a pipeline can't be built.
#[derive(Debug, thiserror::Error)]
pub enum PipelineError {
    /// Fewer samples a second than a beat note needs.
    #[error("{0} Hz is too slow a sample rate; hint: at least 400 Hz is needed")]
    TooSlow(u32),
    /// A channel that is not there.
    #[error(
        "channel {wanted} was asked for, but there are only {channels}; hint: --channel 1 to {channels}, or auto"
    )]
    NoSuchChannel {
        /// Channel asked for.
        wanted: u16,
        /// Channels in the stream.
        channels: u16,
    },
}

/// What is known when the sound has ended.
#[derive(Debug, Clone)]
pub struct Finished {
    /// Everything heard.
    pub heard: Heard,
    /// The channel that was listened to, counted from 1.
    pub channel_used: u16,
    /// Frames that came in (lost ones not counted).
    pub frames: u64,
}

/// The whole way from blocks of samples to what was heard.
pub struct Pipeline {
    format: StreamFormat,
    frames: u64,
}

impl Pipeline {
    /// Builds a pipeline for a stream.
    ///
    /// # Errors
    /// A rate below 400 Hz or a channel that does not exist.
    pub fn new(format: StreamFormat, settings: &Settings) -> Result<Self, PipelineError> {
        let _ = settings;
        Ok(Self { format, frames: 0 })
    }

    /// Takes one block.
    pub fn push(&mut self, block: &SampleBlock, sink: &mut dyn Sink) {
        let _ = sink;
        self.frames += (block.samples.len() / usize::from(self.format.channels)) as u64;
    }

    /// Takes a declaration that holds from `at_frame` on.
    pub fn command(&mut self, at_frame: u64, command: Command) {
        let _ = (at_frame, command, self.frames);
    }

    /// Ends the sound and tells all that was heard; the rows still in the lag go to the sink first.
    #[must_use]
    pub fn finish(self, sink: &mut dyn Sink) -> Finished {
        let _ = sink;
        todo!("the ear")
    }
}
