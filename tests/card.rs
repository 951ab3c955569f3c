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
