//! `rollcall`: the stations of a net in one recording, the dial untouched, each against net control.

use super::analyse::Analysis;
use super::correct::side;
use super::span::Span;
use crate::clock::Clock;
use crate::correction::{RollCall, RollError, Turn, roll_call};
use crate::dial::{DialError, Table, short};
use crate::heard::{Rest, Warning};
use crate::offset::Side;
use serde::{Deserialize, Serialize};

/// The header of a list of stations, and what may follow.
const HEADER: [&str; 1] = ["label"];
const MORE: [&str; 3] = ["from_s", "to_s", "side"];

/// One turn as it was written down.
#[derive(Debug, Clone, PartialEq)]
pub struct Called {
    /// What the net calls the station.
    pub label: String,
    /// When it sent; `None` where the list has no times.
    pub span: Option<Span>,
    /// Where the meter stood against it; `None` where the list has none.
    pub side: Option<Side>,
}

/// The turns in the order in which they were sent.
#[derive(Debug, Clone, PartialEq)]
pub struct Calls {
    /// The turns.
    pub turns: Vec<Called>,
    file: String,
}

impl Calls {
    /// Reads a list: `label`, and where wanted `from_s,to_s` (seconds from the beginning of the recording) and `side`.
    ///
    /// # Errors
    /// Whatever is wrong, with its line.
    pub fn parse(text: &str, file: &str) -> Result<Self, DialError> {
        let table = Table::read(text, file, &HEADER, &MORE)?;
        let mut turns = Vec::new();
        for record in &table.records {
            let label = record.fields[0].clone();
            if label.is_empty() {
                return Err(table.error(record.line, "a station without a name", "its label comes first"));
            }
            let span = match record.fields.len() {
                1 => None,
                2 => {
                    return Err(table.error(record.line, "from_s without to_s", "give both, or neither"));
                }
                _ => {
                    let from_s = table.number(record, 1, "the second at which it begins")?;
                    let to_s = table.number(record, 2, "the second at which it ends")?;
                    if from_s < 0.0 || to_s <= from_s {
                        let what = format!("{from_s} to {to_s} s is no stretch of a recording");
                        return Err(table.error(record.line, what, "from_s comes before to_s"));
                    }
                    Some(Span { from_s, to_s: Some(to_s) })
                }
            };
            let side = match record.fields.get(3).map(String::as_str) {
                None | Some("") => None,
                Some(word) => {
                    let wrong = |_| {
                        let what = format!("`{word}` is not a side");
                        table.error(record.line, what, "high: the meter above the station, low, or unknown")
                    };
                    Some(side(word).map_err(wrong)?)
                }
            };
            turns.push(Called { label, span, side });
        }
        Ok(Self { turns, file: file.to_owned() })
    }

    /// Rests as those of the turns, one after the other.
    fn with<'a>(&'a self, rests: &'a [Rest]) -> impl Iterator<Item = Named<'a>> {
        self.turns.iter().zip(rests).map(|(called, rest)| (called.label.as_str(), rest, called.side))
    }

    /// The side that the list states for a station at its turn with this number, counted from 0; at a turn more than the
    /// list has, that of its last.
    pub fn side_of(&self, label: &str, turn: usize) -> Option<Side> {
        let own = || self.turns.iter().filter(|called| called.label == label);
        own().nth(turn).or_else(|| own().next_back()).and_then(|called| called.side)
    }
}

/// A station's label, the rest at its turn, and the side where one was stated.
pub type Named<'a> = (&'a str, &'a Rest, Option<Side>);

/// The answer of `rollcall --json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RollRecord {
    /// The recording.
    pub path: String,
    /// The stations against net control.
    #[serde(flatten)]
    pub roll: RollCall,
    /// The sound card's clock.
    pub clock: Clock,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

/// Why there is no roll-call.
#[derive(Debug, thiserror::Error)]
pub enum RollCallError {
    /// The recording can't be heard.
    #[error("{0}")]
    Ear(String),
    /// Another number of rests than of turns in the list.
    #[error(
        "{list}: it names {named} turns and {heard} rests were heard in {path}; hint: give each turn its from_s,to_s in the list"
    )]
    Count {
        /// The list.
        list: String,
        /// The recording.
        path: String,
        /// Turns in the list.
        named: usize,
        /// Rests heard.
        heard: usize,
    },
    /// A turn in which nothing came to rest.
    #[error(
        "{path}: no rest of `{}` from {from_s} to {to_s} s; hint: strike it from the list, or give it more time",
        short(label)
    )]
    NoRest {
        /// The recording.
        path: String,
        /// The station.
        label: String,
        /// Where it was listened for, s.
        from_s: f64,
        /// … to here, s.
        to_s: f64,
    },
    /// The arithmetic.
    #[error(transparent)]
    Roll(#[from] RollError),
}

/// What a roll-call goes by.
#[derive(Debug, Clone, PartialEq)]
pub struct Net {
    /// Net control; the first to be called where it is not named.
    pub control: Option<String>,
    /// Where the meter stood against every station whose side is neither in the list nor heard.
    pub side: Side,
    /// K.
    pub signal_harmonic: u32,
    /// The sound card's clock.
    pub clock: Clock,
}

impl Net {
    /// Holds rests against net control.
    ///
    /// # Errors
    /// No net control, or nobody else.
    pub fn roll_call<'a>(
        &self,
        path: &str,
        rests: impl Iterator<Item = Named<'a>>,
    ) -> Result<RollRecord, RollCallError> {
        let turns: Vec<Turn> =
            rests.map(|(label, rest, stated)| turn(label, rest, stated, self.side)).collect();
        let first = turns.first().map_or("", |turn| &turn.label);
        let control = self.control.as_deref().unwrap_or(first);
        record(path, &turns, control, self.signal_harmonic, self.clock.clone())
    }

    /// Holds the rests of a recording, one for every turn of a list, against net control.
    ///
    /// # Errors
    /// Another number of rests than of turns, no net control, or nobody else.
    pub fn in_order(&self, path: &str, calls: &Calls, rests: &[Rest]) -> Result<RollRecord, RollCallError> {
        let (named, heard) = (calls.turns.len(), rests.len());
        if named != heard {
            return Err(RollCallError::Count {
                list: calls.file.clone(),
                path: path.to_owned(),
                named,
                heard,
            });
        }
        self.roll_call(path, calls.with(rests))
    }
}

/// A rest as a turn of the station so named; a side that is stated comes before the one that was heard.
pub fn turn(label: &str, rest: &Rest, stated: Option<Side>, otherwise: Side) -> Turn {
    let heard = if rest.side == Side::Unknown { otherwise } else { rest.side };
    Turn {
        label: label.to_owned(),
        at_s: rest.at_s,
        length_s: rest.end_s - rest.start_s,
        offset_hz: rest.offset_hz,
        u_hz: rest.u_hz,
        u_noise_hz: rest.u_noise_hz,
        side: stated.unwrap_or(heard),
        rate: (rest.rate_hz_per_s, rest.rate_u),
    }
}

/// Hears every turn and holds it against net control; `ear` hears the recording, or a part of it.
///
/// # Errors
/// A recording that can't be heard, a turn without a rest, lists and rests that do not fit, no net control.
pub fn rollcall(
    path: &str,
    calls: &Calls,
    net: &Net,
    ear: &dyn Fn(Option<Span>) -> Result<Analysis, String>,
) -> Result<RollRecord, RollCallError> {
    if calls.turns.iter().any(|called| called.span.is_none()) {
        let rests = ear(None).map_err(RollCallError::Ear)?.heard.rests;
        return net.in_order(path, calls, &rests);
    }
    let length = |rest: &Rest| rest.end_s - rest.start_s;
    let one = |called: &Called| {
        let rests = ear(called.span).map_err(RollCallError::Ear)?.heard.rests;
        let longest = rests.into_iter().max_by(|a, b| length(a).total_cmp(&length(b)));
        longest.ok_or_else(|| RollCallError::NoRest {
            path: path.to_owned(),
            label: called.label.clone(),
            from_s: called.span.map_or(0.0, |span| span.from_s),
            to_s: called.span.and_then(|span| span.to_s).unwrap_or(f64::INFINITY),
        })
    };
    let rests = calls.turns.iter().map(one).collect::<Result<Vec<_>, _>>()?;
    net.roll_call(path, calls.with(&rests))
}

/// Holds turns that are there already against net control.
///
/// # Errors
/// No net control, or nobody else.
pub fn record(
    path: &str,
    turns: &[Turn],
    control: &str,
    signal_harmonic: u32,
    clock: Clock,
) -> Result<RollRecord, RollCallError> {
    let roll = roll_call(turns, control, signal_harmonic, &clock)?;
    let mut warnings = Vec::new();
    let mut warn = |code: &str, message: String| warnings.push(Warning { code: code.into(), message });
    if roll.stations.iter().any(|station| !station.alternatives_hz.is_empty()) {
        warn(
            "side-unknown",
            "where a side is not known there is more than one answer: hold the meter off to one side of the whole net and state --side".into(),
        );
    }
    if roll.widened > 2.0 {
        warn(
            "scatter",
            format!(
                "turns of one station scatter {:.1} times as much as they should, and every u was widened so: was the dial touched?",
                roll.widened
            ),
        );
    }
    let again = roll.stations.iter().any(|it| it.label == roll.control && it.turns > 1);
    if !again {
        warn(
            "control-once",
            "net control was heard once: called again at the end it shows the meter's drift, which is only allowed for now".into(),
        );
    }
    Ok(RollRecord { path: path.to_owned(), roll, clock, warnings })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_are_read_as_written() {
        let calls =
            Calls::parse("label,from_s,to_s,side\nNCS,0,5,high\n\"a, b\",6,11,\n", "net.csv").unwrap();
        assert_eq!(calls.turns[0].side, Some(Side::High));
        assert_eq!(calls.turns[1].label, "a, b");
        assert_eq!(calls.turns[1].span, Some(Span { from_s: 6.0, to_s: Some(11.0) }));
        assert_eq!(Calls::parse("label\nNCS\nA\n", "n").unwrap().turns[1].span, None);
        let twice = "label,from_s,to_s,side\nA,0,5,high\nB,6,9,\nA,10,15,low\n";
        let calls = Calls::parse(twice, "net.csv").unwrap();
        let sides = [("A", 0), ("A", 1), ("A", 2), ("B", 0), ("C", 0)]
            .map(|(label, turn)| calls.side_of(label, turn));
        assert_eq!(sides, [Some(Side::High), Some(Side::Low), Some(Side::Low), None, None]);
        let say = |text: &str| Calls::parse(text, "net.csv").unwrap_err().to_string();
        for (said, start) in [
            (say("label,from_s,to_s\nA,5,3\n"), "net.csv:2: 5 to 3 s is no stretch"),
            (say("label,from_s\nA,5\n"), "net.csv:2: from_s without to_s"),
            (say("label,from_s,to_s,side\nA,1,3,above\n"), "net.csv:2: `above` is not a side"),
            (say("label,from_s,to_s\n,1,3\n"), "net.csv:2: a station without a name"),
            (say("name\nA\n"), "net.csv:1: expected the header `label`"),
        ] {
            assert!(said.starts_with(start) && said.contains("; hint: "), "{said}");
        }
    }
}
