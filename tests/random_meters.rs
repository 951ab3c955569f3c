//! A thousand random meters: readings close, and the corrected frequency lies where its uncertainty says, with one,
//! two and five checks and each cause of error.
#![allow(
    clippy::unwrap_used,
    clippy::format_push_string,
    clippy::print_stdout,
    reason = "a test that can't go on fails there and then, and says what it measured"
)]

mod common;

use common::{Chance, Law};
use hushbeat::clock::Clock;
use hushbeat::correction::{Allowances, Check, Extra, Measurement, Request, Transport, correct};
use hushbeat::dial::{Meter, check_points};
use hushbeat::offset::{Offset, Side};

/// What has happened to the meter since its book was made.
#[derive(Debug, Clone, Copy)]
enum Cause {
    /// 1/f² grown by this.
    Capacitance(f64),
    /// f grown by this factor less one.
    Inductance(f64),
    /// The dial slipped by so many divisions.
    Slip(f64),
}

struct Case {
    law: Law,
    meter: Meter,
    crystal_ppm: f64,
    u_div: f64,
}

/// A meter with a random law, dial, book and crystal. Its books step in frequency with rounded readings, or in
/// readings with rounded frequencies.
fn random_meter(chance: &mut Chance) -> Case {
    let bottom = 10f64.powf(chance.between(4.9, 6.5));
    let per_turn = [50.0, 100.0, 120.0, 180.0][(chance.unit() * 4.0) as usize];
    let turns = chance.between(15.0, 50.0).floor();
    let end = per_turn * turns;
    let law = Law {
        bottom: bottom * 0.98,
        top: bottom * chance.between(1.85, 2.3),
        straight: chance.between(0.2, 0.6),
        bend: chance.between(1.8, 2.8),
        end,
    };
    let rows = chance.between(120.0, 400.0).floor();
    let mut text = "frequency_khz,reading\n".to_owned();
    let from = law.reading(bottom).ceil();
    let to = (end - 5.0).floor();
    if chance.unit() < 0.7 {
        let rounding = [0.1, 0.05, 0.2][(chance.unit() * 3.0) as usize];
        let (low, high) = (law.hertz(from) / 1e3, law.hertz(to) / 1e3);
        // Steps of 1, 2 or 5 in some decade, as books have.
        let wish = (high - low) / rows;
        let decade = 10f64.powf(wish.log10().floor());
        let step = decade * [1.0, 2.0, 5.0].into_iter().rfind(|m| m * decade <= wish).unwrap_or(1.0);
        let mut row = (low / step).ceil();
        while row * step < high {
            let khz = row * step;
            let reading = (law.reading(khz * 1e3) / rounding).round() * rounding;
            text.push_str(&format!("{khz:.4},{reading:.2}\n"));
            row += 1.0;
        }
    } else {
        let step = ((to - from) / rows).ceil().max(1.0);
        // Frequencies rounded to about a twentieth of a division.
        let slope = (law.hertz(to) - law.hertz(from)) / (to - from) / 1e3;
        let places = (1.0 - (slope * 0.5).log10().floor()).max(0.0) as usize;
        let mut reading = from;
        while reading < to {
            text.push_str(&format!("{:.places$},{reading}\n", law.hertz(reading) / 1e3));
            reading += step;
        }
    }
    let u_div = chance.between(0.03, 0.12);
    let nominal = bottom * chance.between(1.2, 6.0);
    let meter = format!(
        "name = 'm'\n[crystal]\nfrequency_hz = {nominal}\nu_ppm = 3\n[dial]\ndivisions_per_turn = {per_turn}\nturns = {turns}\nu_div = {u_div}\n[[range]]\nname = 'r'\nfrom_hz = {}\nto_hz = {}\nbook = 'b'\n",
        law.bottom, law.top
    );
    let meter =
        Meter::parse(&meter, "m.toml", |name| Ok::<_, String>((name.to_owned(), text.clone()))).unwrap();
    Case { law, meter, crystal_ppm: 3.0 * chance.normal(), u_div }
}

impl Case {
    /// What the meter gives at a position of its dial now.
    fn now(&self, position: f64, cause: Cause) -> f64 {
        match cause {
            Cause::Capacitance(grown) => (self.law.hertz(position).powi(-2) + grown).powf(-0.5),
            Cause::Inductance(grown) => self.law.hertz(position) * (1.0 + grown),
            Cause::Slip(divisions) => self.law.hertz((position + divisions).clamp(0.0, self.law.end)),
        }
    }

    /// Each cause, of a size that moves the middle of the range by half a division (one standard deviation).
    fn causes(&self, chance: &mut Chance) -> [Cause; 3] {
        let middle = self.law.end / 2.0;
        let (hertz, slope) =
            (self.law.hertz(middle), self.law.hertz(middle + 0.5) - self.law.hertz(middle - 0.5));
        let mut size = || 0.5 * chance.normal();
        [
            Cause::Capacitance(-2.0 * size() * slope / hertz.powi(3)),
            Cause::Inductance(size() * slope / hertz),
            Cause::Slip(size()),
        ]
    }
}

/// Error over u of one measurement with `count` checks.
fn measure(case: &Case, cause: Cause, count: usize, chance: &mut Chance) -> Option<f64> {
    let range = &case.meter.ranges[0];
    let set = |wanted: f64, chance: &mut Chance| {
        // Set to a tenth, and off by the reading's own uncertainty.
        let reading = (wanted * 10.0).round() / 10.0;
        (reading, reading + case.u_div * chance.normal())
    };
    let mut points = check_points(&case.meter, range);
    let edge = case.law.end * 0.01;
    points.retain(|point| {
        point.point.reading > range.book.readings().0 + edge
            && point.point.reading < range.book.readings().1 - edge
    });
    if points.len() < count {
        return None;
    }
    let (low, high) = range.book.readings();
    let (reading, position) = set(chance.between(low + edge, high - edge), chance);
    // The nearest points, as the bench procedure has it.
    points.sort_by(|a, b| (a.point.reading - reading).abs().total_cmp(&(b.point.reading - reading).abs()));
    let crystal = case.meter.crystal.frequency_hz * (1.0 + case.crystal_ppm * 1e-6);
    let checks: Vec<Check> = points[..count]
        .iter()
        .map(|point| {
            let (n, m) = (point.crystal_harmonic, point.meter_harmonic);
            let (check_reading, check_position) = set(point.point.reading, chance);
            // At the reading of the measurement the dial stays where it is: a transfer.
            let same = (check_reading - reading).abs() < 1e-9;
            let (reading, position) =
                if same { (reading, position) } else { (check_reading, check_position) };
            let beat = f64::from(m) * case.now(position, cause) - f64::from(n) * crystal;
            let heard = beat + 0.3 * chance.normal();
            let offset = Offset::Heard { offset_hz: heard.abs(), u_hz: 0.3, side: Side::of(heard) };
            Check { reading, crystal_harmonic: n, meter_harmonic: m, offset, at_min: None }
        })
        .collect();
    let harmonic = 1 + (chance.unit() * 4.0) as u32;
    let beat = 200.0 * chance.normal();
    let signal = f64::from(harmonic) * case.now(position, cause) - beat;
    let heard = beat + 0.5 * chance.normal();
    let record = correct(&Request {
        meter: &case.meter,
        range,
        measurement: Measurement::Single {
            reading,
            offset: Offset::Heard { offset_hz: heard.abs(), u_hz: 0.5, side: Side::of(heard) },
        },
        recorded: true,
        approach: None,
        harmonic,
        signal_harmonic: 1,
        checks: &checks,
        transport: Transport::Auto,
        at_min: None,
        crystal: &case.meter.crystal,
        today: None,
        clock: &Clock { error_ppm: Some(0.0), u_ppm: 0.0, applied: true, ..Clock::default() },
        allowances: Allowances::default(),
        target: None,
        extra: Extra::default(),
    })
    .unwrap();
    Some((record.frequency_hz.unwrap() - signal) / record.u_hz)
}

#[test]
fn reading_to_frequency_to_reading_closes() {
    let mut chance = Chance(11);
    for _ in 0..1000 {
        let case = random_meter(&mut chance);
        let range = &case.meter.ranges[0];
        let (low, high) = range.book.readings();
        for _ in 0..5 {
            let reading = chance.between(low, high);
            let hertz = range.book.at(reading).unwrap().hertz;
            // As it is set on the dial: to a tenth.
            let back = (range.book.reading_of(hertz).unwrap().reading * 10.0).round() / 10.0;
            assert!((back - reading).abs() < 0.06, "{reading} came back as {back}");
        }
    }
}

/// The book's own uncertainty against the law it was made from.
#[test]
fn the_book_lies_where_its_uncertainty_says() {
    let mut chance = Chance(12);
    let mut errors = Vec::new();
    for _ in 0..1000 {
        let case = random_meter(&mut chance);
        let book = &case.meter.ranges[0].book;
        let (low, high) = book.readings();
        let reading = chance.between(low, high);
        let point = book.at(reading).unwrap();
        errors.push((point.hertz - case.law.hertz(reading)) / point.u_hz());
    }
    judge("book alone", &errors);
}

#[test]
fn the_corrected_frequency_lies_where_its_uncertainty_says() {
    let mut chance = Chance(13);
    let mut together = Vec::new();
    for count in [1, 2, 5] {
        let mut all = Vec::new();
        let mut by_cause = [const { Vec::new() }; 3];
        for _ in 0..1000 {
            let case = random_meter(&mut chance);
            for (cause, errors) in case.causes(&mut chance).into_iter().zip(&mut by_cause) {
                if let Some(error) = measure(&case, cause, count, &mut chance) {
                    errors.push(error);
                    all.push(error);
                }
            }
        }
        for (name, errors) in ["capacitance", "inductance", "slip"].iter().zip(&by_cause) {
            judge(&format!("{count} checks, {name}"), errors);
        }
        judge(&format!("{count} checks"), &all);
        together.extend(all);
    }
    let within = together.iter().filter(|z| z.abs() <= 2.0).count() as f64 / together.len() as f64;
    assert!(within >= 0.95, "{within} of all within 2u");
}

/// 95 % within 2u and a spread of error/u between 0.8 and 1.2.
fn judge(what: &str, errors: &[f64]) {
    let count = errors.len() as f64;
    let spread = (errors.iter().map(|z| z * z).sum::<f64>() / count).sqrt();
    let within = errors.iter().filter(|z| z.abs() <= 2.0).count() as f64 / count;
    let worst = errors.iter().fold(0.0, |worst: f64, z| worst.max(z.abs()));
    println!(
        "{what}: {count} cases, spread {spread:.3}, {:.1} % within 2u, worst {worst:.1}",
        within * 100.0
    );
    assert!(count >= 900.0, "{what}: only {count} cases");
    assert!((0.8..=1.2).contains(&spread), "{what}: spread {spread}");
    // Two standard deviations of the count itself are allowed for.
    let allowed = 2.0 * (0.95 * 0.05 / count).sqrt();
    assert!(within >= 0.95 - allowed, "{what}: {within} within 2u");
}
