//! Sound from a card. `cpal` is used only here.

mod devices;
mod error;
mod offer;
#[cfg(target_os = "linux")]
mod quiet;

pub use devices::{Choice, Input, Offer, inputs};
pub use error::CaptureError;
pub use offer::{Mismatch, Wish, spans};

use super::inflow::{Fault, Faults, Inflow, Intake, Pace, Running, Sound, SoundError};
use super::ring::ring;
use crate::block::StreamFormat;
use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{BufferSize, Data, ErrorKind, SampleFormat, StreamConfig, SupportedBufferSize};
use offer::Chosen;
use std::sync::Arc;
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

/// Sound that the ring holds, s: a sound server that was stopped for a while hands over its backlog at once.
const RING_S: f64 = 8.0;
/// The portions asked of the card: fifty a second, small enough that the screen seems immediate and large enough for
/// a busy machine to keep up with.
const PORTIONS_PER_S: u32 = 50;
/// How often the sound library looks whether the device is still there while no sound comes.
const LOOK: Duration = Duration::from_millis(500);
/// How long closing a stream is waited for.
const CLOSING: Duration = Duration::from_millis(500);

/// A sound card's input.
#[derive(Debug, Clone)]
pub struct Capture {
    choice: Choice,
    wish: Wish,
}

impl Capture {
    /// The input that is meant and what is needed of it.
    pub fn new(choice: Choice, wish: Wish) -> Self {
        Self { choice, wish }
    }
}

impl Sound for Capture {
    fn open(&mut self) -> Result<Inflow, SoundError> {
        let device = devices::find(&self.choice)?;
        let name = devices::name_of(&device);
        let offered = devices::offered(&device, &name).map_err(|error| match error {
            // The default can't be reached where there is none.
            CaptureError::Unreachable(_) if self.choice == Choice::Default => CaptureError::NoInput,
            error => error,
        })?;
        let chosen = offer::choose(&offered, self.wish)
            .map_err(|mismatch| CaptureError::Mismatch { name: name.clone(), mismatch })?;
        let format = StreamFormat { rate_hz: chosen.rate_hz, channels: chosen.channels };
        let (feed, tap) = ring(format, RING_S);
        let faults = Arc::new(Faults::default());
        let mut intake = Intake::new(feed, Arc::clone(&faults));
        let take = move |data: &Data| match data.sample_format() {
            SampleFormat::I16 => {
                intake.take(data.as_slice::<i16>().unwrap_or_default(), |s| f32::from(s) / 32_768.0);
            }
            SampleFormat::I32 => {
                intake.take(data.as_slice::<i32>().unwrap_or_default(), |s| s as f32 / 2_147_483_648.0);
            }
            _ => intake.take(data.as_slice::<f32>().unwrap_or_default(), |s| s),
        };
        let told = Arc::clone(&faults);
        let complain = move |kind: ErrorKind| match kind {
            ErrorKind::Xrun | ErrorKind::DeviceChanged => told.overrun(),
            ErrorKind::RealtimeDenied => {}
            ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable => told.fatal(Fault::Gone),
            ErrorKind::StreamInvalidated => told.fatal(Fault::Changed),
            _ => told.fatal(Fault::Broken),
        };
        let about = |e: cpal::Error| CaptureError::about(&name, &e);
        let stream = build(&device, &chosen, take, complain).map_err(about)?;
        stream.play().map_err(about)?;
        // The number may belong to another input when this one is looked for again.
        if matches!(self.choice, Choice::Number(_)) {
            self.choice = Choice::Name(name.clone());
        }
        // A pipeline goes on only with what it began with.
        self.wish = Wish { rate_hz: Some(chosen.rate_hz), channel: Some(chosen.channels) };
        Ok(Inflow {
            format,
            name,
            words: offer::format_words(chosen.format).to_owned(),
            tap,
            faults,
            pace: Pace::Card,
            running: Box::new(Stream(stream)),
        })
    }
}

struct Stream(cpal::Stream);

impl Running for Stream {
    /// A stream whose sound server died may never close: it is closed on a thread of its own, which is left behind if
    /// it does not come back.
    fn close(self: Box<Self>) -> Result<Vec<String>, SoundError> {
        let (closed, is_closed) = mpsc::channel();
        thread::spawn(move || {
            drop(self.0);
            let _ = closed.send(());
        });
        let _ = is_closed.recv_timeout(CLOSING);
        Ok(Vec::new())
    }
}

/// Builds a stream, paused.
fn build(
    device: &cpal::Device,
    chosen: &Chosen,
    mut take: impl FnMut(&Data) + Send + 'static,
    mut complain: impl FnMut(ErrorKind) + Send + 'static,
) -> Result<cpal::Stream, cpal::Error> {
    let wanted = chosen.rate_hz / PORTIONS_PER_S;
    let frames = match chosen.buffer {
        SupportedBufferSize::Range { min, max } => wanted.clamp(min, max.max(min)),
        SupportedBufferSize::Unknown => wanted,
    };
    device.build_input_stream_raw(
        StreamConfig {
            channels: chosen.channels,
            sample_rate: chosen.rate_hz,
            buffer_size: BufferSize::Fixed(frames),
        },
        chosen.format,
        move |data, _| take(data),
        move |error| complain(error.kind()),
        Some(LOOK),
    )
}
