//! What may be made of a file from outside, once for the fuzzers (tests/fuzz) and for tests/hostile.rs: whatever it holds,
//! it is put to work or refused in one line. Memory and time are counted by those who call.
#![allow(dead_code, missing_docs, reason = "each target takes what it needs")]
#![allow(clippy::unwrap_used, reason = "what is wrong is found here and then")]

use hushbeat::benchlog::{self, Filter, Kept, Log, Presence};
use hushbeat::block::SampleBlock;
use hushbeat::dial::{Approach, Book, Meter, MeterPlan, Plate};
use hushbeat::quantity::Hertz;
use hushbeat::report;
use hushbeat::source::recording::Recording;
use hushbeat::store::ledger::Lines;
use hushbeat::task::drift::{Kind, Series, drift};
use hushbeat::task::{book as books, checkpoints, dial, rollcall, sheet};
use std::io::Cursor;
use std::sync::LazyLock;

const METER: &str = include_str!("../../fixtures/meters/club-bench.toml");
const LOW: &str = include_str!("../../fixtures/books/club-bench-low.csv");
const HIGH: &str = include_str!("../../fixtures/books/club-bench-high.csv");

static BENCH: LazyLock<(Meter, MeterPlan)> = LazyLock::new(|| {
    let book = |name: &str| if name.contains("low") { LOW } else { HIGH };
    let load = |name: &str| Ok::<_, String>((name.to_owned(), book(name).to_owned()));
    (Meter::parse(METER, "m.toml", load).unwrap(), MeterPlan::parse(METER, "m.toml").unwrap())
});

/// The text that a fuzzer makes of its bytes: as far as they are text.
pub fn as_text(bytes: &[u8]) -> &str {
    bytes.utf8_chunks().next().map_or("", |chunk| chunk.valid())
}

/// The choice and the text that a fuzzer makes of its bytes: one byte, then the text.
pub fn as_choice_and_text(bytes: &[u8]) -> (u8, &str) {
    bytes.split_first().map_or((0, ""), |(&choice, rest)| (choice, as_text(rest)))
}

/// A refusal is one short line with a hint.
fn refused(line: &str) {
    let start: String = line.chars().take(200).collect();
    assert!(line.contains("; hint: ") && !line.contains('\n'), "{start}");
    assert!(line.chars().count() < 500 && line.len() < 1000, "{} bytes: {start}", line.len());
}

/// It names the file too.
fn refused_in(line: &str, file: &str) {
    refused(line);
    assert!(line.starts_with(file), "{line}");
}

/// Bytes as a recording: the frames that are read of it, or its refusal.
pub fn recording(bytes: Vec<u8>) -> Result<u64, String> {
    let mut recording = Recording::from_reader(Cursor::new(bytes), "any")
        .map_err(|refusal| refusal.to_string())
        .inspect_err(|line| refused_in(line, "any: "))?;
    let channels = usize::from(recording.format().channels);
    let (mut block, mut next, mut frames) = (SampleBlock::default(), 0, 0);
    while recording.next_block(&mut block).is_ok_and(|more| more) {
        assert_eq!(block.samples.len() % channels, 0, "a frame was cut in two");
        assert!(block.first_frame >= next, "time ran backwards");
        assert!(block.samples.capacity() <= 1 << 20, "a block of {}", block.samples.capacity());
        frames += (block.samples.len() / channels) as u64;
        next = block.first_frame + (block.samples.len() / channels) as u64;
    }
    assert!(recording.notes().len() < 20, "{} notes", recording.notes().len());
    Ok(frames)
}

/// A text as a meter file, its book behind a NUL: put to work, or refused.
pub fn meter(text: &str) -> Result<(), String> {
    let (meter, book) = text.split_once('\0').unwrap_or((text, "frequency_khz,reading\n160,100\n330,1800\n"));
    let load = |name: &str| Ok::<_, String>((name.to_owned(), book.to_owned()));
    let meter = Meter::parse(meter, "any.toml", load)
        .map_err(|refusal| refusal.to_string())
        .inspect_err(|line| refused(line))?;
    for hertz in [1.0, 200e3, 1e6, 3.52e6] {
        let _ = dial::to_reading(&meter, Hertz(hertz), 1, Some(dial::REACH_HZ));
    }
    for near in [None, Some(Hertz(250e3))] {
        let _ = checkpoints::checkpoints(&meter, None, near);
    }
    for range in &meter.ranges {
        for reading in ["0", "1000", "3/12.5"] {
            let _ = dial::to_frequency(&meter, &range.name, reading, 2);
        }
    }
    Ok(())
}

/// A text as a book: it answers everywhere on the dial with finite figures, or is refused.
pub fn book(text: &str) {
    for rises in [true, false] {
        let plate = Plate {
            divisions_per_turn: 100.0,
            turns: 50,
            vernier: 10,
            rises,
            u_div: 0.05,
            backlash_div: 0.2,
            book_approach: Approach::Rising,
        };
        match Book::parse(text, "any.csv", &plate) {
            Ok(book) => {
                let (low, high) = book.readings();
                for part in [0.0, 0.01, 0.5, 1.0] {
                    if let Ok(point) = book.at(low + part * (high - low)) {
                        assert!(!point.hertz.is_nan() && !point.u_hz().is_nan());
                        let _ = book.reading_of(point.hertz);
                    }
                }
                let (low, high) = book.reach();
                for part in [0.0, 0.3, 1.0] {
                    let _ = book.reading_of(low + part * (high - low));
                }
            }
            Err(refusal) => refused_in(&refusal.to_string(), "any.csv:"),
        }
    }
}

/// Drift and stability of a series, as they are told, or its refusal. The choice is of tau0, kind and nominal frequency; 0
/// stands for frequencies a second apart, without a nominal one.
pub fn series(choice: u8, text: &str) -> Result<String, String> {
    let tau0_s = [1.0, 0.1, 1e-3, 3600.0][usize::from(choice & 3)];
    let kind = if choice & 4 == 0 { Kind::Frequency } else { Kind::Phase };
    let nominal = (choice & 8 != 0).then_some(3.725e6);
    let told = Series::parse(text, "any.csv", tau0_s, kind, nominal)
        .map_err(|refusal| refusal.to_string())
        .and_then(|series| drift("any.csv", &series, None).map_err(|refusal| refusal.to_string()))
        .map(|(record, _)| report::drift::text(&record));
    match &told {
        Ok(told) => assert!(!told.contains("NaN"), "{told}"),
        Err(line) => refused_in(line, "any.csv:"),
    }
    told
}

/// A text as a net's list of channels, as check points for a new book, as a typed book with slips, and as a net's list of
/// stations: how much each makes of it.
pub fn lists(text: &str) -> [Result<usize, String>; 4] {
    let (meter, plan) = &*BENCH;
    let card = sheet::Channels::parse(text, "any.csv").and_then(|list| sheet::sheet(meter, &list, None));
    let card = card.map(|card| {
        assert!(card.channels.iter().all(|line| line.setting.reading.is_finite()));
        card.channels.len()
    });
    let [made, on_shape] = [None, Some(("shape.csv", HIGH))].map(|shape| {
        let job = books::FitJob { range: "high", points: ("any.csv", text), shape, step: None };
        books::fit(plan, &job).map(|fitted| {
            assert!(fitted.rows.iter().all(|row| row.u_div.is_finite()));
            fitted.rows.len()
        })
    });
    let slips = books::check(text, "any.csv").map(|checked| {
        assert!(checked.slips.len() <= checked.rows);
        checked.rows
    });
    let calls = rollcall::Calls::parse(text, "any.csv").map(|calls| calls.turns.len());
    let [card, made, _, slips, calls] = [card, made, on_shape, slips, calls].map(|made| {
        made.map_err(|refusal| refusal.to_string()).inspect_err(|line| refused_in(line, "any.csv"))
    });
    [card, made, slips, calls]
}

/// Bytes as a bench log: everything that is made of one; its list.
pub fn log(bytes: &[u8]) -> String {
    let log = Log::of(&Lines::of(bytes));
    let all: Vec<&Kept> = log.entries.iter().collect();
    for kept in &all {
        let _ = benchlog::show(kept, &|_| Presence::Gone);
    }
    let _ = benchlog::csv(&all);
    let page = benchlog::html(&all, "any");
    assert!(!page.contains("<script"), "{page}");
    benchlog::list(&log, &Filter::default())
}
