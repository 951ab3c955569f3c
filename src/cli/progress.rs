//! How far a long job is: one line of the error output, wiped when there is something else to say.

use std::io::{self, IsTerminal, Write};
use std::path::Path;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What is done sooner needs no telling; and how often it is told then.
const SOON: Duration = Duration::from_secs(1);
const OFTEN: Duration = Duration::from_millis(250);
/// The line is kept to what fits on any terminal in use, characters.
const WIDTH: usize = 78;

/// Tells on the error output, where that is a terminal, how far the job is.
pub struct Progress {
    jobs: usize,
    /// None where nobody watches.
    line: Option<Mutex<Line>>,
}

struct Line {
    next: Instant,
    done: usize,
    /// Characters that are on the terminal.
    shown: usize,
}

impl Progress {
    /// For so many recordings.
    pub fn new(jobs: usize) -> Self {
        let line = Line { next: Instant::now() + SOON, done: 0, shown: 0 };
        Self { jobs, line: io::stderr().is_terminal().then(|| Mutex::new(line)) }
    }

    /// Tells how far a recording is heard.
    pub fn tell(&self, path: &Path, heard_s: f64, of_s: Option<f64>) {
        let Some(line) = &self.line else { return };
        let mut line = line.lock().unwrap_or_else(PoisonError::into_inner);
        if Instant::now() >= line.next {
            line.next = Instant::now() + OFTEN;
            let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy();
            let text = words(line.done, self.jobs, &name, heard_s, of_s);
            line.show(&text);
        }
    }

    /// One recording is done.
    pub fn done(&self) {
        if let Some(line) = &self.line {
            line.lock().unwrap_or_else(PoisonError::into_inner).done += 1;
        }
    }

    /// Makes room for something else.
    pub fn wipe(&self) {
        if let Some(line) = &self.line {
            line.lock().unwrap_or_else(PoisonError::into_inner).show("");
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.wipe();
    }
}

impl Line {
    fn show(&mut self, text: &str) {
        let shown = text.chars().count();
        if shown == 0 && self.shown == 0 {
            return;
        }
        let rest = self.shown.saturating_sub(shown);
        let blank = format!("{}{}", " ".repeat(rest), "\u{8}".repeat(rest));
        // Whoever can't be told how far it is, can still be told the answer.
        let _ = write!(io::stderr(), "\r{text}{blank}{}", if shown == 0 { "\r" } else { "" });
        self.shown = shown;
    }
}

/// The line: `2 of 5 recordings done; evening.wav: 1:02:33 of 24:00:00 heard`.
fn words(done: usize, jobs: usize, name: &str, heard_s: f64, of_s: Option<f64>) -> String {
    let before = if jobs > 1 { format!("{done} of {jobs} recordings done; ") } else { String::new() };
    let of = of_s.map_or_else(String::new, |of_s| format!(" of {}", clock(of_s)));
    let after = format!(": {}{of} heard", clock(heard_s));
    let room = WIDTH.saturating_sub(before.chars().count() + after.chars().count());
    let name: String = name.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let name = match name.char_indices().nth(room) {
        None => name,
        Some(_) => name.chars().take(room.saturating_sub(1)).chain(['…']).collect(),
    };
    format!("{before}{name}{after}")
}

/// Hours, minutes and seconds.
fn clock(seconds: f64) -> String {
    let whole = seconds.max(0.0) as u64;
    let (hours, minutes, seconds) = (whole / 3600, whole / 60 % 60, whole % 60);
    if hours > 0 { format!("{hours}:{minutes:02}:{seconds:02}") } else { format!("{minutes}:{seconds:02}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_line_says_how_far_it_is_and_fits() {
        assert_eq!(words(0, 1, "a.wav", 61.7, Some(86_400.0)), "a.wav: 1:01 of 24:00:00 heard");
        assert_eq!(words(2, 5, "-", 3.0, None), "2 of 5 recordings done; -: 0:03 heard");
        let long = words(2, 5, &"evening\n".repeat(30), 3.0, Some(9.0));
        assert!(long.chars().count() == WIDTH && long.ends_with("…: 0:03 of 0:09 heard"), "{long}");
        assert!(!long.contains('\n'));
    }
}
