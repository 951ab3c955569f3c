//! Whatever a recorder, a spreadsheet or a bad disk leaves behind is read or refused in one line: no panic, little
//! memory, no time that grows faster than the file.
#![allow(
    clippy::unwrap_used,
    clippy::format_push_string,
    clippy::format_collect,
    reason = "a test that can't go on fails there and then, and its texts are short to write"
)]

#[path = "support/hostile.rs"]
mod outside;

use hushbeat::block::{SampleBlock, StreamFormat};
use hushbeat::pipeline::{Ignore, Pipeline};
use hushbeat::quantity::Hertz;
use hushbeat::settings::Settings;
use hushbeat::store;
use hushbeat::task::dial;
use proptest::prelude::*;
use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

/// What a file of less than a mebibyte may take of memory at a time, bytes.
const MOST_BYTES: u64 = 64 << 20;
/// Ample for a million rows, and nothing to what a quadratic way would take; time of the processor, where the system
/// tells it, so that a busy machine does not count.
const AMPLE: Duration = Duration::from_secs(30);

/// How long this thread has been at work.
fn at_work(began: Instant) -> Duration {
    let told = fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanoseconds = told.and_then(|text| text.split_whitespace().next()?.parse().ok());
    nanoseconds.map_or_else(|| began.elapsed(), Duration::from_nanos)
}

/// Runs `work` within the time that a file may take; `what` is the file's bytes. Gives what came of it, and the most
/// memory that it took at a time, bytes.
fn in_time<T>(what: &[u8], work: impl FnOnce() -> T) -> (T, u64) {
    let (began, before) = (Instant::now(), at_work(Instant::now()));
    let mut done = None;
    let cost = allocation_counter::measure(|| done = Some(work()));
    let took = at_work(began).saturating_sub(before);
    assert!(took < AMPLE, "{took:?} for {}", start(what));
    (done.unwrap(), cost.bytes_max)
}

/// The same within the memory that a file may take, of whatever length it is.
fn within_bounds<T>(what: &[u8], work: impl FnOnce() -> T) -> T {
    let (done, most) = in_time(what, work);
    assert!(most < MOST_BYTES, "{most} bytes at a time for {}", start(what));
    done
}

/// The same where a file over a mebibyte may take more.
fn within_bounds_if_small<T>(what: &[u8], work: impl FnOnce() -> T) -> T {
    if what.len() > 1 << 20 { in_time(what, work).0 } else { within_bounds(what, work) }
}

/// How a file begins, for a complaint.
fn start(what: &[u8]) -> String {
    String::from_utf8_lossy(what).chars().take(160).collect()
}

fn read_or_refuse(bytes: Vec<u8>) -> Result<u64, String> {
    let beginning = bytes[..bytes.len().min(1000)].to_vec();
    within_bounds(&beginning, || outside::recording(bytes))
}

fn use_or_refuse(text: &str) -> Result<(), String> {
    within_bounds(text.as_bytes(), || outside::meter(text))
}

fn drift_or_refuse(choice: u8, text: &str) -> Result<String, String> {
    within_bounds_if_small(text.as_bytes(), || outside::series(choice, text))
}

fn lists_or_refuse(text: &str) -> [Result<usize, String>; 4] {
    within_bounds_if_small(text.as_bytes(), || outside::lists(text))
}

fn list_and_show(bytes: &[u8]) -> String {
    within_bounds_if_small(bytes, || outside::log(bytes))
}

fn chunk(id: [u8; 4], size: u32, body: &[u8]) -> Vec<u8> {
    [&id, &size.to_le_bytes()[..], body].concat()
}

fn fmt(tag: u16, channels: u16, rate: u32, align: u16, bits: u16) -> Vec<u8> {
    let mut body = Vec::new();
    body.extend(tag.to_le_bytes());
    body.extend(channels.to_le_bytes());
    body.extend(rate.to_le_bytes());
    body.extend(rate.wrapping_mul(u32::from(align)).to_le_bytes());
    body.extend(align.to_le_bytes());
    body.extend(bits.to_le_bytes());
    body
}

/// A size that recorders, broken disks and malice leave behind.
fn size(true_size: usize) -> impl Strategy<Value = u32> {
    let odd = [0, 1, 2, 3, 0x7FFF_F000, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FF00, 0xFFFF_FFFE, u32::MAX];
    prop_oneof![
        6 => Just(true_size as u32),
        1 => prop::sample::select(odd.to_vec()),
        1 => 0..2 * true_size as u32 + 9,
        1 => any::<u32>(),
    ]
}

fn format_chunk() -> impl Strategy<Value = Vec<u8>> {
    let tag = prop_oneof![4 => 0u16..8, 1 => Just(0xFFFE), 1 => any::<u16>()];
    let channels = prop_oneof![6 => 0u16..6, 1 => any::<u16>()];
    let rates = prop::sample::select(vec![8000u32, 44_100, 48_000, 400, 1_000_000]);
    let rate = prop_oneof![6 => rates, 1 => any::<u32>()];
    let widths = prop::sample::select(vec![8u16, 12, 16, 20, 24, 32, 48, 64]);
    let bits = prop_oneof![6 => widths, 1 => any::<u16>()];
    let align = prop_oneof![6 => 0u16..33, 1 => any::<u16>()];
    let extra = prop::collection::vec(any::<u8>(), 0..30);
    (tag, channels, rate, align, bits, extra).prop_flat_map(|(tag, channels, rate, align, bits, extra)| {
        let body = [fmt(tag, channels, rate, align, bits), extra].concat();
        size(body.len()).prop_map(move |size| chunk(*b"fmt ", size, &body))
    })
}

fn other_chunk() -> impl Strategy<Value = Vec<u8>> {
    let ids = [*b"data", *b"data", *b"fact", *b"LIST", *b"JUNK", *b"ds64", *b"id3 ", *b"\0\0\0\0", *b"bext"];
    let id = prop_oneof![9 => prop::sample::select(ids.to_vec()), 1 => any::<[u8; 4]>()];
    (id, prop::collection::vec(any::<u8>(), 0..200)).prop_flat_map(|(id, body)| {
        size(body.len()).prop_map(move |size| {
            let pad = if body.len() % 2 == 1 && size % 3 > 0 { &[0][..] } else { &[] };
            [chunk(id, size, &body), pad.to_vec()].concat()
        })
    })
}

/// A WAV file in which much may be wrong, cut off anywhere.
fn broken_wav() -> impl Strategy<Value = Vec<u8>> {
    let forms = prop::sample::select(vec![*b"RIFF", *b"RIFF", *b"RF64", *b"BW64", *b"RIFX"]);
    let before = prop::collection::vec(other_chunk(), 0..3);
    let after = prop::collection::vec(other_chunk(), 0..4);
    (forms, any::<u32>(), before, format_chunk(), after, any::<prop::sample::Index>(), any::<bool>())
        .prop_map(|(form, size, before, format, after, end, whole)| {
            let mut bytes = [&form[..], &size.to_le_bytes(), b"WAVE"].concat();
            bytes.extend(before.concat());
            bytes.extend(format);
            bytes.extend(after.concat());
            if !whole {
                bytes.truncate(end.index(bytes.len() + 1));
            }
            bytes
        })
}

/// `PROPTEST_CASES=100000 cargo test --test hostile` tries harder.
fn cases(usually: u32) -> ProptestConfig {
    let cases = std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(usually);
    ProptestConfig { cases, failure_persistence: None, ..ProptestConfig::default() }
}

proptest! {
    #![proptest_config(cases(3000))]

    #[test]
    fn a_broken_wav_is_read_or_refused(bytes in broken_wav()) {
        let _ = read_or_refuse(bytes);
    }

    #[test]
    fn broken_flac_is_read_or_refused(
        blocks in prop::collection::vec((0u8..130, any::<u32>(), prop::collection::vec(any::<u8>(), 0..60)), 0..4),
        rest in prop::collection::vec(any::<u8>(), 0..100),
    ) {
        // A stream description that is fine (RFC 9639, section 8.2), then metadata blocks whose lengths may lie.
        let mut bytes = b"fLaC\x00\x00\x00\x22\x10\x00\x10\x00\0\0\0\0\0\0\x0a\xc4\x42\xf0\0\0\0\0".to_vec();
        bytes.extend([0; 16]);
        for (kind, length, body) in blocks {
            let length = if length % 2 == 0 { body.len() as u32 } else { length & 0x00FF_FFFF };
            bytes.push(kind);
            bytes.extend(&length.to_be_bytes()[1..]);
            bytes.extend(body);
        }
        bytes.extend(rest);
        let _ = read_or_refuse(bytes);
    }

    #[test]
    fn a_broken_meter_or_book_is_used_or_refused(
        text in prop_oneof![
            Just(include_str!("../fixtures/meters/club-bench.toml")),
            Just("name = \"m\"\n[crystal]\nfrequency_hz = 1\n[dial]\ndivisions_per_turn = 1\nturns = 100000\n[[range]]\n\
                  name = \"a\"\nfrom_hz = 1\nto_hz = 1e12\nharmonics = [1]\nbook = \"b\"\n\0frequency_khz,reading\n1,2\n3,4\n"),
        ],
        changes in prop::collection::vec(
            (any::<prop::sample::Index>(), any::<prop::sample::Index>(),
             prop::sample::select(vec!["", "nan", "-1", "1e308", "9".repeat(400).leak(), "\n", "\r", "\"", "[[", ",", ";", "é", "1e-320"])),
            0..4,
        ),
    ) {
        let mut text = text.to_owned();
        for (from, length, put) in changes {
            let boundaries: Vec<usize> = text.char_indices().map(|(at, _)| at).collect();
            let at = boundaries[from.index(boundaries.len())];
            let end = text[at..].char_indices().nth(length.index(12)).map_or(text.len(), |(n, _)| at + n);
            text.replace_range(at..end, put);
        }
        let _ = use_or_refuse(&text);
    }
}

proptest! {
    #![proptest_config(cases(60))]

    /// What is read is also heard: any rate, any samples, gaps and rails.
    #[test]
    fn any_sound_is_heard_without_a_panic(
        rate_hz in prop_oneof![400u32..3000, 3000u32..60_000, Just(1_000_000u32)],
        channels in 1u16..4,
        kind in 0u8..5,
        frames in 0usize..6000,
    ) {
        let format = StreamFormat { rate_hz, channels };
        let mut pipeline = Pipeline::new(format, &Settings::default()).unwrap();
        let samples = (0..frames * usize::from(channels)).map(|n| match (kind, n % 7) {
            (0, _) => 0.0,
            (1, 3) => f32::NAN,
            (1 | 2, _) => (n as f32 * 0.1).sin(),
            (3, even) => if even < 4 { 1.0 } else { -1.0 },
            _ => if n % 2000 < 900 { f32::NAN } else { 1e9 * (n as f32 * 0.01).sin() },
        }).collect();
        pipeline.push(&SampleBlock { samples, ..SampleBlock::default() }, &mut Ignore);
        let heard = pipeline.finish(&mut Ignore).heard;
        // JSON would hide them: it has no word for what is no number.
        let told = format!("{heard:?}");
        let mut words = told.split(|c: char| !c.is_alphanumeric() && c != '_');
        prop_assert!(words.all(|word| word != "NaN" && word != "inf"), "{told}");
    }
}

/// What once broke it, each file named after the fuzzer's target that reads it (tests/fuzz): read here as it is there.
#[test]
fn what_once_broke_it_is_read_or_refused() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/crashes");
    for file in fs::read_dir(folder).unwrap() {
        let path = file.unwrap().path();
        let bytes = fs::read(&path).unwrap();
        let text = outside::as_text(&bytes);
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        match name.split('-').next() {
            Some("recording") => drop(read_or_refuse(bytes)),
            Some("meter") => drop(use_or_refuse(text)),
            Some("book") => within_bounds_if_small(&bytes, || outside::book(text)),
            Some("series") => {
                let (choice, text) = outside::as_choice_and_text(&bytes);
                drop(drift_or_refuse(choice, text));
            }
            Some("lists") => drop(lists_or_refuse(text)),
            Some("log") => drop(list_and_show(&bytes)),
            _ => assert_eq!(name, "README.md"),
        }
    }
}

/// Whether what was said is what was to be expected.
fn fits(said: &Result<String, String>, expected: Result<&str, &str>) -> bool {
    match (said, expected) {
        (Ok(said), Ok(part)) => said.contains(part),
        (Err(said), Err(start)) => said.starts_with(start),
        _ => false,
    }
}

#[test]
fn series_of_every_sort_are_read_or_refused() {
    for (text, told) in [
        ("\u{feff}value\r\n1e-6\r\n2e-6\r\n1e-6\r\n2e-6\r\n", Ok("4 values")),
        ("value\n1\nnan\n\n# remark\n2\n1\n", Ok("3 values")),
        ("time_s;value\n0;1\n", Err("any.csv:1: `time_s;value` is not the header")),
        ("value\n1,5\n", Err("any.csv:2: `1,5` is not a row")),
        ("value\n1\ninf\n", Err("any.csv:3: `inf` is not a value")),
        ("value\n1\n1e400\n", Err("any.csv:3: `1e400` is not a value")),
        ("time_s,value\n0,1\n1e300,1\n", Err("any.csv:3: ")),
        ("value\n1\n-1e308\n", Err("any.csv:3: -1e308 is larger than anything measured")),
        ("value\n1e15\n-1e15\n1e15\n-1e15\n", Ok("4 values")),
        ("time_s,value\n0,1\n9e6,1\n", Err("any.csv:3: 9000000 s leaves more than 500000 marks out")),
        ("time_s,value\nnan,1\n", Err("any.csv:2: `nan` is not a time")),
        ("value\n1\n", Err("any.csv: 1 values tell no drift")),
    ] {
        let said = drift_or_refuse(0, text);
        assert!(fits(&said, told), "{text:?}: {said:?}");
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("s.csv");
    fs::write(&path, b"value\n1\n\xb5\n").unwrap();
    assert!(store::read_text(&path).unwrap_err().to_string().contains("s.csv:3: not UTF-8 text"));
    // A mebibyte of the shortest rows, of the widest gap that is taken, and of one line; and a million rows.
    drift_or_refuse(0, &format!("value\n{}", "1\n2\n".repeat(1 << 18))[..1 << 20]).unwrap();
    drift_or_refuse(0, "time_s,value\n0,1\n1,2\n499999,1\n500000,3\n").unwrap();
    for filler in ["1", ",", " ", "\u{a0}", "nan,"] {
        let line = filler.repeat((1 << 20) / filler.len());
        assert!(
            drift_or_refuse(0, &format!("value\n{line}\n")).is_err() && drift_or_refuse(0, &line).is_err()
        );
    }
    let rows: String = (0..1_000_000u32).map(|n| format!("{n},{}\n", n % 7)).collect();
    assert!(drift_or_refuse(0, &format!("time_s,value\n{rows}")).unwrap().contains("1000000 values"));
}

#[test]
fn lists_of_every_sort_are_read_or_refused() {
    for (text, told) in [
        ("\u{feff}label,frequency\r\nnet,3520kHz\r\n", Ok("1 channels")),
        ("label,frequency,tolerance\nnet,3520kHz,\ntwo,1.82MHz,10ppm\n", Ok("2 channels")),
        ("label;frequency\nnet;3520kHz\n", Err("any.csv:1: expected the header")),
        ("label,frequency\nnet,3520\n", Err("any.csv:2: ")),
        ("label,frequency\nnet,NaNkHz\n", Err("any.csv:2: ")),
        ("label,frequency\nnet,1e400kHz\n", Err("any.csv:2: ")),
        ("label,frequency\nnet,1e300MHz\n", Err("any.csv:2: ")),
        ("label,frequency\nnet,-3520kHz\n", Err("any.csv:2: ")),
        ("label,frequency\nnet,3,52MHz\n", Err("any.csv:2: expected 2 columns, found 3")),
        ("label,frequency,tolerance\nnet,3520kHz,nanHz\n", Err("any.csv:2: ")),
    ] {
        let [card, ..] = lists_or_refuse(text);
        let said = card.map(|count| format!("{count} channels"));
        assert!(fits(&said, told), "{text:?}: {said:?}");
    }
    for (text, told) in [
        ("\u{feff}label\r\nnet\r\n\"a, b\"\r\n", Ok("2 turns")),
        ("label,from_s,to_s\nnet,0,nan\n", Err("any.csv:2: ")),
        ("label,from_s,to_s\nnet,1e400,2e400\n", Err("any.csv:2: ")),
        ("label,from_s,to_s\nnet,1e308,1\n", Err("any.csv:2: ")),
        ("label,from_s,to_s,side\nnet,0,1,up\n", Err("any.csv:2: `up` is not a side")),
    ] {
        let [.., calls] = lists_or_refuse(text);
        let said = calls.map(|count| format!("{count} turns"));
        assert!(fits(&said, told), "{text:?}: {said:?}");
    }
    // A mebibyte of points, of which no crystal has so many, of channels, and a million rows that are no channels.
    let points: String = (0..60_000).map(|n| format!("{}.{},7/2\n", n / 10, n % 10)).collect();
    let [_, made, ..] = lists_or_refuse(&format!("reading,point\n{points}"));
    assert!(made.unwrap_err().starts_with("any.csv:5002: more than 5000 points"));
    let channels =
        |row: &str, count: usize| lists_or_refuse(&format!("label,frequency\n{}", row.repeat(count)));
    assert_eq!(channels("n,3520kHz\n", 5_000)[0], Ok(5_000));
    assert!(channels("n,3520\n", 1_000_000)[0].is_err());
    for filler in ["1", ",", "\"", "\u{a0}", "kHz"] {
        let line = filler.repeat((1 << 20) / filler.len());
        for head in ["label,frequency\nnet,", "reading,point\n", "frequency_khz,reading\n", ""] {
            assert!(
                lists_or_refuse(&format!("{head}{line}\n")).iter().all(Result::is_err),
                "{head} {filler}"
            );
        }
    }
}

#[test]
fn logs_of_every_sort_are_listed_and_shown() {
    let bare = |n: u32| format!("{{\"entry\":{n},\"at\":\"x\",\"kind\":\"correct\",\"program\":\"p\"");
    let deep = format!("{},\"result\":{}\n", bare(1), "[".repeat(1 << 19));
    let wide = format!("{},\"result\":[{}0]}}\n", bare(1), "0,".repeat(200_000));
    for text in [deep, wide, "\n".repeat(1 << 20), "\0\n".repeat(1 << 19), "{}\n".repeat(300_000)] {
        let told = list_and_show(text.as_bytes());
        assert!(told.lines().count() < 30, "{} lines", told.lines().count());
    }
    // Fifty thousand entries and their strikes: a way that looks through all of them for each would take minutes.
    let strike = |n: u32| format!("{{\"strike\":{n},\"at\":\"x\",\"reason\":\"r\",\"program\":\"p\"}}\n");
    let text: String = (1..50_000).map(|n| bare(n) + "}\n").chain((1..50_000).map(strike)).collect();
    assert_eq!(list_and_show(text.as_bytes()).lines().count(), 50_000);
    // Figures that no measurement has, in every place where the log keeps one.
    let kept = include_str!("../fixtures/log/bench.jsonl");
    for figure in ["0", "-0.0", "1e308", "-1e308", "5e-324", "1e400", "null", "\"x\"", "[]"] {
        let mut odd = String::new();
        for line in kept.lines() {
            let mut rest = line;
            while let Some(at) = rest.find("\":").map(|at| at + 2) {
                let (key, value) = rest.split_at(at);
                let (value, after) = value.split_at(value.find([',', '}', ']']).unwrap_or(value.len()));
                let changed = value.parse::<f64>().is_ok() && !key.ends_with("\"entry\":");
                odd.push_str(key);
                odd.push_str(if changed { figure } else { value });
                rest = after;
            }
            odd.push_str(rest);
            odd.push('\n');
        }
        list_and_show(odd.as_bytes());
    }
}

/// Names, notes and labels from outside that would be markup, a script, or another writing direction: in no page and no
/// picture do they become more than text.
#[test]
fn outside_text_stays_text_in_every_page_and_picture() {
    const NASTY: &str = "<img src=x onerror=alert(1)>&\"'<script>\u{202e}]]>";
    let folder = tempfile::tempdir().unwrap();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    let name = |ending: &str| format!("{NASTY}.{ending}");
    let put = |from: &str, ending: &str| {
        fs::copy(source.join(from), folder.path().join(name(ending))).unwrap();
        name(ending)
    };
    let (wav, book) = (put("recordings/two-rests.wav", "wav"), put("books/club-bench-high.csv", "csv"));
    let points = put("books/club-bench-high-points.csv", "p.csv");
    let toml = fs::read_to_string(source.join("meters/club-bench.toml")).unwrap();
    let toml = toml
        .replace("club bench meter", &NASTY.replace('"', "\\\""))
        .replace("../books", &source.join("books").display().to_string());
    fs::write(folder.path().join("m.toml"), toml).unwrap();
    let quoted = NASTY.replace('"', "\"\"");
    fs::write(folder.path().join("n.csv"), format!("label,frequency\n\"{quoted}\",3520kHz\n")).unwrap();
    fs::write(folder.path().join(name("s.csv")), "value\n1\n2\n1\n3\n").unwrap();
    let run = |words: &[&str]| {
        let program = env!("CARGO_BIN_EXE_hushbeat");
        let output = Command::new(program).args(words).current_dir(folder.path()).output().unwrap();
        assert!(output.status.success(), "{words:?}: {output:?}");
    };
    run(&["analyse", &wav, "--report", "report.html", "--plot", "fall.svg", "--lens", "lens.svg"]);
    let on = ["--meter", "m.toml", "--range", "high"];
    let heard = ["--reading", "8/49.0", "--offset", "3Hz", "--side", "low"];
    let with = format!("receiver={NASTY}");
    run(&[&["correct"], &on[..], &heard, &["--log", "l.jsonl", "--note", NASTY, "--with", &with]].concat());
    run(&["log", "add", "--log", "l.jsonl", "--note", NASTY, "--meter", NASTY, "--reading", NASTY]);
    run(&["log", "strike", "--log", "l.jsonl", "2", NASTY]);
    run(&["log", "export", "--log", "l.jsonl", "--html", "log.html"]);
    run(&["book", "print", &book, "--html", "book.html"]);
    run(&["book", "print", &book, "--meter", "m.toml", "--html", "book2.html"]);
    run(&["sheet", "--meter", "m.toml", "n.csv", "--html", "sheet.html"]);
    run(&["drift", "--series", &name("s.csv"), "--tau0", "1s", "--plot", "drift.svg"]);
    let out = name("o.csv");
    run(&[&["book", "fit"], &on[..], &["--out", &out, "--plot", "law.svg", &points]].concat());
    let mut seen = 0;
    for file in fs::read_dir(folder.path()).unwrap() {
        let path = file.unwrap().path();
        let file = path.file_name().unwrap().to_string_lossy().into_owned();
        let Some("html" | "svg") = path.extension().and_then(|it| it.to_str()) else { continue };
        let text = fs::read_to_string(&path).unwrap();
        let options = roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() };
        let page = roxmltree::Document::parse_with_options(&text, options).unwrap();
        for node in page.descendants() {
            assert!(!matches!(node.tag_name().name(), "img" | "script"), "{file}");
            assert!(node.attributes().all(|it| !it.name().starts_with("on")), "{file}");
        }
        let told: String = page.descendants().filter_map(|node| node.text()).collect();
        // These two name no file and no meter.
        let shown = told.contains("<img src=x onerror=alert(1)>&\"'<script>");
        assert!(shown != matches!(file.as_str(), "law.svg" | "lens.svg"), "{file}");
        seen += 1;
    }
    assert_eq!(seen, 9);
}

/// Lengths that promise gibibytes get no memory before the bytes are there.
#[test]
fn a_promise_of_much_costs_nothing() {
    let stream =
        [&b"fLaC\x00\x00\x00\x22\x10\x00\x10\x00\0\0\0\0\0\0\x0a\xc4\x42\xf0\0\0\0\0"[..], &[0; 16]].concat();
    for kind in 1..=6u8 {
        for body in [vec![0xFF; 4000], vec![0x7F; 900_000], [[0; 8], [0xFF; 8]].concat().repeat(50_000)] {
            let block = [&[kind | 0x80, 0xFF, 0xFF, 0xFF][..], &body].concat();
            let _ = read_or_refuse([&stream[..], &block].concat());
        }
    }
    let format = chunk(*b"fmt ", 16, &fmt(1, 1024, 8000, 8192, 64));
    let file = [&b"RIFF\0\0\0\0WAVE"[..], &format, &chunk(*b"data", u32::MAX, &vec![0; 90_000])].concat();
    assert_eq!(read_or_refuse(file), Ok(90_000 / 8192));
    // A chunk to every nine bytes, none with its pad byte.
    let chunks = chunk(*b"junk", 1, b"j").repeat(100_000);
    let format = chunk(*b"fmt ", 16, &fmt(1, 1, 8000, 2, 16));
    let file = [&b"RIFF\0\0\0\0WAVE"[..], &chunks, &format, &chunk(*b"data", 4, &[0; 4])].concat();
    assert_eq!(read_or_refuse(file), Ok(2));
}

/// A meter file beside a book of this text, and what is said of it.
fn told_of(book: &[u8]) -> String {
    told_at_cost(book).0
}

/// The same, and the most memory that it took at a time, bytes.
fn told_at_cost(book: &[u8]) -> (String, u64) {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("b.csv"), book).unwrap();
    let meter = folder.path().join("m.toml");
    let text = "name = \"m\"\n[crystal]\nfrequency_hz = 500e3\n[dial]\ndivisions_per_turn = 1e6\nturns = 100\n[[range]]\n\
                name = \"a\"\nfrom_hz = 100e3\nto_hz = 1e9\nbook = \"b.csv\"\n";
    fs::write(&meter, text).unwrap();
    let (told, most) = in_time(book, || match store::read_meter(&meter) {
        Err(error) => error.to_string(),
        Ok(meter) => match dial::to_reading(&meter, Hertz(250e3), 1, Some(dial::REACH_HZ)) {
            Ok(found) => format!("{:.1}", found.settings[0].reading),
            Err(error) => error.to_string(),
        },
    });
    (told.replace(&format!("{}/", folder.path().display()), ""), most)
}

#[test]
fn a_book_of_a_million_rows_is_read() {
    let mut book = String::from("frequency_khz,reading\n");
    (0..1_000_000u32).for_each(|row| {
        book.push_str(&format!("{}.{:03},{row}\n", 100 + row / 1000, row % 1000));
    });
    assert_eq!(told_of(book.as_bytes()), "150000.0");
}

#[test]
fn what_spreadsheets_and_typing_leave_is_read_or_refused_with_its_line() {
    let good = "100,10\n200,20\n300,30\n";
    let with = |head: &str, rows: &str| told_of(format!("{head}{rows}").as_bytes());
    assert_eq!(with("\u{feff}frequency_khz,reading\r\n", &good.replace('\n', "\r\n")), "25.0");
    assert_eq!(with("frequency_khz,reading\n", &format!("{good},,,\n\"\",\n \n")), "25.0");
    for (head, rows, told) in [
        ("frequency_khz;reading\n", "100;10\n", "b.csv:1: expected the header `frequency_khz,reading`"),
        ("frequency_khz,reading\n", "100;10\n200;20\n", "b.csv:2: expected 2 columns, found 1"),
        ("frequency_khz,reading\n", "100,0,10,5\n", "b.csv:2: expected 2 columns, found 4"),
        ("frequency_khz,reading\n", "100,10\n200,NaN\n", "b.csv:3: `NaN` is not a number"),
        ("frequency_khz,reading\n", "100,10\n1e400,20\n", "b.csv:3: `1e400` is not a number"),
        ("frequency_khz,reading\n", "100,10\n1e30,20\n", "b.csv:3: a frequency of 1"),
        ("frequency_khz,reading\n", "100,10\n200,1e30\n", "b.csv:3: reading 1"),
    ] {
        let said = with(head, rows);
        assert!(said.starts_with(told) && said.contains("; hint: "), "{said}");
    }
    assert!(told_of(b"frequency_khz,reading\n100,10\n200,\xb5\n").contains("b.csv:3: not UTF-8 text"));
    // Sixteen bits to a character, as some spreadsheets export it.
    assert!(told_of(b"\xff\xfef\0r\0e\0").contains("b.csv:1: not UTF-8 text"));
}

/// One endless line of each sort of nothing, a mebibyte long: a way that looks back over it at every character would
/// take hours.
#[test]
fn endless_lines_are_refused_shortly() {
    for filler in [" ", ",", "\"", "\"\"", "x", "1,", "\u{a0}", "\t\"", "9"] {
        let line = filler.repeat((1 << 20) / filler.len());
        for text in [
            line.clone(),
            format!("frequency_khz,reading\n{line}"),
            format!("frequency_khz,reading\n1,{line}"),
        ] {
            let (said, most) = told_at_cost(text.as_bytes());
            assert!(said.contains("b.csv:") && said.chars().count() < 400, "{said}");
            assert!(most < MOST_BYTES, "{most} bytes at a time for `{filler}`");
        }
    }
}

#[test]
fn meters_of_a_mebibyte_are_refused_shortly() {
    let head =
        "name = \"m\"\n[crystal]\nfrequency_hz = 500e3\n[dial]\ndivisions_per_turn = 100\nturns = 50\n";
    let ranges: String = (0..8000)
        .map(|n| {
            format!(
                "[[range]]\nname = \"{n}\"\nfrom_hz = 1e5\nto_hz = 1e6\nharmonics = [1,2,3]\nbook = \"b\"\n"
            )
        })
        .collect();
    let texts = [
        format!("{head}{ranges}"),
        format!("{head}{}", "[".repeat(1 << 20)),
        format!("{head}x = {}", "[".repeat(1 << 20)),
        format!("{head}x = {}", "{a=".repeat(1 << 18)),
        format!("{head}{} = 1", "a.".repeat(1 << 19)),
        format!("{head}{}", "[[range]]\n".repeat(100_000)),
        format!("name = \"{}\"", "µ".repeat(1 << 19)),
        format!("{head}\"{}\" = 1\n", "key".repeat(1 << 18)),
        (0..60_000).map(|n| format!("k{n} = {n}\n")).collect(),
    ];
    // Whole, and what is left within the length that a meter file may have.
    let part = |text: &str| text.chars().take(100 << 10).collect::<String>();
    for text in texts.iter().flat_map(|text| [text.clone(), part(text)]) {
        let said = use_or_refuse(&text);
        assert!(said.is_err(), "taken: {}", text.chars().skip(100).take(40).collect::<String>());
    }
}
