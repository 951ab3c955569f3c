//! Sound through a card: what is played is what is heard and what is kept.
#![cfg(all(feature = "live", target_os = "linux"))]

#[path = "support/card.rs"]
mod card;

use card::{Card, fixture};
use std::process::{Command, Output};

const RATE_HZ: u32 = 8000;

fn hushbeat(card: &Card, words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_hushbeat"))
        .args(words)
        .env("ALSA_CONFIG_PATH", card.configuration())
        .output()
        .expect("the program runs")
}

/// Plays frames and keeps what is heard of them, up to some silence after.
fn kept(rate_hz: u32, played: &[[i32; 2]]) -> Vec<f32> {
    let card = Card::new(rate_hz);
    let seconds = played.len() as f64 / f64::from(rate_hz) + 1.0;
    let folder = tempfile::tempdir().expect("a folder");
    let wav = folder.path().join("kept.wav");
    let player = card.play(played.to_vec());
    let (rate, seconds) = (format!("{rate_hz}Hz"), seconds.to_string());
    let out = hushbeat(
        &card,
        &["listen", "--rate", &rate, "--for", &seconds, "--plain", "--keep", &wav.to_string_lossy()],
    );
    drop(player);
    assert!(out.status.success(), "{out:?}");
    let mut reader = hound::WavReader::open(&wav).expect("readable");
    let spec = reader.spec();
    assert_eq!((spec.channels, spec.sample_rate), (2, rate_hz));
    reader.samples().map(|sample| sample.expect("a whole file")).collect()
}

/// None lost, none changed: but for silence before and after, the kept samples are the played ones, bit by bit.
fn assert_same(kept: &[f32], played: &[[i32; 2]]) {
    let played: Vec<f32> = played.iter().flatten().map(|&sample| sample as f32 / 2_147_483_648.0).collect();
    let from =
        |samples: &[f32]| samples.iter().position(|&sample| sample != 0.0).expect("not all is silence");
    let (heard, played) = (&kept[from(kept)..], &played[from(&played)..]);
    assert!(heard.len() >= played.len(), "{} of {} samples", heard.len(), played.len());
    let differing = heard.iter().zip(played).position(|(heard, played)| heard.to_bits() != played.to_bits());
    assert_eq!(differing, None);
}

#[test]
fn a_fixture_is_kept_as_it_was_played() {
    let played = fixture("through-zero.wav");
    assert_same(&kept(RATE_HZ, &played), &played);
}

/// Noise in all bits that a 24-bit card gives, each channel its own, at a usual rate.
#[test]
fn noise_in_24_bits_at_48_khz_is_kept_as_it_was_played() {
    let mut state = 1u64;
    let mut noise = || {
        // Knuth, The Art of Computer Programming, vol. 2, 3.3.4, table 1, line 26.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (state >> 32) as i32 & !0xFF
    };
    let played: Vec<[i32; 2]> = (0..3 * 48_000).map(|_| [noise(), noise()]).collect();
    assert_same(&kept(48_000, &played), &played);
}

/// The whole way: a descent played into the card comes out as the rests that were put into it, within three times their
/// uncertainty (one noise, always the same), and on the side that the declared turning gives. The truth is the fixture's: see its README.
#[test]
fn a_fixture_played_in_real_time_gives_its_rests() {
    let card = Card::new(RATE_HZ);
    let player = card.play(fixture("fall-to-rest.wav"));
    let out = hushbeat(&card, &["listen", "--rate", "8kHz", "--turning", "up", "--for", "12.5", "--json"]);
    drop(player);
    assert!(out.status.success(), "{out:?}");
    let text = String::from_utf8(out.stdout).expect("JSON is text");
    let objects: Vec<serde_json::Value> =
        text.lines().map(|line| serde_json::from_str(line).expect("one object per line")).collect();
    let (last, updates) = objects.split_last().expect("something was said");
    assert!(updates.len() > 200 && updates.iter().all(|update| update["lost_samples"] == 0));
    let rests = last["rests"].as_array().expect("a list of rests");
    let resting: Vec<_> = rests.iter().filter(|rest| rest["end_s"].as_f64() > Some(5.0)).collect();
    assert!(!resting.is_empty(), "{last}");
    for rest in resting {
        let (offset, u) =
            (rest["offset_hz"].as_f64().expect("a number"), rest["u_hz"].as_f64().expect("a number"));
        assert!((offset - 38.6).abs() < 3.0 * u, "{offset} ± {u}");
        assert_eq!(rest["side"], "low");
    }
}

/// What can't be had is refused in one line that says what to do, and nothing is left half written.
#[test]
fn what_can_not_be_had_is_refused_in_one_line() {
    let card = Card::new(RATE_HZ);
    let refused = |words: &[&str], status: i32| {
        let out = hushbeat(&card, words);
        let text = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(status), "{words:?}: {text}");
        assert!(out.stdout.is_empty() && text.lines().count() == 1, "{words:?}: {text}");
        text.trim_end().to_owned()
    };
    // A FIFO without a player lets no program open it.
    let player = card.play(Vec::new());
    let told = [
        refused(&["listen", "--input", "attic"], 1),
        refused(&["listen", "--input", "7"], 1),
        refused(&["listen", "--channel", "40000"], 1),
        refused(&["listen", "--keep", "/proc/kept.wav"], 1),
        refused(&["listen", "--replay", "nowhere.wav"], 1),
    ];
    drop(player);
    insta::assert_snapshot!(told.join("\n"));
    let no_card = tempfile::tempdir().expect("a folder");
    let empty = no_card.path().join("asound.conf");
    std::fs::write(&empty, "").expect("written");
    let out = Command::new(env!("CARGO_BIN_EXE_hushbeat"))
        .arg("listen")
        .env("ALSA_CONFIG_PATH", empty)
        .output()
        .expect("the program runs");
    let text = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(out.status.code() == Some(1) && text.contains("no sound input answers"), "{text}");
    assert_eq!(text.lines().count(), 1, "{text}");
}
