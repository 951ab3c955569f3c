//! Sound written down as WAV: whole recordings at once, and live sound while it comes in.
//!
//! A recording made at once is written beside its name and renamed, so that an older one is never half overwritten.
//! Live sound is kept so that a kill at any moment leaves a readable file that lacks at most its last second.

use crate::block::{Loss, SampleBlock, StreamFormat};
use hound::{WavSpec, WavWriter};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

/// A live recording goes on in a new file before it gets longer than this, bytes: there are readers that take the
/// sizes in a WAV header for signed numbers.
pub const ROLL_OVER_BYTES: u64 = 2 << 30;

/// No header that is written here is longer, bytes.
const HEADER_BYTES: u64 = 128;
/// Full scale of 16 bits.
const FULL_SCALE_16: f32 = 32_768.0;

/// How samples are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleFormat {
    /// 16-bit integer. What is not a number becomes zero.
    Pcm16,
    /// 32-bit float, bit by bit as it came.
    Float32,
}

/// A recording that can't be written.
#[derive(Debug, thiserror::Error)]
pub enum KeepError {
    /// There is a recording of that name already.
    #[error("{}: there is a file of that name already; hint: name another, recordings are not overwritten", name(.0))]
    Exists(PathBuf),
    /// The disk or its rights.
    #[error(
        "{}: can't be written ({}); hint: check that the folder is there, may be written to and has room",
        name(path),
        super::io_words(cause)
    )]
    Write {
        /// The file.
        path: PathBuf,
        /// What the system says.
        cause: io::Error,
    },
}

/// Writes a whole recording of interleaved samples: beside its name first, then renamed.
///
/// # Errors
/// The folder can't be written to or the disk is full; no half file is left behind.
pub fn write_wav(
    path: &Path,
    format: StreamFormat,
    samples: &[f32],
    sample_format: SampleFormat,
) -> Result<(), KeepError> {
    let beside = beside(path);
    let write = || -> hound::Result<()> {
        let file = File::create(&beside)?;
        let mut writer = WavWriter::new(BufWriter::new(file), spec(format, sample_format))?;
        write_samples(&mut writer, samples, sample_format)?;
        writer.finalize()?;
        fs::rename(&beside, path)?;
        Ok(())
    };
    write().map_err(|e| {
        // Best effort: what went wrong first is what is told.
        let _ = fs::remove_file(&beside);
        failed(path, e)
    })
}

/// Keeps live sound: 32-bit float, so that a replay gives the very samples that were heard.
pub struct Keeper {
    first: PathBuf,
    format: StreamFormat,
    limit_bytes: u64,
    files: Vec<PathBuf>,
    writer: Option<WavWriter<BufWriter<File>>>,
    frames_in_file: u64,
    frames_unsaved: u64,
}

impl Keeper {
    /// Begins a recording that rolls over at [`ROLL_OVER_BYTES`].
    ///
    /// # Errors
    /// A file of that name that is not empty, or a folder that can't be written to.
    pub fn create(path: &Path, format: StreamFormat) -> Result<Self, KeepError> {
        Self::with_limit(path, format, ROLL_OVER_BYTES)
    }

    /// Begins a recording that goes on in a new file (`name-2.wav`, `name-3.wav` …) before one gets longer than
    /// `limit_bytes`.
    ///
    /// # Errors
    /// As [`Self::create`].
    pub fn with_limit(path: &Path, format: StreamFormat, limit_bytes: u64) -> Result<Self, KeepError> {
        let mut keeper = Self {
            first: path.to_owned(),
            format,
            limit_bytes,
            files: Vec::new(),
            writer: None,
            frames_in_file: 0,
            frames_unsaved: 0,
        };
        keeper.begin(path.to_owned())?;
        Ok(keeper)
    }

    /// The files written so far, the first one under the name given.
    pub fn files(&self) -> &[PathBuf] {
        &self.files
    }

    /// Writes a block. Frames known to be lost before it are written as silence, so that the time base stays.
    ///
    /// # Errors
    /// The disk is full or gone.
    pub fn write(&mut self, block: &SampleBlock) -> Result<(), KeepError> {
        if let Some(Loss::Frames(mut lost)) = block.lost_before {
            let second = self.format.rate_hz.into();
            let silence = vec![0.0; self.samples_in(lost.min(second))];
            while lost > 0 {
                let part = lost.min(second);
                self.frames(&silence[..self.samples_in(part)])?;
                lost -= part;
            }
        }
        self.frames(&block.samples)
    }

    /// Ends the recording.
    ///
    /// # Errors
    /// The disk is full or gone.
    pub fn finish(&mut self) -> Result<(), KeepError> {
        match self.writer.take() {
            Some(writer) => writer.finalize().map_err(|e| self.failed(e)),
            None => Ok(()),
        }
    }

    /// Writes whole frames, over as many files as they need.
    fn frames(&mut self, mut samples: &[f32]) -> Result<(), KeepError> {
        let frame_bytes = self.samples_in(1) as u64 * 4;
        let most = (self.limit_bytes.saturating_sub(HEADER_BYTES) / frame_bytes).max(1);
        while !samples.is_empty() {
            if self.frames_in_file >= most {
                self.finish()?;
                self.begin(self.next_name())?;
            }
            let room = self.samples_in(most - self.frames_in_file);
            let (now, later) = samples.split_at(samples.len().min(room));
            samples = later;
            let frames = (now.len() / self.samples_in(1)) as u64;
            self.frames_in_file += frames;
            self.frames_unsaved += frames;
            // At least twice a second the header is brought up to date and all of it handed to the system.
            let due = self.frames_unsaved >= u64::from(self.format.rate_hz / 2);
            let Some(writer) = &mut self.writer else { return Ok(()) };
            let written = write_samples(writer, now, SampleFormat::Float32);
            let saved = written.and_then(|()| if due { writer.flush() } else { Ok(()) });
            saved.map_err(|e| self.failed(e))?;
            if due {
                self.frames_unsaved = 0;
            }
        }
        Ok(())
    }

    /// Samples in so many frames; a count beyond memory stands for "all".
    fn samples_in(&self, frames: u64) -> usize {
        usize::try_from(frames.saturating_mul(self.format.channels.into())).unwrap_or(usize::MAX)
    }

    /// Opens the next file and writes its header.
    fn begin(&mut self, path: PathBuf) -> Result<(), KeepError> {
        if fs::metadata(&path).is_ok_and(|about| about.is_file() && about.len() > 0) {
            return Err(KeepError::Exists(path));
        }
        let open = || -> hound::Result<WavWriter<BufWriter<File>>> {
            let file = OpenOptions::new().write(true).create(true).truncate(true).open(&path)?;
            let mut writer = WavWriter::new(BufWriter::new(file), spec(self.format, SampleFormat::Float32))?;
            writer.flush()?;
            Ok(writer)
        };
        let writer = open().map_err(|e| failed(&path, e))?;
        self.writer = Some(writer);
        self.files.push(path);
        self.frames_in_file = 0;
        self.frames_unsaved = 0;
        Ok(())
    }

    /// The first name that is free: what was heard goes on whatever lies in the folder.
    fn next_name(&self) -> PathBuf {
        let stem = self.first.file_stem().unwrap_or_default().to_string_lossy();
        let extension =
            self.first.extension().map(|e| format!(".{}", e.to_string_lossy())).unwrap_or_default();
        let mut number = self.files.len() + 1;
        loop {
            let path = self.first.with_file_name(format!("{stem}-{number}{extension}"));
            if !path.exists() {
                return path;
            }
            number += 1;
        }
    }

    fn failed(&self, error: hound::Error) -> KeepError {
        failed(self.files.last().unwrap_or(&self.first), error)
    }
}

fn spec(format: StreamFormat, sample_format: SampleFormat) -> WavSpec {
    let (bits_per_sample, sample_format) = match sample_format {
        SampleFormat::Pcm16 => (16, hound::SampleFormat::Int),
        SampleFormat::Float32 => (32, hound::SampleFormat::Float),
    };
    WavSpec { channels: format.channels, sample_rate: format.rate_hz, bits_per_sample, sample_format }
}

fn write_samples(
    writer: &mut WavWriter<BufWriter<File>>,
    samples: &[f32],
    sample_format: SampleFormat,
) -> hound::Result<()> {
    match sample_format {
        // The cast holds out-of-range values at the rails and makes zero of what is not a number.
        SampleFormat::Pcm16 => {
            samples.iter().try_for_each(|x| writer.write_sample((x * FULL_SCALE_16).round() as i16))
        }
        SampleFormat::Float32 => samples.iter().try_for_each(|&x| writer.write_sample(x)),
    }
}

/// The name under which a file is written before it gets its own.
fn beside(path: &Path) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

fn failed(path: &Path, error: hound::Error) -> KeepError {
    let cause = match error {
        hound::Error::IoError(cause) => cause,
        other => io::Error::other(other.to_string()),
    };
    KeepError::Write { path: path.to_owned(), cause }
}

fn name(path: &Path) -> String {
    super::one_line(&path.to_string_lossy())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::source::recording;

    const MONO: StreamFormat = StreamFormat { rate_hz: 8000, channels: 1 };
    const STEREO: StreamFormat = StreamFormat { rate_hz: 8000, channels: 2 };

    fn read(path: &Path) -> (Vec<f32>, StreamFormat, String) {
        let mut recording = recording::open(path).unwrap();
        let (mut samples, mut block) = (Vec::new(), SampleBlock::default());
        while recording.next_block(&mut block).unwrap() {
            samples.extend_from_slice(&block.samples);
        }
        (samples, recording.format(), recording.format_words().to_owned())
    }

    fn ramp(n: usize) -> Vec<f32> {
        (0..n).map(|i| (i % 65_536) as f32 / 32_768.0 - 1.0).collect()
    }

    fn block(samples: &[f32]) -> SampleBlock {
        SampleBlock { samples: samples.to_vec(), ..SampleBlock::default() }
    }

    #[test]
    fn what_is_written_is_read_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        let samples = ramp(70_000);
        for (sample_format, words) in
            [(SampleFormat::Pcm16, "16-bit integer"), (SampleFormat::Float32, "32-bit float")]
        {
            write_wav(&path, STEREO, &samples, sample_format).unwrap();
            assert_eq!(read(&path), (samples.clone(), STEREO, words.to_owned()));
        }
        write_wav(&path, MONO, &[1.5, -1.5, f32::NAN], SampleFormat::Pcm16).unwrap();
        assert_eq!(read(&path).0, [32_767.0 / 32_768.0, -1.0, 0.0]);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "something was left beside it");
    }

    #[test]
    fn a_folder_that_is_not_there_is_told_in_one_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("none/a.wav");
        for error in [
            write_wav(&path, MONO, &[0.0], SampleFormat::Pcm16).unwrap_err(),
            Keeper::create(&path, MONO).err().unwrap(),
        ] {
            let line = error.to_string();
            assert!(line.ends_with(
                "none/a.wav: can't be written (no such file or directory); \
                 hint: check that the folder is there, may be written to and has room"
            ));
        }
    }

    #[test]
    fn an_earlier_recording_is_not_overwritten() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("evening.wav");
        Keeper::create(&path, MONO).unwrap().write(&block(&[0.5])).unwrap();
        let line = Keeper::create(&path, MONO).err().unwrap().to_string();
        assert!(line.contains("evening.wav: there is a file of that name already; hint: "), "{line}");
        assert_eq!(read(&path).0, [0.5]);
    }

    /// A kill leaves the file as it was last handed to the system: it is read while the keeper still writes.
    #[test]
    fn at_any_moment_at_most_the_last_second_is_missing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("live.wav");
        let mut keeper = Keeper::create(&path, STEREO).unwrap();
        assert!(read(&path).0.is_empty());
        let samples = ramp(2 * 8000 * 4);
        for (i, part) in samples.chunks(2 * 317).enumerate() {
            keeper.write(&block(part)).unwrap();
            let given = (i * 2 * 317 + part.len()).min(samples.len());
            let (kept, format, _) = read(&path);
            assert_eq!(format, STEREO);
            assert!(kept.len() + 2 * 8000 > given && kept.len() <= given, "{} of {given}", kept.len());
            assert_eq!(kept, samples[..kept.len()]);
        }
        keeper.finish().unwrap();
        assert_eq!(read(&path).0, samples);
    }

    #[test]
    fn a_long_recording_goes_on_in_the_next_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.wav");
        fs::write(folder.path().join("long-2.wav"), "in the way").unwrap();
        let mut keeper = Keeper::with_limit(&path, STEREO, 10_000).unwrap();
        let samples = ramp(2 * 3000);
        samples.chunks(2 * 700).for_each(|part| keeper.write(&block(part)).unwrap());
        keeper.finish().unwrap();
        let names: Vec<_> =
            keeper.files().iter().map(|p| p.file_name().unwrap().to_str().unwrap().to_owned()).collect();
        assert_eq!(names, ["long.wav", "long-3.wav", "long-4.wav"]);
        let mut all = Vec::new();
        for file in keeper.files() {
            assert!(fs::metadata(file).unwrap().len() <= 10_000);
            all.extend(read(file).0);
        }
        assert_eq!(all, samples);
    }

    #[test]
    fn lost_frames_are_kept_as_silence() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("gap.wav");
        let mut keeper = Keeper::create(&path, STEREO).unwrap();
        keeper.write(&block(&[0.5, 0.25])).unwrap();
        let after = SampleBlock {
            lost_before: Some(Loss::Frames(20_000)),
            first_frame: 20_001,
            ..block(&[0.75, -0.75])
        };
        keeper.write(&after).unwrap();
        keeper.finish().unwrap();
        let kept = read(&path).0;
        assert_eq!(kept.len(), 2 * 20_002);
        assert_eq!((kept[1], kept[2], kept[40_001], kept[40_002]), (0.25, 0.0, 0.0, 0.75));
    }
}
