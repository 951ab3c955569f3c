//! The overtones of a note at rest: their complex amplitudes beside the note's own.
//!
//! The stretch is cut into pieces of at least eight cycles. In each the sound, under a window whose side lobes are
//! 92 dB down (Blackman–Harris, four terms), is multiplied by the note's own phase and its multiples; each harmonic's
//! phase is then counted from the note's in that very piece, so that a wandering oscillator smears nothing, and the
//! pieces are averaged. Half-way between the harmonics the same sum finds what noise there is. Nothing is learnt of a
//! harmonic that lies beside a hum line.

use crate::block::any_missing;
use crate::estimate::{Comb, Turning, Turnings};
use multiversion::multiversion;
use num_complex::Complex64;

/// Harmonics that are looked at, and the highest frequency at which one is believed, Hz: above, the path may fall.
pub const MOST: usize = 6;
const HIGHEST_HZ: f64 = 1600.0;
/// Cycles of the note in a piece, and its least length, s.
const CYCLES: f64 = 8.0;
const PIECE_S: f64 = 0.6;
/// With hum about, pieces are longer so that the two can be told apart.
const PIECE_BESIDE_HUM_S: f64 = 1.3;
/// And where they lie close together, up to so long, s, by so much more than is needed.
const LONGEST_PIECE_S: f64 = 6.0;
/// And where it is the note itself that lies close.
const LONGEST_ALONE_S: f64 = 12.0;
const APART: f64 = 1.05;
/// Half the width of the window's main lobe, in inverse lengths of a piece; a hum line so near spoils a harmonic.
const LOBE: f64 = 3.0;
/// A first look takes this much of the sound only, s, and goes on where the second harmonic stands out of the noise by
/// so much.
const FIRST_LOOK_S: f64 = 3.0;
const STANDS_OUT: f64 = 4.0;

/// A harmonic.
#[derive(Debug, Clone, Copy)]
pub struct Overtone {
    pub order: u32,
    /// Amplitude over the note's, phase counted from the note's.
    pub ratio: Complex64,
    /// Standard uncertainty of each part of it.
    pub u: f64,
}

impl Overtone {
    /// Whether it stands out of the noise.
    pub fn heard(&self) -> bool {
        self.ratio.norm() > STANDS_OUT * self.u
    }
}

/// Where the note is: frequency (Hz) and its rate (Hz/s) at an instant.
#[derive(Debug, Clone, Copy)]
pub struct Note {
    pub at_s: f64,
    pub frequency_hz: f64,
    pub rate: f64,
}

/// The harmonics of `note`, the note itself first, in `samples` that begin at `from_s`. `None` where there is not
/// sound enough, or no second harmonic to speak of.
pub fn measure(samples: &[f32], rate_hz: f64, from_s: f64, note: Note, comb: &Comb) -> Option<Vec<Overtone>> {
    let least_s = if comb.orders.is_empty() { PIECE_S } else { PIECE_BESIDE_HUM_S };
    let whole_s = samples.len() as f64 / rate_hz;
    let apart_s = |k: u32| APART * LOBE / from_hum(comb, f64::from(k) * note.frequency_hz);
    let longest =
        |k: u32| if k > 1 { LONGEST_PIECE_S.min(0.5 * whole_s) } else { LONGEST_ALONE_S.min(whole_s) };
    // Where the note or one of the harmonics that matter most lies near a hum line, pieces are as long as tells the two apart.
    let long_s = (1..=3).filter(|&k| apart_s(k) <= longest(k)).map(apart_s).fold(least_s, f64::max);
    let within = |piece_s: f64| in_pieces(samples, rate_hz, from_s, note, comb, piece_s);
    // Of long ones none may be whole.
    within(long_s).or_else(|| (long_s > least_s).then(|| within(least_s))?)
}

/// How far from the nearest line of the hum a frequency is, Hz.
fn from_hum(comb: &Comb, f: f64) -> f64 {
    comb.orders.iter().map(|&h| (f64::from(h) * comb.fundamental_hz - f).abs()).fold(f64::INFINITY, f64::min)
}

/// The harmonics from pieces of at least `piece_s`.
fn in_pieces(
    samples: &[f32],
    rate_hz: f64,
    from_s: f64,
    note: Note,
    comb: &Comb,
    piece_s: f64,
) -> Option<Vec<Overtone>> {
    let wanted = (piece_s.max(CYCLES / note.frequency_hz) * rate_hz).ceil() as usize;
    let len = wanted.min(samples.len());
    let length_s = len as f64 / rate_hz;
    if length_s * note.frequency_hz < CYCLES || length_s < 0.75 * piece_s.min(0.6) {
        return None;
    }
    let spoilt = |f: f64| from_hum(comb, f) < LOBE / length_s;
    let believed = ((HIGHEST_HZ / note.frequency_hz) as usize).min(MOST);
    // Of the note alone or with one harmonic nothing is learnt.
    let clear = |k: &usize| !spoilt(*k as f64 * note.frequency_hz);
    if spoilt(note.frequency_hz) || (2..=believed).filter(clear).count() < 2 {
        return None;
    }
    let window = window(len);
    // The newest is nearest to what is asked about; the first look takes it.
    let first_look = ((FIRST_LOOK_S / length_s).ceil() as usize).max(2);
    let mut pieces = Pieces { believed, ..Pieces::default() };
    for (n, i) in (0..samples.len() / len).rev().enumerate() {
        let piece = &samples[i * len..(i + 1) * len];
        pieces.add(piece, rate_hz, from_s + (i * len) as f64 / rate_hz, note, &window);
        if n + 1 == first_look
            && !pieces.overtones(note, &spoilt).is_some_and(|o| o.len() > 2 && o[1].heard())
        {
            return None;
        }
    }
    pieces.overtones(note, &spoilt)
}

/// The window, its sum 1.
fn window(len: usize) -> Vec<f64> {
    // Harris, Proc. IEEE 66(1) 51–83, January 1978: the minimum four-term window.
    const TERMS: [f64; 4] = [0.35875, -0.48829, 0.14128, -0.01168];
    let sum = len as f64 * TERMS[0];
    let mut turning = Turning::new(1.0, 0.0, 0.5 / len as f64, 1.0 / len as f64);
    let value = |_| {
        let turn = turning.turn();
        let (mut value, mut e) = (TERMS[0], turn);
        for term in &TERMS[1..] {
            value += term * e.re;
            e *= turn;
        }
        value / sum
    };
    (0..len).map(value).collect()
}

/// Samples whose turns are raised side by side.
const SIDE_BY_SIDE: usize = 4;

/// Twice the sum of the samples under the window, times the first power of their turns, the second, and so on up to so many
/// `powers`; the turns are those of `turnings`, one after the other.
#[multiversion(targets("x86_64+avx2"))]
fn powers_of_turn(
    piece: &[f32],
    window: &[f64],
    mut turnings: Turnings<SIDE_BY_SIDE>,
    powers: usize,
) -> [Complex64; 2 * MOST + 1] {
    let mut all = [[[0.0; SIDE_BY_SIDE]; 2]; 2 * MOST + 1];
    let sums = &mut all[..powers];
    let (fours, rest) = piece.as_chunks::<SIDE_BY_SIDE>();
    let (windows, window_rest) = window[..piece.len()].as_chunks::<SIDE_BY_SIDE>();
    for (samples, weights) in fours.iter().zip(windows) {
        let turns = turnings.turn();
        add_powers(std::array::from_fn(|i| f64::from(samples[i]) * weights[i] * 2.0), turns, sums);
    }
    let last = |i: usize| rest.get(i).zip(window_rest.get(i)).map_or(0.0, |(&x, w)| f64::from(x) * w * 2.0);
    add_powers(std::array::from_fn(last), turnings.turn(), sums);
    all.map(|[re, im]| Complex64::new(re.iter().sum(), im.iter().sum()))
}

/// Adds samples times the powers of their turns to the sums of each.
#[inline(always)]
fn add_powers<const N: usize>(x: [f64; N], [re, im]: [[f64; N]; 2], sums: &mut [[[f64; N]; 2]]) {
    let (mut z_re, mut z_im) = ([0.0; N], [0.0; N]);
    for i in 0..N {
        (z_re[i], z_im[i]) = (re[i] * x[i], im[i] * x[i]);
    }
    for [sum_re, sum_im] in sums {
        for i in 0..N {
            sum_re[i] += z_re[i];
            sum_im[i] += z_im[i];
            (z_re[i], z_im[i]) = (z_re[i] * re[i] - z_im[i] * im[i], z_re[i] * im[i] + z_im[i] * re[i]);
        }
    }
}

/// What the pieces add up to. Index k − 1 for harmonic k.
#[derive(Default)]
struct Pieces {
    /// Harmonics that are not too high to be believed, the note itself among them.
    believed: usize,
    count: f64,
    /// Σ of the note's amplitude and of its square.
    note: f64,
    note_squared: f64,
    /// Σ of each harmonic turned to the note's phase, of that times the note's amplitude, and of its square.
    sum: [Complex64; MOST],
    crossed: [Complex64; MOST],
    squares: [f64; MOST],
    /// Σ of squares half-way above each harmonic, and below the first.
    between: [f64; MOST + 1],
}

impl Pieces {
    fn add(&mut self, piece: &[f32], rate_hz: f64, from_s: f64, note: Note, window: &[f64]) {
        if any_missing(piece) {
            return;
        }
        let middle_s = from_s + 0.5 * (piece.len() - 1) as f64 / rate_hz;
        let f = note.frequency_hz + note.rate * (middle_s - note.at_s);
        // Half the note's phase, counted from the middle, turned back.
        let turnings = Turnings::new(-0.5 * f, -0.5 * note.rate, from_s - middle_s, 1.0 / rate_hz);
        let sums = powers_of_turn(piece, window, turnings, 2 * self.believed + 1);
        let amplitude = sums[1].norm();
        if amplitude <= 0.0 {
            return;
        }
        self.count += 1.0;
        self.note += amplitude;
        self.note_squared += amplitude * amplitude;
        let back = (sums[1] / amplitude).conj();
        let mut turned = Complex64::new(1.0, 0.0);
        for k in 0..self.believed {
            turned *= back;
            let z = sums[2 * k + 1] * turned;
            self.sum[k] += z;
            self.crossed[k] += z * amplitude;
            self.squares[k] += z.norm_sqr();
        }
        for (between, sum) in self.between.iter_mut().zip(sums.iter().step_by(2)) {
            *between += sum.norm_sqr();
        }
    }

    /// The harmonics so far, as far up as they are neither too high nor spoilt.
    fn overtones(&self, note: Note, spoilt: &dyn Fn(f64) -> bool) -> Option<Vec<Overtone>> {
        if self.count < 1.0 || self.note_squared <= 0.0 {
            return None;
        }
        let mut overtones = Vec::with_capacity(MOST);
        for k in 0..self.believed {
            let f = (k + 1) as f64 * note.frequency_hz;
            if spoilt(f) {
                continue;
            }
            // Least squares over the pieces of what is in proportion to the note.
            let ratio = self.crossed[k] / self.note_squared;
            // Noise in the neighbourhood; a hum line there would only make it look worse.
            let clear: Vec<f64> = [k, k + 1]
                .into_iter()
                .filter(|&i| !spoilt((i as f64 + 0.5) * note.frequency_hz))
                .map(|i| self.between[i] / self.count)
                .collect();
            let between = &self.between[..=self.believed];
            let all = || between.iter().map(|b| b / self.count).fold(f64::INFINITY, f64::min);
            let around =
                if clear.is_empty() { all() } else { clear.iter().sum::<f64>() / clear.len() as f64 };
            // Scatter from piece to piece, where there are enough of them.
            let left = (self.squares[k] - ratio.norm_sqr() * self.note_squared).max(0.0);
            let scatter = if k > 0 && self.count > 3.0 { left / (self.count - 1.0) } else { 0.0 };
            let variance = around.max(scatter) / 2.0 / self.note_squared;
            overtones.push(Overtone { order: k as u32 + 1, ratio, u: variance.sqrt().max(1e-9) });
        }
        (overtones.first().is_some_and(|o| o.order == 1)).then_some(overtones)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Normal;
    use crate::estimate::chance::normals;
    use std::f64::consts::PI;

    const RATE: f64 = 8000.0;

    /// A note with a second and third harmonic in noise, slightly drifting.
    fn sound(f: f64, seconds: f64, sigma: f64, seed: u64) -> (Vec<f32>, Note) {
        let mut normal = normals(seed);
        let rate = 0.02;
        let samples = (0..(seconds * RATE) as usize)
            .map(|i| {
                let t = i as f64 / RATE;
                let phase = 0.4 + 2.0 * PI * (f + 0.5 * rate * t) * t;
                let lines = phase.cos() + 0.3 * (2.0 * phase + 1.0).cos() + 0.09 * (3.0 * phase + 2.0).cos();
                (0.2 * lines + sigma * normal()) as f32
            })
            .collect();
        (samples, Note { at_s: 0.0, frequency_hz: f, rate })
    }

    #[test]
    fn harmonics_in_noise_are_within_their_uncertainty() {
        let mut sum = 0.0;
        for seed in 0..40 {
            let (samples, note) = sound(41.3, 5.0, 0.05, seed);
            let found = measure(&samples, RATE, 0.0, note, &Comb::default()).expect("harmonics");
            assert_eq!(found.len(), MOST);
            for (line, truth) in found.iter().zip([(1.0, 0.0), (0.3, 1.0), (0.09, 2.0)]) {
                let z = (line.ratio - Complex64::from_polar(truth.0, truth.1)) / line.u;
                assert!(z.norm() < 5.5, "{line:?}");
                sum += if line.order > 1 { z.norm_sqr() / 2.0 } else { 0.0 };
            }
            assert!(found[1].heard() && found[2].heard());
        }
        // 80 lines of two degrees of freedom each: the mean square is 1 within 0.11, and u is taken on the safe side.
        let mean = sum / 80.0;
        assert!((0.5..1.3).contains(&mean), "{mean}");
    }

    /// A hum line 1.7 Hz from the note and 60 times as loud as its third harmonic: pieces of two seconds tell them apart.
    #[test]
    fn harmonics_close_to_hum_are_told_apart() {
        let (mut samples, note) = sound(51.7, 12.0, 0.01, 3);
        for (i, x) in samples.iter_mut().enumerate() {
            let t = i as f64 / RATE;
            *x += (1..=4).map(|k| (2.0 * PI * 50.0 * f64::from(k) * t).cos() / f64::from(k)).sum::<f64>()
                as f32;
        }
        let comb = Comb { fundamental_hz: 50.0, orders: vec![1, 2, 3, 4], ..Comb::default() };
        let found = measure(&samples, RATE, 0.0, note, &comb).expect("harmonics");
        for (line, truth) in found.iter().zip([(1.0, 0.0), (0.3, 1.0), (0.09, 2.0)]) {
            let off = (line.ratio - Complex64::from_polar(truth.0, truth.1)).norm();
            assert!(off < 5.0 * line.u + 0.003, "{line:?}");
        }
        assert!(found[1].heard() && found[2].heard());
    }

    /// The window sums find what plain least squares over all samples finds.
    #[test]
    fn the_sums_are_the_plain_fit() {
        let (samples, note) = sound(23.7, 4.0, 0.01, 7);
        let found = measure(&samples, RATE, 0.0, note, &Comb::default()).expect("harmonics");
        let mut normal = Normal::new(6);
        for (i, &x) in samples.iter().enumerate() {
            let t = i as f64 / RATE;
            let phase = 2.0 * PI * (note.frequency_hz + 0.5 * note.rate * t) * t;
            let row: Vec<f64> = (1..=3)
                .flat_map(|k| {
                    let (s, c) = (f64::from(k) * phase).sin_cos();
                    [c, -s]
                })
                .collect();
            normal.add(&row, f64::from(x));
        }
        let x = normal.solve().expect("a fit").x;
        let line = |k: usize| Complex64::new(x[2 * k], x[2 * k + 1]);
        for (k, found) in found.iter().enumerate().take(3).skip(1) {
            let back = (line(0).conj() / line(0).norm()).powu(k as u32 + 1);
            let plain = line(k) * back / line(0).norm();
            assert!((plain - found.ratio).norm() < 4.0 * found.u, "{plain} {found:?}");
        }
    }

    #[test]
    fn a_bare_note_has_none_and_a_harmonic_beside_hum_is_left_out() {
        let mut normal = normals(3);
        let bare: Vec<f32> = (0..40_000)
            .map(|i| ((2.0 * PI * 88.0 * f64::from(i) / RATE).cos() * 0.2 + 0.05 * normal()) as f32)
            .collect();
        let note = Note { at_s: 0.0, frequency_hz: 88.0, rate: 0.0 };
        assert!(measure(&bare, RATE, 0.0, note, &Comb::default()).is_none());
        let (samples, note) = sound(29.7, 6.0, 0.01, 2);
        let comb = Comb { fundamental_hz: 60.0, orders: vec![1, 2, 3], ..Comb::default() };
        let found = measure(&samples, RATE, 0.0, note, &comb).expect("harmonics");
        let orders: Vec<u32> = found.iter().map(|o| o.order).collect();
        assert_eq!(orders, [1, 3, 5]);
    }
}
