//! `analyse`: a recording in, an [`Analysis`] out.

use crate::block::SampleBlock;
use crate::clock::Clock;
use crate::heard::Heard;
use crate::pipeline::{Pipeline, PipelineError, Settings, Sink};
use crate::source::recording::{self, Recording, RecordingError};
use crate::task::span::Span;
use serde::{Deserialize, Serialize};

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

/// Why a recording could not be analysed.
#[derive(Debug, thiserror::Error)]
pub enum AnalyseError {
    /// It can't be read.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// It can't be listened to.
    #[error("{path}: {why}")]
    Pipeline {
        /// The recording.
        path: String,
        /// What is wrong.
        why: PipelineError,
    },
    /// The part asked for is not in it.
    #[error(
        "{path}: the span begins at {from_s} s, but the recording is only {length_s:.3} s long; hint: name an earlier one"
    )]
    BeyondTheEnd {
        /// The recording.
        path: String,
        /// Where the span begins, s.
        from_s: f64,
        /// Length of the recording, s.
        length_s: f64,
    },
}

/// Hears the recording at `path` (`-`: standard input), or a part of it, and hands the track to `sink` on the way.
/// Times are seconds from the beginning of the recording, also where only a part of it is heard.
///
/// # Errors
/// A recording that can't be read, a channel that it does not have, a span beyond its end.
pub fn analyse_file(
    path: &std::path::Path,
    settings: &Settings,
    span: Option<Span>,
    sink: &mut dyn Sink,
) -> Result<Analysis, AnalyseError> {
    analyse_recording(recording::open(path)?, &path.display().to_string(), settings, span, sink)
}

/// Hears an open recording; `path` is what the answer calls it.
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
        .map_err(|why| AnalyseError::Pipeline { path: path.to_owned(), why })?;
    let rate = f64::from(format.rate_hz);
    let from = span.map_or(0, |s| (s.from_s * rate) as u64);
    let to = span.and_then(|s| s.to_s).map_or(u64::MAX, |t| (t * rate) as u64);
    let (mut block, mut frames) = (SampleBlock::default(), 0);
    while frames < to && recording.next_block(&mut block)? {
        let channels = usize::from(format.channels);
        frames = block.first_frame + (block.samples.len() / channels) as u64;
        let keep = |frame: u64| {
            (frame.saturating_sub(block.first_frame) as usize * channels).min(block.samples.len())
        };
        let (first, last) = (keep(from), keep(to));
        if first >= last {
            continue;
        }
        // What lies outside the span is no sound at all, so the rest of the recording keeps its times.
        block.samples[..first].fill(f32::NAN);
        block.samples.truncate(last);
        pipeline.push(&block, sink);
    }
    if from > 0 && frames <= from {
        return Err(AnalyseError::BeyondTheEnd {
            path: path.to_owned(),
            from_s: from as f64 / rate,
            length_s: frames as f64 / rate,
        });
    }
    let frames = frames.min(to);
    let finished = pipeline.finish(sink);
    Ok(Analysis {
        schema: 1,
        input: Input {
            path: path.to_owned(),
            sample_rate_hz: format.rate_hz,
            channels: format.channels,
            channel_used: finished.channel_used,
            frames,
            duration_s: frames as f64 / rate,
            format: recording.format_words().to_owned(),
            notes: recording.notes().to_vec(),
            clock: Clock::default(),
        },
        heard: finished.heard,
    })
}
