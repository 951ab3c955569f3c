//! A process that keeps live sound is killed without warning (SIGKILL on Unix): what it leaves is a readable WAV that
//! lacks at most the last second of what it had been given.

#[path = "support/sound.rs"]
mod sound;

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::source::keep::Keeper;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};

const FORMAT: StreamFormat = StreamFormat { rate_hz: 8000, channels: 2 };
const PATH: &str = "HUSHBEAT_TEST_KEEP";

/// Sample `i` of what is kept: never the same for long.
fn sample(i: u64) -> f32 {
    (i % 30_011) as f32 / 65_536.0
}

/// The process that is killed: keeps sound for ever and tells after each block how many frames it has taken.
#[test]
#[ignore = "is the process that the other test kills"]
fn keep_until_killed() {
    let Some(path) = std::env::var_os(PATH) else { return };
    let mut keeper = Keeper::create(Path::new(&path), FORMAT).unwrap();
    let mut out = std::io::stdout().lock();
    let mut frames = 0u64;
    loop {
        let samples = (frames * 2..(frames + 441) * 2).map(sample).collect();
        keeper.write(&SampleBlock { samples, first_frame: frames, lost_before: None }).unwrap();
        frames += 441;
        writeln!(out, "kept {frames}").unwrap();
    }
}

#[test]
fn a_kill_leaves_a_readable_recording() {
    let folder = tempfile::tempdir().unwrap();
    for round in 0..12usize {
        let path = folder.path().join(format!("{round}.wav"));
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "keep_until_killed", "--ignored", "--nocapture"])
            .env(PATH, &path)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let told = BufReader::new(child.stdout.take().unwrap())
            .lines()
            .filter_map(|line| {
                line.unwrap().strip_prefix("kept ").map(|frames| frames.parse::<u64>().unwrap())
            })
            .nth(1 + 37 * round)
            .unwrap();
        child.kill().unwrap();
        child.wait().unwrap();

        let (format, samples) = sound::samples_of(&path);
        assert_eq!(format, FORMAT);
        for (at, &x) in (0..).zip(&samples) {
            assert!((x - sample(at)).abs() < f32::EPSILON, "sample {at}");
        }
        let read = samples.len() as u64;
        assert!(read / 2 + u64::from(FORMAT.rate_hz) >= told, "{} of {told}", read / 2);
    }
}
