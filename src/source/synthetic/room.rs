//! What is heard beside the note: noise, hum, a time station, whistles, clicks.

use super::dice::Dice;
use super::scene::{Hum, Scene};
use std::f64::consts::TAU;

/// Signal to noise is stated for noise in 0 to this, Hz.
const NOISE_BAND_HZ: f64 = 4000.0;

/// Standard deviation of white noise that is `snr_db` under a note of that amplitude within [`NOISE_BAND_HZ`].
pub(super) fn noise_deviation(scene: &Scene) -> f64 {
    let in_band = scene.amplitude.powi(2) / 2.0 / 10f64.powf(scene.snr_db / 10.0);
    (in_band * f64::from(scene.rate_hz) / 2.0 / NOISE_BAND_HZ).sqrt()
}

/// Mains hum with its harmonics in step.
pub(super) struct Comb {
    hum: Hum,
    amplitude: f64,
    rate_hz: f64,
    phase: f64,
    /// Cosine and sine of each harmonic's own phase.
    offsets: Vec<(f64, f64)>,
    wander_phases: [f64; 2],
}

impl Comb {
    pub(super) fn new(hum: &Hum, scene: &Scene, mut dice: Dice) -> Self {
        let wander_phases = [dice.phase(), dice.phase()];
        Self {
            hum: hum.clone(),
            amplitude: scene.amplitude,
            rate_hz: f64::from(scene.rate_hz),
            phase: dice.phase(),
            offsets: hum.levels.iter().map(|_| dice.phase().sin_cos()).map(|(s, c)| (c, s)).collect(),
            wander_phases,
        }
    }

    pub(super) fn sample(&mut self, t: f64) -> f64 {
        let (s1, c1) = self.phase.sin_cos();
        let (mut c, mut s) = (1.0, 0.0);
        let mut sum = 0.0;
        for (&level, &(cos_offset, sin_offset)) in self.hum.levels.iter().zip(&self.offsets) {
            (c, s) = (c * c1 - s * s1, s * c1 + c * s1);
            sum += level * (c * cos_offset - s * sin_offset);
        }
        // Two slow swings of unrelated periods: bounded, never repeating.
        let [a, b] = self.wander_phases;
        let swing = 0.6 * (TAU * t / 37.0 + a).sin() + 0.4 * (TAU * t / 11.3 + b).sin();
        self.phase += TAU * (self.hum.fundamental_hz + self.hum.wander_hz * swing) / self.rate_hz;
        self.phase %= TAU;
        self.amplitude * sum
    }
}

/// A time station's tone: silent for 40 ms around each second, in which a 5 ms pulse of 1000 Hz stands (as WWV does:
/// 10 ms before and 25 ms after the pulse).
pub(super) fn station(t: f64, tone_hz: f64) -> f64 {
    let second = (t + 0.3).rem_euclid(1.0);
    if second < 0.005 {
        (TAU * 1000.0 * second).sin()
    } else if (0.030..0.990).contains(&second) {
        (TAU * tone_hz * t).cos()
    } else {
        0.0
    }
}

/// Clicks: short decaying pulses of either sign.
pub(super) struct Clicks {
    chance: f64,
    decay: f64,
    now: f64,
    dice: Dice,
}

impl Clicks {
    /// Height of a click; it decays within a sixth of a millisecond.
    pub(super) const HEIGHT: f64 = 0.6;

    pub(super) fn new(per_second: f64, rate_hz: f64, dice: Dice) -> Self {
        Self { chance: per_second / rate_hz, decay: (-6000.0 / rate_hz).exp(), now: 0.0, dice }
    }

    pub(super) fn sample(&mut self) -> f64 {
        if self.dice.uniform() < self.chance {
            self.now += if self.dice.uniform() < 0.5 { Self::HEIGHT } else { -Self::HEIGHT };
        }
        let click = self.now;
        self.now *= self.decay;
        click
    }
}

/// Dropped blocks of 20 ms.
pub(super) struct Dropouts {
    chance: f64,
    length: u32,
    left: u32,
    dice: Dice,
}

impl Dropouts {
    pub(super) fn new(per_second: f64, rate_hz: u32, dice: Dice) -> Self {
        Self { chance: per_second / f64::from(rate_hz), length: rate_hz / 50, left: 0, dice }
    }

    /// Whether the next sample is dropped.
    pub(super) fn drops(&mut self) -> bool {
        if self.dice.uniform() < self.chance {
            self.left = self.length;
        }
        let dropped = self.left > 0;
        self.left -= u32::from(dropped);
        dropped
    }
}
