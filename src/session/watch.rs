//! An independent watch over a card: do as many frames come as its rate says?
//!
//! A sound system can lose sound without a word, and a thing that is no card at all can give silence as fast as it
//! is asked. Neither shows in the samples; both show against the wall clock.

use std::time::Duration;

/// The stretch over which hidden loss is looked for, s.
const STRETCH_S: f64 = 10.0;
/// The part of the sound that may be missing: card clocks are within 100 ppm (common practice, no source).
const MAY_MISS: f64 = 0.01;
/// How far ahead of the clock a card can never be, s, whatever it had in store when it was opened.
const AHEAD_S: f64 = 5.0;

/// What the watch says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// As it should be.
    Fine,
    /// Nothing has come for so long, s.
    Silent(f64),
    /// This part of the frames went missing unseen in the last stretch.
    Leaking(f64),
    /// They come far faster than any card gives them.
    Runaway,
}

/// The watch over one opening of a card.
#[derive(Debug)]
pub struct Watch {
    rate_hz: f64,
    silent_s: f64,
    frames: u64,
    last_came_s: f64,
    stretch_began_s: f64,
    /// How far the frames lag behind the clock, s: the least of the stretch before and of the present one. The least,
    /// because a delivery that is merely late is made up for later.
    before_s: Option<f64>,
    least_s: f64,
    leaking: Option<f64>,
}

impl Watch {
    /// A watch over a card of this rate, Hz, that begins to run now; `silent` is how long no frame may come before it
    /// is told.
    pub fn new(rate_hz: u32, silent: Duration) -> Self {
        Self {
            rate_hz: f64::from(rate_hz),
            silent_s: silent.as_secs_f64(),
            frames: 0,
            last_came_s: 0.0,
            stretch_began_s: 0.0,
            before_s: None,
            least_s: f64::INFINITY,
            leaking: None,
        }
    }

    /// Looks at how many frames came since the card was opened, `now_s` seconds ago.
    pub fn look(&mut self, now_s: f64, frames: u64) -> Verdict {
        if frames > self.frames {
            self.frames = frames;
            self.last_came_s = now_s;
        }
        let came_s = frames as f64 / self.rate_hz;
        if came_s > now_s + AHEAD_S && came_s > 2.0 * now_s {
            return Verdict::Runaway;
        }
        self.least_s = self.least_s.min(now_s - came_s);
        if now_s - self.stretch_began_s >= STRETCH_S {
            let missing_s = self.before_s.map_or(0.0, |before| self.least_s - before);
            let part = missing_s / (now_s - self.stretch_began_s);
            self.leaking = (part > MAY_MISS).then_some(part);
            self.before_s = Some(self.least_s);
            self.least_s = f64::INFINITY;
            self.stretch_began_s = now_s;
        }
        let silent_s = now_s - self.last_came_s;
        match self.leaking {
            _ if silent_s > self.silent_s => Verdict::Silent(silent_s),
            Some(part) => Verdict::Leaking(part),
            None => Verdict::Fine,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Looks a hundred times a second for `seconds`, with `frames(t)` frames at time t; the verdicts that were new.
    fn watched(seconds: f64, frames: impl Fn(f64) -> f64) -> Vec<Verdict> {
        let mut watch = Watch::new(48_000, Duration::from_secs(2));
        let mut said: Vec<Verdict> = Vec::new();
        for step in 0..(seconds * 100.0) as u32 {
            let now = f64::from(step) / 100.0;
            let verdict = watch.look(now, frames(now).max(0.0) as u64);
            if said.last().is_none_or(|last| std::mem::discriminant(last) != std::mem::discriminant(&verdict))
            {
                said.push(verdict);
            }
        }
        said
    }

    #[test]
    fn a_card_in_portions_with_a_clock_100_ppm_off_is_fine() {
        let said = watched(60.0, |t| ((t * 48_000.0 * 0.9999 - 960.0) / 960.0).floor() * 960.0);
        assert_eq!(said, [Verdict::Fine]);
    }

    #[test]
    fn a_stopped_server_that_catches_up_is_silent_and_then_fine() {
        let said = watched(60.0, |t| if (12.0..17.0).contains(&t) { 12.0 } else { t } * 48_000.0);
        assert!(matches!(said[..], [Verdict::Fine, Verdict::Silent(_), Verdict::Fine]), "{said:?}");
    }

    #[test]
    fn two_percent_missing_is_told_within_two_stretches() {
        let said = watched(20.1, |t| t * 48_000.0 * 0.98);
        let [Verdict::Fine, Verdict::Leaking(part)] = said[..] else { panic!("{said:?}") };
        assert!((part - 0.02).abs() < 0.002, "{part}");
    }

    #[test]
    fn an_unthrottled_device_is_a_runaway_and_a_backlog_is_none() {
        assert_eq!(watched(0.5, |t| t * 48_000.0 * 100.0).last(), Some(&Verdict::Runaway));
        let said = watched(8.0, |t| if t < 7.0 { 0.0 } else { t * 48_000.0 });
        assert!(!said.contains(&Verdict::Runaway), "{said:?}");
    }
}
