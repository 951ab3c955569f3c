//! Short lines for a screen reader or a pipe: one per change, none twice.

use super::fade::Fade;
use super::trend::{Follower, Trend};
use super::view::{Clerk, offset};
use super::words::{Against, Scene, lost_words, signal_words, words};
use crate::heard::EndingState;
use crate::measured::value_and_u;
use crate::offset::{Hand, Side};
use crate::session::{InputState, Update};
use std::fmt::Write;

/// While it moves, an offset is told again when it has changed by this factor.
const STEP: f64 = 2.0;
/// At rest it is told again when its uncertainty has fallen by this factor or it has moved by so many uncertainties.
const BETTER: f64 = 3.0;
const MOVED: f64 = 4.0;

/// Tells what changes.
pub struct Teller {
    against: Against,
    turning_known: bool,
    clerk: Option<Clerk>,
    fade: Fade,
    follower: Follower,
    told: Option<Told>,
    advice: String,
    clipped: bool,
    lost: (u64, u32),
    keep_failed: bool,
}

/// What was told last.
#[derive(Debug, Clone, PartialEq)]
struct Told {
    kind: Kind,
    offset: Option<(f64, f64)>,
}

/// What makes a line differ in kind.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Kind {
    state: Option<EndingState>,
    trend: Trend,
    side: Side,
    hand: Hand,
    input: u8,
    fading: bool,
}

impl Teller {
    /// A teller of what is heard against a signal or a check point, with the signal's frequency where the dial is
    /// known; `turning_known` says whether the first move's way was declared.
    pub fn new(against: Against, turning_known: bool, clerk: Option<Clerk>) -> Self {
        Self {
            against,
            turning_known,
            clerk,
            fade: Fade::default(),
            follower: Follower::default(),
            told: None,
            advice: String::new(),
            clipped: false,
            lost: (0, 0),
            keep_failed: false,
        }
    }

    /// The lines that an update gives rise to: none, when nothing changed that matters.
    pub fn tell(&mut self, update: &Update) -> Vec<String> {
        let mut lines = Vec::new();
        let snapshot = update.snapshot.as_ref();
        if let Some(snapshot) = snapshot {
            self.fade.take(snapshot);
            self.follower.take(snapshot);
        }
        let hand = snapshot.map_or(Hand::Meter, |snapshot| snapshot.hand);
        let now = Told {
            kind: Kind {
                state: snapshot.map(|snapshot| snapshot.state),
                trend: match snapshot.map(|snapshot| snapshot.state) {
                    Some(EndingState::Moving) => self.follower.trend(),
                    _ => Trend::Steady,
                },
                side: snapshot.map_or(Side::Unknown, |snapshot| snapshot.side),
                hand,
                input: match update.input {
                    InputState::Flowing | InputState::Leaking(_) => 0,
                    InputState::Silent(_) => 1,
                    InputState::Gone { .. } => 2,
                },
                fading: self.fade.is_fading(),
            },
            offset: snapshot.and_then(|it| {
                let (offset, u) = self.against.shown(it.heard()?, it.side);
                Some((offset, u?))
            }),
        };
        if self.told.as_ref().is_none_or(|told| told.is_old(&now)) {
            let scene = Scene {
                hand,
                against: self.against,
                fading: now.kind.fading,
                trend: now.kind.trend,
                turning_known: self.turning_known,
                keys: false,
            };
            let words = words(update, &scene);
            let mut line = words.headline;
            let moving =
                now.kind.state == Some(EndingState::Moving) && now.kind.input == 0 && !now.kind.fading;
            if let Some((offset, u)) = now.offset.filter(|_| moving) {
                let (value, _) = value_and_u(offset, u);
                let _ = write!(line, "; {value} Hz");
            }
            if !words.advice.is_empty() && words.advice != self.advice {
                let _ = write!(line, "; {}", words.advice);
            }
            self.advice = words.advice;
            let signal = snapshot.and_then(offset).and_then(|offset| self.clerk.as_ref()?(&offset));
            if let Some(signal) = signal.and_then(|signal| signal_words(&signal)) {
                let _ = write!(line, "; {signal}");
            }
            lines.push(line);
            self.told = Some(now);
        }
        if update.level.clipped && !self.clipped {
            lines.push("input clips: turn it down".to_owned());
        }
        self.clipped = update.level.clipped;
        let lost = (snapshot.map_or(0, |snapshot| snapshot.lost_samples), update.gaps);
        if lost != self.lost {
            lines.push(lost_words(lost.0, lost.1));
            self.lost = lost;
        }
        if let Some(why) = update.keep_failed.as_ref().filter(|_| !self.keep_failed) {
            lines.push(format!("not kept any more: {why}"));
            self.keep_failed = true;
        }
        let at = snapshot.map_or(0.0, |snapshot| snapshot.at_s);
        lines.into_iter().map(|line| format!("{at:.1} s  {line}")).collect()
    }
}

impl Told {
    /// Whether what was told then is not what holds now.
    fn is_old(&self, now: &Self) -> bool {
        if self.kind != now.kind {
            return true;
        }
        match (self.kind.state, self.offset, now.offset) {
            (Some(EndingState::Moving), Some((before, _)), Some((offset, _))) => {
                let factor = offset.max(f64::MIN_POSITIVE) / before.max(f64::MIN_POSITIVE);
                !(1.0 / STEP..STEP).contains(&factor)
            }
            (Some(EndingState::Resting), Some((before, u_before)), Some((offset, u))) => {
                u * BETTER < u_before || (offset - before).abs() > MOVED * u_before.max(u)
            }
            (_, before, after) => before.is_some() != after.is_some(),
        }
    }
}
