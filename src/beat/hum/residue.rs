//! What is a line of the hum, or but left of one when it has been taken out.

use super::HumFollower;
use super::tooth::Tooth;
use crate::beat::HOP_S;

/// What is left of a line when its mean is taken out: within how many hertz of it, and how much weaker, in power; and
/// for a few seconds, where the hum wanders, of the first line and at most.
pub const RESIDUE_HZ: f64 = 1.5;
const RESIDUE: f64 = 0.01;
const PASSING_RESIDUE: f64 = 0.03;
const MOST_PASSING_RESIDUE: f64 = 0.5;

/// How far from a note images of it may lie, Hz, and how much weaker they are at least, in power.
const IMAGES_HZ: f64 = 130.0;
const IMAGE: f64 = 0.01;

/// How near to whole hops from a line of the hum its steps are, Hz, and how much softer than it in power, those next to it.
const STEP_WITHIN_HZ: f64 = 0.3;
const STEP: f64 = 3e-4;

impl HumFollower {
    /// Whether `frequency_hz` is a line of the comb to within `within_hz`.
    pub fn is_line(&self, frequency_hz: f64, within_hz: f64) -> bool {
        if !self.found {
            return false;
        }
        let order = (frequency_hz / self.fundamental_hz).round();
        order >= 1.0
            && (frequency_hz - order * self.fundamental_hz).abs() < within_hz
            && (order <= 6.0 || self.teeth.iter().any(|t| t.order == order as u32))
    }

    /// Whether it is one, or was for long of a comb that has been lost since.
    pub fn was_line(&self, frequency_hz: f64, within_hz: f64) -> bool {
        self.is_line(frequency_hz, within_hz) || self.record.is_line(frequency_hz, within_hz)
    }

    /// Whether `frequency_hz` lies within `within_hz` of a line that is being taken out.
    pub fn takes_out(&self, frequency_hz: f64, within_hz: f64) -> bool {
        self.found && self.near(frequency_hz, within_hz).next().is_some()
    }

    /// Whether a line of squared amplitude `power` so near to a line of the comb is but what was not quite taken out.
    pub fn is_residue(&self, frequency_hz: f64, power: f64) -> bool {
        let far_louder = |t: &Tooth| power < RESIDUE * f64::from(t.amplitude.norm_sqr());
        self.found && self.near(frequency_hz, RESIDUE_HZ).any(far_louder)
    }

    /// Whether it may be that for a while: a mean over the last hops lags behind a line that wanders, and the higher its
    /// order the more it wanders.
    pub fn may_be_residue(&self, frequency_hz: f64, power: f64) -> bool {
        let louder = |t: &Tooth| {
            let part = (PASSING_RESIDUE * f64::from(t.order * t.order)).min(MOST_PASSING_RESIDUE);
            power < part * f64::from(t.amplitude.norm_sqr())
        };
        self.found && self.near(frequency_hz, RESIDUE_HZ).any(louder)
    }

    /// Whether a line that stands is but what taking the hum out in steps from hop to hop leaves beside the hum's lines: as
    /// far from one of them as the hops fit in between, and far softer.
    pub fn is_step(&self, frequency_hz: f64, power: f64) -> bool {
        let beside = |t: &Tooth| {
            let apart_hz = frequency_hz - f64::from(t.order) * self.fundamental_hz;
            let hops = apart_hz.abs() * HOP_S;
            hops > 0.5
                && is_whole_hops(apart_hz, STEP_WITHIN_HZ)
                && hops * power < STEP * f64::from(t.amplitude.norm_sqr())
        };
        self.found && self.teeth.iter().any(beside)
    }

    /// Whether a line is but an image of a note, of each its frequency and squared amplitude. The mean over the last hops
    /// that a line of the hum is known by holds a little of a note not far off, in steps from hop to hop; taken out, that
    /// leaves the note again on the other side of the hum's line, and both as often as the hops fit in between.
    pub fn is_image(&self, line: (f64, f64), note: (f64, f64), within_hz: f64) -> bool {
        let (f, g) = (line.0, note.0);
        if !self.found || line.1 > IMAGE * note.1 || (f - g).abs() > IMAGES_HZ {
            return false;
        }
        let whole_hops = |apart_hz: f64| is_whole_hops(apart_hz, within_hz);
        let hum = |t: &Tooth| f64::from(t.order) * self.fundamental_hz;
        let mut near = self.teeth.iter().map(hum).filter(|hum| (g - hum).abs() < IMAGES_HZ).peekable();
        near.peek().is_some() && (f - g).abs() > within_hz && whole_hops(f - g)
            || near.any(|hum| whole_hops(f + g - 2.0 * hum))
    }
}

/// Whether two frequencies lie as far apart as a whole number of hops fit in a second, to within `within_hz`.
fn is_whole_hops(apart_hz: f64, within_hz: f64) -> bool {
    let hops = apart_hz * HOP_S;
    (hops - hops.round()).abs() < within_hz * HOP_S
}
