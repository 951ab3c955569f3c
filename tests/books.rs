//! The books, check points and channels in fixtures/books are what their laws give. `BLESS=1 cargo test --test books`
//! writes them anew.
#![allow(
    clippy::unwrap_used,
    clippy::format_push_string,
    reason = "a test that can't go on fails there and then"
)]

#[path = "support/bench.rs"]
mod bench;
mod common;

use common::{Chance, HIGH, LOW};
use hushbeat::dial::check_points;
use std::path::Path;

/// Holds a file in fixtures/books against what it is made from.
fn hold(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/books").join(name);
    if std::env::var_os("BLESS").is_some() {
        std::fs::write(&path, text).unwrap();
    }
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text, "{name} differs from its law");
}

#[test]
fn the_books_are_made_from_their_law() {
    let head = |what: &str| {
        format!(
            "# {what} range of the invented club bench meter, made by tests/books.rs from the law in\n# tests/common/mod.rs; readings rounded to a tenth of a division.\n"
        )
    };
    let books = [
        ("club-bench-low.csv", LOW.book(160.0, 330.0, 0.625, &head("low"))),
        ("club-bench-high.csv", HIGH.book(1550.0, 3200.0, 7.5, &head("high"))),
    ];
    for (name, text) in books {
        hold(name, &text);
        let rows = text.lines().filter(|line| !line.starts_with('#')).count() - 1;
        assert!((200..=300).contains(&rows), "{rows}");
    }
}

/// The high book as somebody typed it: one digit wrong, two swapped, a row twice, and a run of readings moved up by one.
#[test]
fn the_typed_book_has_its_slips() {
    let head = "# high range of the invented club bench meter as typed by somebody in a hurry: made by tests/books.rs,\n# which knows the slips\n";
    let book = HIGH.book(1550.0, 3200.0, 7.5, head);
    let mut rows: Vec<String> = book.lines().map(str::to_owned).collect();
    let slip = |row: &mut String, from: &str, to: &str| {
        assert!(row.contains(from), "{row}");
        *row = row.replacen(from, to, 1);
    };
    slip(&mut rows[40], "1246.1", "1746.1");
    slip(&mut rows[90], "2377.3", "2737.3");
    for line in 150..156 {
        let reading = rows[line + 1].split_once(',').unwrap().1.to_owned();
        let khz = rows[line].split_once(',').unwrap().0.to_owned();
        rows[line] = format!("{khz},{reading}");
    }
    rows.insert(200, rows[199].clone());
    hold("club-bench-high-typed.csv", &(rows.join("\n") + "\n"));
}

/// Check points of the high range long after its book was made: shunt capacitance has grown, and the readings are good
/// to 0.05 division.
#[test]
fn the_check_points_are_those_of_an_aged_meter() {
    let meter = bench::bench_meter();
    let points = check_points(&meter, meter.range("high").unwrap());
    let grown = -1.5e-3 / 2e6f64.powi(2);
    let mut chance = Chance(5);
    let mut text = "# check points of the invented club bench meter, high range, years after its book was made:\n# made by tests/books.rs\nreading,point\n".to_owned();
    // The loudest dozen.
    for point in points.iter().filter(|point| point.loudness_rank <= 12) {
        let (n, m) = (point.crystal_harmonic, point.meter_harmonic);
        let hertz = f64::from(n) * meter.crystal.actual_hz() / f64::from(m);
        let reading = HIGH.reading((hertz.powi(-2) - grown).powf(-0.5)) + 0.05 * chance.normal();
        text.push_str(&format!("{reading:.1},{n}/{m}\n"));
    }
    hold("club-bench-high-points.csv", &text);
}
