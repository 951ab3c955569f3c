//! Real faults: a full disk, a read-only folder, a closed pipe, a stop, a kill. One plain line, the right status, and
//! nothing lost that was there before.
#![cfg(unix)]
#![allow(clippy::unwrap_used, reason = "a test that can't go on fails there and then")]

#[path = "support/sound.rs"]
mod sound;

use std::fs;
use std::io::{self, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

const PROGRAM: &str = env!("CARGO_BIN_EXE_hushbeat");
const FALL: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/recordings/fall-to-rest.wav");
const METER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/meters/club-bench.toml");

/// Runs shell lines in a folder on a disk of 64 KiB that nobody else sees. None, with a note, where the system does
/// not let a disk be mounted.
fn on_a_small_disk(lines: &str) -> Option<Output> {
    let folder = tempfile::tempdir().unwrap();
    let script = format!(
        "mount -t tmpfs -o size=64k none '{0}' || exit 99\ncd '{0}' || exit 99\nprogram='{PROGRAM}'\nfall='{FALL}'\n{lines}\n",
        folder.path().display()
    );
    for way in [&["-m"][..], &["-r", "-m"]] {
        let run = Command::new("unshare").args(way).args(["sh", "-c", &script]).output();
        match run {
            Ok(output) if output.status.code() != Some(99) && !told(&output).contains("unshare:") => {
                return Some(output);
            }
            _ => {}
        }
    }
    let _ = writeln!(io::stderr(), "skipped: no right to mount a small disk");
    None
}

fn samples_of(path: &Path) -> Vec<f32> {
    sound::samples_of(path).1
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// One line on the error output, with all of `parts` and a hint.
fn assert_one_line(output: &Output, parts: &[&str]) {
    let told = told(output);
    assert!(told.lines().count() == 1 && told.starts_with("hushbeat: ") && told.contains("hint: "), "{told}");
    for part in parts {
        assert!(told.contains(part), "`{part}` is missing in: {told}");
    }
}

/// Fills the disk but for one page, which an old file takes.
const FILL: &str = "head -c 61440 /dev/zero > fill; printf old >";
/// What is left afterwards.
const LOOK: &str = "ls -A; printf '%s ' \"$status\"; cat";

#[test]
fn a_full_disk_leaves_the_old_file_and_nothing_beside_it() {
    for (option, name) in [("--track", "old.csv"), ("--plot", "old.svg"), ("--plot", "old.png")] {
        let lines = format!(
            "{FILL} {name}; \"$program\" analyse {option} {name} \"$fall\" > /dev/null; status=$?; {LOOK} {name}"
        );
        let Some(output) = on_a_small_disk(&lines) else { return };
        assert_eq!(String::from_utf8_lossy(&output.stdout), format!("fill\n{name}\n1 old"), "{output:?}");
        assert_one_line(&output, &[name, "can't be written", "room"]);
    }
}

#[test]
fn a_full_disk_is_told_by_whoever_writes_to_it() {
    for command in [
        "analyse --json \"$fall\" > out",
        "analyse \"$fall\" > out",
        "listen --replay \"$fall\" --speed max --json > out",
        "demo",
    ] {
        let lines = format!("{FILL} old; \"$program\" {command}; status=$?; rm -f out; {LOOK} old");
        let Some(output) = on_a_small_disk(&lines) else { return };
        let out = String::from_utf8_lossy(&output.stdout);
        assert!(out.ends_with("fill\nold\n1 old"), "{command}: {output:?}");
        assert_one_line(&output, &["can't be written", "room"]);
    }
}

/// Listening goes on, the loss is told at the end, and what had room is readable.
#[test]
fn a_disk_that_fills_up_while_sound_is_kept_ends_the_keeping_only() {
    let kept = tempfile::tempdir().unwrap();
    let kept = kept.path().join("kept.wav");
    let lines = format!(
        "\"$program\" listen --replay \"$fall\" --speed max --plain --keep k.wav; status=$?; cp k.wav '{}'; exit $status",
        kept.display()
    );
    let Some(output) = on_a_small_disk(&lines) else { return };
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    assert!(String::from_utf8_lossy(&output.stdout).contains("38.60"), "{output:?}");
    assert_one_line(&output, &["not all of it was kept", "k.wav"]);
    let samples = samples_of(&kept);
    assert!(samples.len() > 8000, "{} samples of the 16000 that have room", samples.len());
    assert_eq!(samples, samples_of(Path::new(FALL))[..samples.len()]);
}

#[test]
fn a_folder_that_may_not_be_written_to() {
    for command in [
        "analyse --track t.csv \"$fall\"",
        "demo",
        "listen --replay \"$fall\" --speed max --plain --keep k.wav",
    ] {
        let lines = format!("mount -o remount,ro . || exit 99; \"$program\" {command} > /dev/null");
        let Some(output) = on_a_small_disk(&lines) else { return };
        assert_eq!(output.status.code(), Some(1), "{command}: {output:?}");
        assert_one_line(&output, &["can't be written"]);
    }
}

#[test]
fn a_folder_is_no_file_name() {
    let folder = tempfile::tempdir().unwrap();
    let inside = folder.path().join("a.svg");
    fs::create_dir(&inside).unwrap();
    let name = inside.to_str().unwrap();
    for words in [
        &["analyse", "--track", name, FALL][..],
        &["analyse", "--plot", name, FALL],
        &["listen", "--replay", FALL, "--speed", "max", "--plain", "--keep", name],
        &["dial", "--meter", name, "--frequency", "3MHz"],
        &["listen", "--replay", name, "--plain"],
    ] {
        let output = Command::new(PROGRAM).args(words).output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{words:?}: {output:?}");
        assert_one_line(&output, &["a.svg"]);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "{words:?} left something");
        assert_eq!(fs::read_dir(&inside).unwrap().count(), 0, "{words:?} left something");
    }
}

/// A device that is always full: the same fault without the right to mount anything.
#[test]
fn an_output_that_takes_nothing() {
    if !Path::new("/dev/full").exists() {
        return;
    }
    let full = || fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    for words in [
        &["--help"][..],
        &["analyse", FALL],
        &["analyse", "--json", FALL],
        &["dial", "--meter", METER, "--frequency", "3520kHz"],
        &["checkpoints", "--meter", METER],
        &["listen", "--replay", FALL, "--speed", "max", "--plain"],
    ] {
        let output = Command::new(PROGRAM).args(words).stdout(full()).output().unwrap();
        assert_eq!(output.status.code(), Some(1), "{words:?}: {output:?}");
        assert_one_line(&output, &["the output can't be written"]);
    }
    // Nobody to be told either: the status still tells.
    let status =
        Command::new(PROGRAM).args(["analyse", FALL]).stdout(full()).stderr(full()).status().unwrap();
    assert_eq!(status.code(), Some(1));
}

/// The reader of our output leaves; what is kept is whole nevertheless.
#[test]
fn a_closed_pipe_does_not_cost_what_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let kept = folder.path().join("kept.wav");
    let mut child = Command::new(PROGRAM)
        .args(["listen", "--replay", FALL, "--speed", "20", "--json", "--keep", kept.to_str().unwrap()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = [0; 1];
    child.stdout.take().unwrap().read_exact(&mut first).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!((output.status.code(), told(&output).as_str()), (Some(0), ""));
    // Finished, not only brought up to date twice a second: the header's length is the file's.
    let bytes = fs::read(&kept).unwrap();
    let riff = u32::from_le_bytes(bytes[4..8].try_into().unwrap());
    assert_eq!(u64::from(riff) + 8, bytes.len() as u64);
    assert!(!samples_of(&kept).is_empty());
}

fn signal(child: &Child, name: &str) {
    assert!(
        Command::new("kill").args([&format!("-{name}"), &child.id().to_string()]).status().unwrap().success()
    );
}

/// A stream of 8 kHz 16-bit sound of unknown length: a tone that falls slowly, and nothing at the end of each minute.
struct Endless {
    frame: u64,
    phase: f64,
    noise: u64,
}

impl Endless {
    const RATE: u64 = 8000;

    fn begin() -> Self {
        Self { frame: 0, phase: 0.0, noise: 7 }
    }

    fn header() -> Vec<u8> {
        let mut header =
            b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0\x01\0\x01\0\x40\x1f\0\0\x80\x3e\0\0\x02\0\x10\0data"
                .to_vec();
        header.extend(u32::MAX.to_le_bytes());
        header
    }

    fn seconds(&mut self, seconds: u64) -> Vec<u8> {
        let mut bytes = Vec::new();
        for _ in 0..seconds * Self::RATE {
            let at = self.frame as f64 / Self::RATE as f64;
            let minute = at % 60.0;
            self.phase += (900.0 * (-minute / 8.0).exp() + 40.0) / Self::RATE as f64;
            // Knuth's MMIX generator (The Art of Computer Programming, volume 2, 3.3.4, table 1, from memory).
            self.noise =
                self.noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = (self.noise >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
            let gain = if minute < 50.0 { 0.3 } else { 0.0 };
            let sample = gain * (self.phase * std::f64::consts::TAU).sin() + 0.01 * noise;
            bytes.extend(((sample * 32_767.0) as i16).to_le_bytes());
            self.frame += 1;
        }
        bytes
    }
}

/// Asked to end while a pipe that has fallen silent is being waited for.
#[test]
fn a_stop_gives_what_was_heard_until_then() {
    for name in ["INT", "TERM", "HUP"] {
        let mut child = Command::new(PROGRAM)
            .args(["analyse", "--json", "-"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut pipe = child.stdin.take().unwrap();
        pipe.write_all(&Endless::header()).unwrap();
        // More than pipe and portions hold: when it is written, sound has been read.
        pipe.write_all(&Endless::begin().seconds(60)).unwrap();
        signal(&child, name);
        let output = child.wait_with_output().unwrap();
        drop(pipe);
        assert_eq!(output.status.code(), Some(1), "{output:?}");
        let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert!(
            answer["input"]["frames"].as_u64().unwrap() > 30 * Endless::RATE - 10_000,
            "{}",
            answer["input"]
        );
        let notes = answer["input"]["notes"].to_string();
        assert!(notes.contains("stopped by hand after"), "{notes}");
        assert_one_line(&output, &["stopped before its end"]);
    }
}

/// Killed without warning, the program leaves a recording that lacks at most the last second of what it told.
#[test]
fn a_killed_program_leaves_what_it_kept() {
    let folder = tempfile::tempdir().unwrap();
    let kept = folder.path().join("kept.wav");
    let mut child = Command::new(PROGRAM)
        .args(["listen", "--replay", FALL, "--speed", "8", "--json", "--keep", kept.to_str().unwrap()])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let lines = io::BufRead::lines(io::BufReader::new(child.stdout.take().unwrap()));
    let update = lines.map(Result::unwrap).nth(130).unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    let update: serde_json::Value = serde_json::from_str(&update).unwrap();
    let (samples, all) = (samples_of(&kept), samples_of(Path::new(FALL)));
    let told_s = update["at_s"].as_f64().unwrap();
    assert!(told_s > 5.0 && samples.len() as f64 / 8000.0 > told_s - 1.0, "{} of {told_s} s", samples.len());
    assert_eq!(samples, all[..samples.len()]);
}

/// The most memory that the program has had so far, KiB.
#[cfg(target_os = "linux")]
fn peak_kib(child: &Child) -> u64 {
    let status = fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap();
    line.trim().trim_end_matches("kB").trim().parse().unwrap()
}

/// Ten minutes cost no more memory than three, with the track written too.
#[cfg(target_os = "linux")]
#[test]
fn a_long_recording_takes_flat_memory() {
    let folder = tempfile::tempdir().unwrap();
    let track = folder.path().join("track.csv");
    let mut child = Command::new(PROGRAM)
        .args(["analyse", "--json", "--track", track.to_str().unwrap(), "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut pipe = child.stdin.take().unwrap();
    let mut sound = Endless::begin();
    pipe.write_all(&Endless::header()).unwrap();
    let mut minutes = |count: u64| (0..count).for_each(|_| pipe.write_all(&sound.seconds(60)).unwrap());
    minutes(3);
    let early = peak_kib(&child);
    minutes(7);
    let late = peak_kib(&child);
    drop(pipe);
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{output:?}");
    assert!(late < early + 3072, "{early} KiB after three minutes, {late} KiB after ten");
    let rows = fs::read_to_string(&track).unwrap();
    let last: f64 = rows.lines().last().unwrap().split(',').next().unwrap().parse().unwrap();
    assert!(last > 599.0, "the track ends at {last} s");
}

/// A minute of sound with its header.
fn a_minute() -> Vec<u8> {
    [Endless::header(), Endless::begin().seconds(60)].concat()
}

/// What the answer says of a recording that broke off before its end.
fn assert_broke_off(output: &Output) {
    assert!(output.status.success(), "{output:?}");
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let heard_s = answer["input"]["duration_s"].as_f64().unwrap();
    assert!((1.0..60.0).contains(&heard_s), "{heard_s} s were heard");
    let notes = answer["input"]["notes"].to_string();
    assert!(notes.contains("broke off after"), "{notes}");
}

/// A disk that stops answering in the middle of a recording: a file system on a loop device whose own file is cut off
/// behind its back, so that the system reports an input/output error.
#[test]
fn a_disk_that_fails_in_the_middle_of_a_recording() {
    let folder = tempfile::tempdir().unwrap();
    let (inside, image) = (folder.path().join("inside"), folder.path().join("image"));
    fs::create_dir(&inside).unwrap();
    fs::write(inside.join("a.wav"), a_minute()).unwrap();
    let made = Command::new("mke2fs")
        .args(["-q", "-t", "ext4", "-O", "^has_journal", "-b", "4096", "-d"])
        .args([&inside, &image])
        .arg("8M")
        .output();
    let skip = |why: &str| _ = writeln!(io::stderr(), "skipped: {why}");
    if !made.is_ok_and(|made| made.status.success()) {
        return skip("no mke2fs that makes a file system from a folder");
    }
    // Half-way through the sound, as it lies on the disk.
    let middle = &a_minute()[Endless::RATE as usize * 60..][..64];
    let on_disk = fs::read(&image).unwrap();
    let at = on_disk.windows(64).position(|window| window == middle).unwrap().next_multiple_of(4096);
    let script = format!(
        "mkdir disk && mount -o ro,loop image disk || exit 99\ntruncate -s {at} image\n'{PROGRAM}' analyse --json disk/a.wav"
    );
    let output =
        Command::new("unshare").args(["-m", "sh", "-c", &script]).current_dir(folder.path()).output();
    match output {
        Ok(output) if output.status.code() != Some(99) && !told(&output).contains("unshare:") => {
            assert_broke_off(&output);
            assert!(String::from_utf8_lossy(&output.stdout).contains("input/output error"), "{output:?}");
        }
        _ => skip("no right to mount a disk"),
    }
}

/// The other end of a network connection is reset while the recording comes in.
#[test]
fn a_stream_that_is_reset_is_heard_up_to_there() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let mut ours = std::net::TcpStream::connect(listener.local_addr().unwrap()).unwrap();
    let mut theirs = listener.accept().unwrap().0;
    // What is never read at this end makes the system reset the connection when it is closed.
    theirs.write_all(b"unread").unwrap();
    let theirs: std::os::fd::OwnedFd = theirs.into();
    let child = Command::new(PROGRAM)
        .args(["analyse", "--json", "-"])
        .stdin(theirs)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    ours.write_all(&a_minute()[..800_000]).unwrap();
    drop(ours);
    assert_broke_off(&child.wait_with_output().unwrap());
}
