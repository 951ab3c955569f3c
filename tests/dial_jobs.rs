//! The dial's larger jobs on seeded chance: unknown signals, books with slips, new books from check points.
//!
//! The ordinary run takes a part of the cases; `HUSHBEAT_FULL=1 cargo test --test dial_jobs -- --nocapture` takes all
//! and says what it measured.
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
use hushbeat::correction::{BeatAt, unknown};
use hushbeat::dial::{Book, MeterPlan, Rows, Slip, check_points, new_book, points, slips};
use hushbeat::task::book::FitJob;
use hushbeat::task::sheet::Channels;
use hushbeat::{report, task};
use std::path::Path;

/// Signals evenly spread in the logarithm from a range's bottom to 20 times its top, readings good to ±0.1 division,
/// one beat in five missed: three beats or more put the truth first, two do so nearly always.
#[test]
fn an_unknown_signal_is_found_from_its_beats() {
    let meter = bench_meter();
    let mut chance = Chance(21);
    let (mut many, mut first_of_many, mut listed) = (0, 0, 0);
    let (mut two, mut first_of_two, mut too_few) = (0, 0, 0);
    let (mut asked, mut answered) = (0, 0);
    for case in 0..count(300, 2000) {
        let (range, law) = if case % 2 == 0 { (&meter.ranges[0], LOW) } else { (&meter.ranges[1], HIGH) };
        let signal = range.from_hz * (20.0 * range.to_hz / range.from_hz).powf(chance.unit());
        let orders = (signal / range.to_hz).ceil() as u32..=(signal / range.from_hz).floor() as u32;
        let mut heard: Vec<BeatAt> = Vec::new();
        for order in orders {
            let place = signal / f64::from(order);
            let (low, high) = range.book.reach();
            if (low..=high).contains(&place) && chance.unit() >= 0.2 {
                let reading = ((law.reading(place) + chance.between(-0.1, 0.1)) * 10.0).round() / 10.0;
                let (first, last) = range.book.readings();
                heard.push(BeatAt { reading: reading.clamp(first, last), offset: None });
            }
        }
        let answer = unknown(&meter, range, &heard, None);
        if heard.len() < 2 {
            too_few += 1;
            assert!(answer.unwrap_err().to_string().contains("next beat"));
            continue;
        }
        let answer = answer.unwrap();
        let is_it = |hertz: f64, u: f64| (hertz - signal).abs() < 6.0 * u;
        let place = answer.candidates.iter().position(|one| is_it(one.hertz, one.u_hz));
        if heard.len() >= 3 {
            many += 1;
            first_of_many += usize::from(place == Some(0));
            listed += usize::from(place.is_some());
        } else {
            two += 1;
            first_of_two += usize::from(place == Some(0));
        }
        // The reading to try next is a beat of one of the two, and tells the truth when it is among them.
        if let Some(next) = answer.next.filter(|_| place.is_some_and(|place| place < 2)) {
            asked += 1;
            let there = meter.range(&next.range).unwrap().book.at(next.reading).unwrap();
            let beat = (signal / there.hertz).round() * there.hertz - signal;
            let heard_there = beat.abs() < 3.0 * (signal / there.hertz).round() * there.slope.abs() * 0.1;
            let truth_says = (next.heard_if_hz - signal).abs() < (next.silent_if_hz - signal).abs();
            answered += usize::from(heard_there == truth_says);
        }
    }
    println!(
        "unknown: {many} signals with three beats or more, first {:.4}, listed {:.4}; {two} with two, first {:.4}; \
         {too_few} with fewer; next reading {asked} times, right {answered}",
        share(first_of_many, many),
        share(listed, many),
        share(first_of_two, two)
    );
    assert!(share(first_of_many, many) >= 0.97);
    assert!(share(listed, many) >= 0.999);
    assert!(share(first_of_two, two) >= 0.90);
    assert_eq!(asked, answered);
}

/// A law as capacitors have it, and the book that a maker would print: 1500 rows, frequencies in even steps and
/// readings rounded.
fn long_book(chance: &mut Chance) -> (Law, Vec<[String; 2]>, f64) {
    let law = Law {
        bottom: 155e3,
        top: 155e3 * chance.between(1.9, 2.4),
        straight: chance.between(0.2, 0.6),
        bend: chance.between(1.8, 2.8),
        end: 5000.0,
    };
    let rounding = [0.1, 0.05, 0.2][(chance.unit() * 3.0) as usize];
    let step = (law.top - law.bottom) * 0.95 / 1500.0;
    let step = (step / 5.0).floor() * 5.0;
    let rows = (0..1500).map(|row| {
        let hertz = (law.bottom * 1.01 / step).ceil() * step + f64::from(row) * step;
        let reading = (law.reading(hertz) / rounding).round() * rounding;
        [format!("{:.3}", hertz / 1e3), format!("{reading:.2}")]
    });
    (law, rows.collect(), rounding)
}

fn checked(rows: &[[String; 2]]) -> Vec<Slip> {
    let mut text = "frequency_khz,reading\n".to_owned();
    for [khz, reading] in rows {
        text.push_str(&format!("{khz},{reading}\n"));
    }
    slips(&Rows::parse(&text, "b.csv").unwrap())
}

/// One digit wrong by more than three times the rounding is found on its row and put right; clean books raise no alarm.
#[test]
fn slips_are_found_on_their_row_and_clean_books_left_alone() {
    let mut chance = Chance(22);
    let (mut cases, mut found, mut righted, mut others) = (0, 0, 0, 0);
    let (mut clean, mut alarms) = (0, 0);
    for _ in 0..count(8, 200) {
        let (_, book, rounding) = long_book(&mut chance);
        clean += 1;
        alarms += checked(&book).len();
        for _ in 0..count(8, 10) {
            // The ends are the hard places: half the slips are made there.
            let row = match (chance.unit() * 4.0) as usize {
                0 => (chance.unit() * 8.0) as usize,
                1 => 1499 - (chance.unit() * 8.0) as usize,
                _ => (chance.unit() * 1500.0) as usize,
            };
            let right: f64 = book[row][1].parse().unwrap();
            let mut typed = book.clone();
            let digits = typed[row][1].clone().into_bytes();
            let at = (chance.unit() * digits.len() as f64) as usize;
            if digits[at] == b'.' {
                continue;
            }
            let mut wrong = digits.clone();
            wrong[at] = b'0' + (chance.unit() * 10.0) as u8;
            let wrong = String::from_utf8(wrong).unwrap();
            if (wrong.parse::<f64>().unwrap() - right).abs() <= 3.0 * rounding + 1e-9 {
                continue;
            }
            typed[row][1] = wrong;
            cases += 1;
            let slips = checked(&typed);
            let hit = slips.iter().find(|slip| slip.line == row + 2);
            found += usize::from(hit.is_some());
            let near =
                |slip: &Slip| slip.suggested.is_some_and(|value| (value - right).abs() < rounding + 1e-9);
            righted += usize::from(hit.is_some_and(near));
            others += slips.iter().filter(|slip| slip.line != row + 2).count();
        }
    }
    println!(
        "book check: {cases} slips, found {:.4}, put right within the rounding {:.4}, other rows doubted {others}; \
         {clean} clean books, {alarms} alarms",
        share(found, cases),
        share(righted, cases)
    );
    assert!(cases > 15);
    assert!(share(found, cases) >= 0.95 && share(righted, cases) >= 0.95);
    assert!(alarms * 10 < clean.max(10) && others * 20 <= cases, "{alarms} {others}");
}

/// A new book from 20 check points good to 0.05 division on a bent law.
#[test]
fn a_new_book_lies_where_it_says() {
    let meter = bench_meter();
    let mut chance = Chance(23);
    let (mut within_u, mut within_half, mut rows_in_all) = (0, 0, 0);
    let mut errors: Vec<f64> = Vec::new();
    let mut worst_median = 0f64;
    for _ in 0..count(40, 1000) {
        let law = Law {
            bottom: 155e3,
            top: 155e3 * chance.between(1.9, 2.4),
            straight: chance.between(0.2, 0.6),
            bend: chance.between(1.8, 2.8),
            end: 4800.0,
        };
        let (from, to) = (law.hertz(60.0), law.hertz(4740.0));
        let mut text = "frequency_khz,reading\n".to_owned();
        for point in 0..20 {
            // Spread over the range as check points are, unevenly.
            let even = from + (to - from) * (f64::from(point) + chance.between(0.1, 0.9)) / 20.0;
            let hertz = if point == 0 {
                from
            } else if point == 19 {
                to
            } else {
                even
            };
            text.push_str(&format!(
                "{:.4},{:.2}\n",
                hertz / 1e3,
                law.reading(hertz) + 0.05 * chance.normal()
            ));
        }
        let mut plate = meter.plate.clone();
        plate.u_div = 0.05;
        let found = points(&text, "p.csv", &plate, &meter.crystal).unwrap();
        let fitted = hushbeat::dial::Law::new(&found, None, "p.csv").unwrap();
        let book = new_book(&fitted, &found, &plate, (from, to), None, "p.csv").unwrap();
        let mut here: Vec<f64> = Vec::new();
        for row in &book.rows {
            let error = row.reading - law.reading(row.frequency_khz * 1e3);
            rows_in_all += 1;
            within_u += usize::from(error.abs() <= 2.0 * row.u_div);
            within_half += usize::from(error.abs() <= 0.5);
            here.push(error.abs());
        }
        assert!(book.rows.len() > 120, "{}", book.rows.len());
        here.sort_by(f64::total_cmp);
        worst_median = worst_median.max(here[here.len() / 2]);
        errors.extend(here);
    }
    errors.sort_by(f64::total_cmp);
    let median = errors[errors.len() / 2];
    println!(
        "book fit: {rows_in_all} rows, {:.4} within 2u, {:.4} within half a division, median error {median:.4} division \
         (worst book {worst_median:.4}), largest {:.3}",
        share(within_u, rows_in_all),
        share(within_half, rows_in_all),
        errors[errors.len() - 1]
    );
    assert!(share(within_u, rows_in_all) >= 0.95 && share(within_half, rows_in_all) >= 0.95);
    assert!(median < 0.15);
}

/// The old book's shape, its meter since moved by shunt capacitance and a slip of the dial: six points make it good.
#[test]
fn an_old_shape_and_a_few_points_make_a_new_book() {
    let meter = bench_meter();
    let range = meter.range("low").unwrap();
    let mut chance = Chance(24);
    let (mut within, mut all) = (0, 0);
    for _ in 0..count(40, 500) {
        let grown = chance.between(-2e-3, 2e-3) / 200e3f64.powi(2);
        let slip = chance.between(-3.0, 3.0);
        let now = |reading: f64| (LOW.hertz(reading - slip).powi(-2) + grown).powf(-0.5);
        let reading_now = |hertz: f64| LOW.reading((hertz.powi(-2) - grown).powf(-0.5)) + slip;
        let candidates = check_points(&meter, range);
        let mut text = "reading,point\n".to_owned();
        let every = (candidates.len() / 8).max(1);
        for point in candidates.iter().step_by(every) {
            let hertz = f64::from(point.crystal_harmonic) * meter.crystal.actual_hz()
                / f64::from(point.meter_harmonic);
            let reading = reading_now(hertz) + 0.05 * chance.normal();
            text.push_str(&format!("{reading:.2},{}/{}\n", point.crystal_harmonic, point.meter_harmonic));
        }
        let found = points(&text, "p.csv", &meter.plate, &meter.crystal).unwrap();
        let law = hushbeat::dial::Law::new(&found, Some(&range.book), "p.csv").unwrap();
        let book = new_book(&law, &found, &meter.plate, (range.from_hz, range.to_hz), None, "p.csv").unwrap();
        for row in &book.rows {
            all += 1;
            let error = row.frequency_khz * 1e3 - now(row.reading);
            let slope = LOW.hertz(row.reading - slip + 0.5) - LOW.hertz(row.reading - slip - 0.5);
            within += usize::from((error / slope).abs() <= 2.0 * row.u_div);
        }
    }
    println!("book fit on an old shape: {all} rows, {:.4} within 2u", share(within, all));
    assert!(share(within, all) >= 0.95);
    assert!(
        Book::parse("frequency_khz,reading,u_div\n160,100,0.3\n170,200,0.2\n", "b", &meter.plate).is_ok()
    );
}

fn fixture(name: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(name)).unwrap()
}

/// 10 MHz on the high range: 10/5 = 2.0 MHz and, 40 Hz above it, 10/4 = 2.5 MHz by the law the book was made from.
#[test]
fn every_form_of_an_unknown_signal() {
    let meter = bench_meter();
    let beats = ["1800.3", "3126.3:40Hz:high"].map(|beat| beat.parse().unwrap());
    let record = task::unknown::unknown(&meter, "high", &beats, None).unwrap();
    let best = &record.candidates[0];
    assert_eq!(best.harmonics, [5, 4]);
    assert!((best.frequency_hz - 1e7).abs() < 3.0 * best.u_hz, "{best:?}");
    insta::assert_snapshot!("unknown_text", report::unknown::text(&record, &meter.plate));
    insta::assert_json_snapshot!("unknown_json", record);
}

#[test]
fn a_receivers_dial_settles_one_beat() {
    let meter = bench_meter();
    let one = ["11/44.3".parse().unwrap()];
    let refused = task::unknown::unknown(&meter, "high", &one, None).unwrap_err().to_string();
    assert!(refused.starts_with("one beat tells no order") && refused.contains("--about"), "{refused}");
    let twice = ["11/44.3".parse().unwrap(), "11/44.4".parse().unwrap()];
    assert!(
        task::unknown::unknown(&meter, "high", &twice, None).is_err(),
        "two readings of one beat are one"
    );
    let about = Some("9.3MHz±5%".parse().unwrap());
    let record = task::unknown::unknown(&meter, "high", &one, about).unwrap();
    // The fundamental there is 1862 kHz.
    assert_eq!(record.candidates[0].harmonics, [5]);
    assert!(record.candidates[0].share > 0.9 && record.next_reading.is_none());
}

#[test]
fn every_form_of_a_checked_book() {
    let record = task::book::check(&fixture("books/club-bench-high-typed.csv"), "typed.csv").unwrap();
    insta::assert_snapshot!("checked_text", report::book::checked_text(&record, "typed.csv"));
    insta::assert_json_snapshot!("checked_json", record);
    for clean in ["books/club-bench-high.csv", "books/club-bench-low.csv"] {
        assert_eq!(task::book::check(&fixture(clean), clean).unwrap().slips, []);
    }
}

fn fitted(points: &str, shape: Option<&str>) -> Result<task::book::Fitted, hushbeat::dial::DialError> {
    let plan = MeterPlan::parse(&fixture("meters/club-bench.toml"), "meter.toml").unwrap();
    let job = FitJob {
        range: "high",
        points: ("points.csv", points),
        shape: shape.map(|text| ("old.csv", text)),
        step: None,
    };
    task::book::fit(&plan, &job)
}

#[test]
fn every_form_of_a_new_book() {
    let plan = MeterPlan::parse(&fixture("meters/club-bench.toml"), "meter.toml").unwrap();
    let old = fixture("books/club-bench-high.csv");
    let mut record = fitted(&fixture("books/club-bench-high-points.csv"), Some(&old)).unwrap();
    let text = task::book::book_text(&record, &plan.name);
    let book = task::book::read_back(&plan, &record, "new.csv").unwrap();
    // What the rows state of themselves is in what the book answers.
    let middle = book.readings().0.midpoint(book.readings().1);
    let point = book.at(middle).unwrap();
    assert!(point.u_hz() / point.slope >= record.rows.iter().map(|row| row.u_div).fold(9.0, f64::min));
    insta::assert_snapshot!("new_book", text.lines().take(8).collect::<Vec<_>>().join("\n"));
    insta::assert_snapshot!("fitted_text", report::book::fitted_text(&record, &plan.plate, "new.csv"));
    record.rows.truncate(2);
    insta::assert_json_snapshot!("fitted_json", record);
}

/// A point read half a turn wrong is named; points that turn back, too few, or off the old book are refused.
#[test]
fn points_that_can_not_be_are_told() {
    let points = fixture("books/club-bench-high-points.csv");
    let line = points.lines().find(|line| line.ends_with(",4/1")).unwrap();
    let reading: f64 = line.split_once(',').unwrap().0.parse().unwrap();
    let wrong = points.replace(line, &format!("{:.1},4/1", reading + 3.0));
    let record = fitted(&wrong, Some(&fixture("books/club-bench-high.csv"))).unwrap();
    assert!(
        record.warnings.iter().any(|warning| warning.message.contains("the point 4/1 at")),
        "{:?}",
        record.warnings
    );
    let say = |text: &str| fitted(text, None).unwrap_err().to_string();
    let cases = [
        (say("reading,point\n100,4/1\n200,9/2\n"), "points.csv: 2 check points, at least 6 are needed"),
        (say("reading,point\n100,4\n"), "points.csv:2: `4` is not a check point"),
        (say("reading,point\n5000,4/1\n"), "points.csv:2: reading 5000 is off the dial"),
        (say("reading,point,beat_hz\n100,4/1,x\n"), "points.csv:2: `x` is not a number for the beat in Hz"),
        (say("point,reading\n4/1,100\n"), "points.csv:1: expected the header `frequency_khz,reading`"),
        (
            say(
                "frequency_khz,reading\n1600,100\n1700,900\n1900,700\n2100,2300\n2000,2900\n2900,3500\n3100,4500\n",
            ),
            "points.csv: the law through these points turns back",
        ),
    ];
    for (said, start) in cases {
        assert!(said.starts_with(start), "{said}");
        assert!(said.contains("; hint: ") && !said.contains('\n'), "{said}");
    }
}

#[test]
fn every_form_of_a_nets_card() {
    let meter = bench_meter();
    let list = Channels::parse(&fixture("nets/club-net.csv"), "net.csv").unwrap();
    let record = task::sheet::sheet(&meter, &list, None).unwrap();
    insta::assert_snapshot!("sheet_text", report::sheet::text(&record, &meter.plate));
    insta::assert_json_snapshot!("sheet_json", record);
    let page = report::sheet::page(&record, &meter.plate);
    assert!(page.contains("<bdi>bulletin, Sundays</bdi>"));
    insta::assert_snapshot!("sheet_page", page.split_once("<body>").unwrap().1);
    let say = |text: &str| {
        let list = Channels::parse(text, "net.csv");
        list.and_then(|list| task::sheet::sheet(&meter, &list, None)).unwrap_err().to_string()
    };
    let cases = [
        (say("label,frequency\na,3725\n"), "net.csv:2: `3725` has no unit; hint: write it as"),
        (say("label,frequency\na,37MHz\n"), "net.csv:2: no range of `club bench meter` reaches"),
        (say("label,frequency\na,-3MHz\n"), "net.csv:2: a frequency of -3000000 Hz can't be; hint: "),
        (say("label,frequency,tolerance\na,3MHz,5\n"), "net.csv:2: `5` has no unit"),
        (say("name,frequency\na,3MHz\n"), "net.csv:1: expected the header `label,frequency`"),
    ];
    for (said, start) in cases {
        assert!(said.starts_with(start), "{said}");
        assert!(said.contains("; hint: ") && !said.contains('\n'), "{said}");
    }
}

/// Every entry of a book stands on its page once, under the right head and column.
#[test]
fn a_printed_book_holds_every_entry() {
    for (name, step) in [("books/club-bench-high.csv", 7.5), ("books/club-bench-low.csv", 0.625)] {
        let rows = task::book::readable(&fixture(name), name).unwrap();
        let page = report::book::page(&rows, "a <b> book");
        assert!(!page.contains("<b>") && page.contains("a &lt;b&gt; book"));
        let mut entries = Vec::new();
        for line in page.lines().filter(|line| line.starts_with("<tr") && line.contains("<th scope=\"row\">"))
        {
            let head: f64 = between(line, "<th scope=\"row\">", "</th>").parse().unwrap();
            for (place, cell) in line.split("<td>").skip(1).enumerate() {
                let reading = cell.split_once("</td>").unwrap().0;
                if !reading.is_empty() {
                    entries.push((head + place as f64 * step, reading.parse::<f64>().unwrap()));
                }
            }
        }
        assert_eq!(entries.len(), rows.hertz.len(), "{name}");
        for ((khz, reading), (hertz, expected)) in entries.iter().zip(rows.hertz.iter().zip(&rows.readings)) {
            assert!((khz * 1e3 - hertz).abs() < 1e-3 && (reading - expected).abs() < 1e-9, "{khz} {reading}");
        }
    }
    // Rows in no even step are set out one by one.
    let odd = "frequency_khz,reading\n100,10\n101,20\n103,41\n104,52\n107,90\n";
    let page = report::book::page(&task::book::readable(odd, "odd.csv").unwrap(), "odd");
    assert!(page.contains("<th scope=\"row\">103</th><td>41</td><td class=\"d\">11</td>"), "{page}");
    let refused =
        task::book::readable("frequency_khz,reading\n100,10\n99,20\n102,30\n", "b.csv").unwrap_err();
    assert!(refused.to_string().starts_with("b.csv:3: 99 kHz does not come after 100 kHz; hint: "));
}

fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    text.split_once(from).unwrap().1.split_once(to).unwrap().0
}
