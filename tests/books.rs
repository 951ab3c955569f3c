//! The books in fixtures/books are what their law gives. `BLESS=1 cargo test --test books` writes them anew.
#![allow(
    clippy::unwrap_used,
    clippy::format_push_string,
    reason = "a test that can't go on fails there and then"
)]

mod common;

use common::{HIGH, LOW};
use std::path::Path;

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
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/books").join(name);
        if std::env::var_os("BLESS").is_some() {
            std::fs::write(&path, &text).unwrap();
        }
        let rows = text.lines().filter(|line| !line.starts_with('#')).count() - 1;
        assert!((200..=300).contains(&rows), "{rows}");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), text, "{name} differs from its law");
    }
}
