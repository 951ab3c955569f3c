use super::*;

/// Amplitude of the line at `f` in a stretch of samples, by a sum over it (Hann-weighted, so that other lines a few
/// hertz away do not leak in).
fn line(samples: &[f32], rate: f64, f: f64) -> f64 {
    let n = samples.len() as f64;
    let (mut re, mut im) = (0.0, 0.0);
    for (i, &x) in samples.iter().enumerate() {
        let weight = 1.0 - (TAU * i as f64 / n).cos();
        let (s, c) = (TAU * f * i as f64 / rate).sin_cos();
        re += weight * f64::from(x) * c;
        im += weight * f64::from(x) * s;
    }
    2.0 * re.hypot(im) / n
}

fn rms(samples: &[f32]) -> f64 {
    (samples.iter().map(|&x| f64::from(x).powi(2)).sum::<f64>() / samples.len() as f64).sqrt()
}

/// A quiet bench: direct coupling, hardly any noise, no filters.
fn bare(rate_hz: u32, knots: &[(f64, f64)]) -> Scene {
    Scene { rate_hz, high_pass: None, low_pass: None, snr_db: 120.0, ..Scene::new(3, knots) }
}

fn steady(rate_hz: u32, beat_hz: f64, seconds: f64) -> Scene {
    bare(rate_hz, &[(0.0, beat_hz), (seconds, beat_hz)])
}

/// By its definition: noise power in 0..4 kHz is the note's power, A²/2, less the asked decibels; white noise spreads
/// evenly to half the rate, so at 48 kHz six times that power is there, at 400 Hz a twentieth.
#[test]
fn noise_is_as_many_decibels_under_the_note_as_asked() {
    for (rate, snr_db) in [(48_000, 20.0), (48_000, -14.0), (8000, 3.0), (400, 10.0)] {
        let scene = Scene {
            rate_hz: rate,
            snr_db,
            detector: Detector::Silent,
            amplitude: 0.02,
            gain: Some(1.0),
            ..Scene::new(5, &[(0.0, 0.0), (30.0, 0.0)])
        };
        let samples = render(&scene).samples;
        let in_band = 10f64.powf(-snr_db / 10.0) * 0.02 * 0.02 / 2.0;
        let want = (in_band * f64::from(rate) / 8000.0).sqrt();
        let tolerance = 5.0 / (2.0 * samples.len() as f64).sqrt();
        assert!((rms(&samples) / want - 1.0).abs() < tolerance, "{rate} Hz: {} for {want}", rms(&samples));
    }
}

#[test]
fn the_note_is_where_the_beat_is_and_as_strong_as_asked() {
    for (rate, beat) in [(48_000, 400.25), (8000, -97.5), (96_000, 3000.0)] {
        let samples = render(&steady(rate, beat, 4.0)).samples;
        let level = line(&samples, f64::from(rate), beat.abs());
        assert!((level - 0.2).abs() < 1e-4, "{level}");
        assert!(line(&samples, f64::from(rate), beat.abs() + 2.0) < 1e-4);
    }
}

/// The lines of a hum comb are whole multiples of its fundamental, each as strong as asked.
#[test]
fn hum_stands_at_multiples_of_its_fundamental() {
    let levels = [0.5, 0.8, 0.0, 0.3];
    let scene = Scene {
        hum: Some(Hum::mains(49.97, &levels)),
        detector: Detector::Silent,
        ..steady(8000, 0.0, 20.0)
    };
    let samples = render(&scene).samples;
    for (order, level) in (1..).map(f64::from).zip(levels) {
        let got = line(&samples, 8000.0, order * 49.97);
        assert!((got - 0.2 * level).abs() < 1e-4, "harmonic {order}: {got}");
    }
    assert!(line(&samples, 8000.0, 75.0) < 1e-4);
}

#[test]
fn hum_wanders_within_its_bounds_and_does_move() {
    let hum = Hum { wander_hz: 0.05, ..Hum::mains(50.0, &[1.0]) };
    let scene = Scene { hum: Some(hum), detector: Detector::Silent, ..steady(1000, 0.0, 60.0) };
    let samples = render(&scene).samples;
    // Frequency from the instants of upward zeros, second by second.
    let zeros: Vec<f64> = samples
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| pair[0] < 0.0 && pair[1] >= 0.0)
        .map(|(i, pair)| i as f64 + f64::from(pair[0] / (pair[0] - pair[1])))
        .collect();
    let seen: Vec<f64> = zeros.windows(51).step_by(50).map(|z| 50.0 * 1000.0 / (z[50] - z[0])).collect();
    let (low, high) = seen.iter().fold((99.0f64, 0.0f64), |(low, high), &f| (low.min(f), high.max(f)));
    assert!((49.945..50.055).contains(&low) && (49.945..50.055).contains(&high), "{low} {high}");
    assert!(high - low > 0.04, "{low} {high}");
}

/// An envelope detector's note for carriers 1 : r has, to second order, harmonics in the ratio h2/h1 = r/4 (series of
/// √(1 + r² + 2r cos φ)); no oscillator is pulled.
#[test]
fn an_envelope_detector_makes_harmonics() {
    let ratio = 0.1;
    let scene = Scene { detector: Detector::Envelope { ratio }, ..steady(8000, 61.0, 4.0) };
    let samples = render(&scene).samples;
    let (h1, h2) = (line(&samples, 8000.0, 61.0), line(&samples, 8000.0, 122.0));
    assert!((h2 / h1 - ratio / 4.0).abs() < 0.02 * ratio / 4.0, "{}", h2 / h1);
    assert!(rms(&samples) < 0.2);
    let mean = samples.iter().map(|&x| f64::from(x)).sum::<f64>() / samples.len() as f64;
    assert!(mean.abs() < 1e-4, "{mean}");
}

/// Pulled, the note is heard at √(Δ² − L²) (Adler 1946): 26.4575 Hz for 40 Hz and a lock range of ±30 Hz; the truth
/// stays 40 Hz. Within the lock range there is no note.
#[test]
fn pulling_is_heard_and_the_truth_is_kept() {
    let made = render(&Scene { lock_hz: 30.0, ..steady(12_000, 40.0, 8.0) });
    let heard = 700f64.sqrt();
    let (h1, h2, h3) = (
        line(&made.samples, 12_000.0, heard),
        line(&made.samples, 12_000.0, 2.0 * heard),
        line(&made.samples, 12_000.0, 3.0 * heard),
    );
    let ratio = 30.0 / (40.0 + heard);
    assert!((h2 / h1 - ratio).abs() < 1e-3 && (h3 / h2 - ratio).abs() < 1e-3, "{h1} {h2} {h3}");
    assert!((made.truth.rests[0].beat_hz - 40.0).abs() < 1e-9);
    let locked = render(&Scene { lock_hz: 60.0, ..steady(12_000, 40.0, 4.0) });
    let (low, high) = locked.samples[24_000..].iter().fold((9f32, -9f32), |(l, h), &x| (l.min(x), h.max(x)));
    assert!(high - low < 1e-4, "{low} {high}");
}

/// Notes of a receiver: upper side b = meter − signal, lower side b = signal − meter, straddled their sum is b.
#[test]
fn a_receiver_keeps_the_order_of_frequencies() {
    for (pitch_hz, beat, signal, meter) in
        [(800.0, 50.0, 800.0, 850.0), (-800.0, 50.0, 800.0, 750.0), (-300.0, 1000.0, 300.0, 700.0)]
    {
        let receiver = Receiver { pitch_hz, drift_hz_per_s: 0.0, meter_level: 0.5 };
        let scene = Scene { detector: Detector::Receiver(receiver), ..steady(8000, beat, 4.0) };
        let samples = render(&scene).samples;
        assert!((line(&samples, 8000.0, signal) - 0.2).abs() < 1e-4);
        assert!((line(&samples, 8000.0, meter) - 0.1).abs() < 1e-4);
    }
}

#[test]
fn modulation_puts_lines_beside_the_note() {
    let scene =
        Scene { sidebands: Some((600.0, 0.25)), hum_on_note: Some((60.0, 0.2)), ..steady(8000, 1000.0, 4.0) };
    let samples = render(&scene).samples;
    for (f, level) in [(1000.0, 0.2), (400.0, 0.05), (1600.0, 0.05), (940.0, 0.02), (1060.0, 0.02)] {
        assert!((line(&samples, 8000.0, f) - level).abs() < 1e-4, "{f}");
    }
    let samples = render(&Scene { second_harmonic: 0.6, ..steady(8000, 205.0, 4.0) }).samples;
    assert!((line(&samples, 8000.0, 410.0) - 0.12).abs() < 1e-4);
}

/// The corner of the jack takes 3.01 dB off a note that rests on it, and the noise of the card is not touched.
#[test]
fn the_jack_takes_away_what_it_does_not_pass() {
    let scene = Scene { high_pass: Some((90.0, 4)), ..steady(8000, 90.0, 6.0) };
    let level = line(&render(&scene).samples[16_000..], 8000.0, 90.0);
    assert!((20.0 * (level / 0.2).log10() + 3.0103).abs() < 0.01, "{level}");
}

#[test]
fn keying_fading_and_noise_suppression_act_on_the_note() {
    let scene = Scene { keyed: vec![(0.0, 1.0), (2.0, 3.0)], ..steady(8000, 400.0, 4.0) };
    let samples = render(&scene).samples;
    let loud = |from: f64, to: f64| rms(&samples[(from * 8000.0) as usize..(to * 8000.0) as usize]);
    let full = 0.2 / 2f64.sqrt();
    assert!((loud(0.0, 1.0) / full - 1.0).abs() < 0.01 && (loud(2.1, 2.9) / full - 1.0).abs() < 0.01);
    assert!(loud(1.1, 1.9) < 1e-5 && loud(3.1, 4.0) < 1e-5);

    // A fade of 16 dB takes the note from 0 to −16 dB once a period.
    let scene = Scene { fade: Some((0.25, 16.0)), ..steady(8000, 400.0, 4.0) };
    let samples = render(&scene).samples;
    let levels: Vec<f64> = samples.chunks(400).map(|part| 20.0 * (rms(part) / full).log10()).collect();
    let (low, high) = levels.iter().fold((99.0f64, -99.0f64), |(l, h), &x| (l.min(x), h.max(x)));
    assert!((high.abs() < 0.1) && (low + 16.0).abs() < 0.1, "{low} {high}");

    let scene =
        Scene { suppressed_in_s: Some(2.0), ..bare(8000, &[(0.0, 900.0), (2.0, 300.0), (8.0, 300.0)]) };
    let samples = render(&scene).samples;
    assert!(rms(&samples[8000..12_000]) > 0.9 * full && rms(&samples[60_000..]) < 0.02 * full);
}

#[test]
fn a_programme_swells_with_the_beat() {
    let scene = Scene {
        detector: Detector::Silent,
        programme: Some(Programme::Swell { ratio: 1.0, agc: false }),
        ..steady(48_000, 2.0, 10.0)
    };
    let samples = render(&scene).samples;
    // Equal carriers: the programme's gain is |cos(φ/2)|, so it vanishes twice a second.
    let levels: Vec<f32> = samples.chunks(1200).map(|part| rms(part) as f32).collect();
    let strength = |f: f64| line(&levels, 40.0, f);
    assert!(strength(2.0) > 10.0 * strength(1.0) && strength(2.0) > 10.0 * strength(3.0));

    let fading = Scene { programme: Some(Programme::Fading { rate_hz: 0.4 }), ..scene };
    let samples = render(&fading).samples;
    let levels: Vec<f64> = samples.chunks(24_000).map(rms).collect();
    let (low, high) = levels.iter().fold((9.0f64, 0.0f64), |(l, h), &x| (l.min(x), h.max(x)));
    assert!(high > 1.3 * low, "{low} {high}");
}

/// WWV keeps 40 ms around each second free of tone and puts 5 ms of 1000 Hz in it (NIST Special Publication 432, as
/// quoted by several receivers' documents).
#[test]
fn a_time_station_ticks() {
    let scene =
        Scene { detector: Detector::Silent, station: Some((603.7, 0.15)), ..steady(48_000, 0.0, 3.0) };
    let samples = render(&scene).samples;
    let silent = samples.iter().filter(|x| x.abs() < 1e-5).count() as f64 / 48_000.0;
    assert!((silent - 3.0 * 0.035).abs() < 0.01, "{silent}");
    let tick = (0.7 * 48_000.0) as usize;
    assert!((rms(&samples[tick..tick + 240]) - 0.15 / 2f64.sqrt()).abs() < 0.001);
}

#[test]
fn clicks_dropouts_clipping_and_channels_are_there() {
    let scene = Scene { clicks_per_s: 2.0, detector: Detector::Silent, ..steady(8000, 0.0, 60.0) };
    let heard = render(&scene).samples;
    let clicks = heard.windows(2).filter(|x| x[1].abs() > 0.3 && x[0].abs() < 0.3).count();
    // 120 expected; five times the deviation of a Poisson count.
    assert!((65..=175).contains(&clicks), "{clicks}");

    let scene = Scene { dropouts_per_s: 0.6, snr_db: 25.0, ..steady(8000, 152.2, 60.0) };
    let zeros = render(&scene).samples.iter().filter(|x| **x == 0.0).count() as f64 / 160.0;
    assert!((6.0..66.0).contains(&zeros), "{zeros}");

    let samples = render(&Scene { gain: Some(20.0), dc: 0.01, ..steady(8000, 310.0, 1.0) }).samples;
    let rails = samples.iter().filter(|&&x| x <= -1.0 || x >= 32_767.0 / 32_768.0).count();
    assert!(rails > 6000, "{rails}");

    let made = render(&Scene { layout: Layout::Opposed, ..steady(8000, 310.0, 1.0) });
    assert_eq!((made.channels, made.samples.len()), (2, 16_000));
    assert!(made.samples.chunks(2).all(|frame| (frame[0] + frame[1]).abs() < 1e-9));
    let made = render(&Scene { layout: Layout::Right, ..steady(8000, 310.0, 1.0) });
    let [left, right] = [0, 1].map(|c| made.samples.iter().skip(c).step_by(2).copied().collect::<Vec<_>>());
    assert!(rms(&left) < 0.003 && rms(&right) > 0.1);
}

#[test]
fn nothing_clips_that_is_not_asked_to() {
    let scene = Scene {
        hum: Some(Hum::mains(59.97, &[3.0, 3.0, 1.5, 1.0, 0.6, 0.4])),
        whistles: vec![(1850.0, 1.0)],
        second_harmonic: 0.6,
        ..Scene::new(6, &[(0.0, 1100.0), (3.0, 147.3), (5.0, 147.3)])
    };
    let peak = render(&scene).samples.iter().fold(0f32, |peak, x| peak.max(x.abs()));
    assert!((0.4..1.0).contains(&peak), "{peak}");
    let driven = render(&Scene { drive: Some(20.0), ..steady(8000, 400.0, 1.0) }).samples;
    assert!(driven.iter().all(|x| x.abs() <= 0.0501));
}

#[test]
fn the_truth_is_what_the_hand_did() {
    let knots = [(0.0, -600.0), (3.0, -25.0), (4.5, -25.0), (6.5, 220.0), (7.0, 220.0), (8.0, 5.0)];
    let made = render(&Scene { drift_hz_per_s: 0.05, length_s: Some(7.9), ..bare(8000, &knots) });
    let truth = made.truth;
    assert_eq!(made.samples.len(), 63_200);
    assert_eq!(truth.rests.len(), 2);
    let first = truth.rests[0];
    assert!((first.start_s - 3.0).abs() < 1e-9 && (first.end_s - 4.5).abs() < 1e-9);
    assert!((first.beat_hz - (-25.0 + 0.05 * 3.75)).abs() < 1e-6);
    assert_eq!(truth.crossings.len(), 1);
    assert!(truth.crossings[0].rising && (4.5..6.5).contains(&truth.crossings[0].at_s));
    assert!(truth.beat_at(truth.crossings[0].at_s).abs() < 0.5);
    assert!((truth.beat_at(0.0) + 600.0).abs() < 1e-9);
    assert_eq!(truth.beat_hz.len(), 158);
}

/// Random-walk frequency: the spread of b after T seconds is wander·√T.
#[test]
fn wander_grows_with_the_root_of_time() {
    let (n, wander, seconds) = (400, 0.01, 4.0);
    let ends = (0..n).map(|seed| {
        let scene = Scene { seed, wander_hz_per_root_s: wander, ..steady(400, 100.0, seconds) };
        let truth = render(&scene).truth;
        (truth.beat_hz.last().unwrap() - 100.0).powi(2)
    });
    let spread = (ends.sum::<f64>() / n as f64).sqrt();
    let want = wander * (seconds - 0.05).sqrt();
    assert!((spread / want - 1.0).abs() < 5.0 / (2.0 * n as f64).sqrt(), "{spread} for {want}");
}

#[test]
fn the_same_scene_gives_the_same_sound_and_another_seed_another() {
    let scene = Scene { clicks_per_s: 1.0, ..Scene::new(9, &[(0.0, 300.0), (1.0, 100.0)]) };
    let made = render(&scene).samples;
    assert_eq!(made, render(&scene).samples);
    assert_ne!(made, render(&Scene { seed: 10, ..scene.clone() }).samples);
    // An ingredient more leaves the others as they were.
    let hummed = Scene { hum: Some(Hum::mains(50.0, &[0.0])), ..scene };
    assert_eq!(made, render(&hummed).samples);
}
