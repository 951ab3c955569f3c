//! The programme's envelope: forty times a second the loudness of four bands and of up to two steady tones, each as
//! the logarithm of its amplitude (in nepers), so that a swell adds the same to all of them.
//!
//! A block of 25 ms would let the ripple that twice a hum line or a tone makes in its power fold down among the swells
//! (120.6 Hz to 0.6 Hz); powers are therefore taken over halves of it and weighed 1:2:1, which leaves less than a
//! thousandth of that. The tones are taken out of the sound before it is split, or a lone note would be in every band.

use crate::beat::hum::take_line_out;
use crate::block::any_missing;
use crate::spectrum::dot;
use multiversion::multiversion;
use num_complex::Complex32;

/// Bands, Hz: centre and quality of two equal sections each.
const BANDS: [(f64, f64); 4] = [(380.0, 1.4), (850.0, 1.8), (1500.0, 2.2), (2450.0, 2.4)];
const N_BANDS: usize = BANDS.len();
/// Tones followed at a time.
pub const TONES: usize = 2;
/// Bands and tones.
pub const CHANNELS: usize = N_BANDS + TONES;
/// Values per hop of 0.05 s.
const PER_HOP: usize = 2;
/// Most that is kept, values: 100 s.
pub const MOST: usize = 4000;
/// Slowest working rate that carries a programme, Hz.
const SLOWEST_HZ: f64 = 6000.0;

/// One value of every channel; what is missing is NaN.
pub type Values = [f32; CHANNELS];

/// Two equal band-pass sections for each band, side by side (bilinear transform with its centre kept; the constant
/// peak gain form of the second-order band-pass).
struct Bank {
    b: [f32; 2 * N_BANDS],
    a1: [f32; 2 * N_BANDS],
    a2: [f32; 2 * N_BANDS],
    s1: [f32; 2 * N_BANDS],
    s2: [f32; 2 * N_BANDS],
    /// Outputs of the first sections, which the second take a sample later.
    first: [f32; N_BANDS],
    /// The sample before: differences are split, or loud hum would leak into every band.
    before: f32,
}

impl Bank {
    fn new(rate_hz: f64) -> Self {
        let zero = [0.0; 2 * N_BANDS];
        let mut bank =
            Self { b: zero, a1: zero, a2: zero, s1: zero, s2: zero, first: [0.0; N_BANDS], before: 0.0 };
        for lane in 0..2 * N_BANDS {
            let (f, q) = BANDS[lane % N_BANDS];
            let w = 2.0 * std::f64::consts::PI * (f / rate_hz).min(0.45);
            let alpha = w.sin() / (2.0 * q);
            bank.b[lane] = (alpha / (1.0 + alpha)) as f32;
            bank.a1[lane] = (-2.0 * w.cos() / (1.0 + alpha)) as f32;
            bank.a2[lane] = ((1.0 - alpha) / (1.0 + alpha)) as f32;
        }
        bank
    }
}

/// Sums of squares that a stretch leaves in each band.
#[multiversion(targets("x86_64+avx2"))]
fn split(bank: &mut Bank, sound: &[f32]) -> [f32; N_BANDS] {
    let mut sums = [0.0f32; N_BANDS];
    let Bank { b, a1, a2, mut s1, mut s2, mut first, mut before } = *bank;
    for &x in sound {
        let mut input = [x - before; 2 * N_BANDS];
        before = x;
        input[N_BANDS..].copy_from_slice(&first);
        let mut out = [0.0f32; 2 * N_BANDS];
        for lane in 0..2 * N_BANDS {
            let u = b[lane] * input[lane];
            let y = u + s1[lane];
            // So bracketed, only one product and one difference wait for the sample before.
            s1[lane] = (s2[lane] - a1[lane] * u) - a1[lane] * s1[lane];
            s2[lane] = -u - a2[lane] * y;
            out[lane] = y;
        }
        first.copy_from_slice(&out[..N_BANDS]);
        for lane in 0..N_BANDS {
            sums[lane] += out[N_BANDS + lane] * out[N_BANDS + lane];
        }
    }
    // A stretch of zeros must not end in numbers too small to be fast.
    for s in s1.iter_mut().chain(&mut s2).chain(&mut first) {
        if s.abs() < 1e-20 {
            *s = 0.0;
        }
    }
    *bank = Bank { b, a1, a2, s1, s2, first, before };
    sums
}

/// A steady tone that is followed.
#[derive(Clone)]
struct Tone {
    frequency_hz: f64,
    /// Cosine and sine over one half block; for the last block's length their products, the cosine's with itself and with
    /// the sine.
    cosine: Vec<f32>,
    sine: Vec<f32>,
    products: (usize, [f32; 2]),
    /// Looks in a row in which it was not offered.
    absent: u32,
    /// Amplitudes of the last three half blocks, turned to the beginning of the stream.
    last: [Complex32; 3],
    turn: f64,
}

impl Tone {
    fn new(frequency_hz: f64, rate_hz: f64, longest: usize) -> Self {
        let w = 2.0 * std::f64::consts::PI * frequency_hz / rate_hz;
        let wave = |f: fn(f64) -> f64| (0..longest).map(|n| f(w * n as f64) as f32).collect();
        Self {
            frequency_hz,
            cosine: wave(f64::cos),
            sine: wave(f64::sin),
            products: (0, [0.0; 2]),
            absent: 0,
            last: [Complex32::default(); 3],
            turn: 0.0,
        }
    }

    /// Takes the tone out of a half block by least squares and keeps its amplitude.
    fn take_out(&mut self, sound: &mut [f32], rate_hz: f64) {
        let (c, s) = (&self.cosine[..sound.len()], &self.sine[..sound.len()]);
        if self.products.0 != sound.len() {
            self.products = (sound.len(), [dot(c, c), dot(c, s)]);
        }
        let ([cc, cs], xc, xs) = (self.products.1, dot(sound, c), dot(sound, s));
        let ss = sound.len() as f32 - cc;
        let det = cc * ss - cs * cs;
        let (p, q) = if det > 1e-3 * cc * ss {
            ((xc * ss - xs * cs) / det, (xs * cc - xc * cs) / det)
        } else {
            (0.0, 0.0)
        };
        take_line_out(Complex32::new(p, -q), c, s, sound);
        let (sin, cos) = self.turn.sin_cos();
        let turned = Complex32::new(p, -q) * Complex32::new(cos as f32, -sin as f32);
        self.last = [self.last[1], self.last[2], turned];
        let step = 2.0 * std::f64::consts::PI * self.frequency_hz / rate_hz;
        self.turn = (self.turn + step * sound.len() as f64) % (2.0 * std::f64::consts::PI);
    }
}

/// Makes the envelope, hop by hop, and keeps its newest 100 s.
pub struct Envelope {
    rate_hz: f64,
    step_s: f64,
    bank: Bank,
    tones: [Option<Tone>; TONES],
    scratch: Vec<f32>,
    /// Powers of the last two half blocks.
    halves: [[f32; N_BANDS]; 2],
    values: Vec<Values>,
    first: u64,
}

impl Envelope {
    /// For sound at `rate_hz` that comes in hops of `hop` samples.
    pub fn new(rate_hz: f64, hop: usize) -> Self {
        Self {
            rate_hz,
            step_s: hop as f64 / PER_HOP as f64 / rate_hz,
            bank: Bank::new(rate_hz),
            tones: [None, None],
            scratch: Vec::new(),
            halves: [[f32::NAN; N_BANDS]; 2],
            values: Vec::with_capacity(if rate_hz >= SLOWEST_HZ { 2 * MOST } else { 0 }),
            first: 0,
        }
    }

    /// Index after the newest value.
    pub fn end(&self) -> u64 {
        self.first + self.values.len() as u64
    }

    /// Index of the oldest value kept.
    pub fn first(&self) -> u64 {
        self.first
    }

    /// Values `from..to`, as far as they are kept.
    pub fn slice(&self, from: u64, to: u64) -> &[Values] {
        let clip = |i: u64| (i.clamp(self.first, self.end()) - self.first) as usize;
        &self.values[clip(from)..clip(to).max(clip(from))]
    }

    /// Time from one value to the next, s: about 25 ms, exactly half of the looks' distance.
    pub fn step_s(&self) -> f64 {
        self.step_s
    }

    /// Middle of a value's stretch, s from the beginning.
    pub fn instant_s(&self, index: u64) -> f64 {
        (index as f64 - 0.25) * self.step_s
    }

    /// Frequency of a followed tone, Hz.
    pub fn tone_hz(&self, slot: usize) -> Option<f64> {
        self.tones[slot].as_ref().map(|t| t.frequency_hz)
    }

    /// Offers the steady tones that are heard now, loudest first, Hz.
    pub fn offer(&mut self, tones_hz: &[f64]) {
        if self.rate_hz < SLOWEST_HZ {
            return;
        }
        let near = |f: f64, g: f64| (f - g).abs() < 12.0;
        for slot in &mut self.tones {
            if let Some(tone) = slot {
                let heard = tones_hz.iter().any(|&f| near(f, tone.frequency_hz));
                tone.absent = if heard { 0 } else { tone.absent + 1 };
                if tone.absent > 12 {
                    *slot = None;
                }
            }
        }
        let longest = (0.5 * self.step_s * self.rate_hz).ceil() as usize + 1;
        for &f in tones_hz {
            let known = self.tones.iter().flatten().any(|t| near(t.frequency_hz, f));
            if let Some(slot) = self.tones.iter().position(Option::is_none).filter(|_| !known) {
                self.tones[slot] = Some(Tone::new(f, self.rate_hz, longest));
                // What stood in this place before was another tone.
                for v in &mut self.values {
                    v[N_BANDS + slot] = f32::NAN;
                }
            }
        }
    }

    /// Takes one hop of sound.
    pub fn push(&mut self, hop: &[f32]) {
        if self.rate_hz < SLOWEST_HZ {
            return;
        }
        let pieces = 2 * PER_HOP;
        for piece in 0..pieces {
            let (from, to) = (piece * hop.len() / pieces, (piece + 1) * hop.len() / pieces);
            let missing = any_missing(&hop[from..to]);
            self.scratch.clear();
            self.scratch.extend_from_slice(&hop[from..to]);
            if missing {
                self.scratch.iter_mut().filter(|x| !x.is_finite()).for_each(|x| *x = 0.0);
            }
            for tone in self.tones.iter_mut().flatten() {
                tone.take_out(&mut self.scratch, self.rate_hz);
                if missing {
                    tone.last[2] = Complex32::new(f32::NAN, 0.0);
                }
            }
            let sums = split(&mut self.bank, &self.scratch);
            let n = (to - from) as f32;
            let power = sums.map(|s| if missing { f32::NAN } else { s / n });
            if piece % 2 == 0 {
                self.keep(power);
            }
            self.halves = [self.halves[1], power];
        }
    }

    fn keep(&mut self, newest: [f32; N_BANDS]) {
        let mut values = [f32::NAN; CHANNELS];
        for band in 0..N_BANDS {
            let power = 0.25 * (self.halves[0][band] + 2.0 * self.halves[1][band] + newest[band]);
            values[band] = 0.5 * (power + 1e-13).ln();
        }
        for (slot, tone) in self.tones.iter().enumerate() {
            if let Some(t) = tone {
                let amplitude = 0.25 * (t.last[0] + 2.0 * t.last[1] + t.last[2]);
                values[N_BANDS + slot] = 0.5 * (amplitude.norm_sqr() + 1e-13).ln();
            }
        }
        if self.values.len() >= 2 * MOST {
            self.values.drain(..MOST);
            self.first += MOST as u64;
        }
        self.values.push(values);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    fn run(rate: f64, seconds: f64, tones: &[f64], sound: impl Fn(f64) -> f64) -> Envelope {
        let mut envelope = Envelope::new(rate, (0.05 * rate) as usize);
        envelope.offer(tones);
        let hop = (0.05 * rate) as usize;
        for k in 0..(seconds / 0.05) as usize {
            let block: Vec<f32> = (0..hop).map(|n| sound((k * hop + n) as f64 / rate) as f32).collect();
            envelope.push(&block);
        }
        envelope
    }

    #[test]
    fn a_tone_has_its_amplitude_and_leaves_the_bands_alone() {
        let envelope = run(8000.0, 2.0, &[600.0], |t| 0.1 * (2.0 * PI * 600.3 * t).cos());
        let last = envelope.slice(60, 61)[0];
        assert!((last[N_BANDS] - 0.1f32.ln()).abs() < 0.01, "{last:?}");
        assert!(last[..N_BANDS].iter().all(|&v| v < 0.1f32.ln() - 3.5), "{last:?}");
    }

    #[test]
    fn a_swell_of_the_sound_is_one_of_the_envelope_at_its_instant() {
        let gain = |t: f64| 1.0 + 0.3 * (2.0 * PI * 1.5 * t).cos();
        let envelope = run(8000.0, 4.0, &[], |t| gain(t) * (2.0 * PI * 1487.0 * t).cos());
        let values = envelope.slice(40, 160);
        let steady = values[0][2] - gain(envelope.instant_s(40)).ln() as f32;
        for (k, v) in values.iter().enumerate() {
            let expected = gain(envelope.instant_s(40 + k as u64)).ln() as f32;
            // The filters' own delay is about a millisecond.
            assert!((v[2] - steady - expected).abs() < 0.02, "{k}: {} {expected}", v[2] - steady);
        }
    }

    /// 60.3 Hz hum: its power ripples at 120.6 Hz, which a plain block of 25 ms folds to 0.6 Hz.
    #[test]
    fn the_ripple_of_hum_does_not_fold_down() {
        let envelope = run(8000.0, 6.0, &[], |t| (2.0 * PI * 180.9 * t).cos() + (2.0 * PI * 60.3 * t).cos());
        let values: Vec<f32> = envelope.slice(80, 240).iter().map(|v| v[0]).collect();
        let (low, high) = values.iter().fold((f32::MAX, f32::MIN), |(l, h), &v| (l.min(v), h.max(v)));
        assert!(high - low < 0.004, "{low} {high}");
    }

    #[test]
    fn a_gap_is_missing_and_heals() {
        let mut envelope = run(8000.0, 1.0, &[600.0], |t| 0.1 * (2.0 * PI * 600.0 * t).cos());
        envelope.push(&[f32::NAN; 400]);
        envelope.push(&[0.0; 400]);
        envelope.push(&[0.0; 400]);
        let tail = envelope.slice(envelope.end() - 5, envelope.end());
        assert!(tail[0].iter().take(N_BANDS + 1).all(|v| v.is_nan()), "{tail:?}");
        assert!(tail[4].iter().take(N_BANDS + 1).all(|v| v.is_finite()), "{tail:?}");
    }
}
