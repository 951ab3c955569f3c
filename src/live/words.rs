//! What is happening and what to do, in plain words: the same on the screen and in plain lines.
//!
//! No sentence says a bare "high" or "low", and none says a number where nothing is heard.

use super::hold_off::{HoldOff, subject};
use super::trend::Trend;
use super::view::Signal;
use crate::heard::{EndingState, NotesNow, Snapshot};
use crate::measured::{decimals_for, value_and_u};
use crate::offset::{Hand, Side};
use crate::session::{InputState, Update};
use std::fmt::Write;

/// What the note is compared with.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Against {
    /// An unknown signal, or one to be set.
    #[default]
    Signal,
    /// A check point, with the hand on the corrector: crystal harmonic N meets meter harmonic M.
    CheckPoint {
        /// Harmonic of the crystal, N.
        crystal: u32,
        /// Harmonic of the meter, M.
        meter: u32,
    },
    /// A target, the meter held off beside it.
    HoldOff(HoldOff),
}

impl Against {
    /// What is shown for an offset, Hz: itself, or held off the distance to the target; and its u, where there is one.
    pub fn shown(&self, (offset, u): (f64, Option<f64>), side: Side) -> (f64, Option<f64>) {
        match self {
            Self::HoldOff(held) => (held.difference_hz(offset, side).abs(), u.map(|u| held.u_hz(u))),
            _ => (offset, u),
        }
    }
}

/// What the words depend on besides what is heard.
#[derive(Debug, Clone, Copy)]
pub struct Scene {
    /// The oscillator in the hand.
    pub hand: Hand,
    /// What the note is compared with.
    pub against: Against,
    /// A note fades though nothing is turned.
    pub fading: bool,
    /// Which way the offset goes.
    pub trend: Trend,
    /// Whether it was declared which way the one in the hand is turned.
    pub turning_known: bool,
    /// Whether there are keys to press.
    pub keys: bool,
}

/// Two short lines.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Words {
    /// What is happening, and in the plainest cases what to do.
    pub headline: String,
    /// What to do, or what it means.
    pub advice: String,
}

impl Words {
    fn new(headline: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { headline: headline.into(), advice: advice.into() }
    }
}

/// Half-width of the 95 % interval of a normal distribution in standard uncertainties (JCGM 100:2008, table G.1).
pub const K95: f64 = 1.959_964;

/// The words for the newest state.
pub fn words(update: &Update, scene: &Scene) -> Words {
    match &update.input {
        InputState::Gone { why, attempt } => {
            let tried =
                attempt.as_ref().map_or(String::new(), |attempt| format!("; at the last try {attempt}"));
            return Words::new(
                format!("{why}: trying to get it back"),
                format!("look at the plug and the cable{tried}"),
            );
        }
        InputState::Silent(_) => {
            return Words::new(
                "no sound arrives: waiting for the input",
                "is the sound server stopped, or the card asleep?",
            );
        }
        InputState::Flowing | InputState::Leaking(_) => {}
    }
    let Some(snapshot) = &update.snapshot else {
        return Words::new("listening", "the first answer comes with the first sound");
    };
    if scene.fading {
        return Words::new(
            "the note fades though nothing is turned",
            "switch off the system's sound processing: noise suppression eats steady notes",
        );
    }
    if let Some(words) = snapshot.notes.and_then(|notes| of_two_notes(notes, snapshot.state, scene)) {
        return words;
    }
    match snapshot.state {
        EndingState::Quiet => Words::new("no note heard", search(scene)),
        EndingState::Moving => moving(snapshot, scene),
        EndingState::Resting => match scene.against {
            Against::HoldOff(held) => resting_held_off(snapshot, scene, &held),
            _ => resting(snapshot, scene),
        },
        EndingState::DeadBand => dead_band(snapshot, scene.against),
        EndingState::Locked => Words::new(
            "the two oscillators have locked together",
            "loosen the coupling, or measure at a larger offset",
        ),
        EndingState::Lost => Words::new(
            "the note stopped where it could still be heard",
            "it was not turned to zero: has it faded, been unkeyed or unplugged?",
        ),
    }
}

/// What only two notes in a receiver need said.
fn of_two_notes(notes: NotesNow, state: EndingState, scene: &Scene) -> Option<Words> {
    if notes.straddled {
        return Some(Words::new(
            "the notes glide against each other: no offset",
            "turn the receiver's pitch control until both notes move the same way",
        ));
    }
    match (state, notes.hz) {
        (EndingState::Quiet | EndingState::Lost, [None, None]) => Some(Words::new(
            "two notes are expected, none is heard",
            "tune the receiver, its beat oscillator on, until signal and meter are both heard",
        )),
        (EndingState::Quiet | EndingState::Lost, _) => {
            Some(Words::new("one of the two notes is silent", "is the key up, or has it faded?"))
        }
        (_, [_, _]) if !notes.told => Some(Words::new(
            "two notes heard: which one is the meter's?",
            format!("turn the {} a little: the one that moves is it", held(scene.hand)),
        )),
        _ if notes.sense.is_none() => Some(Words::new(
            "two notes heard, the receiver's side not known",
            where_it_is(Side::Unknown, scene),
        )),
        _ => None,
    }
}

/// The two notes, where two are followed: which is whose, and how far apart.
pub fn notes_words(notes: &NotesNow) -> String {
    let hertz = |hz: Option<f64>| hz.map_or_else(|| "  not heard".to_owned(), |hz| format!("{hz:>8.1} Hz"));
    let [a, b] = notes.hz.map(hertz);
    if notes.told {
        format!("signal's note {a}   meter's note {b}")
    } else {
        format!("a note {a}   another {b}   whose is not known yet")
    }
}

fn search(scene: &Scene) -> &'static str {
    match (scene.against, scene.hand) {
        (Against::CheckPoint { .. }, _) => "set the dial to the check point, then turn the corrector",
        (Against::HoldOff(_), Hand::Meter) => {
            "set the dial to the reading that holds the meter off the target"
        }
        (Against::HoldOff(_), Hand::Signal) => "tune the transmitter slowly toward the target",
        (Against::Signal, Hand::Meter) => "turn the meter's dial slowly across the signal",
        (Against::Signal, Hand::Signal) => "tune the transmitter slowly across the meter",
    }
}

fn moving(snapshot: &Snapshot, scene: &Scene) -> Words {
    let trend = match (scene.against, snapshot.offset_hz) {
        (Against::HoldOff(held), Some(offset)) => held.trend(offset, snapshot.side, scene.trend),
        _ => scene.trend,
    };
    let headline = match trend {
        Trend::ClosingIn => "closing in, keep turning",
        Trend::GoingAway => "going away, turn back",
        Trend::Steady => "hardly moving: hold still to measure",
    };
    let advice = match (scene.against, snapshot.offset_hz) {
        (Against::HoldOff(held), Some(offset)) => {
            let above = held.difference_hz(offset, snapshot.side) > 0.0;
            format!("{} {} the target", subject(scene.hand), if above { "above" } else { "below" })
        }
        _ => where_it_is(snapshot.side, scene),
    };
    Words::new(headline, advice)
}

/// At rest with the meter held off: how far the signal is from its target.
fn resting_held_off(snapshot: &Snapshot, scene: &Scene, held: &HoldOff) -> Words {
    let Some((offset, Some(u))) = snapshot.heard() else {
        return Words::new("a note that stands still", "hold still: it is being measured");
    };
    let (what, u) = (subject(scene.hand), held.u_hz(u));
    let difference = held.difference_hz(offset, snapshot.side);
    let (value, _) = value_and_u(difference.abs(), u);
    let headline = if difference.abs() <= 2.0 * u {
        let within = difference.abs() + 2.0 * u;
        format!("{what} within {within:.*} Hz of the target", decimals_for(within))
    } else {
        let (side, turn) = if difference > 0.0 { ("above", "lower it") } else { ("below", "raise it") };
        let turn = if scene.hand == Hand::Signal { format!(": {turn}") } else { String::new() };
        format!("{what} {value} Hz {side} the target{turn}")
    };
    let mark = if scene.keys { "space marks this rest" } else { "" };
    if snapshot.side != Side::Unknown {
        return Words::new(headline, mark);
    }
    let other = held.other_hz(offset);
    let held_side = if held.beat_hz > 0.0 { "above" } else { "below" };
    Words::new(
        headline,
        format!(
            "if the meter is {held_side} it, as held off; else {:.0} Hz {}",
            other.abs(),
            if other > 0.0 { "above" } else { "below" }
        ),
    )
}

/// Where the one in the hand is, or how to find out.
fn where_it_is(side: Side, scene: &Scene) -> String {
    let (held, other) = (held(scene.hand), other(scene));
    match above(side, scene.hand) {
        Some(true) => format!("{held} above {other}"),
        Some(false) => format!("{held} below {other}"),
        None if scene.turning_known => "side not known yet".to_owned(),
        None if scene.keys => format!("side not known: press ↑ or ↓ for the way the {held} is being turned"),
        None => "--turning up or down, for the way of the first move, would tell the side".to_owned(),
    }
}

fn resting(snapshot: &Snapshot, scene: &Scene) -> Words {
    let (hand, against) = (scene.hand, scene.against);
    let Some((offset, Some(u))) = snapshot.heard() else {
        return Words::new("a note that stands still", "hold still: it is being measured");
    };
    let (held, other) = (held(hand), other(scene));
    if offset <= 2.0 * u {
        let within = offset + 2.0 * u;
        let headline = format!("{held} within {within:.*} Hz of {other}", decimals_for(within));
        return Words::new(headline, "too near to zero to say on which side");
    }
    let (value, _) = value_and_u(offset, u);
    let which_way = match (above(snapshot.side, hand), against) {
        (None, _) => {
            let advice = if scene.keys {
                format!("press ↑ or ↓ and nudge the {held} that way: the note tells the side")
            } else {
                where_it_is(Side::Unknown, scene)
            };
            return Words::new(format!("{value} Hz, standing still, side not known"), advice);
        }
        (Some(above), Against::CheckPoint { meter, .. }) => {
            let at_fundamental = offset / f64::from(meter);
            let (fundamental, _) = value_and_u(at_fundamental, u / f64::from(meter));
            return Words::new(
                format!("meter {value} Hz {} {other}", if above { "above" } else { "below" }),
                format!(
                    "corrector: bring the meter {} by {fundamental} Hz at its fundamental",
                    if above { "down" } else { "up" }
                ),
            );
        }
        (Some(above), Against::Signal | Against::HoldOff(_)) => above,
    };
    let mark = if scene.keys { "space marks this rest" } else { "" };
    let then = if scene.keys { "; " } else { "" };
    match hand {
        Hand::Meter => Words::new(
            format!("meter {value} Hz {} the signal", if which_way { "above" } else { "below" }),
            format!(
                "{mark}{then}to meet the signal turn the meter {}",
                if which_way { "down" } else { "up" }
            ),
        ),
        Hand::Signal => Words::new(
            format!("transmitter {value} Hz {}", if which_way { "high: lower it" } else { "low: raise it" }),
            mark,
        ),
    }
}

fn dead_band(snapshot: &Snapshot, against: Against) -> Words {
    let other = match against {
        Against::Signal | Against::HoldOff(_) => "the signal",
        Against::CheckPoint { .. } => "the check point",
    };
    match snapshot.bound_hz {
        Some(bound) => {
            let bound = format!("{bound:.*} Hz", decimals_for(bound));
            Words::new(
                format!("deaf below {bound} here"),
                format!("the meter is within {bound} of {other}; to measure, rest where a note is heard"),
            )
        }
        None => Words::new(
            "too near to zero to be heard here",
            format!("the meter is close to {other}; to measure, rest where a note is heard"),
        ),
    }
}

/// The oscillator in the hand.
fn held(hand: Hand) -> &'static str {
    match hand {
        Hand::Meter => "meter",
        Hand::Signal => "transmitter",
    }
}

/// The one it is compared with.
fn other(scene: &Scene) -> String {
    match (scene.against, scene.hand) {
        (Against::CheckPoint { crystal, meter }, _) => format!("check point {crystal}/{meter}"),
        (_, Hand::Meter) => "the signal".to_owned(),
        (_, Hand::Signal) => "the meter".to_owned(),
    }
}

/// Whether the oscillator in the hand is above the other one; none when nobody knows. `side` is the meter's.
fn above(side: Side, hand: Hand) -> Option<bool> {
    side.sign().map(|sign| (sign > 0.0) == (hand == Hand::Meter))
}

/// The side in words, for lists.
pub fn side_words(side: Side) -> &'static str {
    match side {
        Side::High => "meter above the signal",
        Side::Low => "meter below the signal",
        Side::Unknown => "side not known",
    }
}

/// What was lost so far. Gaps of unknown length have no count of samples.
pub fn lost_words(samples: u64, gaps: u32) -> String {
    let gaps = if gaps == 1 { "1 gap".to_owned() } else { format!("{gaps} gaps") };
    if samples == 0 { format!("LOST: {gaps}") } else { format!("LOST: {gaps}, {samples} samples at least") }
}

/// What the dial half says of the signal.
pub fn signal_words(signal: &Signal) -> Option<String> {
    let mut text = match signal.frequencies_hz[..] {
        [frequency] => {
            let (value, _) = value_and_u(frequency, signal.u_hz);
            format!(
                "signal {value} Hz, give or take {:.*} Hz (95 %)",
                decimals_for(signal.u_hz),
                signal.expanded_u_hz
            )
        }
        [low, high] => {
            let (low, _) = value_and_u(low, signal.u_hz);
            let (high, _) = value_and_u(high, signal.u_hz);
            format!("signal {low} Hz or {high} Hz: the side decides")
        }
        _ => return None,
    };
    if let Some(off) = signal.from_target_hz {
        let decimals = decimals_for(signal.u_hz);
        let way = if off > 0.0 { "above" } else { "below" };
        let _ = write!(text, "; {:.decimals$} Hz {way} the target", off.abs());
    }
    Some(text)
}
