//! Which frequency, and which harmonics, the beats of one unknown signal come from.
//!
//! A signal `f` beats wherever `H·f_meter = K·f`. One reading leaves every order open; two pin down the ratio of their
//! orders, and with it `f` up to a common multiple; every further beat, and every beat that was passed without being
//! heard, weighs for or against a multiple. Each hypothesis gets its share of belief from
//!
//! - how well one `f` fits all readings (Student's t with [`TAILS`] degrees of freedom, so that a meter which has
//!   strayed a little from its book does not drive the answer to absurd orders),
//! - which beats between the readings it says should have been heard: a beat with the signal itself is heard with
//!   [`HEARD`]`[0]`; its harmonics 2, 3 and 4 reach the meter once in twenty signals ([`HARMONICS_REACH`]), and are then
//!   heard by the further ones,
//! - beats outside the readings, where nobody says whether the dial was ever there: even odds,
//! - the prior: evenly spread in the logarithm of `f`, and falling as 1/H with the lowest meter harmonic in use, since
//!   harmonics fade about as their order.
//!
//! The constants are common practice without a source; a share is as good as they are.

mod hypothesis;
mod next;

use super::CorrectionError;
use crate::dial::{Meter, Range};
use crate::offset::Offset;
use hypothesis::{Hypothesis, Seen};
pub use next::Next;

/// Chance that a beat with the signal's harmonic 1, 2, 3, 4 is heard on turning across it, if the signal's own harmonics
/// reach the meter at all.
const HEARD: [f64; 4] = [0.8, 0.3, 0.2, 0.1];
/// Odds that they do.
const HARMONICS_REACH: f64 = 0.05;
/// The meter's highest harmonic that is thought of.
const HIGHEST_ORDER: u32 = 100;
/// Degrees of freedom of the readings' errors.
const TAILS: f64 = 4.0;
/// Zero beat by ear leaves the beat within this of zero, Hz, rectangular (from memory: the ear loses it there).
const ZERO_BEAT_HZ: f64 = 20.0;
/// Fewer than this share of belief is not listed.
const LISTED: f64 = 1e-5;
/// No more candidates than this are listed.
const MOST_LISTED: usize = 20;
/// A rival with less than this share of belief does not ask for another reading.
const RIVAL: f64 = 0.01;
/// A best candidate that fits worse than this, in units of u, is doubted.
const DOUBTED: f64 = 4.0;

/// One beat of the unknown signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeatAt {
    /// Reading of the dial, divisions.
    pub reading: f64,
    /// What was heard there; `None` for zero beat by ear.
    pub offset: Option<Offset>,
}

/// Roughly where the signal is, as a receiver's dial has it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct About {
    /// Hz.
    pub hertz: f64,
    /// Half-width of where it may be, Hz, rectangular.
    pub half_width_hz: f64,
}

/// One frequency that would explain the beats.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The signal, Hz.
    pub hertz: f64,
    /// Standard uncertainty, Hz, if this candidate is the one.
    pub u_hz: f64,
    /// H of each reading.
    pub harmonics: Vec<u32>,
    /// K of each reading.
    pub signal_harmonics: Vec<u32>,
    /// Root mean square of the readings' distances from it, in units of their u.
    pub misfit: f64,
    /// Share of belief, all candidates together 1.
    pub share: f64,
}

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Best first.
    pub candidates: Vec<Candidate>,
    /// The reading that would tell the first two apart; `None` where no second is left.
    pub next: Option<Next>,
    /// No candidate fits as well as it should.
    pub doubted: bool,
}

/// Finds what explains the beats.
///
/// # Errors
/// A reading off the book, fewer than two different readings (one is enough with `about`), readings that nothing
/// explains.
pub fn unknown(
    meter: &Meter,
    range: &Range,
    beats: &[BeatAt],
    about: Option<About>,
) -> Result<Found, CorrectionError> {
    let seen: Vec<Seen> = beats.iter().map(|beat| Seen::new(meter, range, beat)).collect::<Result<_, _>>()?;
    let apart = |a: &Seen, b: &Seen| (a.meter.0 - b.meter.0).abs() > 5.0 * a.meter.1.hypot(b.meter.1);
    let different = seen.iter().any(|other| apart(&seen[0], other));
    if !different && about.is_none() {
        return Err(CorrectionError::TooFewBeats);
    }
    let mut found = hypothesis::all(range, &seen, about);
    let best = found.iter().map(|one| one.log_belief).fold(f64::NEG_INFINITY, f64::max);
    let whole: f64 = found.iter().map(|one| (one.log_belief - best).exp()).sum();
    let share = |one: &Hypothesis| (one.log_belief - best).exp() / whole;
    found.retain(|one| share(one) >= LISTED);
    found.truncate(MOST_LISTED);
    if found.is_empty() {
        return Err(CorrectionError::NothingExplains);
    }
    let candidates: Vec<Candidate> = found.iter().map(|one| one.candidate(share(one))).collect();
    let next = match candidates.as_slice() {
        [first, second, ..] if second.share >= RIVAL => next::reading(meter, range, first, second),
        _ => None,
    };
    Ok(Found { doubted: candidates[0].misfit > DOUBTED, candidates, next })
}
