//! What can be wrong with a meter file, a book, a reading or a wish.

use crate::quantity;

/// One plain line: what, where, and how to mend it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DialError {
    /// Something in a text file, at a line.
    #[error("{}:{line}: {}; hint: {hint}", name(file), short(what))]
    InFile {
        /// Name of the file as the user knows it.
        file: String,
        /// Line, counted from 1.
        line: usize,
        /// What is wrong.
        what: String,
        /// How to mend it.
        hint: String,
    },
    /// A file that could not be fetched.
    #[error(
        "{}:{line}: the book `{}` can't be read: {}; hint: paths are taken from the meter file's folder",
        name(file),
        name(book),
        short(why)
    )]
    NoBook {
        /// The meter file.
        file: String,
        /// Line of the meter file that names the book.
        line: usize,
        /// The book as named there.
        book: String,
        /// The system's word for it.
        why: String,
    },
    /// Text that is no reading.
    #[error("`{0}` is not a reading; hint: write divisions such as 1531.4, or drum/dial such as 12/91.4")]
    NotAReading(String),
    /// A reading that the dial does not have.
    #[error(
        "reading {reading} is off the dial, which runs from 0 to {end}; hint: {turns} turns of {per_turn} divisions"
    )]
    OffDial {
        /// The reading as given.
        reading: String,
        /// Last division.
        end: f64,
        /// Turns of the dial.
        turns: u32,
        /// Divisions to a turn.
        per_turn: f64,
    },
    /// A reading outside the rows of the book.
    #[error(
        "reading {reading:.1} lies outside the book {}, which runs from {low:.1} to {high:.1}; hint: {hint}",
        name(book)
    )]
    OffBook {
        /// The reading, divisions.
        reading: f64,
        /// Name of the book.
        book: String,
        /// First reading in the book.
        low: f64,
        /// Last reading in the book.
        high: f64,
        /// What to do.
        hint: &'static str,
    },
    /// A range that the meter does not have.
    #[error("the meter `{}` has no range `{wanted}`; hint: its ranges are {}", short(meter), short(known))]
    NoSuchRange {
        /// Name of the meter.
        meter: String,
        /// Name asked for.
        wanted: String,
        /// Names there are.
        known: String,
    },
    /// A frequency that no range and harmonic reaches.
    #[error("no range of `{}` reaches {wanted_hz} Hz; hint: within reach are {}", short(meter), short(reach))]
    OutOfReach {
        /// Name of the meter.
        meter: String,
        /// Frequency asked for, Hz.
        wanted_hz: f64,
        /// What can be reached, in words.
        reach: String,
    },
    /// Too few check points for a new book.
    #[error(
        "{file}: {found} check points, at least {fewest} are needed; hint: `hushbeat checkpoints` lists what the crystal gives; an old book's shape (--shape) makes do with 2"
    )]
    TooFewPoints {
        /// The points file.
        file: String,
        /// Points in it.
        found: usize,
        /// Points needed.
        fewest: usize,
    },
    /// Check points that no book can be made of.
    #[error("{file}: {what}; hint: look for a reading typed wrongly or a wrong point; more points help")]
    NoLaw {
        /// The points file.
        file: String,
        /// What is wrong.
        what: String,
    },
}

impl DialError {
    /// Something wrong in a text file, at a line counted from 1.
    pub fn at(file: &str, line: usize, what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::InFile { file: file.to_owned(), line, what: what.into(), hint: hint.into() }
    }
}

/// The longest piece of an outside text that an error repeats, characters.
pub const LONGEST: usize = 160;

/// What stands in a file, cut to what fits on a line or two and in one line: a file may be one endless line, and a text
/// in quotes may hold any character.
pub fn short(text: &str) -> String {
    one_line(&quantity::short(text, LONGEST))
}

/// A file's name, which a meter file may give as long as it likes: cut in the middle, since it ends in what tells most.
pub fn name(file: &str) -> String {
    let skipped = file.chars().count().saturating_sub(LONGEST);
    if skipped == 0 {
        return one_line(file);
    }
    let place = |character| file.char_indices().nth(character).map_or(file.len(), |(at, _)| at);
    let front = LONGEST / 3;
    one_line(&format!("{} … {}", &file[..place(front)], &file[place(front + skipped)..]))
}

fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn in_file(file: &str, what: String) -> String {
        let hint = "digits".to_owned();
        DialError::InFile { file: file.to_owned(), line: 3, what, hint }.to_string()
    }

    #[test]
    fn an_endless_line_is_not_repeated() {
        let line = in_file("b.csv", format!("`{}` is no number", "µ".repeat(5000)));
        assert!(line.starts_with("b.csv:3: `µµ") && line.ends_with("µ …; hint: digits"), "{line}");
        assert_eq!(line.chars().count(), "b.csv:3: ".len() + LONGEST + " …; hint: digits".chars().count());
    }

    #[test]
    fn an_endless_name_keeps_its_ends() {
        let whole = format!("{}/b.csv", "µ".repeat(LONGEST - 6));
        assert_eq!(in_file(&whole, String::new()), format!("{whole}:3: ; hint: digits"));
        let line = in_file(&format!("books/{}/b.csv", "µ".repeat(5000)), "no header".to_owned());
        assert!(
            line.starts_with("books/µµ") && line.ends_with("µµ/b.csv:3: no header; hint: digits"),
            "{line}"
        );
        assert_eq!(line.chars().count(), LONGEST + " … :3: no header; hint: digits".chars().count());
    }

    #[test]
    fn what_breaks_a_line_or_moves_the_cursor_is_a_blank() {
        assert_eq!(in_file("a\nb", "`\r\u{1b}[2J`".to_owned()), "a b:3: `  [2J`; hint: digits");
    }
}
