//! The chain back to a standard: the guide's worked examples, coverage by draws through the whole chain, and a station's
//! recording made to order.
#![allow(
    clippy::unwrap_used,
    clippy::format_push_string,
    reason = "a test that can't go on fails there and then"
)]

#[path = "support/bench.rs"]
mod bench;
mod common;

use common::Chance;
use hushbeat::block::StreamFormat;
use hushbeat::correction::chain::{
    CardRequest, CounterRequest, CrystalRequest, Observation, Reception, Standard, ToneHeard, card, counter,
    crystal, is_flat,
};
use hushbeat::dial::Matrix;
use hushbeat::estimate::Normal;
use hushbeat::offset::{Offset, Side};
use hushbeat::report;
use hushbeat::source::keep::{SampleFormat, write_wav};
use hushbeat::stations::{HF_PATH_U_PPM, PATH_DELAY_S};
use hushbeat::task::drift::{self, Kind, Series};
use hushbeat::task::reference::{Reference, Tones, by_meter, hear};
use std::f64::consts::TAU;
use std::process::Command;

/// JCGM 100:2008 (GUM), H.2, as quoted by several public repositories: V, I and φ correlated; R = V·cos φ/I,
/// X = V·sin φ/I, Z = V/I. The guide's own correlations differ by its rounding; the uncertainties are recomputed.
#[test]
fn gum_h2_correlated_inputs() {
    let (v, i, phi) = (4.999, 19.661e-3, 1.04446_f64);
    let u = [3.2e-3, 9.5e-6, 7.5e-4];
    let r = |a: usize, b: usize| match (a.min(b), a.max(b)) {
        (0, 1) => -0.36,
        (0, 2) => 0.86,
        (1, 2) => -0.65,
        _ => 1.0,
    };
    let covariance = Matrix::from_fn(3, |(a, b)| r(a, b) * u[a] * u[b]);
    let (sin, cos) = phi.sin_cos();
    let slopes = [
        [cos / i, -v * cos / (i * i), -v * sin / i],
        [sin / i, -v * sin / (i * i), v * cos / i],
        [1.0 / i, -v / (i * i), 0.0],
    ];
    let expected = [0.06998, 0.29572, 0.23660];
    let us = slopes.map(|slope| covariance.between(&slope, &slope).sqrt());
    for (got, expected) in us.iter().zip(expected) {
        assert!((got - expected).abs() < 2e-5, "{got} for {expected}");
    }
    let correlation = |a: usize, b: usize| covariance.between(&slopes[a], &slopes[b]) / (us[a] * us[b]);
    for (a, b, expected) in [(0, 1, -0.59), (0, 2, -0.49), (1, 2, 0.99)] {
        assert!((correlation(a, b) - expected).abs() < 6e-3, "{a} {b}: {}", correlation(a, b));
    }
}

/// JCGM 100:2008, H.3, as quoted by several public repositories: the calibration line of a thermometer about 20 °C, and
/// its value at 30 °C, whose uncertainty would be 0.0073 without the correlation of the line's two parameters.
#[test]
fn gum_h3_calibration_line() {
    let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let mut normal = Normal::new(2);
    for (t, b) in t.iter().zip(b) {
        normal.add(&[1.0, t - 20.0], b);
    }
    let solution = normal.solve().unwrap();
    let x = &solution.x;
    let variance = normal.misfit(x) / (t.len() - 2) as f64;
    assert!((x[0] + 0.1712).abs() < 5e-5 && (x[1] - 0.00218).abs() < 5e-6, "{x:?}");
    assert!((variance.sqrt() - 0.0035).abs() < 5e-5);
    let covariance = Matrix::from_fn(2, |(i, j)| solution.covariance(i, j) * variance);
    let (u1, u2) = (covariance[(0, 0)].sqrt(), covariance[(1, 1)].sqrt());
    assert!((u1 - 0.0029).abs() < 5e-5 && (u2 - 0.00067).abs() < 5e-6, "{u1} {u2}");
    assert!((covariance[(1, 0)] / (u1 * u2) + 0.930).abs() < 1e-3);
    let at = [1.0, 10.0];
    assert!((x[0] + 10.0 * x[1] + 0.1494).abs() < 5e-5);
    let u = covariance.between(&at, &at).sqrt();
    assert!((u - 0.0041).abs() < 5e-5 && (u1.hypot(10.0 * u2) - 0.00727).abs() < 1e-5, "{u}");
}

/// JCGM 101: ten thousand draws of every input through station, crystal and counter, in twenty mixes of components. U
/// covers 94 % at least in each and is at most 1.15 times the half-width of the shortest interval that holds 95 %.
///
/// The draws go through a model of their own, x = (c + b)/N and error = shown/((N·x + b')/H) − 1; nothing of
/// it is taken from the code under test.
#[test]
fn expanded_uncertainties_cover_through_the_whole_chain() {
    let mut chance = Chance(2026);
    for mix in 0..20 {
        // A mix: which parts are large, and whether beats are heard or bounded.
        let size = |chance: &mut Chance, least: f64, most: f64| (chance.between(least.ln(), most.ln())).exp();
        let path_hz = size(&mut chance, 0.01, 1.0);
        let first = size(&mut chance, 0.01, 3.0);
        let temperature_ppm = size(&mut chance, 1e-3, 0.3);
        let second = size(&mut chance, 0.01, 3.0);
        let digit_hz = [0.01, 0.1, 1.0][mix % 3];
        let drift_hz = size(&mut chance, 1e-3, 0.3);
        let (bounded_first, bounded_second) = (mix % 2 == 0, mix % 5 == 0);
        let heard = |bounded: bool, size: f64| {
            if bounded {
                Offset::Within { bound_hz: size * 3f64.sqrt() }
            } else {
                Offset::Heard { offset_hz: 8.0, u_hz: size, side: Side::High }
            }
        };
        let crystal = crystal(&CrystalRequest {
            nominal_hz: 1e6,
            observations: vec![Observation {
                carrier_hz: 10e6,
                harmonic: 10,
                offset: heard(bounded_first, first),
            }],
            path_u_hz: Some(path_hz),
            temperature_ppm,
        })
        .unwrap();
        let counter = counter(&CounterRequest {
            carrier_hz: 10e6,
            standard: Standard::Crystal {
                nominal_hz: 1e6,
                error_ppm: crystal.error_ppm,
                u_ppm: crystal.total.u_ppm,
                flat: is_flat(crystal.total.coverage_factor),
                dof: crystal.total.effective_dof,
                aged_ppm: 0.0,
            },
            harmonic: 4,
            offset: heard(bounded_second, second),
            shown_hz: vec![2_500_012.0],
            digit_hz,
            drift_u_hz: drift_hz,
        })
        .unwrap();
        let beat = |bounded: bool, size: f64, chance: &mut Chance| {
            if bounded {
                size * 3f64.sqrt() * chance.between(-1.0, 1.0)
            } else {
                8.0 + size * chance.normal()
            }
        };
        let (mut crystals, mut counters) = (Vec::new(), Vec::new());
        for _ in 0..10_000 {
            let carrier = 10e6 + path_hz * chance.normal();
            let warmth = 1.0 + temperature_ppm * 1e-6 * chance.between(-1.0, 1.0);
            let x = (carrier + beat(bounded_first, first, &mut chance)) / 10.0 * warmth;
            crystals.push((x / 1e6 - 1.0) * 1e6);
            let meter =
                (10.0 * x + beat(bounded_second, second, &mut chance)) / 4.0 + drift_hz * chance.normal();
            let digit = digit_hz * (chance.unit() - chance.unit());
            counters.push(((2_500_012.0 + digit) / meter - 1.0) * 1e6);
        }
        for (what, value, u, drawn) in [
            ("crystal", crystal.error_ppm, crystal.total.expanded_u_ppm, crystals),
            ("counter", counter.error_ppm, counter.total.expanded_u_ppm, counters),
        ] {
            let covered = drawn.iter().filter(|x| (*x - value).abs() <= u).count();
            let mut sorted = drawn;
            sorted.sort_by(f64::total_cmp);
            let shortest = sorted.windows(9501).map(|w| (w[9500] - w[0]) / 2.0).fold(f64::INFINITY, f64::min);
            assert!(covered >= 9400, "mix {mix}, {what}: {covered} covered");
            assert!(u <= 1.15 * shortest, "mix {mix}, {what}: U {u}, shortest {shortest}");
        }
    }
}

/// What a card fast by `ppm` makes of a station heard for a minute: tones with their gaps of 40 ms and a pulse in them,
/// noise 20 dB below each in 0 to 4 kHz, every tone moved by `tuning_hz`, the path longer by `step_s` from half-time on.
fn station(tones: &[f64], ppm: f64, tuning_hz: f64, step_s: f64, seed: u64) -> Vec<f32> {
    let mut chance = Chance(seed);
    let deviation = (0.1f64.powi(2) / 2.0 / 100.0).sqrt();
    (0..8000 * 61)
        .map(|n| {
            let at = f64::from(n) / 8000.0 / (1.0 + ppm * 1e-6);
            let t = at - if at > 30.0 { step_s } else { 0.0 };
            let second = (t + 0.31).rem_euclid(1.0);
            let tone = |f: &f64| 0.1 * (TAU * (f * t + tuning_hz * at) + f).cos();
            let sound = match second {
                0.0..0.005 => 0.2 * (TAU * 1000.0 * second).sin(),
                0.030..0.990 => tones.iter().map(tone).sum(),
                _ => 0.0,
            };
            (sound + deviation * chance.normal()) as f32
        })
        .collect()
}

fn heard(samples: &[f32], tones: &[f64], reception: Reception) -> CardRequest {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("station.wav");
    let format = StreamFormat { rate_hz: 8000, channels: 1 };
    write_wav(&path, format, samples, SampleFormat::Float32).unwrap();
    let asked = Tones { hertz: tones.to_vec(), reception };
    CardRequest {
        tones: hear(&path, &asked).unwrap().tones,
        reception,
        path_delay_s: PATH_DELAY_S,
        path_u_ppm: HF_PATH_U_PPM,
        tone_u_ppm: 0.0,
    }
}

/// A card 37 ppm fast comes back within 2u whatever the path does, and without it to the noise alone, which is under
/// 0.02 ppm from one minute at 20 dB; single sideband 3.82 Hz off is told apart.
#[test]
fn a_station_heard_for_a_minute() {
    let both = [500.0, 600.0];
    for (seed, step_s) in [(1, 0.0), (2, 0.3e-3), (3, -0.3e-3)] {
        let request = heard(&station(&both, 37.0, 0.0, step_s, seed), &both, Reception::Am);
        let found = card(&request).unwrap();
        let error = found.error_ppm.unwrap() - 37.0;
        assert!(error.abs() < 2.0 * found.total.u_ppm, "{error} ± {}", found.total.u_ppm);
        let noise = found.total.budget.iter().find(|line| line.source == "noise").unwrap().u_ppm;
        if step_s == 0.0 {
            assert!(noise < 0.02, "{noise}");
            assert!(error.abs() < 4.0 * noise, "{error} ± {noise}");
        } else {
            // The step alone: 1.5 × 0.3 ms in 60 s is 7.5 ppm.
            assert!((error.abs() - 7.5).abs() < 0.5, "{error}");
        }
    }
    let request = heard(&station(&both, 37.0, 3.82, 0.0, 4), &both, Reception::Unknown);
    let found = card(&request).unwrap();
    assert!((found.tuning_error_hz.unwrap() - 3.82).abs() < 2.0 * found.u_tuning_hz.unwrap());
    assert!(found.error_ppm.is_none());
    let request = heard(&station(&[600.0], 37.0, 0.0, 0.0, 5), &[600.0], Reception::Am);
    assert!((card(&request).unwrap().error_ppm.unwrap() - 37.0).abs() < 0.1);
}

/// Sound of `seconds` from a station that a card fast by `ppm` made: at each instant the tones that `sends` names, each
/// 0.1 strong, with noise 20 dB below one of them in 0 to 4 kHz.
fn sent(seconds: u32, ppm: f64, seed: u64, sends: impl Fn(f64) -> Option<f64>) -> Vec<f32> {
    let mut chance = Chance(seed);
    let deviation = (0.1f64.powi(2) / 2.0 / 100.0).sqrt();
    (0..8000 * seconds)
        .map(|n| {
            let t = f64::from(n) / 8000.0 / (1.0 + ppm * 1e-6);
            let sound = sends(t).map_or(0.0, |f| 0.1 * (TAU * f * t).cos());
            (sound + deviation * chance.normal()) as f32
        })
        .collect()
}

/// Marks of 300 ms of 1000 Hz and nothing between them, none in second 29, half a second in second 0, voice from second
/// 51 on (the schedule that `stations` cites for CHU); and tones of 500 and 600 Hz that change with the minute, silent from
/// second 45 on and about the seconds (WWV's), so that never both are there at once.
#[test]
fn marks_and_tones_that_change_with_the_minute_tell_the_clock_too() {
    let marks = |t: f64| {
        let (second, part) = (((t + 7.3) % 60.0).floor(), (t + 7.3).fract());
        let long = if second < 1.0 { 0.5 } else { 0.3 };
        let silent = (29.0..30.0).contains(&second);
        if second >= 51.0 { Some(700.0) } else { (part < long && !silent).then_some(1000.0) }
    };
    let found = card(&heard(&sent(185, 37.0, 6, marks), &[1000.0], Reception::Am)).unwrap();
    let error = found.error_ppm.unwrap() - 37.0;
    let noise = found.total.budget.iter().find(|line| line.source == "noise").unwrap().u_ppm;
    assert!(error.abs() < 4.0 * noise && noise < 0.1, "{error} ± {noise}");

    let by_minutes = |t: f64| {
        let (minute, second, part) = ((t / 60.0).floor(), t % 60.0, t.fract());
        let tone = if minute % 2.0 < 1.0 { 500.0 } else { 600.0 };
        (second < 45.0 && (0.03..0.99).contains(&part)).then_some(tone)
    };
    let both = [500.0, 600.0];
    let found = card(&heard(&sent(245, -22.0, 7, by_minutes), &both, Reception::Unknown)).unwrap();
    let error = found.error_ppm.unwrap() + 22.0;
    assert!(error.abs() < 2.0 * found.total.u_ppm, "{error} ± {}", found.total.u_ppm);
    assert!(error.abs() < 0.5, "{error}: nothing moved the path");
    // Two minutes of each, but for a quarter and the guards.
    let used: Vec<f64> = found.tones.iter().map(|tone| tone.used_s).collect();
    assert!(used.len() == 2 && used.iter().all(|used| *used > 80.0), "{used:?}");
}

/// By way of the meter with readings, worked by hand from the bench meter's book: 3114.4 is 2495 kHz and 3149.9 is 2510 kHz
/// there, and between so near rows the law is a straight line to within 10 Hz. The fourth harmonic stands 300 Hz above the
/// carrier at 3126.2; at 3126.0 it stands 60 Hz above the crystal's harmonic.
#[test]
fn readings_tell_a_crystals_beat_by_way_of_the_meter() {
    let meter = bench::bench_meter();
    let by = "26/6.2:300Hz:high,26/6.0:60Hz:high".parse().unwrap();
    let Offset::Heard { offset_hz, u_hz, side } = by_meter(&by, Some((&meter, "high")), 4).unwrap() else {
        panic!("heard")
    };
    let slope = (2510e3 - 2495e3) / (3149.9 - 3114.4);
    let expected: f64 = 300.0 - 60.0 - 4.0 * 0.2 * slope;
    assert!((offset_hz - expected.abs()).abs() < 10.0 && side == Side::Low, "{offset_hz}, {expected}");
    // Two settings to 0.06 div each, four times over.
    let u = 4.0 * slope * 0.06 * 2f64.sqrt();
    assert!((u_hz / u - 1.0).abs() < 0.02, "{u_hz}, {u}");
    let off = by_meter(&"50/6.2:3Hz:high,26/6.0:6Hz:high".parse().unwrap(), Some((&meter, "high")), 4);
    assert!(off.unwrap_err().to_string().contains("; hint: "));
}

/// Every form of every link, and of a drift.
#[test]
fn every_form_of_the_chain() {
    let beat = |offset_hz| Offset::Heard { offset_hz, u_hz: 0.03, side: Side::Low };
    let found = crystal(&CrystalRequest {
        nominal_hz: 1e6,
        observations: [8.0, 8.3, 7.9]
            .map(|b| Observation { carrier_hz: 10e6, harmonic: 10, offset: beat(b) })
            .to_vec(),
        path_u_hz: None,
        temperature_ppm: 0.1,
    })
    .unwrap();
    insta::assert_snapshot!("crystal_text", report::reference::crystal(&found));
    let link = Reference {
        reference: "crystal",
        checked: Some("2026-11-25".to_owned()),
        ageing_ppm_per_year: 1.0,
        found,
    };
    insta::assert_json_snapshot!("crystal_json", link);
    let found = counter(&CounterRequest {
        carrier_hz: 10e6,
        standard: Standard::Carrier { path_u_hz: None },
        harmonic: 4,
        offset: beat(8.0),
        shown_hz: vec![2_500_001.0, 2_500_001.2],
        digit_hz: 0.1,
        drift_u_hz: 0.05,
    })
    .unwrap();
    insta::assert_snapshot!("counter_text", report::reference::counter(&found));
    insta::assert_json_snapshot!("counter_json", found);
    let tone = |tone_hz: f64, moved_hz: f64| ToneHeard {
        tone_hz,
        heard_hz: (tone_hz + moved_hz) / (1.0 + 37e-6),
        u_hz: 2e-6,
        span_s: 60.0,
        count: 60,
    };
    let request = |moved_hz| CardRequest {
        tones: vec![tone(500.0, moved_hz), tone(600.0, moved_hz)],
        reception: Reception::Unknown,
        path_delay_s: PATH_DELAY_S,
        path_u_ppm: HF_PATH_U_PPM,
        tone_u_ppm: 0.0,
    };
    let found = card(&request(0.0)).unwrap();
    insta::assert_snapshot!("card_text", report::reference::card(&found));
    insta::assert_json_snapshot!("card_json", found);
    insta::assert_snapshot!("tuning_text", report::reference::card(&card(&request(3.82)).unwrap()));
    insta::assert_snapshot!("stations_text", report::reference::stations());
    let mut chance = Chance(8);
    let values: Vec<String> = (0..200)
        .map(|n| format!("{:.3e}", -3e-7 * (-f64::from(n) / 30.0).exp() + 1e-9 * chance.normal()))
        .collect();
    let text = format!("value\n{}\n", values.join("\n"));
    let series = Series::parse(&text, "warm-up.csv", 10.0, Kind::Frequency, None).unwrap();
    let (record, course) = drift::drift("warm-up.csv", &series, "1e-12/s".parse().ok()).unwrap();
    // T = 300 s, |A|/T·e^(−t/T) = 1e-12 at t = 300 s·ln(1000) = 2072 s: not within 2000 s.
    let warm = record.warm_up.unwrap();
    assert!((warm.time_constant_s - 300.0).abs() < 4.0 * warm.u_time_constant_s, "{warm:?}");
    assert_eq!(record.settled_s, None);
    insta::assert_snapshot!("drift_text", report::drift::text(&record));
    insta::assert_json_snapshot!("drift_json", record);
    let svg = report::plot::stability_svg(&record, &course).unwrap();
    assert!(svg.starts_with("<svg ") && svg.trim_end().ends_with("</svg>"));
    assert!(report::plot::stability_png(&record, &course).unwrap().starts_with(b"\x89PNG"));
}

/// `allantools` (from the package index) on a random series, where Python has it; else the test says that it was skipped.
#[test]
#[expect(clippy::print_stdout, reason = "says whether it was skipped")]
fn allantools_agrees() {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/allan_reference.py");
    let python = std::env::var("HUSHBEAT_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    match Command::new(python).args([script, env!("CARGO_BIN_EXE_hushbeat")]).output() {
        Ok(output) => {
            let told = String::from_utf8_lossy(&output.stdout);
            println!("allan_reference.py: {}", told.trim());
            assert!(output.status.success(), "{told}{}", String::from_utf8_lossy(&output.stderr));
        }
        Err(missing) => println!("allan_reference.py: skipped, no Python ({missing})"),
    }
}
