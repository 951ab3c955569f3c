//! `analyse`: a recording in, an [`Analysis`] out.

use super::span::Span;
use crate::block::SampleBlock;
use crate::clock::Clock;
use crate::heard::{Heard, Snapshot, TrackRow};
use crate::pipeline::{Pipeline, PipelineError, Settings, Sink};
use crate::source::recording::{self, Recording, RecordingError, Stop};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What was read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Input {
    /// Path as given.
    pub path: String,
    /// Frames per second, Hz.
    pub sample_rate_hz: u32,
    /// Channels in the file.
    pub channels: u16,
    /// The channel analysed, counted from 1.
    pub channel_used: u16,
    /// Frames read.
    pub frames: u64,
    /// Length, s.
    pub duration_s: f64,
    /// Sample format in words, such as "16-bit integer".
    pub format: String,
    /// What was mended while reading.
    pub notes: Vec<String>,
    /// The sound card's clock.
    pub clock: Clock,
    /// Ended by hand before its end; in the record a note says so.
    #[serde(skip)]
    pub stopped: bool,
}

/// The answer of `analyse --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Analysis {
    /// Version of this record's shape.
    pub schema: u32,
    /// What was read.
    pub input: Input,
    /// What the ear has to say.
    #[serde(flatten)]
    pub heard: Heard,
}

impl Analysis {
    /// Puts the sound card's clock right: every frequency is multiplied by 1 + its error, once.
    pub fn apply(&mut self, clock: Clock) {
        if !self.input.clock.applied && clock.error_ppm.is_some() {
            self.heard.scale(clock.factor());
            self.input.clock = Clock { applied: true, ..clock };
        }
    }
}

/// Why a recording could not be analysed; one plain line with its name.
#[derive(Debug, thiserror::Error)]
pub enum AnalyseError {
    /// It can't be read.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// It can't be listened to as asked.
    #[error("{path}: {error}")]
    Pipeline {
        /// The recording.
        path: String,
        /// What is wrong.
        error: PipelineError,
    },
    /// The part asked for is not there.
    #[error(
        "{path}: it ends at {duration_s:.2} s, before the part asked for begins; hint: an earlier --span"
    )]
    BeyondTheEnd {
        /// The recording.
        path: String,
        /// Its length, s.
        duration_s: f64,
    },
}

/// Analyses a recording, or a part of it; `-` is standard input. Instants are those of the whole recording.
///
/// # Errors
/// A recording that can't be read, a channel that is not there, a part beyond the end.
pub fn analyse_file(
    path: &Path,
    settings: &Settings,
    span: Option<Span>,
    sink: &mut dyn Sink,
) -> Result<Analysis, AnalyseError> {
    analyse_until(path, settings, span, sink, &Stop::default())
}

/// Analyses a recording, or a part of it, up to where it is when `stop` is set; a note says so then.
///
/// # Errors
/// As [`analyse_file`], and when `stop` is set before there is any sound.
pub fn analyse_until(
    path: &Path,
    settings: &Settings,
    span: Option<Span>,
    sink: &mut dyn Sink,
    stop: &Stop,
) -> Result<Analysis, AnalyseError> {
    let recording = recording::open_until(path, stop)?;
    analyse_recording(recording, &path.to_string_lossy(), settings, span, sink)
}

/// Analyses a recording that is already open; `path` is what the answer calls it.
///
/// # Errors
/// As [`analyse_file`].
pub fn analyse_recording(
    mut recording: Recording,
    path: &str,
    settings: &Settings,
    span: Option<Span>,
    sink: &mut dyn Sink,
) -> Result<Analysis, AnalyseError> {
    let format = recording.format();
    let mut pipeline = Pipeline::new(format, settings)
        .map_err(|error| AnalyseError::Pipeline { path: path.to_owned(), error })?;
    let frame = |at_s: f64| (at_s * f64::from(format.rate_hz)).round() as u64;
    let first = span.map_or(0, |span| frame(span.from_s));
    let last = span.and_then(|span| span.to_s).map_or(u64::MAX, frame);
    let from_s = first as f64 / f64::from(format.rate_hz);
    let seconds = |frames: u64| frames as f64 / f64::from(format.rate_hz);
    let of_s = recording.frames_expected().map(|all| seconds(all.min(last)));
    let mut later = Later { by_s: from_s, sink };
    let mut block = SampleBlock::default();
    let mut end = 0;
    while end < last && recording.next_block(&mut block)? {
        let frames = (block.samples.len() / usize::from(format.channels)) as u64;
        end = block.first_frame + frames;
        cut(&mut block, first, last, format.channels);
        if !block.samples.is_empty() {
            pipeline.push(&block, &mut later);
        }
        later.sink.progress(seconds(end), of_s);
    }
    recording.leave();
    let end = end.min(last);
    let duration_s = end.saturating_sub(first) as f64 / f64::from(format.rate_hz);
    if span.is_some() && end <= first {
        let duration_s = end as f64 / f64::from(format.rate_hz);
        return Err(AnalyseError::BeyondTheEnd { path: path.to_owned(), duration_s });
    }
    let mut finished = pipeline.finish(&mut later);
    finished.heard.shift(from_s);
    Ok(Analysis {
        schema: 1,
        input: Input {
            path: path.to_owned(),
            sample_rate_hz: format.rate_hz,
            channels: format.channels,
            channel_used: finished.channel_used,
            frames: finished.frames,
            duration_s,
            format: recording.format_words().to_owned(),
            notes: recording.notes().to_vec(),
            clock: Clock::default(),
            stopped: recording.stopped(),
        },
        heard: finished.heard,
    })
}

/// Keeps of a block what lies in `first..last` and counts its frames from `first`.
fn cut(block: &mut SampleBlock, first: u64, last: u64, channels: u16) {
    let channels = usize::from(channels);
    let frames = (block.samples.len() / channels) as u64;
    let end = block.first_frame + frames;
    let after = end.saturating_sub(last).min(frames);
    block.samples.truncate((frames - after) as usize * channels);
    let before = first.saturating_sub(block.first_frame).min(frames - after);
    block.samples.drain(..before as usize * channels);
    if before > 0 {
        block.lost_before = None;
    }
    block.first_frame = (block.first_frame + before).saturating_sub(first);
}

/// Sets the instants of a part to those of the whole recording.
struct Later<'a> {
    by_s: f64,
    sink: &'a mut dyn Sink,
}

impl Sink for Later<'_> {
    fn row(&mut self, row: &TrackRow) {
        self.sink.row(&TrackRow { time_s: row.time_s + self.by_s, ..row.clone() });
    }

    fn wants_snapshots(&self) -> bool {
        self.sink.wants_snapshots()
    }

    fn snapshot(&mut self, snapshot: &Snapshot) {
        self.sink.snapshot(&Snapshot { at_s: snapshot.at_s + self.by_s, ..snapshot.clone() });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_block_is_cut_to_the_part_asked_for() {
        let block = |first_frame| SampleBlock {
            samples: (0..8u8).map(f32::from).collect(),
            first_frame,
            lost_before: None,
        };
        // Four stereo frames, 10 to 13, of which 11 and 12 are wanted.
        let mut part = block(10);
        cut(&mut part, 11, 13, 2);
        assert_eq!((part.first_frame, part.samples.as_slice()), (0, &[2.0, 3.0, 4.0, 5.0][..]));
        let mut after = block(13);
        cut(&mut after, 11, 13, 2);
        assert!(after.samples.is_empty());
        let mut before = block(0);
        cut(&mut before, 11, 13, 2);
        assert!(before.samples.is_empty());
    }
}
