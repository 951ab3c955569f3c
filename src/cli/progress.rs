//! How far long work has come, on a terminal; in a pipe nothing is shown. indicatif is used only here.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Work that takes less than this shows nothing.
const LONG: Duration = Duration::from_millis(700);
/// Steps of the bar to a recording.
const STEPS: f64 = 1000.0;

/// A bar over a number of recordings, shown on the error output once the work has taken a while.
pub struct Progress {
    bar: ProgressBar,
    recordings: usize,
    begun: Instant,
    on_terminal: bool,
    /// Whether there is a bar, which needs a length.
    is_bar: AtomicBool,
}

impl Progress {
    /// A bar over so many recordings.
    pub fn over(recordings: usize) -> Self {
        let bar = ProgressBar::with_draw_target(
            Some((recordings as f64 * STEPS) as u64),
            ProgressDrawTarget::hidden(),
        );
        let style = ProgressStyle::with_template("{bar:40} {percent:>3} %  {msg}");
        bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()).progress_chars("=> "));
        if recordings != 1 {
            bar.set_message(format!("{recordings} recordings"));
        }
        let on_terminal = std::io::stderr().is_terminal();
        Self { bar, recordings, begun: Instant::now(), on_terminal, is_bar: AtomicBool::new(true) }
    }

    /// So much of a recording has been heard, s, of so much in all, where that is known; takes and returns what
    /// [`step`](Self::step) does.
    pub fn heard(&self, before: f64, heard_s: f64, of_s: Option<f64>) -> f64 {
        if self.recordings == 1 && self.on_terminal {
            if of_s.is_none()
                && self.is_bar.swap(false, Ordering::Relaxed)
                && let Ok(style) = ProgressStyle::with_template("{spinner} {msg}")
            {
                // No bar where nobody knows its length.
                self.bar.set_style(style);
            }
            self.bar.set_message(words(heard_s, of_s));
        }
        let share = of_s.filter(|&of_s| of_s > 0.0).map_or(before, |of_s| heard_s / of_s);
        self.step(before, share)
    }

    /// One recording has come this far, 0 to 1; returns how far that is, to be handed in with its next step.
    pub fn step(&self, before: f64, now: f64) -> f64 {
        let now = now.clamp(before, 1.0);
        // Whole steps, counted from the recording's beginning, so that nothing is lost in rounding.
        self.bar.inc((now * STEPS) as u64 - (before * STEPS) as u64);
        if self.on_terminal && self.bar.is_hidden() && self.begun.elapsed() > LONG {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        now
    }

    /// Makes way for a line of output.
    pub fn aside<T>(&self, print: impl FnOnce() -> T) -> T {
        self.bar.suspend(print)
    }

    /// Takes the bar away.
    pub fn done(&self) {
        self.bar.finish_and_clear();
    }
}

/// How far it is: `1:02:33 of 24:00:00 heard`.
fn words(heard_s: f64, of_s: Option<f64>) -> String {
    let of = of_s.map_or_else(String::new, |of_s| format!(" of {}", clock(of_s)));
    format!("{}{of} heard", clock(heard_s))
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
    fn steps_add_up_to_the_whole() {
        let progress = Progress::over(2);
        for _ in 0..2 {
            let mut at = 0.0;
            for k in 1..=777 {
                at = progress.step(at, f64::from(k) / 777.0);
            }
        }
        assert_eq!(progress.bar.position(), 2000);
        assert!(progress.bar.is_hidden());
    }

    #[test]
    fn the_words_say_how_far_it_is() {
        assert_eq!(words(61.7, Some(86_400.0)), "1:01 of 24:00:00 heard");
        assert_eq!(words(3.0, None), "0:03 heard");
    }

    #[test]
    fn a_recording_of_unknown_length_takes_its_part_of_the_bar_at_its_end() {
        let progress = Progress::over(2);
        let come = progress.heard(0.0, 5.0, None);
        assert_eq!(progress.bar.position(), 0);
        progress.step(come, 1.0);
        let come = progress.heard(0.0, 5.0, Some(10.0));
        assert_eq!(progress.bar.position(), 1500);
        // A length that is not what comes, or none at all, goes no further than the end.
        assert!((progress.heard(come, 12.0, Some(10.0)) - 1.0).abs() < 1e-9);
        assert!(progress.heard(0.0, 0.0, Some(0.0)).abs() < 1e-9);
    }
}
