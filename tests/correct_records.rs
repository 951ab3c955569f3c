//! What `correct` and `dial` say about the bench meter: values worked apart from the code, every form in a snapshot,
//! and what is refused.
#![allow(
    clippy::unwrap_used,
    clippy::format_push_string,
    reason = "a test that can't go on fails there and then"
)]

#[path = "support/bench.rs"]
mod bench;

use bench::bench_meter;
use hushbeat::clock::Clock;
use hushbeat::correction::{Target, Transport, Verdict};
use hushbeat::dial::{Approach, Crystal};
use hushbeat::offset::{Offset, Side};
use hushbeat::quantity::{Hertz, Ppm, Width};
use hushbeat::report;
use hushbeat::task::correct::{Corrected, Job, Observation, correct, minutes};
use hushbeat::task::dial;

/// The low side of 3725 kHz.
fn job(change: impl FnOnce(&mut Job)) -> Job {
    bench::job("11/44.3", Offset::Heard { offset_hz: 3.21, u_hz: 0.02, side: Side::High }, change)
}

fn single(reading: &str, offset: Offset) -> Observation {
    Observation::Single { reading: reading.into(), offset }
}

/// A crystal as a comparison found it.
fn crystal(error_ppm: f64, u_ppm: f64) -> Crystal {
    let frequency_hz = 500e3;
    let ageing_ppm_per_year = 0.0;
    Crystal {
        frequency_hz,
        error_ppm,
        u_ppm: Some(u_ppm),
        checked: None,
        ageing_ppm_per_year,
        dof: None,
        flat: false,
    }
}

fn checks(texts: &[&str]) -> Vec<hushbeat::task::correct::CheckText> {
    texts.iter().map(|text| text.parse().unwrap()).collect()
}

fn run(change: impl FnOnce(&mut Job)) -> Corrected {
    correct(&bench_meter(), &job(change)).unwrap()
}

fn refused(change: impl FnOnce(&mut Job)) -> String {
    correct(&bench_meter(), &job(change)).unwrap_err().to_string()
}

fn codes(record: &Corrected) -> Vec<&str> {
    record.warnings.iter().map(|warning| warning.code.as_str()).collect()
}

#[test]
fn every_form_of_a_corrected_frequency() {
    let record = run(|job| {
        job.checks = checks(&["1800.5:4/1:12Hz:low", "1266.3:11/3:within20Hz"]);
        job.target = Some(Target { frequency: Hertz(3.725e6), tolerance: Some(Width::Relative(Ppm(50.0))) });
    });
    insta::assert_snapshot!("correct_text", report::correct::text(&record));
    insta::assert_json_snapshot!("correct_json", record);
    let record = run(|job| {
        job.observation = single("1800.5", Offset::Heard { offset_hz: 73.2, u_hz: 0.1, side: Side::Unknown });
        job.checks = checks(&["1800.5:4/1:12Hz:low"]);
        job.target = Some(Target { frequency: Hertz(4e6), tolerance: Some(Width::Absolute(Hertz(300.0))) });
    });
    insta::assert_snapshot!("transfer_text", report::correct::text(&record));
}

#[test]
fn every_form_of_a_dial_setting() {
    let meter = bench_meter();
    let record = dial::to_reading(&meter, Hertz(2e6), 1, Some(dial::REACH_HZ)).unwrap();
    insta::assert_snapshot!("dial_text", report::dial::settings_text(&record, &meter.plate));
    insta::assert_json_snapshot!("dial_json", record);
    let record = dial::to_frequency(&meter, "low", "12/91.4", 2).unwrap();
    insta::assert_snapshot!("reading_text", report::dial::reading_text(&record));
    insta::assert_json_snapshot!("reading_json", record);
}

/// `b = H·f_meter − K·f_signal` by hand: the same reading heard from above and below lies 2b/K apart, the meter above
/// the signal giving the lower answer.
#[test]
fn the_side_decides_the_sign() {
    let at = |side| {
        run(|job| job.observation = single("1364.3", Offset::Heard { offset_hz: 91.0, u_hz: 0.1, side }))
    };
    let (high, low, unknown) = (at(Side::High), at(Side::Low), at(Side::Unknown));
    let (above, below) = (high.frequency_hz.unwrap(), low.frequency_hz.unwrap());
    assert!((below - above - 182.0).abs() < 1e-9);
    assert!((above - (2.0 * high.meter_hz - 91.0)).abs() < 1e-9);
    assert_eq!(unknown.frequency_hz, None);
    assert_eq!(unknown.alternatives_hz, [above, below]);
    assert!(codes(&unknown).contains(&"side-unknown"));
}

/// Common practice, no source: a 10 MHz standard is zero-beaten with the fourth harmonic of 2.5 MHz; an offset of 8 Hz
/// there is 2 Hz at the fundamental. And 91 Hz at 1820 kHz is 50.0 ppm.
#[test]
fn facts_of_the_trade() {
    let beat = |offset_hz| {
        run(|job| {
            job.harmonic = 4;
            job.observation = single("3126.3", Offset::Heard { offset_hz, u_hz: 0.1, side: Side::High });
        })
    };
    let (zero, eight) = (beat(0.0), beat(8.0));
    let moved = zero.frequency_hz.unwrap() - eight.frequency_hz.unwrap();
    assert!((moved - 8.0).abs() < 1e-9);
    assert!((moved / f64::from(eight.harmonic) - 2.0).abs() < 1e-9);
    assert!((Width::Relative(Ppm(50.0)).at(Hertz(1.82e6)).0 - 91.0).abs() < 1e-9);
}

/// ±20 Hz as near as can be heard is 20/√3 Hz of standard uncertainty (GUM 4.3.7), and on a transfer that hears
/// nothing better it rules: the interval is drawn, not 1.96·u.
#[test]
fn within_a_bound_is_a_rectangle() {
    let record = run(|job| {
        job.harmonic = 1;
        job.observation = single("1800.5", Offset::Within { bound_hz: 20.0 });
        job.checks = checks(&["1800.5:4/1:1Hz:low"]);
        job.crystal = Some(crystal(0.0, 0.1));
    });
    let beat = record.budget.iter().find(|line| line.source == "beat").unwrap();
    assert!((beat.u_hz - 20.0 / 3f64.sqrt()).abs() < 1e-9);
    assert!((record.expanded_u_hz - 19.0).abs() < 0.2, "{}", record.expanded_u_hz);
    assert_eq!(record.offset_hz, None, "a bound is not an offset of zero");
    assert!(!record.line.contains(" 0.0"), "{}", record.line);
}

/// A crystal known from three beats has two degrees of freedom. On a transfer where it is all that counts, they are those
/// of the result: t95(2) = 4.3027 (any table), where an unlimited one has 1.96. Aged by as much as a rectangle of half its
/// u, it has √1.25·u together and by Welch–Satterthwaite (JCGM 100, G.4.1) 2·1.25² = 3.125 of them, and t95(3) = 3.1824.
/// One that is known by bounds is a rectangle: 95 % of it lie within 0.95·√3·u.
#[test]
fn a_crystals_degrees_of_freedom_come_through() {
    let with = |crystal: Crystal| {
        run(|job| {
            job.recorded = false;
            job.observation = single("1800.5", Offset::Heard { offset_hz: 3.0, u_hz: 1e-6, side: Side::Low });
            job.checks = checks(&["1800.5:4/1:1.000000Hz:low"]);
            job.clock = Clock { error_ppm: Some(0.0), u_ppm: 0.0, ..Clock::default() };
            job.crystal = Some(crystal);
        })
    };
    let few = Crystal { dof: Some(2.0), ..crystal(0.0, 1.0) };
    for (crystal, dof, factor) in [
        (crystal(0.0, 1.0), None, 1.9600),
        (few.clone(), Some(2.0), 4.3027),
        (
            Crystal { checked: "2025-11-25".parse().ok(), ageing_ppm_per_year: 0.75f64.sqrt(), ..few },
            Some(2.0),
            3.1824,
        ),
        (Crystal { flat: true, ..crystal(0.0, 1.0) }, None, 0.95 * 3f64.sqrt()),
    ] {
        let record = with(crystal);
        let found = record.budget.iter().find(|line| line.source == "crystal").unwrap();
        assert_eq!(found.dof.map(f64::round), dof);
        assert!((record.coverage_factor - factor).abs() < 5e-3, "{factor}: {}", record.coverage_factor);
    }
}

/// The same of a sound card, where a beat of 3 kHz makes it all that counts.
#[test]
fn a_cards_degrees_of_freedom_come_through() {
    let measured = Clock { error_ppm: Some(0.0), u_ppm: 500.0, ..Clock::default() };
    let few = Clock { dof: Some(2.0), ..measured.clone() };
    let flat = Clock { flat: true, ..measured.clone() };
    let unmeasured = Clock { u_ppm: 500.0, ..Clock::default() };
    let rectangle = 0.95 * 3f64.sqrt();
    for (clock, factor) in [(measured, 1.96), (few, 4.3027), (flat, rectangle), (unmeasured, rectangle)] {
        let record = run(|job| {
            job.recorded = false;
            job.observation =
                single("1800.5", Offset::Heard { offset_hz: 3000.0, u_hz: 1e-6, side: Side::Low });
            job.checks = checks(&["1800.5:4/1:1.000000Hz:low"]);
            job.crystal = Some(crystal(0.0, 1e-6));
            job.clock = clock;
        });
        let found = record.budget.iter().find(|line| line.source == "sound-card clock").unwrap();
        assert!((found.u_hz - 1.5).abs() < 0.01, "{found:?}");
        assert!((record.coverage_factor - factor).abs() < 5e-3, "{factor}: {}", record.coverage_factor);
    }
}

/// Checks with times at one reading: the error at 14:20 is two thirds of the way from the one at 14:00 to the one at
/// 14:30.
#[test]
fn checks_with_times_are_drift() {
    let with = |at_min: Option<f64>| {
        run(|job| {
            job.observation = single("1800.5", Offset::Heard { offset_hz: 5.0, u_hz: 0.1, side: Side::High });
            job.checks = checks(&["1800.5:4/1:10Hz:low@14:00", "1800.5:4/1:40Hz:low@14:30"]);
            job.at_min = at_min;
        })
    };
    let meter_at = |minutes| with(Some(minutes)).meter_hz;
    assert!((meter_at(840.0) - meter_at(860.0) - 20.0).abs() < 1e-6);
    assert!((meter_at(840.0) - meter_at(870.0) - 30.0).abs() < 1e-6);
    let untimed = with(None);
    assert!((meter_at(840.0) - untimed.meter_hz - 15.0).abs() < 1e-6);
    let drift = untimed.budget.iter().find(|line| line.source.starts_with("drift between")).unwrap();
    assert!((drift.u_hz - 2.0 * 15.0 / 3f64.sqrt()).abs() < 1e-6);
}

/// The same evening two hours earlier and across midnight are one evening.
#[test]
fn checks_hold_across_midnight() {
    let with = |from: &str, to: &str, at: &str| {
        run(|job| {
            job.observation = single("1800.5", Offset::Heard { offset_hz: 5.0, u_hz: 0.1, side: Side::High });
            job.checks =
                checks(&[&format!("1800.5:4/1:10Hz:low@{from}"), &format!("1800.5:4/1:40Hz:low@{to}")]);
            job.at_min = Some(minutes(at).unwrap());
        })
    };
    for (hours, at, from_min) in [
        (["21:50", "22:05"], "22:10", 1330.0),
        (["23:50", "00:05"], "00:10", 10.0),
        (["23:40", "23:55"], "00:00", 0.0),
    ] {
        let record = with(hours[0], hours[1], at);
        let expected = with("12:10", "12:25", "12:30");
        assert!((record.meter_hz - expected.meter_hz).abs() < 1e-6, "{hours:?}: {}", record.meter_hz);
        let (recheck, other) = (record.recheck.unwrap(), expected.recheck.unwrap());
        assert!(
            (recheck.minutes - other.minutes).abs() < 1e-6 && (recheck.seen_min.unwrap() - 15.0).abs() < 1e-9
        );
        assert_eq!(recheck.from_min, Some(from_min));
    }
    // What lies apart within one day stays so, also where more than half of it.
    let day = with("08:00", "13:00", "21:00");
    assert_eq!(day.recheck.unwrap().from_min, Some(1260.0));
}

#[test]
fn a_check_that_disagrees_is_named() {
    let record = run(|job| {
        job.checks = checks(&["1266.0:11/3:0Hz:high", "1800.3:4/1:0Hz:high", "1405.6:15/4:4000Hz:high"]);
        job.transport = Transport::Capacitance;
    });
    let named: Vec<&str> = record
        .warnings
        .iter()
        .filter(|warning| warning.code == "check-disagrees")
        .map(|warning| warning.message.as_str())
        .collect();
    assert_eq!(named.len(), 1);
    assert!(named[0].starts_with("check 15/4 at 1405.6 disagrees with the other checks"), "{}", named[0]);
    let far = run(|job| job.checks = checks(&["1480.0:4/1:0Hz:high"]));
    assert!(codes(&far).contains(&"check-far"));
}

#[test]
fn backlash_is_paid_only_where_approaches_differ() {
    let by = |approach| {
        let record = run(|job| job.approach = approach);
        record.budget.iter().find(|line| line.source == "backlash").map(|line| line.u_hz)
    };
    assert_eq!(by(Some(Approach::Rising)), None);
    // Half of 0.3 division either way, 600.4 Hz to the division at the second harmonic.
    let paid = by(Some(Approach::Falling)).unwrap();
    assert!((paid - 0.15 / 3f64.sqrt() * 600.4).abs() < 0.2, "{paid}");
}

#[test]
fn a_pair_is_the_mean_of_both_sides() {
    let pair = |text: &str, approach| {
        run(|job| {
            job.observation = Observation::Pair(text.parse().unwrap());
            job.approach = approach;
        })
    };
    let same = Some(Approach::Rising);
    let equal = pair("1363.3,1365.3", same);
    assert!((equal.frequency_hz.unwrap() - 2.0 * equal.meter_hz).abs() < 1e-9);
    // Unequal pitches shift the mean by half their difference.
    let unequal = pair("1363.3:600Hz,1365.3:620Hz", same);
    assert!((unequal.frequency_hz.unwrap() - (2.0 * unequal.meter_hz - 10.0)).abs() < 1e-9);
    assert!(!codes(&unequal).contains(&"backlash"));
    let rocked = pair("1363.3:600Hz,1365.3:620Hz", None);
    assert!(codes(&rocked).contains(&"backlash") && rocked.u_hz > unequal.u_hz);
    let close = pair("1364.2,1364.3", same);
    assert!(codes(&close).contains(&"pair-too-close"));
    let contradicts =
        refused(|job| job.observation = Observation::Pair("1365.3:600Hz,1363.3:600Hz".parse().unwrap()));
    assert!(contradicts.starts_with("the pair contradicts itself"), "{contradicts}");
    let half = refused(|job| job.observation = Observation::Pair("1363.3:600Hz,1365.3".parse().unwrap()));
    assert!(half.contains("; hint: give both"), "{half}");
}

#[test]
fn the_verdict_takes_the_uncertainty_into_account() {
    let verdict = |tolerance: f64| {
        let record = run(|job| {
            job.target = Some(Target {
                frequency: Hertz(3.725e6),
                tolerance: Some(Width::Absolute(Hertz(tolerance))),
            });
        });
        record.target.unwrap().verdict.unwrap()
    };
    // The signal is some 130 Hz above its target, with a standard uncertainty of 41 Hz.
    assert_eq!(verdict(1000.0), Verdict::Inside);
    assert_eq!(verdict(130.0), Verdict::Undecided);
    assert_eq!(verdict(10.0), Verdict::Outside);
}

#[test]
fn what_can_t_be_is_refused_in_one_line() {
    let at =
        |reading: &str| refused(|job| job.observation = single(reading, Offset::Within { bound_hz: 20.0 }));
    let cases = [
        (at("4800.1"), "reading 4800.1 is off the dial"),
        (at("12.0"), "reading 12.0 lies outside the book"),
        (at("twelve"), "`twelve` is not a reading"),
        (refused(|job| job.range = "middle".into()), "the meter `club bench meter` has no range `middle`"),
        (refused(|job| job.checks = checks(&["1800.5:4/1:12Hz:unknown"])), "the check at 1800.5 has no side"),
        (
            dial::to_reading(&bench_meter(), Hertz(37e6), 1, Some(dial::REACH_HZ)).unwrap_err().to_string(),
            "no range of `club bench meter` reaches",
        ),
    ];
    for (said, start) in cases {
        assert!(said.starts_with(start), "{said}");
        assert!(said.contains("; hint: ") && !said.contains('\n'), "{said}");
    }
}

/// The line is redone by a reader of its own: numbers, + - × / and brackets.
#[test]
fn the_line_gives_the_printed_frequency() {
    let cases: Vec<Corrected> = vec![
        run(|_| ()),
        run(|job| job.checks = checks(&["1800.5:4/1:12Hz:low", "1266.3:11/3:within20Hz"])),
        run(|job| {
            job.signal_harmonic = 3;
            job.observation = Observation::Pair("1363.3:600Hz,1365.3:620Hz".parse().unwrap());
            job.checks = checks(&["1800.5:4/1:12Hz:low"]);
        }),
        run(|job| job.checks = checks(&["1364.3:15/4:62.5Hz:low"])),
    ];
    for record in cases {
        let (sum, result) = record.line.split_once(" = ").unwrap();
        let printed = result.strip_suffix(" Hz").unwrap();
        let decimals = printed.split_once('.').map_or(0, |(_, fraction)| fraction.len());
        let tokens = sum.replace('(', "( ").replace(')', " )");
        let tokens: Vec<&str> = tokens.split_whitespace().collect();
        let mut at = 0;
        let value = expression(&tokens, &mut at);
        assert_eq!(at, tokens.len(), "{sum}");
        assert_eq!(format!("{value:.decimals$}"), printed, "{}", record.line);
        assert!((value - record.frequency_hz.unwrap()).abs() < record.u_hz);
    }
}

fn expression(tokens: &[&str], at: &mut usize) -> f64 {
    let mut total = term(tokens, at);
    while let Some(&sign @ ("+" | "-")) = tokens.get(*at) {
        *at += 1;
        let next = term(tokens, at);
        total += if sign == "+" { next } else { -next };
    }
    total
}

fn term(tokens: &[&str], at: &mut usize) -> f64 {
    let mut total = factor(tokens, at);
    while let Some(&sign @ ("×" | "/")) = tokens.get(*at) {
        *at += 1;
        let next = factor(tokens, at);
        total = if sign == "×" { total * next } else { total / next };
    }
    total
}

fn factor(tokens: &[&str], at: &mut usize) -> f64 {
    let token = tokens[*at];
    *at += 1;
    if token == "(" {
        let value = expression(tokens, at);
        assert_eq!(tokens[*at], ")");
        *at += 1;
        return value;
    }
    token.parse().unwrap()
}
