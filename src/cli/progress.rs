//! How far long work has come, on a terminal; in a pipe nothing is shown. indicatif is used only here.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::time::{Duration, Instant};

/// Work that takes less than this shows nothing.
const LONG: Duration = Duration::from_millis(700);
/// Steps of the bar to a recording.
const STEPS: f64 = 1000.0;

/// A bar over a number of recordings, shown on the error output once the work has taken a while.
pub struct Progress {
    bar: ProgressBar,
    begun: Instant,
    on_terminal: bool,
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
        bar.set_message(if recordings == 1 {
            "listening".to_owned()
        } else {
            format!("{recordings} recordings")
        });
        Self { bar, begun: Instant::now(), on_terminal: std::io::stderr().is_terminal() }
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
}
