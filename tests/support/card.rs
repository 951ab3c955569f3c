//! A sound card for tests, without one: an ALSA device that reads what a FIFO brings, in a configuration of its own.
//!
//! The device takes any rate, channel count and format, so what is played must be what the program opens: two
//! channels of 32-bit integers. It takes a short read for a whole period, so every write is one period, which a pipe
//! hands over whole.

use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

/// Bytes to a frame: two channels of 32 bits.
const FRAME_BYTES: usize = 8;
/// Periods to a second: as the program asks for them.
const PERIODS_PER_S: u32 = 50;

/// The card's configuration and its FIFO, in a folder that goes with it.
pub struct Card {
    folder: tempfile::TempDir,
    rate_hz: u32,
}

impl Card {
    /// A card to be opened at this rate.
    pub fn new(rate_hz: u32) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the card");
        let fifo = folder.path().join("fifo");
        let made = Command::new("mkfifo").arg(&fifo).status().expect("mkfifo is there");
        assert!(made.success(), "no FIFO");
        let configuration = format!(
            "defaults.pcm.minperiodtime 20000\n\
             pcm.null {{ type null }}\n\
             pcm.!default {{ type file  slave.pcm null  file \"/dev/null\"  infile \"{}\"  format \"raw\"  \
             hint {{ show on description \"test input\" }} }}\n",
            fifo.display()
        );
        fs::write(folder.path().join("asound.conf"), configuration).expect("written");
        Self { folder, rate_hz }
    }

    /// What `ALSA_CONFIG_PATH` is to be.
    pub fn configuration(&self) -> PathBuf {
        self.folder.path().join("asound.conf")
    }

    /// Plays frames in real time, from when the program takes the first, and then silence until dropped.
    pub fn play(&self, frames: Vec<[i32; 2]>) -> Player {
        let path = self.folder.path().join("fifo");
        let stop = Arc::new(AtomicBool::new(false));
        let (rate_hz, told) = (self.rate_hz, Arc::clone(&stop));
        // Opened for both, the FIFO never blocks for want of a reader and never ends.
        let fifo = OpenOptions::new().read(true).write(true).open(path).expect("the FIFO opens");
        Player { stop, thread: Some(thread::spawn(move || feed(fifo, rate_hz, &frames, &told))) }
    }
}

/// What plays into a card.
pub struct Player {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Drop for Player {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn feed(mut fifo: File, rate_hz: u32, frames: &[[i32; 2]], stop: &AtomicBool) {
    let period = (rate_hz / PERIODS_PER_S) as usize;
    let silence = vec![0u8; period * FRAME_BYTES];
    fifo.write_all(&silence).expect("the FIFO takes it");
    while rustix::io::ioctl_fionread(&fifo).expect("a FIFO can be asked") > 0 {
        if stop.load(Ordering::Relaxed) {
            return;
        }
        thread::sleep(Duration::from_millis(2));
    }
    let began = Instant::now();
    let mut periods = frames.chunks(period);
    for number in 1u32.. {
        thread::sleep(
            (began + number * Duration::from_secs(1) / PERIODS_PER_S)
                .saturating_duration_since(Instant::now()),
        );
        if stop.load(Ordering::Relaxed) {
            return;
        }
        // A program that has left takes nothing any more.
        if rustix::io::ioctl_fionread(&fifo).expect("a FIFO can be asked") > 32_768 {
            continue;
        }
        match periods.next() {
            Some(frames) => {
                let mut bytes: Vec<u8> =
                    frames.iter().flatten().flat_map(|sample| sample.to_le_bytes()).collect();
                bytes.resize(silence.len(), 0);
                fifo.write_all(&bytes).expect("the FIFO takes it");
            }
            None => fifo.write_all(&silence).expect("the FIFO takes it"),
        }
    }
}

/// The frames of a 16-bit mono fixture, on both channels, at full 32 bits.
pub fn fixture(name: &str) -> Vec<[i32; 2]> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/recordings").join(name);
    let mut reader = hound::WavReader::open(path).expect("the fixture is there");
    reader.samples::<i16>().map(|sample| [i32::from(sample.expect("a whole file")) << 16; 2]).collect()
}
