use super::*;
use crate::offset::Side;
use std::collections::BTreeMap;

/// 2026-11-19 20:41:07 UTC.
const EVENING: u64 = 1_795_120_867;

fn draft(note: &str) -> Draft {
    Draft { kind: "note".to_owned(), note: Some(note.to_owned()), ..Draft::default() }
}

fn measured() -> Draft {
    Draft {
        with: BTreeMap::from([("temperature".to_owned(), "21 C".to_owned())]),
        about: About {
            meter: Some(MeterMark { name: "club bench meter".to_owned(), file: None, book: None }),
            range: Some("high".to_owned()),
            reading: Some("8/49.0".to_owned()),
            offset_hz: Some(38.600_36),
            offset_u_hz: Some(0.000_19),
            side: Some(Side::Low),
            recording: Some(FileMark { path: "fall.wav".to_owned(), sha256: "ab".repeat(32), bytes: 96_044 }),
            ..About::default()
        },
        ..draft("net control, <first> try")
    }
}

/// A log with one of everything.
fn sample(path: &Path) -> Log {
    add(path, draft("warm-up begun"), EVENING).unwrap();
    add(path, measured(), EVENING + 1800).unwrap();
    let on_paper = About { frequencies_hz: vec![3_520_011.0], u_hz: Some(60.0), ..About::default() };
    add(path, Draft { about: on_paper, ..draft("=2+2, \"by ear\"") }, EVENING + 4000).unwrap();
    strike(path, 3, "the wrong harmonic", EVENING + 86_400).unwrap();
    std::fs::OpenOptions::new()
        .append(true)
        .open(path)
        .and_then(|mut file| {
            use std::io::Write;
            file.write_all(b"what is this\n{\"entry\":4,\"at\":\"2026")
        })
        .unwrap();
    let added = add(path, draft("after the power cut"), EVENING + 90_000).unwrap();
    assert_eq!(added, Added { number: 4, mended: Some("{\"entry\":4,\"at\":\"2026".to_owned()) });
    read(path).unwrap()
}

#[test]
fn entries_are_numbered_struck_and_never_lost() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.jsonl");
    let log = sample(&path);
    let numbers: Vec<(u64, bool)> =
        log.entries.iter().map(|it| (it.entry.entry, it.struck.is_some())).collect();
    assert_eq!(numbers, [(1, false), (2, false), (3, true), (4, false)]);
    assert_eq!(log.entry(2).unwrap().entry.about, measured().about);
    assert_eq!(log.strange, [(5, "is no line of a bench log".to_owned())]);
    assert_eq!((log.mends.len(), log.torn), (1, false));
    for (number, part) in [(3, "struck already"), (9, "no entry 9, the last is 4")] {
        let told = strike(&path, number, "again", EVENING).unwrap_err().to_string();
        assert!(told.contains(part) && told.contains("hint: ") && !told.contains('\n'), "{told}");
    }
    assert_eq!(read(&path).unwrap().entries, log.entries);
}

#[test]
fn a_log_in_every_form() {
    let folder = tempfile::tempdir().unwrap();
    let log = sample(&folder.path().join("log.jsonl"));
    let table = list(&log, &Filter::default());
    assert!(table.lines().all(|line| line.chars().count() <= 80), "{table}");
    insta::assert_snapshot!("list", table);
    insta::assert_snapshot!("show", show(&log.entries[1], &|_| Presence::Gone));
    let all: Vec<&Kept> = log.entries.iter().collect();
    let csv = csv(&all);
    assert!(csv.contains("\"'=2+2, \"\"by ear\"\"\""), "{csv}");
    insta::assert_snapshot!("csv", csv);
    insta::assert_json_snapshot!("line", log.entries[1].entry);
    let page = html(&all, "log.jsonl");
    assert!(!page.contains("<first>") && page.contains("class=\"struck\""), "{page}");
    let options = roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() };
    roxmltree::Document::parse_with_options(&page, options).unwrap();
}

#[test]
fn entries_are_found_by_day_meter_and_words() {
    let folder = tempfile::tempdir().unwrap();
    let log = sample(&folder.path().join("log.jsonl"));
    let found = |filter: Filter| -> Vec<u64> {
        log.entries.iter().filter(|kept| filter.takes(kept)).map(|kept| kept.entry.entry).collect()
    };
    let day = |text: &str| text.parse().ok();
    assert_eq!(found(Filter { since: day("2026-11-20"), ..Filter::default() }), [4]);
    assert_eq!(found(Filter { until: day("2026-11-19"), ..Filter::default() }), [1, 2, 3]);
    assert_eq!(found(Filter { meter: Some("CLUB".to_owned()), ..Filter::default() }), [2]);
    assert_eq!(found(Filter { text: Some("harmonic".to_owned()), ..Filter::default() }), [3]);
    assert_eq!(found(Filter { text: Some("21 c".to_owned()), ..Filter::default() }), [2]);
}

#[test]
fn a_whole_line_without_its_newline_is_kept_and_numbered_on() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.jsonl");
    add(&path, draft("one"), EVENING).unwrap();
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.trim_end()).unwrap();
    assert_eq!(add(&path, draft("two"), EVENING).unwrap(), Added { number: 2, mended: None });
    assert_eq!(read(&path).unwrap().entries.len(), 2);
}
