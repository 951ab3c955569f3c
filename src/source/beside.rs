//! What happened while sound was kept, written beside it, so that it replays to the identical track.
//!
//! A text file of the recording's name with `.notes` behind it, one line for each thing that happened, its frame
//! first: `96000 turning up` (or `down`, `unknown`), `96000 hand signal` (or `meter`), `96000 channel 2` (or `auto`),
//! `96000 mains 50` (or `auto`, `off`), `0 input NAME` for the sound card's input that made it, `96000 lost 480` where
//! so many frames are silence in the place of lost ones, and `96000 lost about 480` where their number is not known.

use crate::block::{Loss, SampleBlock, StreamFormat};
use crate::offset::{Hand, Turning};
use crate::settings::{ChannelChoice, Command, Mains};
use crate::source::recording::{Recording, RecordingError};
use std::collections::VecDeque;
use std::fs::{self, File};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

/// What is wrong with the notes beside a recording.
#[derive(Debug, thiserror::Error)]
pub enum BesideError {
    /// They can't be read or written.
    #[error(
        "{}: {}; hint: it stands beside a kept recording; check that the folder may be written to and has room",
        super::one_line(&path.to_string_lossy()),
        super::io_words(error)
    )]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system says.
        error: io::Error,
    },
    /// No listener ever pressed so many keys.
    #[error(
        "{}: longer than {} MiB; hint: it stands beside a kept recording and holds a line for each thing that happened",
        super::one_line(&path.to_string_lossy()),
        MOST_BYTES >> 20
    )]
    TooLong {
        /// The file.
        path: PathBuf,
    },
    /// A line that makes no sense.
    #[error(
        "{}:{line}: `{}` is no note; hint: write a frame number, in order, and then `turning up`, `hand signal`, \
         `channel 1`, `mains 50` or `lost 480`",
        super::one_line(&path.to_string_lossy()),
        super::one_line(text)
    )]
    Line {
        /// The file.
        path: PathBuf,
        /// The line, counted from 1.
        line: usize,
        /// What stands there.
        text: String,
    },
}

/// What happened.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Note {
    /// The user declared something.
    Declared(Command),
    /// So many frames from here on are silence in the place of lost ones.
    Lost {
        /// How many, at least about.
        frames: u64,
        /// Whether their number is known.
        exact: bool,
    },
}

/// Bytes that are read of notes: a day of key presses is a hundredth of it.
const MOST_BYTES: u64 = 16 << 20;
/// No line that makes sense is longer, characters.
const LONGEST_LINE: usize = 80;

/// Notes, each with the frame from which it holds, in order.
pub type Notes = Vec<(u64, Note)>;

/// The file that belongs to a recording.
fn beside(recording: &Path) -> PathBuf {
    let mut name = recording.as_os_str().to_owned();
    name.push(".notes");
    PathBuf::from(name)
}

/// Reads the notes beside a recording; none when there is no such file.
///
/// # Errors
/// The file is there and can't be read or understood.
pub fn read(recording: &Path) -> Result<Notes, BesideError> {
    let path = beside(recording);
    let text = text(&path)?;
    let mut notes = Notes::new();
    for (text, line) in text.lines().zip(1..).filter(|(text, _)| !text.trim().is_empty()) {
        if input_of(text).is_some() {
            continue;
        }
        let fault = || {
            let text = text.chars().take(LONGEST_LINE).collect();
            BesideError::Line { path: path.clone(), line, text }
        };
        let (frame, note) = parse(text).ok_or_else(fault)?;
        if notes.last().is_some_and(|&(before, _)| before > frame) {
            return Err(fault());
        }
        notes.push((frame, note));
    }
    Ok(notes)
}

/// The sound card's input that made a recording, as its notes have it.
///
/// # Errors
/// As [`read`].
pub fn input(recording: &Path) -> Result<Option<String>, BesideError> {
    let path = beside(recording);
    Ok(text(&path)?.lines().find_map(input_of).map(str::to_owned))
}

/// What stands in the notes; nothing when there is no such file.
fn text(path: &Path) -> Result<String, BesideError> {
    let mut bytes = Vec::new();
    match File::open(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes)) {
        Ok(_) if bytes.len() as u64 > MOST_BYTES => Err(BesideError::TooLong { path: path.to_owned() }),
        // What is no text makes no sense as a note either, and is refused with its line.
        Ok(_) => Ok(String::from_utf8_lossy(&bytes).into_owned()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(String::new()),
        Err(error) => Err(BesideError::Io { path: path.to_owned(), error }),
    }
}

fn input_of(line: &str) -> Option<&str> {
    line.strip_prefix("0 input ").map(str::trim).filter(|name| !name.is_empty())
}

fn parse(line: &str) -> Option<(u64, Note)> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let (frame, words) = words.split_first()?;
    let command = match *words {
        ["lost", frames] => {
            return Some((frame.parse().ok()?, Note::Lost { frames: frames.parse().ok()?, exact: true }));
        }
        ["lost", "about", frames] => {
            return Some((frame.parse().ok()?, Note::Lost { frames: frames.parse().ok()?, exact: false }));
        }
        ["turning", "up"] => Command::Turning(Some(Turning::Up)),
        ["turning", "down"] => Command::Turning(Some(Turning::Down)),
        ["turning", "unknown"] => Command::Turning(None),
        ["hand", "meter"] => Command::Hand(Hand::Meter),
        ["hand", "signal"] => Command::Hand(Hand::Signal),
        ["channel", "auto"] => Command::Channel(ChannelChoice::Auto),
        ["channel", number] => {
            Command::Channel(ChannelChoice::Number(number.parse().ok().filter(|&n| n > 0)?))
        }
        ["mains", "auto"] => Command::Mains(Mains::Auto),
        ["mains", "off"] => Command::Mains(Mains::Off),
        ["mains", hz] => {
            Command::Mains(Mains::Near(hz.parse().ok().filter(|hz: &f64| hz.is_finite() && *hz > 0.0)?))
        }
        _ => return None,
    };
    Some((frame.parse().ok()?, Note::Declared(command)))
}

fn words(note: Note) -> String {
    match note {
        Note::Lost { frames, exact: true } => format!("lost {frames}"),
        Note::Lost { frames, exact: false } => format!("lost about {frames}"),
        Note::Declared(command) => match command {
            Command::Turning(Some(Turning::Up)) => "turning up".to_owned(),
            Command::Turning(Some(Turning::Down)) => "turning down".to_owned(),
            Command::Turning(None) => "turning unknown".to_owned(),
            Command::Hand(Hand::Meter) => "hand meter".to_owned(),
            Command::Hand(Hand::Signal) => "hand signal".to_owned(),
            Command::Channel(ChannelChoice::Auto) => "channel auto".to_owned(),
            Command::Channel(ChannelChoice::Number(number)) => format!("channel {number}"),
            Command::Mains(Mains::Auto) => "mains auto".to_owned(),
            Command::Mains(Mains::Off) => "mains off".to_owned(),
            Command::Mains(Mains::Near(hz)) => format!("mains {hz}"),
        },
    }
}

/// Writes notes as things happen; the file comes into being with the first one.
pub struct Scribe {
    path: PathBuf,
    file: Option<File>,
}

impl Scribe {
    /// For a recording that is about to be kept. Notes without a recording that are in the way go.
    ///
    /// # Errors
    /// They can't be removed.
    pub fn begin(recording: &Path) -> Result<Self, BesideError> {
        let path = beside(recording);
        match fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(BesideError::Io { path, error }),
            _ => Ok(Self { path, file: None }),
        }
    }

    /// Adds one.
    ///
    /// # Errors
    /// The disk is full or gone.
    pub fn add(&mut self, frame: u64, note: Note) -> Result<(), BesideError> {
        let line = format!("{frame} {}\n", words(note));
        self.write(&line).map_err(|error| BesideError::Io { path: self.path.clone(), error })
    }

    /// Says which input of a sound card makes the recording.
    ///
    /// # Errors
    /// The disk is full or gone.
    pub fn input(&mut self, name: &str) -> Result<(), BesideError> {
        let line = format!("0 input {}\n", super::one_line(name));
        self.write(&line).map_err(|error| BesideError::Io { path: self.path.clone(), error })
    }

    fn write(&mut self, line: &str) -> io::Result<()> {
        let file = match &mut self.file {
            Some(file) => file,
            none => none.insert(File::create(&self.path)?),
        };
        file.write_all(line.as_bytes())
    }
}

/// A recording whose notes say where sound was lost: what is silence there is left out and told as lost, as it was
/// when the sound was kept.
pub struct WithLosses {
    recording: Recording,
    /// Losses to come: first frame, frames, whether exact.
    losses: VecDeque<(u64, u64, bool)>,
    /// What was read and not yet given, and how many of its samples were given.
    read: SampleBlock,
    given: usize,
    /// Frames left out and not yet told.
    left_out: Option<Loss>,
}

impl WithLosses {
    /// A recording and its notes.
    pub fn new(recording: Recording, notes: &[(u64, Note)]) -> Self {
        let losses = notes.iter().filter_map(|&(frame, note)| match note {
            Note::Lost { frames, exact } => Some((frame, frames, exact)),
            Note::Declared(_) => None,
        });
        Self { recording, losses: losses.collect(), read: SampleBlock::default(), given: 0, left_out: None }
    }

    /// Rate and channels.
    pub fn format(&self) -> StreamFormat {
        self.recording.format()
    }

    /// The recording itself.
    pub fn recording(&self) -> &Recording {
        &self.recording
    }

    /// Reads no further; gives what was mended, one plain sentence each.
    pub fn leave(mut self) -> Vec<String> {
        self.recording.leave();
        self.recording.notes().to_vec()
    }

    /// Reads the next block into `block`, and returns `false` when there is no more.
    ///
    /// # Errors
    /// As [`Recording::next_block`].
    pub fn next_block(&mut self, block: &mut SampleBlock) -> Result<bool, RecordingError> {
        let channels = usize::from(self.format().channels);
        loop {
            if self.given == self.read.samples.len() {
                self.given = 0;
                if !self.recording.next_block(&mut self.read)? {
                    return Ok(false);
                }
            }
            let first = self.read.first_frame + (self.given / channels) as u64;
            let there = ((self.read.samples.len() - self.given) / channels) as u64;
            let lost_before = if self.given == 0 { self.read.lost_before.take() } else { None };
            self.left_out = add(self.left_out, lost_before);
            match self.losses.front().copied() {
                Some((from, frames, exact)) if from <= first => {
                    let end = from.saturating_add(frames);
                    let out = end.saturating_sub(first).min(there);
                    self.given += out as usize * channels;
                    let loss = if exact { Loss::Frames(out) } else { Loss::Unknown };
                    self.left_out = add(self.left_out, (out > 0 || !exact).then_some(loss));
                    if end <= first + out {
                        self.losses.pop_front();
                    }
                }
                next => {
                    let frames = next.map_or(there, |(from, ..)| there.min(from - first)) as usize;
                    let samples = &self.read.samples[self.given..self.given + frames * channels];
                    block.samples.clear();
                    block.samples.extend_from_slice(samples);
                    block.first_frame = first;
                    block.lost_before = self.left_out.take();
                    self.given += samples.len();
                    return Ok(true);
                }
            }
        }
    }
}

fn add(a: Option<Loss>, b: Option<Loss>) -> Option<Loss> {
    match (a, b) {
        (Some(Loss::Frames(a)), Some(Loss::Frames(b))) => Some(Loss::Frames(a.saturating_add(b))),
        (Some(_), Some(_)) => Some(Loss::Unknown),
        (a, b) => a.or(b),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::keep::Keeper;
    use crate::source::recording;

    #[test]
    fn what_is_noted_reads_back() {
        let folder = tempfile::tempdir().expect("a folder");
        let wav = folder.path().join("kept.wav");
        let all = [
            Note::Declared(Command::Turning(Some(Turning::Up))),
            Note::Declared(Command::Turning(Some(Turning::Down))),
            Note::Declared(Command::Turning(None)),
            Note::Declared(Command::Hand(Hand::Meter)),
            Note::Declared(Command::Hand(Hand::Signal)),
            Note::Declared(Command::Channel(ChannelChoice::Auto)),
            Note::Declared(Command::Channel(ChannelChoice::Number(2))),
            Note::Declared(Command::Mains(Mains::Auto)),
            Note::Declared(Command::Mains(Mains::Off)),
            Note::Declared(Command::Mains(Mains::Near(49.97))),
            Note::Lost { frames: 480, exact: true },
            Note::Lost { frames: 96_000, exact: false },
        ];
        assert_eq!(read(&wav).expect("no file is no fault"), []);
        let mut scribe = Scribe::begin(&wav).expect("nothing in the way");
        for (frame, &note) in (0..).zip(&all) {
            scribe.add(frame * 480, note).expect("the folder takes files");
        }
        let expected: Vec<_> = (0..).map(|n: u64| n * 480).zip(all).collect();
        assert_eq!(read(&wav).expect("as written"), expected);
        assert_eq!(input(&wav).expect("readable"), None);
        Scribe::begin(&wav).expect("an older one is removed").input("hw:CARD=USB,DEV=0").expect("room");
        assert_eq!(input(&wav).expect("readable").as_deref(), Some("hw:CARD=USB,DEV=0"));
        assert_eq!(read(&wav).expect("no note of its own"), []);
        Scribe::begin(&wav).expect("an older one is removed");
        assert_eq!(read(&wav).expect("gone"), []);
    }

    #[test]
    fn a_line_that_makes_no_sense_is_named() {
        let folder = tempfile::tempdir().expect("a folder");
        let wav = folder.path().join("kept.wav");
        for bad in [
            "10 turning left",
            "x hand meter",
            "10 channel 0",
            "10 mains -5",
            "10 lost -1",
            "10 lost 99999999999999999999",
            "10 hand meter now",
            "5 hand meter",
            "9",
        ] {
            fs::write(beside(&wav), format!("7 hand meter\n\n{bad}\n")).expect("written");
            let error = read(&wav).expect_err(bad).to_string();
            assert!(error.contains(&format!("kept.wav.notes:3: `{bad}`")), "{error}");
        }
    }

    #[test]
    fn notes_without_end_are_refused_and_not_cut() {
        let folder = tempfile::tempdir().expect("a folder");
        let wav = folder.path().join("kept.wav");
        File::create(beside(&wav)).expect("writable").set_len(MOST_BYTES + 1).expect("a sparse file");
        for error in [read(&wav).map(drop), input(&wav).map(drop)].map(|told| told.expect_err("too long")) {
            assert!(error.to_string().contains("kept.wav.notes: longer than 16 MiB; hint: "), "{error}");
        }
    }

    #[test]
    fn silence_in_the_place_of_lost_frames_is_left_out_again() {
        let folder = tempfile::tempdir().expect("a folder");
        let wav = folder.path().join("kept.wav");
        let mut keeper = Keeper::create(&wav, StreamFormat { rate_hz: 8000, channels: 2 }).expect("writable");
        let samples: Vec<f32> = (0..60_000u16).map(|n| f32::from(n) / 65_536.0).collect();
        keeper.write(&SampleBlock { samples, ..SampleBlock::default() }).expect("room");
        keeper.finish().expect("room");
        let notes = [
            (100, Note::Lost { frames: 50, exact: true }),
            (150, Note::Lost { frames: 5000, exact: false }),
            (6000, Note::Lost { frames: 0, exact: false }),
            (20_000, Note::Declared(Command::Turning(None))),
            (29_990, Note::Lost { frames: u64::MAX, exact: true }),
        ];
        let mut kept = WithLosses::new(recording::open(&wav).expect("just written"), &notes);
        let (mut block, mut pieces) = (SampleBlock::default(), Vec::new());
        while kept.next_block(&mut block).expect("readable") {
            assert!((f64::from(block.samples[0]) * 65_536.0 - 2.0 * block.first_frame as f64).abs() < 0.5);
            let frames = block.samples.len() as u64 / 2;
            match pieces.last_mut() {
                Some((_, count, _)) if block.lost_before.is_none() => *count += frames,
                _ => pieces.push((block.first_frame, frames, block.lost_before)),
            }
        }
        let unknown = Some(Loss::Unknown);
        assert_eq!(pieces, [(0, 100, None), (5150, 850, unknown), (6000, 23_990, unknown)]);
    }
}
