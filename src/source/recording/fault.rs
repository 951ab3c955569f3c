//! What can be wrong with a recording, each in one plain line.

use std::io;

/// A recording that can't be read: which one and why.
#[derive(Debug, thiserror::Error)]
#[error("{name}: {fault}")]
pub struct RecordingError {
    /// The path as given (control characters escaped), or "standard input".
    pub name: String,
    /// What is wrong with it.
    #[source]
    pub fault: Fault,
}

/// What is wrong with a recording.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// There is no such file.
    #[error("there is no such file; hint: check the name and the folder")]
    Missing,
    /// A folder's name was given.
    #[error("is a folder; hint: name a WAV or FLAC file in it")]
    Folder,
    /// The system does not let it be opened or read.
    #[error("can't be read ({}); hint: check that it may be read and that its disk is there", crate::source::io_words(.0))]
    Io(#[from] io::Error),
    /// Not a byte in it.
    #[error("is empty; hint: the recorder left nothing, record again")]
    Empty,
    /// Stopped by hand before there was any sound.
    #[error("stopped before there was any sound; hint: does the program at the pipe's other end run?")]
    Stopped,
    /// Neither WAV nor FLAC.
    #[error("is {looks_like}, not a WAV or FLAC recording; hint: convert it to WAV with any sound editor")]
    NotSound {
        /// What its first bytes look like.
        looks_like: &'static str,
    },
    /// RIFF, but something else than sound inside.
    #[error("is a RIFF file without sound (no WAVE form); hint: convert it to WAV with any sound editor")]
    NotAWave,
    /// No description of the samples before them.
    #[error("has no `fmt ` chunk before its sound; hint: the header is damaged, record or export it again")]
    NoFormat,
    /// A description too short to tell what the samples are.
    #[error("has a `fmt ` chunk that is cut short; hint: the header is damaged, record or export it again")]
    ShortFormat,
    /// No samples.
    #[error(
        "has no `data` chunk, so no sound; hint: the recording was cut off in its header, record it again"
    )]
    NoData,
    /// Something that is no chunk where a chunk was expected.
    #[error(
        "has no chunk at byte {at} where one must begin; hint: the header is damaged, record or export it again"
    )]
    LostTrack {
        /// Position in the file, bytes.
        at: u64,
    },
    /// A compressed format.
    #[error(
        "holds {name} (format tag {tag:#06x}), which is not read; hint: convert it to plain PCM WAV or FLAC"
    )]
    Compressed {
        /// Format tag of the header.
        tag: u16,
        /// Its name, where known.
        name: &'static str,
    },
    /// A sample width that does not exist.
    #[error("says {0} bits to a sample, which does not exist; hint: the header is damaged, export it again")]
    Bits(u16),
    /// No channels, or more than any recorder has.
    #[error("says {0} channels; hint: the header is damaged, record or export it again")]
    Channels(u16),
    /// A rate that no sound is recorded at, or too slow for a beat note.
    #[error("says {0} samples per second; hint: 400 Hz to 1 MHz can be read, record or export it again")]
    Rate(u32),
    /// Damaged FLAC.
    #[error("is FLAC that can't be decoded ({0}); hint: convert it to WAV, or copy it again from its source")]
    Flac(String),
}
