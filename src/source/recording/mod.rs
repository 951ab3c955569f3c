//! Recordings, read block by block in bounded memory from a file or a pipe.
//!
//! WAV in every shape that recorders leave behind, and FLAC. What can be read is read; what had to be mended for
//! that is told in [`Recording::notes`]. Nothing is seeked, so a pipe serves as well as a file.

mod fault;
mod flac;
mod header;
mod lookahead;
mod patient;
mod sample;

pub use fault::{Fault, RecordingError};

use crate::block::{Loss, SampleBlock, StreamFormat};
use flac::Flac;
use header::Header;
use lookahead::Lookahead;
use patient::Patient;
use sample::Encoding;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Samples to a block, all channels together; at least one frame. Whole groups of those that are decimated side by side, for
/// the usual factors and channels.
const BLOCK_SAMPLES: usize = 7680;

/// A flag that ends reading when it is set, also while a pipe keeps one waiting.
pub type Stop = Arc<AtomicBool>;

/// A recording that is being read.
pub struct Recording {
    name: String,
    format: StreamFormat,
    words: String,
    notes: Vec<String>,
    frames_expected: Option<u64>,
    body: Body,
    next_frame: u64,
    ended: bool,
    stopped: bool,
    stop: Stop,
}

enum Body {
    Wav(Wav),
    Flac(Box<Flac>),
}

/// The samples of a WAV file.
struct Wav {
    input: Lookahead,
    encoding: Encoding,
    big_endian: bool,
    frame_bytes: usize,
    /// Bytes of sound that the header promised.
    promised: Option<u64>,
    may_be_placeholder: bool,
    got: u64,
    raw: Vec<u8>,
    not_numbers: u64,
}

/// Opens a WAV or FLAC file; `-` is standard input.
///
/// # Errors
/// One plain line with the name, what is wrong and how to mend it: no such file, not a recording, a compressed or
/// damaged header.
pub fn open(path: impl AsRef<Path>) -> Result<Recording, RecordingError> {
    open_until(path, &Stop::default())
}

/// Opens a recording that ends, with a note, where `stop` is set.
///
/// # Errors
/// As [`open`], and when `stop` is set before there is any sound.
pub fn open_until(path: impl AsRef<Path>, stop: &Stop) -> Result<Recording, RecordingError> {
    let path = path.as_ref();
    if path == Path::new("-") {
        let pipe = Patient::new(io::stdin(), stop.clone());
        return Recording::new(Box::new(pipe), None, "standard input", stop);
    }
    let name = path.to_string_lossy();
    let open = || {
        let file = File::open(path).map_err(|e| match e.kind() {
            io::ErrorKind::NotFound => Fault::Missing,
            _ => Fault::Io(e),
        })?;
        let about = file.metadata()?;
        if about.is_dir() {
            return Err(Fault::Folder);
        }
        Ok((file, about.is_file().then_some(about.len())))
    };
    let (file, length) = open().map_err(|fault| RecordingError { name: super::one_line(&name), fault })?;
    match length {
        Some(_) => Recording::new(Box::new(file), length, &name, stop),
        None => Recording::new(Box::new(Patient::new(file, stop.clone())), None, &name, stop),
    }
}

impl Recording {
    /// Reads a recording from any stream of bytes; `name` stands in its errors.
    ///
    /// # Errors
    /// As [`open`].
    pub fn from_reader(
        reader: impl Read + Send + Sync + 'static,
        name: &str,
    ) -> Result<Self, RecordingError> {
        Self::new(Box::new(reader), None, name, &Stop::default())
    }

    fn new(
        reader: Box<dyn Read + Send + Sync>,
        length: Option<u64>,
        name: &str,
        stop: &Stop,
    ) -> Result<Self, RecordingError> {
        let name = super::one_line(name);
        match Self::begin(Lookahead::new(reader), length, &name) {
            Ok(recording) => Ok(Self { stop: stop.clone(), ..recording }),
            Err(_) if stop.load(Ordering::Relaxed) => Err(RecordingError { name, fault: Fault::Stopped }),
            Err(fault) => Err(RecordingError { name, fault }),
        }
    }

    fn begin(mut input: Lookahead, length: Option<u64>, name: &str) -> Result<Self, Fault> {
        let mut notes = Vec::new();
        if skip_id3(&mut input)? {
            notes.push("an ID3 tag in front was skipped".to_owned());
        }
        let recording = match input.peek(4)? {
            b"RIFF" | b"RIFX" | b"RF64" | b"BW64" => {
                let mut header = header::read(&mut input, length)?;
                notes.append(&mut header.notes);
                Self::wav(input, header, length, notes)
            }
            b"fLaC" => {
                let flac = Flac::new(input)?;
                header::check(flac.format)?;
                Self {
                    name: String::new(),
                    format: flac.format,
                    words: flac.words.clone(),
                    notes,
                    frames_expected: flac.frames_expected,
                    body: Body::Flac(Box::new(flac)),
                    next_frame: 0,
                    ended: false,
                    stopped: false,
                    stop: Stop::default(),
                }
            }
            [] => return Err(Fault::Empty),
            _ => return Err(Fault::NotSound { looks_like: looks_like(input.peek(256)?) }),
        };
        Ok(Self { name: name.to_owned(), ..recording })
    }

    fn wav(input: Lookahead, header: Header, length: Option<u64>, notes: Vec<String>) -> Self {
        let frame_bytes = header.encoding.bytes() * usize::from(header.format.channels);
        let there = length.map(|length| length.saturating_sub(input.position()));
        let bytes = match (header.data_bytes, there) {
            (Some(promised), Some(there)) => Some(promised.min(there)),
            (promised, there) => promised.or(there),
        };
        let frames = (BLOCK_SAMPLES / usize::from(header.format.channels)).max(1);
        Self {
            name: String::new(),
            format: header.format,
            words: header.words,
            notes,
            frames_expected: bytes.map(|bytes| bytes / frame_bytes as u64),
            body: Body::Wav(Wav {
                input,
                encoding: header.encoding,
                big_endian: header.big_endian,
                frame_bytes,
                promised: header.data_bytes,
                may_be_placeholder: header.may_be_placeholder,
                got: 0,
                raw: vec![0; frames * frame_bytes],
                not_numbers: 0,
            }),
            next_frame: 0,
            ended: false,
            stopped: false,
            stop: Stop::default(),
        }
    }

    /// Rate and channels.
    pub fn format(&self) -> StreamFormat {
        self.format
    }

    /// The sample format in words, such as "24-bit integer".
    pub fn format_words(&self) -> &str {
        &self.words
    }

    /// What was mended so far, one plain sentence each; complete once [`Self::next_block`] has told the end, or after
    /// [`Self::leave`].
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Whether its [`Stop`] ended it before its end.
    pub fn stopped(&self) -> bool {
        self.stopped
    }

    /// Reads no further: what was mended up to here is told in [`Self::notes`].
    pub fn leave(&mut self) {
        if !self.ended {
            self.ended = true;
            self.tell_the_mends();
        }
    }

    /// How many frames there should be, where header or file length tell.
    pub fn frames_expected(&self) -> Option<u64> {
        self.frames_expected
    }

    /// Reads the next block into `block`, whose allocation is used again, and returns `false` when there is no more.
    ///
    /// A stream that breaks off in its middle (the disk is gone, the rest can't be decoded) ends there, with a note.
    ///
    /// # Errors
    /// The stream can't be read, and nothing of it was.
    pub fn next_block(&mut self, block: &mut SampleBlock) -> Result<bool, RecordingError> {
        block.samples.clear();
        block.lost_before = None;
        if self.ended {
            return Ok(false);
        }
        if self.stop.load(Ordering::Relaxed) {
            self.tell_the_stop();
            return Ok(false);
        }
        let more = match &mut self.body {
            Body::Wav(wav) => wav.next_block(block, &mut self.notes),
            Body::Flac(flac) => flac.next_block(block),
        };
        let more = match more {
            Ok(more) => more,
            Err(fault) if self.next_frame == 0 => {
                return Err(RecordingError { name: self.name.clone(), fault });
            }
            Err(fault) => {
                self.break_off(&fault);
                block.samples.clear();
                return Ok(false);
            }
        };
        if let Some(Loss::Frames(lost)) = block.lost_before {
            self.next_frame = self.next_frame.saturating_add(lost);
        }
        block.first_frame = self.next_frame;
        self.next_frame += (block.samples.len() / usize::from(self.format.channels)) as u64;
        if !more {
            if self.stop.load(Ordering::Relaxed) {
                self.tell_the_stop();
            } else {
                self.tell_the_end();
            }
        }
        Ok(more)
    }

    /// What is said of a recording that was not read to its end.
    fn tell_the_stop(&mut self) {
        self.stopped = true;
        self.leave();
        self.notes.push(format!("stopped by hand after {:.2} s", self.read_s()));
    }

    /// Ends where the stream can't be read any further.
    fn break_off(&mut self, fault: &Fault) {
        self.leave();
        let why = match fault {
            Fault::Io(error) => super::io_words(error),
            Fault::Flac(what) => what.clone(),
            other => other.to_string(),
        };
        self.notes.push(format!("broke off after {:.2} s ({why}): heard up to there", self.read_s()));
    }

    fn read_s(&self) -> f64 {
        self.next_frame as f64 / f64::from(self.format.rate_hz)
    }

    /// What only the end of the stream can tell.
    fn tell_the_end(&mut self) {
        let read = self.next_frame;
        let promised = match &self.body {
            Body::Wav(wav) => {
                wav.tell_the_end(read, &mut self.notes);
                None
            }
            Body::Flac(flac) => flac.frames_expected.filter(|&promised| promised > read),
        };
        self.leave();
        self.notes.extend(promised.map(|promised| cut_short(read, promised)));
    }

    /// What was counted on the way, wherever it ends.
    fn tell_the_mends(&mut self) {
        match &self.body {
            Body::Wav(Wav { not_numbers: 0, .. }) => {}
            Body::Wav(Wav { not_numbers, .. }) => self
                .notes
                .push(format!("{not_numbers} samples are not numbers (NaN or infinite): left out as gaps")),
            Body::Flac(flac) if flac.lost > 0 => {
                self.notes.push(format!("{} frames are damaged: left out as gaps", flac.lost));
            }
            Body::Flac(_) => {}
        }
    }
}

impl Wav {
    /// Fills `block` as far as the sound goes.
    fn next_block(&mut self, block: &mut SampleBlock, notes: &mut Vec<String>) -> Result<bool, Fault> {
        let left = self.promised.map_or(u64::MAX, |promised| promised - self.got);
        let wanted = self.raw.len().min(usize::try_from(left).unwrap_or(usize::MAX));
        let read = self.input.fill(&mut self.raw[..wanted])?;
        self.got += read as u64;
        let whole = &self.raw[..read - read % self.frame_bytes];
        if self.encoding == Encoding::Unplaced24In4 && whole.iter().any(|&byte| byte != 0) {
            self.encoding = sample::place_24_in_4(self.big_endian, whole);
            let side = if self.encoding == Encoding::Low24In4 { "low" } else { "high" };
            notes.push(format!("24-bit samples in 4 bytes: they were found in the {side} three bytes"));
        }
        self.not_numbers += self.encoding.decode(self.big_endian, whole, &mut block.samples);
        Ok(!whole.is_empty())
    }

    fn tell_the_end(&self, frames: u64, notes: &mut Vec<String>) {
        let frame_bytes = self.frame_bytes as u64;
        match self.promised {
            Some(promised) if promised > self.got && self.may_be_placeholder => notes.push(
                "the data length is a placeholder that the recorder never filled in: read to the end"
                    .to_owned(),
            ),
            Some(promised) if promised > self.got => notes.push(cut_short(frames, promised / frame_bytes)),
            _ => {}
        }
        let over = self.got % frame_bytes;
        if over > 0 {
            notes.push(format!("{over} bytes at the end are no whole frame and were left out"));
        }
    }
}

fn cut_short(read: u64, promised: u64) -> String {
    format!("cut short: {read} of {promised} frames are there")
}

/// Skips an ID3 tag (id3.org, version 2.4.0 of the tag, section 3.1: "ID3", version, flags, four bytes of seven bits each).
fn skip_id3(input: &mut Lookahead) -> io::Result<bool> {
    let &[b'I', b'D', b'3', _, _, flags, s0, s1, s2, s3] = input.peek(10)? else {
        return Ok(false);
    };
    let size = [s0, s1, s2, s3].iter().fold(0, |size, &byte| size << 7 | u64::from(byte & 0x7F));
    let footer = if flags & 0x10 == 0 { 0 } else { 10 };
    input.skip(10 + size + footer)?;
    Ok(true)
}

/// What a file that is no recording seems to be, from its first bytes.
fn looks_like(start: &[u8]) -> &'static str {
    match start {
        [b'O', b'g', b'g', b'S', ..] => "an Ogg file",
        [b'F', b'O', b'R', b'M', ..] => "an AIFF file",
        [0xFF, 0xE0..=0xFF, ..] => "an MPEG audio file",
        [b'P', b'K', 3, 4, ..] => "a ZIP archive",
        _ if !start.iter().any(|&b| b.is_ascii_control() && !b.is_ascii_whitespace()) => "a text file",
        _ => "of an unknown kind",
    }
}

#[cfg(test)]
mod tests;
