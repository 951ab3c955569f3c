//! The dial half: offset, reading, book, check points and crystal come together in a corrected frequency with its
//! budget.
//!
//! With `b = H·f_meter − K·f_signal` the signal is `f_signal = (H·f_meter − b)/K`, and the meter's fundamental is the
//! book's value at the reading plus a correction carried over from the check points:
//! `f_meter = book(D) + Σ W_j·((N_j·f_crystal + b_j)/M_j − book(D_j))`. All of it is linear in what was observed, so
//! each cause of error is followed through the whole sum and stands in one line of the budget; what cancels, as the
//! book and the reading do when the check lies at the reading of the measurement, cancels there too.

mod again;
mod beat;
mod budget;
pub mod chain;
mod check;
mod correct;
mod doubts;
mod interval;
mod order;
mod paper;
mod pencil;
mod recheck;
mod roll;
mod transport;
mod unknown;
mod verdict;
mod work;

pub use again::{Taken, again, taken};
pub use budget::{Component, Kind, Shape};
pub use check::{Check, CheckResult};
pub use correct::{Allowances, Corrected, Extra, Measurement, PairReading, Request, correct};
pub use order::{Needed, Order, OrderShare, RestAt, order};
pub use pencil::holds_on_paper;
pub use recheck::{Drift, DriftOf, DriftSource, Recheck};
pub use roll::{RollCall, RollError, Station, Turn, roll_call};
pub use transport::Transport;
pub use unknown::{About, BeatAt, Candidate, Found, Next, unknown};
pub use verdict::{Target, TargetResult, Verdict};

use crate::dial::DialError;

/// Why there is no corrected frequency.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CorrectionError {
    /// Something about the meter, its book or a reading.
    #[error(transparent)]
    Dial(#[from] DialError),
    /// A check whose side is not known.
    #[error(
        "the check at {0:.1} has no side; hint: nudge the dial to tell it, or write its bound, as in {0:.1}:7/2:within20Hz"
    )]
    CheckWithoutSide(f64),
    /// A rest named by its number where no recording was heard.
    #[error(
        "rest{0} is a rest of no recording; hint: hushbeat correct --recording FILE hears it, elsewhere write OFFSET:SIDE"
    )]
    RestOfNoRecording(usize),
    /// A pair of readings that the book puts the wrong way round or too far apart.
    #[error(
        "the pair contradicts itself: {low_hz:.1} Hz from the low side, {high_hz:.1} Hz from the high side, {times:.1} times the uncertainty of their difference apart; hint: D1 is the reading with the meter below the signal, and both readings must hear the same beat"
    )]
    PairContradicts {
        /// Signal by the low reading, Hz.
        low_hz: f64,
        /// Signal by the high reading, Hz.
        high_hz: f64,
        /// Difference over its uncertainty.
        times: f64,
    },
    /// One of the two pitches of a pair.
    #[error(
        "one reading of the pair has a pitch, the other none; hint: give both, or leave both out where they were equal"
    )]
    HalfAPair,
    /// Beats of an unknown signal that are too few to tell it.
    #[error(
        "one beat tells no order: the signal may be any harmonic of the meter there; hint: turn on to the next beat and add its --reading, or say where a receiver finds it with --about F±P%"
    )]
    TooFewBeats,
    /// Beats that no signal makes.
    #[error("no signal makes beats at all these readings; hint: are they of one signal, and of this range?")]
    NothingExplains,
}
