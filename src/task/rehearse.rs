//! `rehearse`: practice recordings whose answer is known, and what a trainee's own figure is worth.

use crate::offset::{Hand, Side, Turning};
use crate::source::synthetic::{Kind, Rendered, Trial, random_scene, render};
use serde::{Deserialize, Serialize};

/// How hard a practice recording is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// A clear note through an ordinary jack.
    Clean,
    /// Mains hum louder than the note.
    Hum,
    /// The note lies under the noise.
    Weak,
    /// The hand goes too far, through zero, and rests on the other side.
    Overshoot,
    /// Signal and meter are coupled and pull each other: what is heard is not the true offset.
    Pulling,
}

impl Level {
    /// All of them, the easiest first.
    pub const ALL: [Self; 5] = [Self::Clean, Self::Hum, Self::Weak, Self::Overshoot, Self::Pulling];

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            Self::Clean => "clean",
            Self::Hum => "hum",
            Self::Weak => "weak",
            Self::Overshoot => "overshoot",
            Self::Pulling => "pulling",
        }
    }

    /// What is the matter, without giving anything away.
    pub fn about(self) -> &'static str {
        match self {
            Self::Clean => "a clear note",
            Self::Hum => "mains hum louder than the note",
            Self::Weak => "a note that lies under the noise",
            Self::Overshoot => "the hand goes too far",
            Self::Pulling => "signal and meter are coupled too closely",
        }
    }

    fn kind(self) -> Kind {
        match self {
            Self::Clean => Kind::CleanFall,
            Self::Hum => Kind::LoudHum,
            Self::Weak => Kind::Weak,
            Self::Overshoot => Kind::ThroughZero,
            Self::Pulling => Kind::Pulled,
        }
    }
}

/// What lies beside a practice recording: enough to make it again, and with it its answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recipe {
    /// Its level.
    pub level: Level,
    /// Its seed.
    pub seed: u64,
    /// SHA-256 of the recording, hexadecimal.
    pub sha256: String,
}

/// A practice recording: what the trainee is told, and the answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Practice {
    /// Its level.
    pub level: Level,
    /// Its seed.
    pub seed: u64,
    /// Length, s.
    pub duration_s: f64,
    /// Which oscillator is turned.
    pub hand: Hand,
    /// Which way its frequency goes first.
    pub turning: Option<Turning>,
    /// The answer.
    pub answer: Answer,
}

/// What is right.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// |b| in the middle of the last rest, Hz.
    pub offset_hz: f64,
    /// Its side.
    pub side: Side,
    /// The last rest, s.
    pub rest_s: (f64, f64),
    /// The note as it is heard there, Hz: lower where the oscillators pull each other.
    pub heard_hz: f64,
}

/// Makes a practice recording; the same level and seed always give the same. `None` when the scene holds no rest.
pub fn make(level: Level, seed: u64) -> Option<(Practice, Rendered)> {
    let trial = random_scene(seed, level.kind());
    let made = render(&trial.scene);
    let answer = answer(&trial, &made)?;
    let practice = Practice {
        level,
        seed,
        duration_s: trial.scene.duration_s(),
        hand: trial.hand,
        turning: trial.turning,
        answer,
    };
    Some((practice, made))
}

fn answer(trial: &Trial, made: &Rendered) -> Option<Answer> {
    let (start, end, beat) = *trial.audible_rests(&made.truth).last()?;
    let lock = trial.scene.lock_hz;
    Some(Answer {
        offset_hz: beat.abs(),
        side: Side::of(beat),
        rest_s: (start, end),
        heard_hz: (beat * beat - lock * lock).max(0.0).sqrt(),
    })
}

/// A trainee's figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attempt {
    /// The offset, Hz.
    pub offset_hz: f64,
    /// Its side; unknown where none was stated.
    pub side: Side,
}

/// How near an offset is, by what a careful ear and hand reach at the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Grade {
    /// Within 0.1 Hz: as near as it can be measured here.
    Exact,
    /// Within 1 Hz.
    Close,
    /// Within 5 Hz: what an ear alone reaches on a good day.
    Near,
    /// Farther off.
    Off,
}

/// What an attempt is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Marked {
    /// Attempt less truth, Hz.
    pub difference_hz: f64,
    /// How near that is.
    pub grade: Grade,
    /// Whether the side is right; `None` where none was stated.
    pub side_right: Option<bool>,
    /// The attempt is the note as heard, and that is not the true offset.
    pub as_heard: bool,
    /// What taking attempt and side together would put the signal off by, H = K = 1, Hz; `None` without a side.
    pub signal_off_hz: Option<f64>,
}

/// Marks an attempt.
pub fn mark(answer: &Answer, attempt: &Attempt) -> Marked {
    let difference_hz = attempt.offset_hz - answer.offset_hz;
    let grade = match difference_hz.abs() {
        apart if apart <= 0.1 => Grade::Exact,
        apart if apart <= 1.0 => Grade::Close,
        apart if apart <= 5.0 => Grade::Near,
        _ => Grade::Off,
    };
    let pulled = (answer.heard_hz - answer.offset_hz).abs() > 1.0;
    let beat = |side: Side, offset: f64| side.sign().map(|sign| sign * offset);
    // f_signal = f_meter − b.
    let signal_off_hz = beat(answer.side, answer.offset_hz)
        .zip(beat(attempt.side, attempt.offset_hz))
        .map(|(right, taken)| right - taken);
    Marked {
        difference_hz,
        grade,
        side_right: (attempt.side != Side::Unknown).then_some(attempt.side == answer.side),
        as_heard: pulled && (attempt.offset_hz - answer.heard_hz).abs() <= 1.0,
        signal_off_hz,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: truth 40 Hz below. 41 Hz above is 1 Hz too much on the wrong side, so the signal comes out
    /// −40 − 41 = −81 Hz off.
    #[test]
    fn attempts_are_marked() {
        let answer = Answer { offset_hz: 40.0, side: Side::Low, rest_s: (3.0, 9.0), heard_hz: 30.0 };
        let marked = mark(&answer, &Attempt { offset_hz: 41.0, side: Side::High });
        assert_eq!((marked.grade, marked.side_right), (Grade::Close, Some(false)));
        assert_eq!(marked.signal_off_hz, Some(-81.0));
        let marked = mark(&answer, &Attempt { offset_hz: 30.4, side: Side::Unknown });
        assert_eq!((marked.grade, marked.side_right, marked.as_heard), (Grade::Off, None, true));
        assert_eq!(marked.signal_off_hz, None);
        let marked = mark(&answer, &Attempt { offset_hz: 39.95, side: Side::Low });
        assert_eq!((marked.grade, marked.side_right, marked.as_heard), (Grade::Exact, Some(true), false));
    }

    #[test]
    fn every_level_has_an_answer_and_a_seed_gives_the_same_again() {
        for level in Level::ALL {
            for seed in 0..3 {
                let (practice, made) = make(level, seed).unwrap();
                assert!(practice.answer.offset_hz > 5.0 && practice.turning.is_some(), "{practice:?}");
                assert_ne!(practice.answer.side, Side::Unknown);
                let pulled = practice.answer.offset_hz - practice.answer.heard_hz > 1.0;
                assert_eq!(pulled, level == Level::Pulling, "{practice:?}");
                assert!(made.samples.iter().any(|sample| sample.abs() > 0.03));
            }
        }
        let (again, once) = (make(Level::Hum, 5).unwrap(), make(Level::Hum, 5).unwrap());
        assert_eq!((again.0, again.1.samples), (once.0, once.1.samples));
        assert_ne!(make(Level::Hum, 6).unwrap().0.answer, make(Level::Hum, 5).unwrap().0.answer);
    }
}
