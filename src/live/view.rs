//! The state of the screen, apart from drawing: what is known, what was declared, what was marked.

use super::fade::Fade;
use super::keys::Key;
use super::trend::{Follower, Trend};
use super::words::{self, Against, Scene, Words};
use crate::block::StreamFormat;
use crate::heard::{EndingState, Rest, Snapshot};
use crate::offset::{Hand, Offset, Side, Turning};
use crate::session::{InputState, Update};
use crate::settings::{ChannelChoice, Command, Mains, Settings};
use std::collections::VecDeque;

/// The screen looks back so far, s.
pub const LOOK_BACK_S: f64 = 30.0;
/// How often the signal's frequency is reckoned anew, s of sound.
const RECKON_S: f64 = 0.5;
/// No label is longer, characters.
const LONGEST_LABEL: usize = 24;
/// How long the answer to a key stays, s of sound.
const ANSWER_S: f64 = 4.0;

/// One point of the descent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Instant, s.
    pub at_s: f64,
    /// |b|, Hz; none where nothing was heard.
    pub offset_hz: Option<f64>,
    /// Side.
    pub side: Side,
}

/// A rest that the user marked.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// When it was marked, s.
    pub at_s: f64,
    /// The rest as it was then.
    pub rest: Rest,
    /// What was in the hand.
    pub hand: Hand,
    /// The corrected frequency, where the dial is known.
    pub signal: Option<Signal>,
    /// The station, where it has a label.
    pub label: Option<String>,
}

/// What the dial half makes of an offset.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// The signal's frequencies, Hz: one, or the two that an unknown side allows.
    pub frequencies_hz: Vec<f64>,
    /// Standard uncertainty, Hz.
    pub u_hz: f64,
    /// Half-width of the interval that covers 95 %, Hz.
    pub expanded_u_hz: f64,
    /// Signal less target, Hz, where there is a target and the side is known.
    pub from_target_hz: Option<f64>,
}

/// What is to be marked in turn, and what it is good for.
pub enum Round {
    /// The stations of a net, the next first.
    Stations(VecDeque<String>),
    /// A check point and then the signal, the dial left alone: N, M, and what makes a clerk of the check's offset.
    Transfer(u32, u32, Box<dyn Fn(&Offset) -> Clerk>),
}

/// Turns an offset into the signal's frequency, where the dial reading is known.
pub type Clerk = Box<dyn Fn(&Offset) -> Option<Signal>>;

/// The state of the screen.
pub struct View {
    /// The newest from the session.
    pub update: Update,
    /// What holds now.
    pub settings: Settings,
    /// What the note is compared with.
    pub against: Against,
    /// The last half minute, oldest first.
    pub trail: VecDeque<Point>,
    /// Rests marked so far.
    pub marks: Vec<Mark>,
    /// Whether the help is shown.
    pub help: bool,
    /// The signal's frequency now.
    pub signal: Option<Signal>,
    /// Whether to leave.
    pub left: bool,
    channels: u16,
    fade: Fade,
    follower: Follower,
    clerk: Option<Clerk>,
    round: Option<Round>,
    /// The rest that is being labelled, and its label so far.
    typing: Option<(Mark, String)>,
    /// When the clerk last reckoned, s.
    reckoned: Option<f64>,
    answer: Option<(String, f64)>,
}

impl View {
    /// The screen before the first sound.
    pub fn new(format: StreamFormat, settings: Settings, against: Against, clerk: Option<Clerk>) -> Self {
        Self {
            update: Update::default(),
            settings,
            against,
            trail: VecDeque::new(),
            marks: Vec::new(),
            help: false,
            signal: None,
            left: false,
            channels: format.channels,
            fade: Fade::default(),
            follower: Follower::default(),
            clerk,
            round: None,
            typing: None,
            reckoned: None,
            answer: None,
        }
    }

    /// The same with something to be marked in turn.
    #[must_use]
    pub fn with_round(mut self, round: Option<Round>) -> Self {
        self.round = round;
        self
    }

    /// Whether a label is being typed.
    pub fn is_typing(&self) -> bool {
        self.typing.is_some()
    }

    /// Takes what the session tells.
    pub fn take(&mut self, update: Update) {
        if let Some(snapshot) = &update.snapshot
            && self.trail.back().is_none_or(|point| point.at_s < snapshot.at_s)
        {
            self.trail.push_back(Point {
                at_s: snapshot.at_s,
                offset_hz: snapshot.offset_hz.filter(|_| snapshot.heard().is_some()),
                side: snapshot.side,
            });
            while self.trail.front().is_some_and(|point| snapshot.at_s - point.at_s > LOOK_BACK_S) {
                self.trail.pop_front();
            }
            self.fade.take(snapshot);
            self.follower.take(snapshot);
            let due = self.reckoned.is_none_or(|at_s| snapshot.at_s - at_s >= RECKON_S);
            match (offset(snapshot), &self.clerk) {
                (Some(_), Some(_)) if !due => {}
                (Some(offset), Some(clerk)) => {
                    self.signal = clerk(&offset);
                    self.reckoned = Some(snapshot.at_s);
                }
                _ => (self.signal, self.reckoned) = (None, None),
            }
        }
        self.update = update;
    }

    /// Obeys a key; what the session is to be told of it, if anything.
    pub fn press(&mut self, key: Key) -> Option<Command> {
        let was_help = std::mem::take(&mut self.help);
        match key {
            Key::Leave => self.left = true,
            Key::Help => self.help = !was_help,
            Key::Mark => self.mark(),
            Key::Label => self.typing = self.resting().map(|mark| (mark, String::new())),
            Key::Letter(letter) => {
                if let Some((_, label)) =
                    self.typing.as_mut().filter(|it| it.1.chars().count() < LONGEST_LABEL)
                {
                    label.push(letter);
                }
            }
            Key::Erase => _ = self.typing.as_mut().and_then(|(_, label)| label.pop()),
            Key::Drop => self.typing = None,
            Key::Done => {
                if let Some((mark, label)) = self.typing.take() {
                    let label = label.trim().to_owned();
                    self.keep(Mark { label: (!label.is_empty()).then_some(label), ..mark });
                }
            }
            Key::Hand => {
                self.settings.hand = match self.settings.hand {
                    Hand::Meter => Hand::Signal,
                    Hand::Signal => Hand::Meter,
                };
                // The turning declared was the other oscillator's.
                self.settings.turning = None;
                return Some(Command::Hand(self.settings.hand));
            }
            Key::Up | Key::Down => {
                let turning = if key == Key::Up { Turning::Up } else { Turning::Down };
                self.settings.turning = Some(turning);
                return Some(Command::Turning(Some(turning)));
            }
            Key::NoTurning => {
                self.settings.turning = None;
                return Some(Command::Turning(None));
            }
            Key::Channel => {
                self.settings.channel = match self.settings.channel {
                    ChannelChoice::Auto => ChannelChoice::Number(1),
                    ChannelChoice::Number(n) if n < self.channels => ChannelChoice::Number(n + 1),
                    ChannelChoice::Number(_) => ChannelChoice::Auto,
                };
                return Some(Command::Channel(self.settings.channel));
            }
            Key::Mains => {
                self.settings.mains = match self.settings.mains {
                    Mains::Auto => Mains::Near(50.0),
                    Mains::Near(hz) if hz < 55.0 => Mains::Near(60.0),
                    Mains::Near(_) => Mains::Off,
                    Mains::Off => Mains::Auto,
                };
                return Some(Command::Mains(self.settings.mains));
            }
        }
        None
    }

    /// The present rest as a mark without a label; says so where there is none.
    fn resting(&mut self) -> Option<Mark> {
        let resting = self.update.snapshot.as_ref().filter(|s| s.state == EndingState::Resting);
        let Some((at_s, rest)) = resting.and_then(|s| Some((s.at_s, s.rest.clone()?))) else {
            self.say("no rest to mark: hold the note still");
            return None;
        };
        Some(Mark { at_s, rest, hand: self.settings.hand, signal: self.signal.clone(), label: None })
    }

    /// Marks the present rest, under the next label where there is a list. In turn, a rest that was marked and goes on is
    /// marked anew in its place: it is longer, and still of the same station.
    fn mark(&mut self) {
        let Some(mut mark) = self.resting() else { return };
        let goes_on = |last: &Mark| mark.rest.start_s < last.rest.end_s;
        let again = self.marks.last().filter(|_| self.round.is_some()).is_some_and(goes_on);
        let place = self.marks.len() - usize::from(again);
        match &mut self.round {
            Some(Round::Stations(_)) if again => mark.label.clone_from(&self.marks[place].label),
            Some(Round::Stations(next)) => mark.label = next.pop_front(),
            Some(Round::Transfer(n, m, clerk_of)) if place == 0 => {
                if mark.rest.side == Side::Unknown {
                    self.say(
                        "the check's side is not known: press ↑ or ↓ and nudge the meter that way first",
                    );
                    return;
                }
                mark.label = Some(format!("check {n}/{m}"));
                mark.signal = None;
                self.clerk = Some(clerk_of(&mark.rest.offset()));
                self.reckoned = None;
            }
            Some(Round::Transfer(..)) => mark.label = Some("signal".to_owned()),
            None => {}
        }
        self.marks.truncate(place);
        self.keep(mark);
    }

    fn keep(&mut self, mark: Mark) {
        let label = mark.label.as_ref().map_or_else(String::new, |label| format!(": {label}"));
        self.marks.push(mark);
        self.say(&format!("rest marked, number {}{label}", self.marks.len()));
    }

    /// What is to be marked next, where there is something in turn.
    fn next_in_turn(&self) -> Option<String> {
        match self.round.as_ref()? {
            Round::Stations(next) => Some(match next.front() {
                Some(label) => format!("next {label}: space marks its rest"),
                None => "all have been heard; q prints them".to_owned(),
            }),
            Round::Transfer(n, m, _) => Some(match self.marks.len() {
                0 => format!("1 of 2: crystal on, rest beside {n}/{m}, space marks it"),
                1 => "2 of 2: leave the dial, signal on, rest, space marks it".to_owned(),
                _ => "done: q prints it".to_owned(),
            }),
        }
    }

    fn say(&mut self, answer: &str) {
        self.answer = Some((answer.to_owned(), self.now_s() + ANSWER_S));
    }

    /// The answer to the last key, while it is fresh.
    pub fn answer(&self) -> Option<&str> {
        self.answer.as_ref().filter(|(_, until)| self.now_s() <= *until).map(|(text, _)| text.as_str())
    }

    /// The newest instant heard, s.
    pub fn now_s(&self) -> f64 {
        self.update.snapshot.as_ref().map_or(0.0, |snapshot| snapshot.at_s)
    }

    /// What is happening and what to do.
    pub fn words(&self) -> Words {
        if let Some((_, label)) = &self.typing {
            return Words {
                headline: format!("label for this rest: {label}_"),
                advice: "Enter takes it, Esc drops it".to_owned(),
            };
        }
        let mut words = words::words(
            &self.update,
            &Scene {
                hand: self.settings.hand,
                against: self.against,
                fading: self.fade.is_fading(),
                trend: self.trend(),
                turning_known: self.settings.turning.is_some(),
                keys: true,
            },
        );
        if let Some(next) = self.next_in_turn() {
            words.advice = next;
        }
        words
    }

    /// Which way the offset goes.
    pub fn trend(&self) -> Trend {
        self.follower.trend()
    }

    /// The offset to be shown and its standard uncertainty, Hz; none when nothing is heard now. Held off, it is the
    /// distance to the target.
    pub fn shown(&self) -> Option<(f64, Option<f64>)> {
        let comes_in = matches!(self.update.input, InputState::Flowing | InputState::Leaking(_));
        let snapshot = self.update.snapshot.as_ref().filter(|_| comes_in)?;
        Some(self.against.shown(snapshot.heard()?, snapshot.side))
    }

    /// Below this nothing is heard, Hz, as far as is known.
    pub fn deaf_below_hz(&self) -> Option<f64> {
        self.update.snapshot.as_ref().and_then(|snapshot| snapshot.bound_hz)
    }
}

/// What a snapshot has for the dial half: a rest, or zero beat as near as can be heard.
pub fn offset(snapshot: &Snapshot) -> Option<Offset> {
    match (snapshot.state, &snapshot.rest) {
        (EndingState::Resting, Some(rest)) => {
            Some(Offset::Heard { offset_hz: rest.offset_hz, u_hz: rest.u_hz, side: snapshot.side })
        }
        (EndingState::DeadBand, _) => snapshot.bound_hz.map(|bound_hz| Offset::Within { bound_hz }),
        _ => None,
    }
}
