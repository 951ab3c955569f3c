//! `listen --replay` against the ear itself, and a kept recording against the sound it was kept from.

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::heard::{Heard, Snapshot};
use hushbeat::offset::Turning;
use hushbeat::pipeline::{Ignore, Pipeline, Sink};
use hushbeat::settings::Settings;
use hushbeat::source::recording;
use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn hushbeat(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hushbeat")).args(words).output().expect("the program runs")
}

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/recordings").join(name)
}

/// The last object that `listen --json` gives, and how many came before.
fn last_object(words: &[&str]) -> (serde_json::Value, usize) {
    let out = hushbeat(words);
    assert!(out.status.success(), "{words:?}: {out:?}");
    let text = String::from_utf8(out.stdout).expect("JSON is text");
    let mut lines: Vec<&str> = text.lines().collect();
    let last = lines.pop().expect("something was said");
    (serde_json::from_str(last).expect("one object"), lines.len())
}

/// All that the ear hears of a recording given to it block by block.
fn heard(path: &Path, settings: &Settings) -> Heard {
    let mut recording = recording::open(path).expect("a fixture");
    let mut pipeline = Pipeline::new(recording.format(), settings).expect("a usable format");
    let mut block = SampleBlock::default();
    while recording.next_block(&mut block).expect("readable") {
        pipeline.push(&block, &mut Ignore);
    }
    pipeline.finish(&mut Ignore).heard
}

/// The way through ring, threads and snapshots changes nothing of what is heard, at any speed.
#[test]
fn a_replay_ends_with_what_the_ear_hears() {
    for (name, speed) in [("fall-to-rest.wav", "max"), ("through-zero.wav", "100"), ("dead-band.wav", "max")]
    {
        let path = fixture(name);
        let settings = Settings { turning: Some(Turning::Up), ..Settings::default() };
        let direct = serde_json::to_value(heard(&path, &settings)).expect("a record");
        let words =
            ["listen", "--replay", &path.to_string_lossy(), "--speed", speed, "--turning", "up", "--json"];
        let (live, updates) = last_object(&words);
        for key in ["rests", "ending", "crossings", "steady_notes", "hum", "level", "warnings"] {
            assert_eq!(live[key], direct[key], "{name}: {key}");
        }
        let seconds = live["input"]["duration_s"].as_f64().expect("a number");
        assert!((updates as f64 / seconds - 20.0).abs() < 2.0, "{updates} updates in {seconds} s");
    }
}

/// What is kept while listening, with what was declared and lost meanwhile noted beside it, replays to the same rests.
#[test]
fn a_kept_recording_replays_to_the_same_track() {
    let folder = tempfile::tempdir().expect("a folder");
    let kept = folder.path().join("kept.wav");
    let (kept, source) = (kept.to_string_lossy(), fixture("signal-turned.wav"));
    let source = source.to_string_lossy();
    let first = last_object(&["listen", "--replay", &source, "--speed", "max", "--json", "--keep", &kept]).0;
    let again = last_object(&["listen", "--replay", &kept, "--speed", "max", "--json"]).0;
    assert_eq!(first["rests"], again["rests"]);
    // The hand and its turning were never declared; notes such as a key press leaves declare them.
    let rest = |answer: &serde_json::Value| {
        answer["rests"].as_array().and_then(|r| r.last().cloned()).expect("a rest")
    };
    assert_eq!(rest(&first)["side"], "unknown");
    fs::write(format!("{kept}.notes"), "0 hand signal\n0 turning up\n").expect("written");
    let declared = last_object(&["listen", "--replay", &kept, "--speed", "max", "--json"]).0;
    assert_eq!(rest(&declared)["side"], "high");
    fs::write(format!("{kept}.notes"), "0 hand foot\n").expect("written");
    let out = hushbeat(&["listen", "--replay", &kept, "--plain"]);
    let text = String::from_utf8_lossy(&out.stderr);
    assert!(
        out.status.code() == Some(1) && text.contains("kept.wav.notes:1: `0 hand foot` is no note"),
        "{text}"
    );
}

#[test]
fn it_ends_by_itself_when_the_time_is_up() {
    let path = fixture("hum-only.wav");
    let words = ["listen", "--replay", &path.to_string_lossy(), "--speed", "max", "--for", "2.5", "--json"];
    let answer = last_object(&words).0;
    assert_eq!(answer["input"]["frames"], 20_000);
}

/// What can't be done here is refused before anything is heard or kept.
#[test]
fn a_refusal_leaves_nothing_begun() {
    let folder = tempfile::tempdir().expect("a folder");
    let kept = folder.path().join("kept.wav");
    let meter = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/meters/club-bench.toml");
    let (replay, keep) = (fixture("fall-to-rest.wav"), kept.to_string_lossy());
    let (replay, meter) = (replay.to_string_lossy(), meter.to_string_lossy());
    let begin = ["listen", "--replay", &replay, "--speed", "max", "--keep", &keep];
    let led = ["--meter", &meter, "--range", "high", "--reading", "1800.5", "--transfer", "4/1"];
    let out = hushbeat(&[&begin[..], &led].concat());
    let text = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.code() == Some(2) && text.contains("--transfer leads on the screen"), "{text}");
    let check = ["--check", "1800.5:4/1:rest3"];
    let out = hushbeat(&[&begin[..], &["--plain"], &led[..6], &check].concat());
    let text = String::from_utf8_lossy(&out.stderr);
    assert!(
        out.status.code() == Some(2) && text.contains("rest3 is a rest of no recording; hint: "),
        "{text}"
    );
    let list = folder.path().join("none.csv");
    let out = hushbeat(&[&begin[..], &["--plain", "--stations", &list.to_string_lossy()]].concat());
    assert!(out.status.code() == Some(1) && out.stdout.is_empty(), "{out:?}");
    assert!(!kept.exists(), "something was kept");
}

/// Reads what comes out of a pipe that is closed early: that is no fault.
#[test]
fn a_closed_pipe_ends_it_quietly() {
    let line = format!(
        "{} listen --replay {} --speed max --json | head -n 1",
        env!("CARGO_BIN_EXE_hushbeat"),
        fixture("two-rests.wav").display()
    );
    let out = Command::new("sh").args(["-c", &line]).output().expect("a shell");
    assert!(out.status.success() && out.stderr.is_empty(), "{out:?}");
    assert!(out.stdout.starts_with(b"{\"at_s\":"), "{out:?}");
}

/// From the first sample of a steady 400 Hz note to its first reading, in samples of sound, at 20 dB in 4 kHz.
#[test]
fn a_steady_note_has_a_reading_within_200_ms() {
    const RATE_HZ: u32 = 48_000;
    const PORTION: usize = 960;
    struct First(Option<Snapshot>);
    impl Sink for First {
        fn wants_snapshots(&self) -> bool {
            true
        }
        fn snapshot(&mut self, snapshot: &Snapshot) {
            if self.0.is_none() && snapshot.offset_hz.is_some() {
                self.0 = Some(snapshot.clone());
            }
        }
    }
    // Noise of σ² spreads over 0 to 24 kHz, a sixth of it lies in 0 to 4 kHz: σ² = A²/2 · 10^(−20/10) · 6.
    let amplitude = 0.25f64;
    let sigma = (amplitude * amplitude / 2.0 * 0.01 * 6.0).sqrt();
    let mut state = 7u64;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut pipeline =
        Pipeline::new(StreamFormat { rate_hz: RATE_HZ, channels: 1 }, &Settings::default()).expect("usable");
    let (mut first, mut block) = (First(None), SampleBlock::default());
    let begins = RATE_HZ as usize;
    let mut pushed = 0;
    while first.0.is_none() && pushed < 3 * begins {
        block.first_frame = pushed as u64;
        block.samples.clear();
        for n in pushed..pushed + PORTION {
            // Box and Muller (1958).
            let noise = (-2.0 * (1.0 - uniform()).ln()).sqrt() * (TAU * uniform()).cos() * sigma;
            let note = if n < begins {
                0.0
            } else {
                amplitude * (TAU * 400.0 * n as f64 / f64::from(RATE_HZ)).sin()
            };
            block.samples.push((note + noise) as f32);
        }
        pipeline.push(&block, &mut first);
        pushed += PORTION;
    }
    let snapshot = first.0.expect("a reading within two seconds");
    assert!(pushed > begins, "a reading before there was a note");
    let milliseconds = (pushed - begins) as f64 / f64::from(RATE_HZ) * 1000.0;
    assert!(milliseconds < 200.0, "{milliseconds} ms");
    let (offset, u) =
        (snapshot.offset_hz.expect("chosen for it"), snapshot.u_hz.expect("with its uncertainty"));
    assert!((offset - 400.0).abs() < 5.0 * u.max(0.1), "{offset} ± {u}");
}
