//! A recording fed through the ring at its own pace, as if it came from a card.
//!
//! Unlike a card it waits when the ring is full, so nothing is ever lost on the way.

use super::beside::{self, WithLosses};
use super::inflow::{Faults, Inflow, Pace, Running, Sound, SoundError};
use super::recording::{self, RecordingError};
use super::ring::{Feed, ring};
use crate::block::SampleBlock;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

/// Sound that the ring holds, s.
const RING_S: f64 = 6.0;
/// The portions in which it is fed, as a card would, s.
const PORTION_S: f64 = 0.02;
/// How often a full ring is looked at again.
const FULL: Duration = Duration::from_millis(2);

/// How fast a recording is replayed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Speed {
    /// So many times as fast as it was recorded; positive.
    Times(f64),
    /// As fast as it is taken.
    Max,
}

/// A recording to be replayed.
#[derive(Debug, Clone)]
pub struct Replay {
    /// The file; `-` is standard input.
    pub path: PathBuf,
    /// How fast.
    pub speed: Speed,
}

impl Sound for Replay {
    fn open(&mut self) -> Result<Inflow, SoundError> {
        let recording = WithLosses::new(recording::open(&self.path)?, &beside::read(&self.path)?);
        let format = recording.format();
        let words = recording.recording().format_words().to_owned();
        let (feed, tap) = ring(format, RING_S);
        let speed = self.speed;
        let (told, end) = mpsc::channel();
        thread::spawn(move || {
            let mut feed = feed;
            // Told before the feed goes: whoever sees the ring ended finds the end told.
            let _ = told.send(feed_in(recording, &mut feed, speed));
        });
        // Twenty looks a second at its own pace are not enough when ten seconds pass in one.
        let pace = match speed {
            Speed::Times(times) => Pace::Waits(Duration::from_secs_f64((0.01 / times).clamp(0.001, 0.02))),
            Speed::Max => Pace::Waits(Duration::from_millis(1)),
        };
        Ok(Inflow {
            format,
            name: self.path.display().to_string(),
            words,
            tap,
            faults: Arc::new(Faults::default()),
            pace,
            running: Box::new(Feeding { end }),
        })
    }
}

/// The thread that feeds. It ends when the recording does or when nobody reads the ring any more, and is not waited
/// for: it may be waiting for a pipe itself.
struct Feeding {
    end: mpsc::Receiver<Result<Vec<String>, RecordingError>>,
}

impl Running for Feeding {
    fn close(self: Box<Self>) -> Result<Vec<String>, SoundError> {
        Ok(self.end.try_recv().unwrap_or_else(|_| Ok(Vec::new()))?)
    }
}

fn feed_in(mut recording: WithLosses, feed: &mut Feed, speed: Speed) -> Result<Vec<String>, RecordingError> {
    let format = recording.format();
    let channels = usize::from(format.channels);
    let rate = f64::from(format.rate_hz);
    let portion = ((rate * PORTION_S) as usize).max(1);
    let began = Instant::now();
    let mut block = SampleBlock::default();
    while recording.next_block(&mut block)? {
        if let Some(loss) = block.lost_before {
            feed.lose(loss);
        }
        let mut frame = block.first_frame;
        for samples in block.samples.chunks(portion * channels) {
            let frames = samples.len() / channels;
            frame += frames as u64;
            if let Speed::Times(times) = speed {
                // A card hands over a portion when its last sample was taken.
                let due = began + Duration::from_secs_f64(frame as f64 / rate / times);
                thread::sleep(due.saturating_duration_since(Instant::now()));
            }
            while !feed.has_room(frames) {
                if !feed.is_read() {
                    return Ok(recording.leave());
                }
                thread::sleep(FULL);
            }
            feed.push(samples, |sample| sample);
        }
        if !feed.is_read() {
            break;
        }
    }
    Ok(recording.leave())
}
