//! What the clerk adds to the plain sum, on seeded chance: the sum on paper, until when a check holds, which harmonic,
//! and check point and signal at one setting of the dial.
//!
//! `HUSHBEAT_FULL=1 cargo test --test clerk_chance -- --nocapture` takes all cases and says what it measured.
#![allow(
    clippy::unwrap_used,
    clippy::format_push_string,
    clippy::print_stdout,
    reason = "a test that can't go on fails there and then, and says what it measured"
)]

#[path = "support/bench.rs"]
mod bench;
mod common;
#[path = "support/full.rs"]
mod full;

use bench::bench_meter;
use common::{Chance, HIGH, LOW, Law};
use full::{count, share};
use hushbeat::clock::Clock;
use hushbeat::correction::{
    self, Allowances, Check, Drift, DriftOf, DriftSource, Measurement, Request, RestAt, Target, Transport,
    correct,
};
use hushbeat::dial::{Approach, Crystal, Meter, check_points};
use hushbeat::offset::{Offset, Side};
use hushbeat::quantity::{Hertz, Ppm, Width};
use hushbeat::task::correct::{Corrected, Extra, Job, Observation};
use hushbeat::{report, task};

// ---- The sum on paper, worked out apart from the code: by whole numbers alone, as a pencil does it.

/// A fraction.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Exact {
    over: i128,
    under: i128,
}

fn gcd(a: i128, b: i128) -> i128 {
    if b == 0 { a.abs().max(1) } else { gcd(b, a % b) }
}

impl Exact {
    fn new(over: i128, under: i128) -> Self {
        let common = gcd(over, under) * under.signum();
        Self { over: over / common, under: under / common }
    }

    fn read(number: &str) -> Option<Self> {
        let (whole, decimals) = number.split_once('.').unwrap_or((number, ""));
        let digits = |text: &str| text.chars().all(|c| c.is_ascii_digit());
        if whole.is_empty() || !digits(whole) || !digits(decimals) {
            return None;
        }
        Some(Self::new(format!("{whole}{decimals}").parse().ok()?, 10i128.pow(decimals.len() as u32)))
    }

    fn join(self, sign: char, other: Self) -> Self {
        let Self { over: a, under: b } = self;
        let Self { over: c, under: d } = other;
        match sign {
            '+' => Self::new(a * d + c * b, b * d),
            '-' => Self::new(a * d - c * b, b * d),
            '×' => Self::new(a * c, b * d),
            _ => Self::new(a * d, b * c),
        }
    }

    /// Rounded half away from zero to so many decimals, as one rounds on paper.
    fn rounded(self, decimals: usize) -> String {
        let scaled = self.over.abs() * 10i128.pow(decimals as u32);
        let whole = (2 * scaled + self.under) / (2 * self.under);
        let text = format!("{whole:0>width$}", width = decimals + 1);
        let (front, back) = text.split_at(text.len() - decimals);
        let sign = if self.over < 0 && whole > 0 { "-" } else { "" };
        if decimals == 0 { format!("{sign}{front}") } else { format!("{sign}{front}.{back}") }
    }
}

/// Works the topmost sign.
fn settle(values: &mut Vec<Exact>, signs: &mut Vec<char>) -> Option<()> {
    let (b, a) = (values.pop()?, values.pop()?);
    values.push(a.join(signs.pop()?, b));
    Some(())
}

/// The value of a sum of numbers, + - × / and brackets, by Dijkstra's shunting yard.
fn on_paper(sum: &str) -> Option<Exact> {
    let rank = |sign: char| if "+-".contains(sign) { 1 } else { 2 };
    let (mut values, mut signs): (Vec<Exact>, Vec<char>) = (Vec::new(), Vec::new());
    let spaced = sum.replace('(', " ( ").replace(')', " ) ");
    for word in spaced.split_whitespace() {
        match word {
            "(" => signs.push('('),
            ")" => {
                while *signs.last()? != '(' {
                    settle(&mut values, &mut signs)?;
                }
                signs.pop();
            }
            "+" | "-" | "×" | "/" => {
                let sign = word.chars().next()?;
                while signs.last().is_some_and(|&top| top != '(' && rank(top) >= rank(sign)) {
                    settle(&mut values, &mut signs)?;
                }
                signs.push(sign);
            }
            number => values.push(Exact::read(number)?),
        }
    }
    while !signs.is_empty() {
        settle(&mut values, &mut signs)?;
    }
    if let [only] = values[..] { Some(only) } else { None }
}

/// By hand.
#[test]
fn the_pencil_itself() {
    assert_eq!(on_paper("2 × (10 + 2.5) - 5"), Some(Exact::new(20, 1)));
    assert_eq!(on_paper("(2 × 10 - 4 + 2 × 3 / 4) / 2"), Some(Exact::new(35, 4)));
    assert_eq!(on_paper("10 - 4 - 3"), Some(Exact::new(3, 1)));
    assert_eq!(on_paper("7 × 3 / 2").unwrap().rounded(0), "11");
    assert_eq!(on_paper("1 / 3").unwrap().rounded(4), "0.3333");
    assert_eq!(Exact::new(-5, 1000).rounded(2), "-0.01");
    assert_eq!(on_paper("1 2"), None);
}

/// A job of any kind: one reading, a bound, a pair with and without pitches, no side, none to five checks, with times,
/// and the check at the reading itself.
fn any_job(chance: &mut Chance, meter: &Meter) -> Job {
    let pick = |chance: &mut Chance, among: usize| (chance.unit() * among as f64) as usize;
    let which = pick(chance, 2);
    let (range, law) = (&meter.ranges[which], [LOW, HIGH][which]);
    let any = |chance: &mut Chance| {
        let (low, high) = range.book.readings();
        (chance.between(low + 20.0, high - 20.0) * 10.0).round() / 10.0
    };
    let reading = any(chance);
    let pitch = |chance: &mut Chance| (10f64.powf(chance.between(0.0, 3.4)) * 100.0).round() / 100.0;
    let points = check_points(meter, range);
    let mut checks = Vec::new();
    for _ in 0..[0, 1, 1, 2, 5][pick(chance, 5)] {
        let point = &points[pick(chance, points.len())];
        let (n, m) = (point.crystal_harmonic, point.meter_harmonic);
        let at = if chance.unit() < 0.3 { format!("@14:{:02}", pick(chance, 60)) } else { String::new() };
        let heard = match pick(chance, 3) {
            0 => format!("within{:.0}Hz", chance.between(1.0, 30.0)),
            1 => format!("{:.1}Hz:high", pitch(chance)),
            _ => format!("{:.2}Hz:low", pitch(chance)),
        };
        let there = (law.reading(point.hertz()) * 10.0).round() / 10.0;
        checks.push(format!("{there:.1}:{n}/{m}:{heard}{at}").parse().unwrap());
        if chance.unit() < 0.3 {
            checks.push(
                format!("{there:.1}:{n}/{m}:{:.1}Hz:high@15:{:02}", pitch(chance), pick(chance, 60))
                    .parse()
                    .unwrap(),
            );
        }
    }
    let u_hz = 10f64.powf(chance.between(-4.0, 1.0));
    let side = [Side::High, Side::Low, Side::Unknown][pick(chance, 3)];
    let observation = match pick(chance, 6) {
        0 => Observation::Single {
            reading: format!("{reading:.1}"),
            offset: Offset::Within { bound_hz: chance.between(2.0, 40.0) },
        },
        1 => {
            let above = reading + chance.between(1.0, 3.0);
            Observation::Pair(format!("{reading:.1},{above:.1}").parse().unwrap())
        }
        2 => {
            // By the slope there, or the pair would contradict itself.
            let slope = law.hertz(reading + 0.5) - law.hertz(reading - 0.5);
            let b = chance.between(200.0, 1500.0);
            let above = reading + 2.0 * b / slope;
            Observation::Pair(format!("{reading:.1}:{b:.1}Hz,{above:.1}:{b:.1}Hz").parse().unwrap())
        }
        // At a check point's own reading: book and reading cancel.
        3 => {
            let point = &points[pick(chance, points.len())];
            let there = (law.reading(point.hertz()) * 10.0).round() / 10.0;
            let text = format!(
                "{there:.1}:{}/{}:{:.2}Hz:low",
                point.crystal_harmonic,
                point.meter_harmonic,
                pitch(chance)
            );
            checks.push(text.parse().unwrap());
            Observation::Single {
                reading: format!("{there:.1}"),
                offset: Offset::Heard { offset_hz: pitch(chance), u_hz, side },
            }
        }
        _ => Observation::Single {
            reading: format!("{reading:.1}"),
            offset: Offset::Heard { offset_hz: pitch(chance), u_hz, side },
        },
    };
    let pair_with_pitches = matches!(&observation, Observation::Pair(pair) if pair.low.1.is_some());
    let error_ppm = (chance.unit() < 0.5).then(|| chance.between(-80.0, 80.0));
    let recorded = chance.unit() < 0.5;
    Job {
        range: range.name.clone(),
        observation,
        recorded,
        approach: [None, Some(Approach::Rising)][pick(chance, 2)],
        harmonic: if pair_with_pitches { 1 } else { 1 + pick(chance, 8) as u32 },
        signal_harmonic: 1 + pick(chance, 4) as u32,
        checks,
        transport: [Transport::Auto, Transport::Capacitance, Transport::Ratio, Transport::Divisions]
            [pick(chance, 4)],
        at_min: (chance.unit() < 0.5).then_some(14.0 * 60.0 + 31.0),
        crystal: (chance.unit() < 0.3).then(|| Crystal {
            error_ppm: chance.between(-5.0, 5.0),
            u_ppm: Some(0.4),
            dof: (chance.unit() < 0.5).then_some(3.0),
            flat: chance.unit() < 0.3,
            ..meter.crystal.clone()
        }),
        today: "2026-11-19".parse().ok(),
        clock: Clock { error_ppm, u_ppm: 10f64.powf(chance.between(-3.0, 1.0)), ..Clock::default() },
        allowances: Allowances::default(),
        target: None,
        extra: Extra::default(),
    }
}

/// The line that begins with a label, as it is printed.
fn printed<'a>(text: &'a str, label: &str) -> &'a str {
    text.lines().find_map(|line| line.strip_prefix(label)).unwrap().trim()
}

/// Every sum, redone with whole numbers, gives the printed frequency to the last digit, and what is printed as the
/// frequency is what the sum says.
#[test]
fn the_sum_on_paper_gives_the_printed_frequency() {
    let meter = bench_meter();
    let mut chance = Chance(31);
    let (mut done, mut two, mut pairs, mut transfers, mut bounds) = (0, 0, 0, 0, 0);
    let wanted = count(300, 1000);
    let mut tried = 0;
    while done < wanted {
        tried += 1;
        assert!(tried < 2 * wanted, "{done} of {tried} jobs give a result");
        let job = any_job(&mut chance, &meter);
        let Ok(record) = task::correct::correct(&meter, &job) else { continue };
        done += 1;
        let text = report::correct::text(&record);
        let (line, signal) = (printed(&text, "sum "), printed(&text, "signal "));
        let frequencies: Vec<&str> = signal
            .split(" ± ")
            .next()
            .unwrap()
            .split(" or ")
            .map(|one| one.trim_end_matches(" Hz"))
            .collect();
        let sums: Vec<&str> = line.split(", or ").collect();
        assert_eq!(sums.len(), frequencies.len(), "{line}\n{signal}");
        for (sum, frequency) in sums.iter().zip(&frequencies) {
            let (sum, result) = sum.split_once(" = ").unwrap();
            assert_eq!(result.trim_end_matches(" Hz"), *frequency, "{line}\n{signal}");
            let decimals = frequency.split_once('.').map_or(0, |(_, decimals)| decimals.len());
            let value = on_paper(sum).unwrap_or_else(|| panic!("{sum}"));
            assert_eq!(value.rounded(decimals), *frequency, "{line}");
        }
        two += usize::from(sums.len() == 2);
        pairs += usize::from(matches!(job.observation, Observation::Pair(_)));
        transfers += usize::from(line.contains(" × 500") || line.contains("(500"));
        bounds +=
            usize::from(matches!(job.observation, Observation::Single { offset: Offset::Within { .. }, .. }));
    }
    println!(
        "on paper: {done} results redone to the last digit, {two} without a side, {pairs} pairs, {transfers} by a check \
         at the reading, {bounds} bounds"
    );
    assert!(two * 10 > done && pairs * 10 > done && transfers * 20 > done && bounds * 10 > done);
}

/// A rest 38.6 Hz below the signal.
const LOW_BEAT: Offset = Offset::Heard { offset_hz: 38.6, u_hz: 0.02, side: Side::Low };

// ---- Until when a check holds.

/// By hand: at the second harmonic a fundamental that drifts by 0.3 Hz a minute drifts by 0.6 Hz a minute; with U at 105 Hz
/// and 200 Hz allowed that takes (200 - 105)/0.6 = 158 minutes, give or take one for the hertz that U is rounded to.
#[test]
fn a_drift_uses_up_what_is_left() {
    let meter = bench_meter();
    let job = |change: &dyn Fn(&mut Job)| {
        let job = bench::job("8/49.0", LOW_BEAT, |job| {
            job.checks = vec!["8/12.9:7/2:within20Hz@14:00".parse().unwrap()];
            job.today = "2026-11-19".parse().ok();
            job.target =
                Some(Target { frequency: Hertz(3.52e6), tolerance: Some(Width::Absolute(Hertz(200.0))) });
            change(job);
        });
        task::correct::correct(&meter, &job).unwrap()
    };
    assert_eq!(job(&|_| ()).recheck, None, "nothing is known of the drift");
    let stated =
        |per_min, of| Drift { per_min, u_per_min: 0.0, of, source: DriftSource::Stated, seen_min: None };
    let record = job(&|job| job.extra.drift = Some(stated(-0.3, DriftOf::Fundamental)));
    let recheck = record.recheck.clone().unwrap();
    assert!((recheck.drift_hz_per_min + 0.6).abs() < 1e-9 && (recheck.within_hz - 200.0).abs() < 1e-9);
    assert!((recheck.minutes - (200.0 - record.expanded_u_hz) / 0.6).abs() < 1e-9 && !recheck.bounded);
    assert!((recheck.minutes - 158.0).abs() < 1.0, "{}", recheck.minutes);
    assert_eq!(recheck.from_min, Some(840.0));
    assert!(report::correct::text(&record).contains("recheck by 16:"), "{}", report::correct::text(&record));
    // As a share of the signal; with what is allowed stated; used up; hardly any.
    let record = job(&|job| {
        job.extra.drift = Some(stated(1e-7, DriftOf::Relative));
        job.extra.trust = Some(Width::Relative(Ppm(40.0)));
    });
    let recheck = record.recheck.unwrap();
    assert!((recheck.drift_hz_per_min - 0.352).abs() < 1e-5 && (recheck.within_hz - 140.8).abs() < 1e-3);
    let record = job(&|job| {
        job.extra.drift = Some(stated(1.0, DriftOf::Beat));
        job.extra.trust = Some(Width::Absolute(Hertz(50.0)));
    });
    assert!(record.recheck.clone().unwrap().minutes.abs() < 1e-12);
    assert!(report::correct::text(&record).contains("recheck now: "));
    let record = job(&|job| job.extra.drift = Some(stated(1e-4, DriftOf::Beat)));
    let recheck = record.recheck.unwrap();
    assert!(recheck.bounded && (recheck.minutes - 1440.0).abs() < 1e-9);
}

/// A meter that drifts steadily, checked twice at the reading of the measurement: at the time that is named it has
/// drifted by what was left, and not more in 95 cases of 100.
#[test]
fn until_the_time_named_the_drift_stays_within() {
    let meter = bench_meter();
    let range = meter.range("high").unwrap();
    let mut chance = Chance(32);
    let (mut cases, mut within, mut early) = (0, 0, 0.0);
    for _ in 0..count(400, 4000) {
        let drift = chance.between(-2.0, 2.0);
        let f_check = 4.0 * meter.crystal.actual_hz();
        let reading = (HIGH.reading(f_check) * 10.0).round() / 10.0;
        let span = chance.between(5.0, 30.0).round();
        let u_hz = 0.5;
        let beat = |at: f64, chance: &mut Chance| 40.0 + drift * at + u_hz * chance.normal();
        let check = |at: f64, chance: &mut Chance| {
            let heard = beat(at, chance);
            Check {
                reading,
                crystal_harmonic: 4,
                meter_harmonic: 1,
                offset: Offset::Heard { offset_hz: heard.abs(), u_hz, side: Side::of(heard) },
                at_min: Some(at),
            }
        };
        let checks = [check(0.0, &mut chance), check(span, &mut chance)];
        let allowed = chance.between(30.0, 200.0);
        let record = correct(&request(&meter, range, reading, 120.0, &checks, Some(span), allowed)).unwrap();
        let Some(recheck) = record.recheck else { panic!("a drift is known") };
        if recheck.bounded || recheck.minutes <= 0.0 {
            continue;
        }
        cases += 1;
        let drifted = drift.abs() * recheck.minutes;
        let left = allowed - record.expanded_u_hz;
        within += usize::from(drifted <= left);
        early += drifted / left;
    }
    println!(
        "recheck: {cases} drifts, within what was left at the time named {:.4}, on average {:.3} of it used up",
        share(within, cases),
        early / cases as f64
    );
    assert!(cases > 100 && share(within, cases) >= 0.95 && early / cases as f64 > 0.6);
}

fn request<'a>(
    meter: &'a Meter,
    range: &'a hushbeat::dial::Range,
    reading: f64,
    beat_hz: f64,
    checks: &'a [Check],
    at_min: Option<f64>,
    trust_hz: f64,
) -> Request<'a> {
    static CLOCK: std::sync::LazyLock<Clock> = std::sync::LazyLock::new(|| Clock {
        error_ppm: Some(0.0),
        u_ppm: 1.0,
        applied: true,
        ..Clock::default()
    });
    Request {
        meter,
        range,
        measurement: Measurement::Single {
            reading,
            offset: Offset::Heard { offset_hz: beat_hz.abs(), u_hz: 0.1, side: Side::of(beat_hz) },
        },
        recorded: true,
        approach: None,
        harmonic: 1,
        signal_harmonic: 1,
        checks,
        transport: Transport::Auto,
        at_min,
        crystal: &meter.crystal,
        today: None,
        clock: &CLOCK,
        allowances: Allowances::default(),
        target: None,
        extra: correction::Extra { trust: Some(Width::Absolute(Hertz(trust_hz))), ..Default::default() },
    }
}

// ---- Which harmonic.

/// A meter whose range has this many hertz to the division in its middle, readings good to ±0.1 division.
fn sloped_meter(slope: f64) -> (Law, Meter) {
    // An octave over 4800 divisions: the middle has about 0.72 of the octave's mean slope.
    let bottom = 4800.0 * slope / 0.97;
    let law = Law { bottom, top: 2.1 * bottom, straight: 0.4, bend: 2.2, end: 4800.0 };
    let rows: Vec<String> = (0..=240)
        .map(|row| 30.0 + 19.7 * f64::from(row))
        .filter(|reading| *reading < 4770.0)
        .map(|reading| format!("{:.6},{reading:.1}", law.hertz(reading) / 1e3))
        .collect();
    let book = format!("frequency_khz,reading\n{}\n", rows.join("\n"));
    let text = format!(
        "name = 'm'\n[crystal]\nfrequency_hz = {}\nu_ppm = 3\n[dial]\ndivisions_per_turn = 120\nturns = 40\nvernier = 10\n[[range]]\nname = 'r'\nfrom_hz = {}\nto_hz = {}\nharmonics = [1,2,3,4,5,6,7,8]\nbook = 'b'\n",
        law.bottom / 3.3,
        law.bottom,
        law.top
    );
    let meter =
        Meter::parse(&text, "m.toml", |name| Ok::<_, String>((name.to_owned(), book.clone()))).unwrap();
    (law, meter)
}

/// H from 1 to 8, K from 1 to 3, slopes from 25 to 400 Hz a division, readings ±0.1 division, both rests anywhere in
/// what can be heard: the order told is right, or it is said that it can't be told. Where readings are named that would
/// tell, they nearly always do.
#[test]
fn the_harmonic_is_told_or_it_is_said_that_it_can_not_be() {
    let mut chance = Chance(33);
    let clock = Clock::default();
    let (mut right, mut wrong, mut open, mut unsided_right) = (0, 0, 0, 0);
    let (mut advised, mut then_right, mut then_wrong) = (0, 0, 0);
    let cases = count(1000, 20_000);
    for case in 0..cases {
        let slope = 25.0 * 16f64.powf(chance.unit());
        let (law, meter) = sloped_meter(slope);
        let range = &meter.ranges[0];
        let harmonic = 1 + (chance.unit() * 8.0) as u32;
        let h = f64::from(harmonic);
        let k = 1.0 + (chance.unit() * 3.0).floor();
        let signal = h * law.hertz(chance.between(600.0, 4200.0)) / k;
        let sides_known = case % 4 != 0;
        let set = |position: f64, chance: &mut Chance| {
            let beat = h * law.hertz(position) - k * signal;
            let heard = beat + 0.05 * chance.normal();
            let side = if sides_known { Side::of(heard) } else { Side::Unknown };
            let reading = position + chance.between(-0.1, 0.1);
            RestAt { reading, offset: Offset::Heard { offset_hz: heard.abs(), u_hz: 0.05, side } }
        };
        let at = |beat: f64| law.reading((k * signal + beat) / h);
        let mut rests: Vec<RestAt> = Vec::new();
        for _ in 0..2 {
            let beat = chance.between(30.0, 3000.0) * if chance.unit() < 0.5 { -1.0 } else { 1.0 };
            rests.push(set(at(beat), &mut chance));
        }
        let answer = correction::order(&meter, range, &rests, &clock).unwrap().unwrap();
        match answer.harmonic {
            Some(told) if told == harmonic => {
                right += 1;
                unsided_right += usize::from(!sides_known);
            }
            Some(_) => wrong += 1,
            None => open += 1,
        }
        // What is advised is done, on the dial as it is: the operator sets what the book's reading says.
        if let Some(needed) = answer.needed {
            advised += 1;
            for rest in 0..needed.rests {
                rests.push(set(needed.readings[rest as usize % 2], &mut chance));
            }
            let again = correction::order(&meter, range, &rests, &clock).unwrap().unwrap();
            match again.harmonic {
                Some(told) if told == harmonic => then_right += 1,
                Some(_) => then_wrong += 1,
                None => {}
            }
        }
    }
    println!(
        "order: {cases} cases, right {:.4}, wrong {:.4}, can't tell {:.4} ({unsided_right} of the right ones without sides); \
         advised {advised}, then right {:.4}, wrong {:.4}",
        share(right, cases),
        share(wrong, cases),
        share(open, cases),
        share(then_right, advised),
        share(then_wrong, advised)
    );
    assert_eq!(right + wrong + open, cases);
    assert!(share(wrong, cases) < 0.01 && share(right, cases) > 0.5);
    assert!(share(then_right, advised) > 0.8 && share(then_wrong, advised) < 0.02);
}

/// A check point that was taken for another one shows itself by the readings of two rests beside it.
#[test]
fn a_false_check_point_shows_itself() {
    let meter = bench_meter();
    let range = meter.range("high").unwrap();
    let mut chance = Chance(34);
    let points = check_points(&meter, range);
    let (mut named, mut blamed, mut cases) = (0, 0, 0);
    for _ in 0..count(200, 2000) {
        let truth = &points[(chance.unit() * points.len() as f64) as usize];
        let nearest = points
            .iter()
            .filter(|point| point.meter_harmonic != truth.meter_harmonic)
            .min_by(|a, b| (a.hertz() - truth.hertz()).abs().total_cmp(&(b.hertz() - truth.hertz()).abs()))
            .unwrap();
        cases += 1;
        let m = f64::from(truth.meter_harmonic);
        // 2.8 kHz to either side; the meter itself is up to half a division off its book.
        let off = chance.between(-150.0, 150.0);
        let rests: Vec<(f64, f64)> = [-2800.0, 2800.0]
            .map(|beat| {
                let position = HIGH.reading(truth.hertz() + beat / m - off);
                (
                    (position + chance.between(-0.1, 0.1))
                        .clamp(range.book.readings().0, range.book.readings().1),
                    beat,
                )
            })
            .to_vec();
        let taken_for = |n: u32, m: u32| -> Vec<Check> {
            rests
                .iter()
                .map(|&(reading, beat)| Check {
                    reading,
                    crystal_harmonic: n,
                    meter_harmonic: m,
                    offset: Offset::Heard { offset_hz: beat.abs(), u_hz: 0.1, side: Side::of(beat) },
                    at_min: None,
                })
                .collect()
        };
        let says = |checks: &[Check]| -> bool {
            let record = correct(&request(&meter, range, 2000.0, 120.0, checks, None, 1e3)).unwrap();
            record.warnings.iter().any(|warning| warning.code == "check-false")
        };
        named += usize::from(says(&taken_for(nearest.crystal_harmonic, nearest.meter_harmonic)));
        blamed += usize::from(says(&taken_for(truth.crystal_harmonic, truth.meter_harmonic)));
    }
    println!(
        "false check point: {cases}, named {:.4}; true ones blamed {:.4}",
        share(named, cases),
        share(blamed, cases)
    );
    assert!(share(blamed, cases) < 0.01 && share(named, cases) > 0.5);
}

#[test]
fn what_two_rests_say_is_in_the_record() {
    let meter = bench_meter();
    let job = |harmonic, open, also: &str| -> Corrected {
        let job = bench::job("8/49.0", LOW_BEAT, |job| {
            job.harmonic = harmonic;
            job.today = None;
            job.extra = Extra { also: vec![also.parse().unwrap()], harmonic_open: open, ..Extra::default() };
        });
        task::correct::correct(&meter, &job).unwrap()
    };
    let told = job(1, true, "8/54.0:2740Hz:high");
    assert_eq!((told.harmonic, told.order.clone().unwrap().harmonic), (2, Some(2)));
    let contradicted = job(4, false, "8/54.0:2740Hz:high");
    let codes = |record: &Corrected| record.warnings.iter().map(|it| it.code.clone()).collect::<Vec<_>>();
    assert!(contradicted.harmonic == 4 && codes(&contradicted).contains(&"harmonic-contradicted".to_owned()));
    let open = job(1, true, "8/49.3:127Hz:high");
    assert!(open.harmonic == 1 && open.order.as_ref().unwrap().harmonic.is_none());
    let strange = job(1, true, "8/54.0:2740Hz:low");
    assert!(strange.order.as_ref().unwrap().harmonic.is_none());
    let line = |record: &Corrected| {
        let text = report::correct::text(record);
        let lines = text.lines().skip_while(|line| !line.starts_with("order"));
        let first =
            lines.clone().take(1).chain(lines.skip(1).take_while(|line| line.starts_with("        ")));
        first.collect::<Vec<_>>().join("\n")
    };
    insta::assert_snapshot!("order_words", [line(&told), line(&open), line(&strange)].join("\n\n"));
}

// ---- Check point and signal at one setting of the dial.

/// Signals in reach of a check point, as `dial` marks them; crystal, card and beats err as they say, the meter is off its
/// book and drifts between the two notes by as much as was allowed for. The interval covers, and neither reading nor
/// book has a part in it.
#[test]
fn a_transfer_covers_and_knows_no_reading() {
    let meter = bench_meter();
    let mut chance = Chance(35);
    let all = [0, 1].map(|which| check_points(&meter, &meter.ranges[which]));
    let (mut cases, mut covered, mut tried, mut notes) = (0, 0, 0, 0);
    let (mut gain, wanted) = (0.0, count(150, 3000));
    while cases < wanted {
        tried += 1;
        // Within hearing of some check point, or nearly.
        let which = (chance.unit() * 2.0) as usize;
        let point = &all[which][(chance.unit() * all[which].len() as f64) as usize];
        let order = [1.0, 2.0, 4.0, 8.0][(chance.unit() * 4.0) as usize];
        let k = 1 + (chance.unit() * 2.0) as u32;
        let signal = (order * point.hertz() + chance.between(-4500.0, 4500.0)) / f64::from(k);
        let Ok(ways) = task::dial::to_reading(&meter, Hertz(signal), k, Some(task::dial::REACH_HZ)) else {
            continue;
        };
        let Some(way) = ways.settings.iter().find(|way| way.transfer.is_some()) else { continue };
        let found = way.transfer.as_ref().unwrap();
        cases += 1;
        let range = meter.range(&way.range).unwrap();
        let (n, m) = (f64::from(found.crystal_harmonic), f64::from(found.meter_harmonic));
        let (h, kf) = (f64::from(way.harmonic), f64::from(k));
        // What there is: the crystal, the card, the meter.
        let u_ppm = meter.crystal.u_ppm.unwrap();
        let crystal =
            meter.crystal.frequency_hz * (1.0 + (meter.crystal.error_ppm + u_ppm * chance.normal()) * 1e-6);
        let clock = Clock { error_ppm: Some(20.0), u_ppm: 15.0, ..Clock::default() };
        let card = 1.0 + (20.0 + 15.0 * chance.normal()) * 1e-6;
        let setting = (found.reading * 10.0).round() / 10.0;
        let at_check = range.book.at(setting).unwrap().hertz + 60.0 / h.max(m) * chance.normal();
        let drift_u = 0.3;
        let at_signal = at_check + drift_u * chance.normal();
        let u_beat = 0.05;
        let heard = |beat: f64, chance: &mut Chance| {
            let seen = beat / card + u_beat * chance.normal();
            Offset::Heard { offset_hz: seen.abs(), u_hz: u_beat, side: Side::of(seen) }
        };
        let check_beat = m * at_check - n * crystal;
        let signal_beat = h * at_signal - kf * signal;
        notes += usize::from(check_beat.abs() > 20.0 && signal_beat.abs() > 20.0);
        let checks = [Check {
            reading: setting,
            crystal_harmonic: found.crystal_harmonic,
            meter_harmonic: found.meter_harmonic,
            offset: heard(check_beat, &mut chance),
            at_min: None,
        }];
        let offset = heard(signal_beat, &mut chance);
        let measure = |meter: &Meter| {
            let request = Request {
                measurement: Measurement::Single { reading: setting, offset },
                harmonic: way.harmonic,
                signal_harmonic: k,
                clock: &clock,
                allowances: Allowances {
                    drift: Some(Width::Absolute(Hertz(drift_u))),
                    ..Allowances::default()
                },
                extra: correction::Extra::default(),
                ..request(meter, meter.range(&way.range).unwrap(), setting, 1.0, &checks, None, 1.0)
            };
            correct(&request).unwrap()
        };
        let record = measure(&meter);
        covered += usize::from((record.frequency_hz.unwrap() - signal).abs() <= record.expanded_u_hz);
        gain += (way.u_hz / record.u_hz).ln();
        let mut coarse = meter.clone();
        coarse.plate.u_div = 5.0;
        let by_coarse = measure(&coarse);
        assert!((by_coarse.u_hz - record.u_hz).abs() < 1e-12 * record.u_hz, "the reading has a part in u");
        assert!(
            record
                .budget
                .iter()
                .all(|line| !line.source.contains("reading") && !line.source.contains("book"))
        );
        assert!((by_coarse.frequency_hz.unwrap() - record.frequency_hz.unwrap()).abs() < 1e-6);
    }
    println!(
        "transfer: {cases} signals in reach of {tried} tried, both notes clear of zero {:.4}, U covers {:.4}, u smaller \
         than by book and reading {:.1} times (geometric mean)",
        share(notes, cases),
        share(covered, cases),
        (gain / cases as f64).exp()
    );
    // Two standard deviations of what a share of 0.94 comes to in so many cases.
    let slack = 2.0 * (0.94 * 0.06 / cases as f64).sqrt();
    assert!(share(covered, cases) >= 0.94 - slack && share(notes, cases) > 0.8);
}

/// The card of a net held off: every reading puts the meter so many hertz above its channel.
#[test]
fn a_card_held_off_is_that_far_off() {
    let meter = bench_meter();
    let list = task::sheet::Channels::parse("label,frequency\na,3520kHz\nb,1820kHz\n", "net.csv").unwrap();
    for hold_off in [275.0, -290.0] {
        let record = task::sheet::sheet(&meter, &list, Some(hold_off)).unwrap();
        for line in &record.channels {
            let range = meter.range(&line.setting.range).unwrap();
            let there = f64::from(line.setting.harmonic) * range.book.at(line.setting.reading).unwrap().hertz;
            assert!((there - line.frequency_hz - hold_off).abs() < 1.0, "{line:?}");
        }
        let text = report::sheet::text(&record, &meter.plate);
        let side = if hold_off > 0.0 { "above" } else { "below" };
        assert!(
            text.contains(&format!("holds the meter {:.0} Hz {side} its channel", hold_off.abs())),
            "{text}"
        );
    }
}
