//! The recordings under `fixtures/recordings` are what their scenes on the shelf make, to the last bit of 16. With
//! `HUSHBEAT_BLESS=1` in the environment they are written anew instead, with the list of their truths.

#[path = "support/sound.rs"]
mod sound;

use hushbeat::block::StreamFormat;
use hushbeat::source::keep::{SampleFormat, write_wav};
use hushbeat::source::synthetic::{TrueCrossing, TrueRest, render, shelf};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// What is true of a fixture: `fixtures/recordings/NAME.json`.
#[derive(Debug, PartialEq, Serialize, Deserialize)]
struct Known {
    about: String,
    seed: u64,
    rate_hz: u32,
    snr_db: f64,
    /// The hand: (instant in s, signed beat in Hz).
    knots: Vec<(f64, f64)>,
    /// The hand's rests; whether they can be heard the scene says.
    rests: Vec<TrueRest>,
    crossings: Vec<TrueCrossing>,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/recordings")
}

#[test]
fn fixtures_are_what_their_scenes_make() {
    let bless = std::env::var_os("HUSHBEAT_BLESS").is_some();
    for shelved in shelf() {
        let made = render(&shelved.scene);
        let format = StreamFormat { rate_hz: made.rate_hz, channels: made.channels };
        let path = folder().join(format!("{}.wav", shelved.name));
        let known = Known {
            about: shelved.about.to_owned(),
            seed: shelved.scene.seed,
            rate_hz: made.rate_hz,
            snr_db: shelved.scene.snr_db,
            knots: shelved.scene.knots,
            rests: made.truth.rests,
            crossings: made.truth.crossings,
        };
        if bless {
            write_wav(&path, format, &made.samples, SampleFormat::Pcm16).unwrap();
            let text = serde_json::to_string_pretty(&known).unwrap();
            std::fs::write(path.with_extension("json"), text + "\n").unwrap();
        }

        let (kept_format, kept) = sound::samples_of(&path);
        assert_eq!(kept_format, format, "{}", shelved.name);
        assert_eq!(kept.len(), made.samples.len(), "{}", shelved.name);
        // Half a step of rounding, and one step for mathematical libraries that differ in their last bit.
        let worst = kept.iter().zip(&made.samples).fold(0f32, |worst, (k, m)| worst.max((k - m).abs()));
        assert!(worst <= 1.5 / 32_768.0, "{}: {worst}", shelved.name);

        let text = std::fs::read_to_string(path.with_extension("json")).unwrap();
        let listed: Known = serde_json::from_str(&text).unwrap();
        assert_eq!((&listed.about, &listed.knots), (&known.about, &known.knots), "{}", shelved.name);
        assert_eq!((listed.seed, listed.rate_hz), (known.seed, known.rate_hz), "{}", shelved.name);
        assert_eq!(listed.rests.len(), known.rests.len(), "{}", shelved.name);
        for (listed, known) in listed.rests.iter().zip(&known.rests) {
            assert!((listed.beat_hz - known.beat_hz).abs() < 1e-6, "{}: {listed:?} {known:?}", shelved.name);
        }
    }
}

#[test]
fn every_recording_in_the_folder_has_its_scene() {
    let mut files: Vec<String> = std::fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "wav"))
        .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    files.sort();
    assert_eq!(files, shelf().iter().map(|shelved| shelved.name).collect::<Vec<_>>());
}
