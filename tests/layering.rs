//! Holds the source to the page in DEVELOPERS.md: imports run from higher layers to lower ones, and every outside
//! crate stays in its rooms.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The rooms of each layer. Where `Peers::InOrder`, a room may use those that stand before it; else peers never meet.
const LAYERS: &[(Peers, &[&str])] = &[
    (Peers::InOrder, &["quantity", "measured", "block", "clock", "offset", "settings", "heard"]),
    (Peers::Apart, &["condition", "spectrum", "estimate", "dial", "stations", "stability"]),
    (Peers::Apart, &["beat", "correction"]),
    (Peers::InOrder, &["pipeline", "source", "store"]),
    (Peers::InOrder, &["session", "live", "task", "report", "benchlog"]),
    (Peers::Apart, &["cli"]),
];

#[derive(Clone, Copy, PartialEq)]
enum Peers {
    Apart,
    InOrder,
}

/// Where each outside crate may be named: a path of rooms, or everywhere.
const CRATES: &[(&str, &[&str])] = &[
    ("ab_glyph", &["report/plot"]),
    ("alsa_sys", &["source/capture"]),
    ("clap", &["cli"]),
    ("clap_complete", &["cli/generate"]),
    ("clap_mangen", &["cli/generate"]),
    ("cpal", &["source/capture"]),
    ("etcetera", &["store/place"]),
    ("hound", &["source/keep"]),
    ("indicatif", &["cli/progress"]),
    ("multiversion", &["block", "source/recording", "condition", "spectrum", "estimate", "beat"]),
    ("num_complex", EVERYWHERE),
    ("plotters", &["report/plot"]),
    ("plotters_backend", &["report/plot"]),
    ("png", &["report/plot"]),
    ("ratatui", &["live"]),
    ("ringbuf", &["source/ring"]),
    ("rustfft", &["spectrum"]),
    ("serde", EVERYWHERE),
    ("serde_json", &["store", "report", "benchlog", "cli"]),
    ("sha2", &["store/place"]),
    ("signal_hook", &["cli", "live"]),
    ("statrs", &["correction", "stability"]),
    ("symphonia", &["source/recording"]),
    ("thiserror", EVERYWHERE),
    ("toml", &["dial", "store"]),
];
const EVERYWHERE: &[&str] = &[""];

#[test]
fn imports_run_downward_and_crates_stay_in_their_rooms() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut faults = Vec::new();
    let files = rust_files(&root.join("src")).unwrap();
    assert!(files.len() > 10, "the source was not found");
    for path in files {
        let inside = path.strip_prefix(root.join("src")).unwrap();
        let text = fs::read_to_string(&path).unwrap();
        faults.extend(
            faults_of(&module_of(inside), &text).into_iter().map(|f| format!("{}: {f}", inside.display())),
        );
    }
    assert!(faults.is_empty(), "forbidden imports:\n{}", faults.join("\n"));
}

#[test]
fn every_dependency_has_a_room_and_is_used_there() {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml")).unwrap();
    let manifest: toml::Table = text.parse().unwrap();
    let mut tables = vec![manifest["dependencies"].as_table().unwrap()];
    if let Some(targets) = manifest.get("target").and_then(toml::Value::as_table) {
        tables.extend(targets.values().filter_map(|target| target.get("dependencies")?.as_table()));
    }
    let known: BTreeSet<&str> = CRATES.iter().map(|(name, _)| *name).collect();
    let files = rust_files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src")).unwrap();
    let code: String =
        files.iter().map(|path| without_comments_and_strings(&fs::read_to_string(path).unwrap())).collect();
    for name in tables.into_iter().flat_map(toml::Table::keys).map(|name| name.replace('-', "_")) {
        assert!(known.contains(name.as_str()), "{name} has no room in tests/layering.rs");
        assert!(names_crate(&code, &name), "{name} is a dependency that nothing uses");
    }
}

#[test]
fn a_forbidden_edge_is_found() {
    let module = |path: &str| module_of(Path::new(path));
    let found = |path: &str, text: &str| faults_of(&module(path), text).len();
    // Upward, across layer 1, across layer 2, and the long way round by `super`.
    assert_eq!(found("dial/book.rs", "use crate::store::read;"), 1);
    assert_eq!(found("spectrum/mod.rs", "use crate::{condition::Decimator, offset::Side};"), 1);
    assert_eq!(found("beat/mod.rs", "fn f() { crate::correction::correct(); }"), 1);
    assert_eq!(found("beat/story.rs", "use super::super::correction::x;"), 1);
    assert_eq!(found("session/mod.rs", "use crate::report::text;"), 1);
    assert_eq!(found("dial/book.rs", "use crate::nowhere::x;"), 1);
    // A crate outside its room, by import and by path.
    assert_eq!(found("beat/mod.rs", "use rustfft::FftPlanner;"), 1);
    assert_eq!(found("report/text/mod.rs", "fn f() { plotters::prelude::x() }"), 1);
    // What is allowed, what is only said, and what is only tested.
    assert_eq!(found("beat/mod.rs", "use crate::{heard::{Rest, Side}, spectrum::Frame};"), 0);
    assert_eq!(
        found("report/plot/mod.rs", "use plotters::prelude::x; use super::text; use crate::task::y;"),
        0
    );
    assert_eq!(found("dial/mod.rs", "// see crate::store::x\nconst A: &str = \"crate::cli::y\";"), 0);
    assert_eq!(found("dial/mod.rs", "fn a() {}\n#[cfg(test)]\nmod tests { use crate::store::x; }"), 0);
    assert_eq!(found("source/recording/tests.rs", "use hound::WavReader;"), 0);
}

/// The module path of a file under `src`: `dial/book.rs` is `[dial, book]`.
fn module_of(inside: &Path) -> Vec<String> {
    let mut module: Vec<String> =
        inside.with_extension("").iter().map(|part| part.to_string_lossy().into_owned()).collect();
    if module.last().is_some_and(|last| last == "mod") {
        module.pop();
    }
    module
}

fn faults_of(module: &[String], text: &str) -> Vec<String> {
    // The crate's front door and its binary name every room, and tests may look anywhere.
    if matches!(module, [only] if only == "lib" || only == "main")
        || module.last().is_some_and(|m| m == "tests")
    {
        return Vec::new();
    }
    let code = without_tests(&without_comments_and_strings(text));
    let mut faults = Vec::new();
    for room in rooms_named(&code, module) {
        if !may_use(&module[0], &room) {
            faults.push(format!("{} may not use {room}", module[0]));
        }
    }
    let here = module.join("/");
    for (name, rooms) in CRATES {
        let at_home = rooms
            .iter()
            .any(|room| room.is_empty() || here == *room || here.starts_with(&format!("{room}/")));
        if !at_home && names_crate(&code, name) {
            faults.push(format!("{name} belongs in {}", rooms.join(", ")));
        }
    }
    faults
}

fn may_use(from: &str, to: &str) -> bool {
    let place = |room: &str| {
        LAYERS
            .iter()
            .enumerate()
            .find_map(|(layer, (_, rooms))| Some((layer, rooms.iter().position(|r| *r == room)?)))
    };
    match (place(from), place(to)) {
        _ if from == to => true,
        (Some((upper, after)), Some((lower, before))) if upper == lower => {
            LAYERS[upper].0 == Peers::InOrder && before < after
        }
        (Some((upper, _)), Some((lower, _))) => upper > lower,
        // A room that is not on the page.
        _ => false,
    }
}

/// Every room that the code reaches by `crate::` or by enough of `super::`.
fn rooms_named(code: &str, module: &[String]) -> BTreeSet<String> {
    let mut rooms = BTreeSet::new();
    for start in starts(code, "crate") {
        if let Some(rest) = code[start..].strip_prefix("crate::") {
            rooms.extend(first_names(rest));
        }
    }
    for start in starts(code, "super") {
        let mut rest = &code[start..];
        let mut levels = 0;
        while let Some(after) = rest.strip_prefix("super::") {
            rest = after;
            levels += 1;
        }
        // `super` inside a chain is counted from the chain's first.
        if levels > 0 && !code[..start].ends_with("super::") && levels >= module.len() {
            rooms.extend(first_names(rest));
        }
    }
    rooms
}

/// Where `word` stands as a whole word.
fn starts<'a>(code: &'a str, word: &'a str) -> impl Iterator<Item = usize> + 'a {
    code.match_indices(word).map(|(at, _)| at).filter(move |&at| {
        let before = code[..at].chars().next_back();
        let after = code[at + word.len()..].chars().next();
        let part = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
        !part(before) && !part(after)
    })
}

/// The first name of a path, or of each path in a braced group.
fn first_names(path: &str) -> Vec<String> {
    let Some(group) = path.strip_prefix('{') else {
        return Some(name(path)).filter(|name| is_module(name)).into_iter().collect();
    };
    let mut names = Vec::new();
    let (mut depth, mut item_starts) = (1, true);
    for (at, c) in group.char_indices() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            ',' if depth == 1 => item_starts = true,
            c if c.is_whitespace() => {}
            _ if item_starts => {
                item_starts = false;
                names.extend(Some(name(&group[at..])).filter(|name| is_module(name)));
            }
            _ => {}
        }
        if depth == 0 {
            break;
        }
    }
    names
}

fn name(text: &str) -> String {
    text.trim_start().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect()
}

/// Modules are lower case; types and constants re-exported at the root are not rooms.
fn is_module(name: &str) -> bool {
    name.chars().next().is_some_and(char::is_lowercase) && name != "self" && name != "super"
}

fn names_crate(code: &str, name: &str) -> bool {
    starts(code, name).any(|at| {
        let before = code[..at].trim_end();
        let path_goes_on = code[at + name.len()..].starts_with("::");
        let imported =
            before.ends_with("use") && code[at + name.len()..].trim_start().starts_with([';', ' ']);
        (path_goes_on && !before.ends_with("::") && !before.ends_with('.')) || imported
    })
}

/// Blanks comments, strings and character literals, so that only code is left.
fn without_comments_and_strings(text: &str) -> String {
    let mut code = String::new();
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let skipped = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("/*") {
            rest.find("*/").map_or(rest.len(), |end| end + 2)
        } else if let Some(hashes) = raw_string(rest) {
            let end = format!("\"{}", "#".repeat(hashes));
            let body = hashes + 2;
            rest[body..].find(&end).map_or(rest.len(), |at| body + at + end.len())
        } else if c == '"' {
            quoted(rest)
        } else if rest.starts_with("'\\") || (c == '\'' && rest.chars().nth(2) == Some('\'')) {
            let closing = rest.char_indices().skip(2).find(|(_, c)| *c == '\'');
            closing.map_or(rest.len(), |(at, _)| at + 1)
        } else {
            code.push(c);
            c.len_utf8()
        };
        if skipped > c.len_utf8() || matches!(c, '"') {
            code.push(' ');
        }
        rest = &rest[skipped..];
    }
    code
}

/// The number of hashes when a raw string starts here.
fn raw_string(text: &str) -> Option<usize> {
    let after = text.strip_prefix('r')?;
    let hashes = after.len() - after.trim_start_matches('#').len();
    after[hashes..].starts_with('"').then_some(hashes)
}

/// The length of the string literal that starts here.
fn quoted(text: &str) -> usize {
    let mut escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            _ if escaped => escaped = false,
            '\\' => escaped = true,
            '"' => return at + 1,
            _ => {}
        }
    }
    text.len()
}

/// Cuts off what follows `#[cfg(test)] mod …`, which stands last in a file.
fn without_tests(code: &str) -> String {
    let mut from = 0;
    while let Some(at) = code[from..].find("#[cfg(test)]") {
        let after = code[from + at + "#[cfg(test)]".len()..].trim_start();
        if after.starts_with("mod ") && after.find('{') < after.find(';') {
            return code[..from + at].to_owned();
        }
        from += at + 1;
    }
    code.to_owned()
}

fn rust_files(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        if path.is_dir() {
            files.extend(rust_files(&path)?);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}
