//! The budget's sensitivities and the book's uncertainty against finite differences of the whole correction.
#![allow(
    clippy::unwrap_used,
    clippy::format_push_string,
    reason = "a test that can't go on fails there and then"
)]

mod common;

use common::HIGH;
use hushbeat::clock::Clock;
use hushbeat::correction::{
    Allowances, Check, Component, Corrected, Extra, Measurement, PairReading, Request, Transport, correct,
};
use hushbeat::dial::Meter;
use hushbeat::offset::{Offset, Side};

/// Everything that is moved by a finite step.
#[derive(Clone)]
struct Bench {
    reading: f64,
    offset: f64,
    check_readings: Vec<f64>,
    check_offset: f64,
    crystal_ppm: f64,
    card_ppm: f64,
    transport: Transport,
    pair: bool,
    /// This row of the book is moved by so many divisions.
    row: Option<(usize, f64)>,
}

const START: Bench = Bench {
    reading: 1364.3,
    offset: 62.0,
    check_readings: Vec::new(),
    check_offset: 12.0,
    crystal_ppm: 3.0,
    card_ppm: 20.0,
    transport: Transport::Capacitance,
    pair: false,
    row: None,
};

fn run(bench: &Bench) -> Corrected {
    let mut book: Vec<(f64, f64)> = (0..=220)
        .map(|row| 1550.0 + 7.5 * f64::from(row))
        .map(|khz| (khz, (HIGH.reading(khz * 1e3) * 10.0).round() / 10.0))
        .collect();
    if let Some((row, step)) = bench.row {
        book[row].1 += step;
    }
    let rows: Vec<String> = book.iter().map(|(khz, reading)| format!("{khz},{reading}")).collect();
    let rows = rows.join("\n");
    let text = "name = 'm'\n[crystal]\nfrequency_hz = 500e3\nu_ppm = 2\n[dial]\ndivisions_per_turn = 120\nturns = 40\nu_div = 0.06\n[[range]]\nname = 'high'\nfrom_hz = 1.55e6\nto_hz = 3.2e6\nbook = 'b'\n";
    let load = |name: &str| Ok::<_, String>((name.to_owned(), format!("frequency_khz,reading\n{rows}")));
    let mut meter = Meter::parse(text, "m.toml", load).unwrap();
    meter.crystal.error_ppm = bench.crystal_ppm;
    let heard = |offset_hz: f64, side| Offset::Heard { offset_hz, u_hz: 0.1, side };
    let points = [(4, 1), (11, 3), (5, 1)];
    let checks: Vec<Check> = bench
        .check_readings
        .iter()
        .zip(points)
        .map(|(&reading, (n, m))| Check {
            reading,
            crystal_harmonic: n,
            meter_harmonic: m,
            offset: heard(bench.check_offset, Side::Low),
            at_min: None,
        })
        .collect();
    let measurement = if bench.pair {
        let one = |reading, pitch| PairReading { reading, pitch: Some(heard(pitch, Side::Unknown)) };
        Measurement::Pair { low: one(bench.reading, bench.offset), high: one(1365.3, 538.0) }
    } else {
        Measurement::Single { reading: bench.reading, offset: heard(bench.offset, Side::High) }
    };
    let clock = Clock { error_ppm: Some(bench.card_ppm), u_ppm: 1e4, ..Clock::default() };
    correct(&Request {
        meter: &meter,
        range: &meter.ranges[0],
        measurement,
        recorded: false,
        approach: Some(meter.plate.book_approach),
        harmonic: 2,
        signal_harmonic: 3,
        checks: &checks,
        transport: bench.transport,
        at_min: None,
        crystal: &meter.crystal,
        today: None,
        clock: &clock,
        allowances: Allowances::default(),
        target: None,
        extra: Extra::default(),
    })
    .unwrap()
}

fn line<'a>(record: &'a Corrected, source: &str) -> &'a Component {
    record
        .budget
        .iter()
        .find(|line| line.source.starts_with(source))
        .unwrap_or_else(|| panic!("no line {source}"))
}

/// The central difference for one unit of an input.
fn slope(bench: &Bench, step: f64, input: impl Fn(&mut Bench) -> &mut f64) -> f64 {
    let at = |step: f64| {
        let mut moved = bench.clone();
        *input(&mut moved) += step;
        run(&moved).frequency_hz.unwrap()
    };
    (at(step) - at(-step)) / (2.0 * step)
}

/// The slope of the correction itself is left out of the sensitivity to a reading: relative order 1e-3.
fn near(formula: f64, difference: f64) {
    assert!((formula - difference).abs() < 3e-3 * difference.abs(), "{formula} against {difference}");
}

#[test]
fn one_check_with_a_stated_cause_and_with_none() {
    for transport in [Transport::Capacitance, Transport::Ratio, Transport::Divisions, Transport::Auto] {
        let bench = Bench { check_readings: vec![1800.5], transport, ..START };
        let record = run(&bench);
        near(line(&record, "reading").sensitivity, slope(&bench, 0.01, |b| &mut b.reading));
        near(line(&record, "beat").sensitivity, slope(&bench, 1.0, |b| &mut b.offset) / (1.0 + 20e-6));
        near(line(&record, "crystal").sensitivity, slope(&bench, 1.0, |b| &mut b.crystal_ppm));
        near(line(&record, "sound-card").sensitivity, slope(&bench, 100.0, |b| &mut b.card_ppm));
        near(
            line(&record, "check 4/1 at 1800.5: reading").sensitivity,
            slope(&bench, 0.01, |b| &mut b.check_readings[0]),
        );
        // The check stood below its point: a larger offset there is a smaller signed beat.
        near(
            line(&record, "check 4/1 at 1800.5: beat").sensitivity,
            -slope(&bench, 1.0, |b| &mut b.check_offset),
        );
    }
}

#[test]
fn three_checks_share_one_crystal() {
    let bench = Bench { check_readings: vec![1800.5, 1266.3, 3126.3], transport: Transport::Ratio, ..START };
    let record = run(&bench);
    assert_eq!(record.budget.iter().filter(|line| line.source == "crystal").count(), 1);
    near(line(&record, "crystal").sensitivity, slope(&bench, 1.0, |b| &mut b.crystal_ppm));
    for (place, source) in
        ["check 4/1 at 1800.5: reading", "check 11/3 at 1266.3: reading"].iter().enumerate()
    {
        near(line(&record, source).sensitivity, slope(&bench, 0.01, |b| &mut b.check_readings[place]));
    }
}

#[test]
fn a_pair_has_two_readings_and_two_beats() {
    let bench = Bench { pair: true, check_readings: vec![1800.5], ..START };
    let record = run(&bench);
    near(line(&record, "reading").sensitivity, slope(&bench, 0.01, |b| &mut b.reading));
    near(line(&record, "beat").sensitivity, -slope(&bench, 1.0, |b| &mut b.offset) / (1.0 + 20e-6));
    near(line(&record, "sound-card").sensitivity, slope(&bench, 100.0, |b| &mut b.card_ppm));
}

/// Every row of the book moved by its rounding's u in turn: the quadrature sum is the line `book`. With the check on
/// neighbouring rows part of it cancels; with the check at the reading itself all of it does.
#[test]
fn rows_of_the_book_are_followed_through_the_whole_sum() {
    let u_row = 0.1 / 12f64.sqrt();
    for check in [None, Some(1800.5), Some(1364.9), Some(1364.3)] {
        let bench = Bench { check_readings: check.into_iter().collect(), ..START };
        let still = run(&bench);
        let sum: f64 = (0..=220)
            .map(|row| {
                let moved = Bench { row: Some((row, u_row)), ..bench.clone() };
                (run(&moved).frequency_hz.unwrap() - still.frequency_hz.unwrap()).powi(2)
            })
            .sum();
        let book = still.budget.iter().find(|line| line.source == "book").map_or(0.0, |line| line.u_hz);
        // What the line holds beyond the rows is the cubic's remainder, half a hertz here.
        assert!(
            book >= 0.99 * sum.sqrt() - 1e-3 && book < sum.sqrt().hypot(0.8),
            "{check:?}: {book} against {}",
            sum.sqrt()
        );
    }
}

/// A transfer depends neither on the reading's uncertainty nor on the book.
#[test]
fn a_transfer_has_no_line_for_book_and_reading() {
    let record = run(&Bench { check_readings: vec![1364.3], ..START });
    let sources: Vec<&str> = record.budget.iter().map(|line| line.source.as_str()).collect();
    assert_eq!(sources, ["check 4/1 at 1364.3: beat", "crystal", "beat", "sound-card clock"]);
    // (H·(N·f_crystal + b_check)/M − b)/K, worked apart from the code; card 20 ppm fast.
    let card = 1.0 + 20e-6;
    let expected = (2.0 * (4.0 * 500e3 * (1.0 + 3e-6) - 12.0 * card) - 62.0 * card) / 3.0;
    assert!((record.frequency_hz.unwrap() - expected).abs() < 1e-6);
}
