//! Sentences on lines of 80 columns.

use crate::heard::Warning;

/// Breaks a sentence at 80 columns; later lines are indented as far as the label reaches.
pub(super) fn wrapped(label: &str, sentence: &str) -> Vec<String> {
    let indent = " ".repeat(label.len());
    let mut lines = vec![label.to_owned()];
    let mut empty = true;
    for word in sentence.split(' ') {
        let line = lines.last().map_or(0, |line| line.chars().count());
        if !empty && line + 1 + word.chars().count() > 80 {
            lines.push(indent.clone());
            empty = true;
        }
        if let Some(line) = lines.last_mut() {
            if !empty {
                line.push(' ');
            }
            line.push_str(word);
        }
        empty = false;
    }
    lines
}

/// The same as text, a line feed behind each line.
pub(super) fn set(label: &str, sentence: &str) -> String {
    wrapped(label, sentence).iter().flat_map(|line| [line.trim_end(), "\n"]).collect()
}

/// Doubts, each as a note.
pub(super) fn notes(warnings: &[Warning]) -> String {
    warnings.iter().map(|warning| set("note    ", &warning.message)).collect()
}

/// An instant for people: `2026-11-19 20:41:07 UTC` of `2026-11-19T20:41:07Z`.
pub fn instant(at: &str) -> String {
    at.replace('T', " ").replace('Z', " UTC")
}
