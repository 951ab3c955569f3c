//! A rest measured: from the sums around a standing note to its edges, its offset and an honest uncertainty.
//!
//! A steady fit to the middle of the stretch gives a reference phase. From there a filter that allows the oscillator
//! its wander walks outward over the phase of the note, and stops where the phase stops fitting: an end a tenth of a
//! second inside the hand's move would spoil the figure, so the walk also backs off by as much as it needed to notice.
//! Where it stops short of what the tracker saw standing still, more wander is tried: a piece of a wandering rest that
//! happens to look rigid would be stated many times better than it is.
//! Between the edges the note is fitted by least squares with the hum beside it, and what its phase holds beyond
//! white noise goes into the uncertainty as wander. Below [`LOW_HZ`] a block has no phase of its own: there the edges
//! come from the misfit of the samples and the figure from the fit alone.

mod guess;
mod misfit;
mod phase;
mod turned;
mod walk;

use crate::estimate::{BlockSums, Comb};
use std::f64::consts::PI;

/// Below this a note is measured on plain means of samples, Hz.
pub const LOW_HZ: f64 = 20.0;
/// About the length of a block of a note above that, s.
const BLOCK_S: f64 = 0.02;
/// Shortest rest, s.
pub const SHORTEST_S: f64 = 0.5;
/// Fastest steady drift that is still a rest, Hz/s.
pub const FASTEST_DRIFT: f64 = 0.2;
/// Least energy of the note over the noise density within the rest: 15 dB. Noise alone passes it once in a million
/// trials (the statistic is χ² with two degrees of freedom over two).
const LEAST_ENERGY: f64 = 32.0;

/// Sums suited to a note near `frequency_hz`: blocks of about 20 ms that hold whole periods, so that the noise of both
/// quadratures is alike and the note's own harmonics drop out; plain means of 4 ms for a low note.
pub fn sums_for(frequency_hz: f64, rate_hz: f64, first_sample: u64) -> BlockSums {
    if frequency_hz < LOW_HZ {
        return BlockSums::new(rate_hz, 0.0, (0.004 * rate_hz).round() as usize, first_sample);
    }
    let periods = (BLOCK_S * frequency_hz).round().max(1.0);
    BlockSums::new(rate_hz, frequency_hz, (periods / frequency_hz * rate_hz).round() as usize, first_sample)
}

/// A measured rest, times in s from the beginning of the stream.
#[derive(Debug, Clone)]
pub struct Measured {
    pub start_s: f64,
    pub end_s: f64,
    pub at_s: f64,
    pub heard_hz: f64,
    pub u_noise_hz: f64,
    pub u_wander_hz: f64,
    pub rate: f64,
    pub rate_u: f64,
    pub cn0_hz: f64,
    /// Squared amplitude.
    pub power: f64,
    pub near_hum_hz: Option<f64>,
    /// What pulled the note, judged apart.
    pub pull: Option<super::pulling::Pull>,
}

impl Measured {
    /// Combined standard uncertainty, Hz.
    pub fn u_hz(&self) -> f64 {
        self.u_noise_hz.hypot(self.u_wander_hz)
    }

    /// For how long both rested, s; negative where one began after the other had ended.
    pub fn together_s(&self, other: &Self) -> f64 {
        self.end_s.min(other.end_s) - self.start_s.max(other.start_s)
    }

    /// Whether the two lie over each other for more than half of the shorter one.
    pub fn lies_over(&self, other: &Self) -> bool {
        self.together_s(other) > 0.5 * (self.end_s - self.start_s).min(other.end_s - other.start_s)
    }
}

/// Measures the rest around `core` (s from the beginning of the stream) in `sums`; `comb` is the hum to be taken out
/// with it. `None` when there is no rest of half a second that stands out of the noise.
pub fn measure(sums: &BlockSums, core: (f64, f64), guess_hz: f64, comb: &Comb) -> Option<Measured> {
    let measured = if sums.carrier_hz() > 0.0 {
        phase::measure(sums, core, guess_hz, comb)
    } else {
        misfit::measure(sums, core, guess_hz, comb)
    }?;
    let energy = measured.cn0_hz * (measured.end_s - measured.start_s);
    let creeps = measured.rate.abs() - 3.0 * measured.rate_u > FASTEST_DRIFT;
    (energy >= LEAST_ENERGY && !creeps && measured.end_s - measured.start_s >= SHORTEST_S).then_some(measured)
}

/// How near a hum line must be to be fitted, Hz: those further off have been taken out of the sound.
const NEAR_LINE_HZ: f64 = 30.0;
/// How much of a steady line, in parts of the note's amplitude, must leak into the blocks to matter (as a ripple of the note's
/// phase it looks like wander), and how many lines are fitted.
const LEAST_LEAK: f64 = 0.003;
const MOST_LONE: usize = 3;

/// How much of a line's mirror image the blocks must pass, in parts of what they pass of the line, for it to be mistaken.
const LOUD_IMAGE: f64 = 0.3;

/// The lines that matter beside a note heard for `span_s`: near ones that the span and the blocks can tell from the
/// note and from each other.
fn near_lines(sums: &BlockSums, comb: &Comb, note_hz: f64, span_s: f64) -> Comb {
    let line = |h: &u32| f64::from(*h) * comb.fundamental_hz;
    // What the blocks make of a distance in frequency: they can't tell multiples of their own rate apart.
    let folded = |d: f64| {
        let turns = d * sums.block_s();
        (turns - turns.round()).abs() / sums.block_s()
    };
    let told = |f: f64| {
        if sums.carrier_hz() <= 0.0 {
            return (f - note_hz).abs() * span_s > 1.0;
        }
        // Where the blocks pass as much of its mirror image as of the line itself, that must be told from the note too.
        let pass = |apart_hz: f64| sums.kernel(apart_hz).abs();
        let imaged = pass(f + sums.carrier_hz()) > LOUD_IMAGE * pass(f - sums.carrier_hz());
        folded(f - note_hz) * span_s > 1.0 && (!imaged || folded(f + note_hz) * span_s > 1.0)
    };
    let mut orders: Vec<u32> = comb.orders.clone();
    orders.retain(|h| (line(h) - note_hz).abs() < NEAR_LINE_HZ && told(line(h)));
    orders.sort_by(|g, h| (line(g) - note_hz).abs().total_cmp(&(line(h) - note_hz).abs()));
    orders.truncate(2);
    let mut lone: Vec<f64> = Vec::new();
    if sums.carrier_hz() > 0.0 {
        let mut near: Vec<f64> =
            comb.lone.iter().copied().filter(|f| sums.kernel(f - note_hz).abs() > LEAST_LEAK).collect();
        near.sort_by(|a, b| (a - note_hz).abs().total_cmp(&(b - note_hz).abs()));
        for f in near {
            let clear = told(f) && lone.iter().all(|g| folded(f - g) * span_s > 1.5);
            let combed =
                orders.iter().any(|h| (f64::from(*h) * comb.fundamental_hz - f).abs() * span_s < 2.0);
            if clear && !combed && lone.len() < MOST_LONE {
                lone.push(f);
            }
        }
    }
    Comb { fundamental_hz: comb.fundamental_hz, free: span_s > 2.0 && !orders.is_empty(), orders, lone }
}

/// Whether a steady line may leak into blocks of a note, of each its frequency and squared amplitude: at a distance ν blocks of
/// a length T pass 1/(πνT) of it at most.
pub fn leaks(line: (f64, f64), note: (f64, f64)) -> bool {
    let passed = 1.0 / (PI * BLOCK_S * (line.0 - note.0).abs()).max(1.0);
    line.1 * passed * passed > LEAST_LEAK * LEAST_LEAK * note.1
}

fn index_of(sums: &BlockSums, at_s: f64) -> usize {
    ((at_s - sums.origin_s()) / sums.block_s()).clamp(0.0, sums.len() as f64) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A hum line 2.1 Hz off is told from the note wherever the note's blocks end: their multiples fold its mirror image, of
    /// which they pass next to nothing, onto the note.
    #[test]
    fn a_line_nearby_is_told_whatever_the_length_of_a_block() {
        for note_hz in [357.84f64, 198.98, 121.649, 58.505] {
            let hum_hz = 59.9554f64;
            let order = (note_hz / hum_hz).round();
            let comb = Comb { fundamental_hz: hum_hz, orders: vec![order as u32], ..Comb::default() };
            for rate_hz in [8000.0, 8820.0, 11_025.0, 12_000.0] {
                let sums = sums_for(note_hz, rate_hz, 0);
                let apart = (order * hum_hz - note_hz).abs();
                let lines = |span_s: f64| near_lines(&sums, &comb, note_hz, span_s).orders.len();
                assert_eq!((lines(1.05 / apart), lines(0.95 / apart)), (1, 0), "{note_hz} {rate_hz}");
            }
        }
    }
}
