//! Which note is the meter's, and which way pitch goes with radio frequency.

use super::motion::Move;
use crate::beat::declared::{Declarations, Declared};
use crate::offset::{Hand, Side, Turning};
use crate::settings::{Pitch, Sideband, TwoNotes};

/// The declarations, and what follows from them.
pub struct Whose {
    pub two_notes: TwoNotes,
    pub declared: Declarations,
}

/// How far a note must have moved to be the one in the hand, Hz.
const LEAST_MOVE_HZ: f64 = 4.0;

impl Whose {
    /// What was declared for an instant.
    fn at(&self, at_s: f64) -> Declared {
        let declared = self.declared.all();
        *declared.iter().rev().find(|d| d.at_s <= at_s + 0.2).unwrap_or(&declared[0])
    }

    /// Which note is the meter's: the one said to be so at the start, else the one that moved while the meter was in
    /// the hand (or stood while the signal was). `first_higher` was the higher one of the first pair of notes when it
    /// was first heard.
    pub fn meter(&self, chapter: usize, (first_higher, moves): (usize, &[Move])) -> Option<usize> {
        if let Some(pitch) = self.two_notes.meter_pitch.filter(|_| chapter == 0) {
            return Some(if pitch == Pitch::Higher { first_higher } else { 1 - first_higher });
        }
        let mut moved_hz = [0.0; 2];
        for m in moves {
            let meter = if self.at(m.from_s).hand == Hand::Meter { m.note } else { 1 - m.note };
            moved_hz[meter] += m.by_hz.abs();
        }
        let meter = usize::from(moved_hz[1] > moved_hz[0]);
        (moved_hz[meter] > LEAST_MOVE_HZ).then_some(meter)
    }

    /// +1 where pitch rises with radio frequency, −1 where it falls: as declared, or as the first move after a
    /// declared turning shows. `None` where it is not known.
    pub fn sense<'a>(&self, all_moves: impl Iterator<Item = &'a Move>) -> Option<f64> {
        self.said().or_else(|| self.shown(all_moves))
    }

    /// The sense that was declared.
    fn said(&self) -> Option<f64> {
        match self.two_notes.sideband {
            Sideband::Upper => Some(1.0),
            Sideband::Lower => Some(-1.0),
            Sideband::Auto => None,
        }
    }

    /// The sense that declared turnings show.
    fn shown<'a>(&self, all_moves: impl Iterator<Item = &'a Move>) -> Option<f64> {
        let mut shown = 0.0;
        let mut spent = vec![false; self.declared.all().len()];
        for m in all_moves {
            let Some(n) = self.declared.all().iter().rposition(|d| d.at_s <= m.from_s + 0.3) else {
                continue;
            };
            if let (Some(turning), false) = (self.declared.all()[n].turning, spent[n]) {
                let t = if turning == Turning::Up { 1.0 } else { -1.0 };
                shown += t * m.by_hz.signum();
            }
            // Only the first move after a declaration goes the way declared.
            spent[n] = true;
        }
        (shown != 0.0).then_some(f64::signum(shown))
    }

    /// Whether a declared turning contradicts the declared sideband.
    pub fn contradicted<'a>(&self, all_moves: impl Iterator<Item = &'a Move>) -> bool {
        let Some(said) = self.said() else { return false };
        self.shown(all_moves).is_some_and(|shown| shown * said < 0.0)
    }

    /// The side of notes `hz` of which `meter` is the meter's.
    pub fn side(sense: Option<f64>, meter: Option<usize>, apart_hz: f64) -> Side {
        match (sense, meter) {
            // Note 1 − note 0 is meter − signal where note 1 is the meter's.
            (Some(sense), Some(meter)) => Side::of(sense * if meter == 1 { apart_hz } else { -apart_hz }),
            _ => Side::Unknown,
        }
    }
}
