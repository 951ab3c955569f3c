//! The two oscillators and the hand: the signed beat and its phase, sample by sample.

use super::dice::Dice;
use super::scene::Scene;
use std::f64::consts::TAU;

/// The hand on the dial.
struct Hand {
    knots: Vec<(f64, f64)>,
    passed: usize,
}

impl Hand {
    /// The beat that the hand has set at `t`, Hz. Instants must not go back.
    fn at(&mut self, t: f64) -> f64 {
        while self.knots.get(self.passed + 1).is_some_and(|knot| knot.0 <= t) {
            self.passed += 1;
        }
        let Some(&(t0, b0)) = self.knots.get(self.passed) else { return 0.0 };
        match self.knots.get(self.passed + 1) {
            Some(&(t1, b1)) if t > t0 => b0 + (b1 - b0) * stroke((t - t0) / (t1 - t0)),
            _ => b0,
        }
    }
}

/// A turn of the hand from 0 to 1: its speed rises and falls as one swing of a raised cosine, so that it starts and
/// stops without a jerk.
fn stroke(u: f64) -> f64 {
    u - (TAU * u).sin() / TAU
}

/// The beat between the two oscillators.
pub(super) struct Beat {
    hand: Hand,
    rate_hz: f64,
    drift_hz_per_s: f64,
    lock_hz: f64,
    wander_step_hz: f64,
    wandered_hz: f64,
    dice: Dice,
    phase: f64,
    frequency_hz: f64,
}

impl Beat {
    pub(super) fn new(scene: &Scene, mut dice: Dice) -> Self {
        let rate_hz = f64::from(scene.rate_hz);
        let mut hand = Hand { knots: scene.knots.clone(), passed: 0 };
        let frequency_hz = hand.at(0.0);
        Self {
            hand,
            rate_hz,
            drift_hz_per_s: scene.drift_hz_per_s,
            lock_hz: scene.lock_hz,
            wander_step_hz: scene.wander_hz_per_root_s / rate_hz.sqrt(),
            wandered_hz: 0.0,
            phase: dice.phase(),
            dice,
            frequency_hz,
        }
    }

    /// True beat (Hz, what it would be without pulling) and phase (rad, as heard) now.
    pub(super) fn now(&self) -> (f64, f64) {
        (self.frequency_hz, self.phase)
    }

    /// Goes on to the sample at instant `t`.
    pub(super) fn advance(&mut self, t: f64) {
        self.wandered_hz += self.wander_step_hz * self.dice.normal();
        let next = self.hand.at(t) + self.drift_hz_per_s * t + self.wandered_hz;
        if self.lock_hz > 0.0 {
            self.phase = pulled(self.phase, self.frequency_hz, next, self.lock_hz, 1.0 / self.rate_hz);
        } else {
            self.phase += TAU * 0.5 * (self.frequency_hz + next) / self.rate_hz;
        }
        self.phase %= TAU;
        self.frequency_hz = next;
    }
}

/// Adler's equation dφ/dt = 2π(Δ − L sin φ) (Proc. IRE 34(6), 351–357, 1946) over one step in which Δ goes from
/// `from` to `to`, by the classical Runge–Kutta method in sub-steps of at most a quarter radian.
fn pulled(phase: f64, from: f64, to: f64, lock: f64, step: f64) -> f64 {
    let parts = (TAU * (from.abs().max(to.abs()) + lock) * step / 0.25).ceil().max(1.0);
    let h = step / parts;
    let speed = |phase: f64, part: f64| TAU * (from + (to - from) * part / parts - lock * phase.sin());
    let mut p = phase;
    let mut part = 0.0;
    while part < parts {
        let k1 = speed(p, part);
        let k2 = speed(p + k1 * h / 2.0, part + 0.5);
        let k3 = speed(p + k2 * h / 2.0, part + 0.5);
        let k4 = speed(p + k3 * h, part + 1.0);
        p += h * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0;
        part += 1.0;
    }
    p
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hand_goes_through_its_knots_and_stands_before_and_after() {
        let mut hand = Hand { knots: vec![(1.0, -700.0), (3.0, 100.0), (4.0, 100.0)], passed: 0 };
        let got = [0.0, 1.0, 2.0, 3.0, 3.7, 9.0].map(|t| hand.at(t));
        for (got, want) in got.iter().zip([-700.0, -700.0, -300.0, 100.0, 100.0, 100.0]) {
            assert!((got - want).abs() < 1e-9, "{got} for {want}");
        }
    }

    /// Beat √(Δ² − L²) and line ratio r = L/(Δ + beat) of a pulled oscillator (Adler 1946; Armand, Proc. IEEE 57(5),
    /// 798–799, 1969), for K = Δ/L. The table's rows were computed from the closed form and from the differential
    /// equation by another program; they agree to all digits.
    #[test]
    fn pulling_follows_adler() {
        let rows = [
            (1.05, 0.304_911, 0.729_844),
            (1.25, 0.600_000, 0.500_000),
            (1.5, 0.745_356, 0.381_966),
            (2.0, 0.866_025, 0.267_949),
            (5.0, 0.979_796, 0.101_021),
        ];
        for (k, beat_ratio, line_ratio) in rows {
            let (lock, step) = (30.0, 1.0 / 12_000.0);
            let delta = k * lock;
            // A whole number of beats, cut at their zero phase and stretched to equal samples of the beat.
            let mut phases = vec![0.3];
            while phases[phases.len() - 1] < 0.3 + 40.0 * TAU {
                phases.push(pulled(phases[phases.len() - 1], delta, delta, lock, step));
            }
            let last = phases.len() - 1;
            let over = (phases[last] - (0.3 + 40.0 * TAU)) / (phases[last] - phases[last - 1]);
            let beat = 40.0 / ((last as f64 - over) * step);
            assert!((beat / delta - beat_ratio).abs() < 1e-5, "{k}: {}", beat / delta);

            let line = |order: f64| {
                let (mut re, mut im) = (0.0, 0.0);
                for (i, phase) in phases[..last].iter().enumerate() {
                    let (s, c) = (TAU * order * beat * i as f64 * step).sin_cos();
                    re += phase.cos() * c;
                    im += phase.cos() * s;
                }
                re.hypot(im)
            };
            for order in [1.0, 2.0] {
                let ratio = line(order + 1.0) / line(order);
                assert!((ratio - line_ratio).abs() < 2e-3, "{k}: {ratio} for {line_ratio}");
            }
        }
    }
}
