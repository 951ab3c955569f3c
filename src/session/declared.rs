//! What the user declared while listening, kept beside the kept sound, so that it replays to the identical track.
//!
//! A text file of the recording's name with `.turns` behind it: one line per declaration, the frame from which it
//! holds and what it is: `96000 turning up`, `96000 turning unknown`, `96000 hand signal`, `96000 channel 2`,
//! `96000 channel auto`, `96000 mains 50`, `96000 mains auto`, `96000 mains off`.

use crate::offset::{Hand, Turning};
use crate::pipeline::{ChannelChoice, Command, Mains};
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// What is wrong with a file of declarations.
#[derive(Debug, thiserror::Error)]
pub enum DeclaredError {
    /// It can't be read or written.
    #[error("{}: {error}; hint: it stands beside the recording and holds what was declared by key", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system says.
        error: io::Error,
    },
    /// A line that makes no sense.
    #[error(
        "{}:{line}: `{text}` is no declaration; hint: write a frame number in order and `turning up`, `hand signal`, \
         `channel 1` or `mains 50`",
        path.display()
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

/// The file of declarations that belongs to a recording.
fn beside(recording: &Path) -> PathBuf {
    let mut name = recording.as_os_str().to_owned();
    name.push(".turns");
    PathBuf::from(name)
}

/// Reads what was declared while a recording was kept; nothing when there is no such file.
///
/// # Errors
/// The file is there and can't be read or understood.
pub fn read_declared(recording: &Path) -> Result<Vec<(u64, Command)>, DeclaredError> {
    let path = beside(recording);
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(DeclaredError::Io { path, error }),
    };
    let mut declared: Vec<(u64, Command)> = Vec::new();
    for (text, line) in text.lines().zip(1..).filter(|(text, _)| !text.trim().is_empty()) {
        let fault = || DeclaredError::Line { path: path.clone(), line, text: text.to_owned() };
        let (frame, command) = parse(text).ok_or_else(fault)?;
        if declared.last().is_some_and(|&(before, _)| before > frame) {
            return Err(fault());
        }
        declared.push((frame, command));
    }
    Ok(declared)
}

fn parse(line: &str) -> Option<(u64, Command)> {
    let mut words = line.split_whitespace();
    let frame = words.next()?.parse().ok()?;
    let command = match (words.next()?, words.next()?) {
        ("turning", "up") => Command::Turning(Some(Turning::Up)),
        ("turning", "down") => Command::Turning(Some(Turning::Down)),
        ("turning", "unknown") => Command::Turning(None),
        ("hand", "meter") => Command::Hand(Hand::Meter),
        ("hand", "signal") => Command::Hand(Hand::Signal),
        ("channel", "auto") => Command::Channel(ChannelChoice::Auto),
        ("channel", number) => Command::Channel(ChannelChoice::Number(number.parse().ok().filter(|&n| n > 0)?)),
        ("mains", "auto") => Command::Mains(Mains::Auto),
        ("mains", "off") => Command::Mains(Mains::Off),
        ("mains", hz) => Command::Mains(Mains::Near(hz.parse().ok().filter(|hz: &f64| hz.is_finite() && *hz > 0.0)?)),
        _ => return None,
    };
    words.next().is_none().then_some((frame, command))
}

fn line(frame: u64, command: Command) -> String {
    match command {
        Command::Turning(Some(Turning::Up)) => format!("{frame} turning up\n"),
        Command::Turning(Some(Turning::Down)) => format!("{frame} turning down\n"),
        Command::Turning(None) => format!("{frame} turning unknown\n"),
        Command::Hand(Hand::Meter) => format!("{frame} hand meter\n"),
        Command::Hand(Hand::Signal) => format!("{frame} hand signal\n"),
        Command::Channel(ChannelChoice::Auto) => format!("{frame} channel auto\n"),
        Command::Channel(ChannelChoice::Number(number)) => format!("{frame} channel {number}\n"),
        Command::Mains(Mains::Auto) => format!("{frame} mains auto\n"),
        Command::Mains(Mains::Off) => format!("{frame} mains off\n"),
        Command::Mains(Mains::Near(hz)) => format!("{frame} mains {hz}\n"),
    }
}

/// Writes declarations as they are made; the file comes into being with the first one.
pub(super) struct Declarations {
    path: PathBuf,
    file: Option<File>,
}

impl Declarations {
    /// For a recording that is about to be kept. What an older one of the same name had declared is gone with it.
    pub fn begin(recording: &Path) -> Result<Self, DeclaredError> {
        let path = beside(recording);
        match fs::remove_file(&path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(DeclaredError::Io { path, error }),
            _ => Ok(Self { path, file: None }),
        }
    }

    /// Adds one.
    pub fn add(&mut self, frame: u64, command: Command) -> Result<(), DeclaredError> {
        self.write(&line(frame, command)).map_err(|error| DeclaredError::Io { path: self.path.clone(), error })
    }

    fn write(&mut self, line: &str) -> io::Result<()> {
        let file = match &mut self.file {
            Some(file) => file,
            none => none.insert(File::create(&self.path)?),
        };
        file.write_all(line.as_bytes())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_declared_reads_back() {
        let folder = tempfile::tempdir().expect("a folder");
        let wav = folder.path().join("kept.wav");
        let all = [
            Command::Turning(Some(Turning::Up)),
            Command::Turning(Some(Turning::Down)),
            Command::Turning(None),
            Command::Hand(Hand::Meter),
            Command::Hand(Hand::Signal),
            Command::Channel(ChannelChoice::Auto),
            Command::Channel(ChannelChoice::Number(2)),
            Command::Mains(Mains::Auto),
            Command::Mains(Mains::Off),
            Command::Mains(Mains::Near(49.97)),
        ];
        assert_eq!(read_declared(&wav).expect("no file is no fault"), []);
        let mut declarations = Declarations::begin(&wav).expect("nothing in the way");
        for (frame, &command) in (0..).zip(&all) {
            declarations.add(frame * 480, command).expect("the folder takes files");
        }
        let expected: Vec<_> = (0..).map(|n: u64| n * 480).zip(all).collect();
        assert_eq!(read_declared(&wav).expect("as written"), expected);
        Declarations::begin(&wav).expect("an older one is removed");
        assert_eq!(read_declared(&wav).expect("gone"), []);
    }

    #[test]
    fn a_line_that_makes_no_sense_is_named() {
        let folder = tempfile::tempdir().expect("a folder");
        let wav = folder.path().join("kept.wav");
        for bad in ["10 turning left", "x hand meter", "10 channel 0", "10 mains -5", "10 hand meter now", "5 hand meter"] {
            fs::write(beside(&wav), format!("7 hand meter\n\n{bad}\n")).expect("written");
            let error = read_declared(&wav).expect_err(bad).to_string();
            assert!(error.contains(&format!("kept.wav.turns:3: `{bad}`")), "{error}");
        }
    }
}
