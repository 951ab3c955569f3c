//! From the beat's phase to what the jack gives: detector, modulation, keying, fading, and the programme behind.

use super::dice::Dice;
use super::filter::{Butterworth, Pass};
use super::scene::{Detector, Programme, Receiver, Scene};
use std::f64::consts::TAU;

/// Rise and fall of a keyed signal, s.
const KEY_EDGE_S: f64 = 0.005;
/// Beats slower than this count as steady for the computer's noise suppression, Hz/s.
const STEADY_HZ_PER_S: f64 = 5.0;

/// The note, or the two notes of a receiver.
pub(super) struct Note {
    scene: Scene,
    /// Mean of the envelope over a beat, taken out so that only the note is left.
    envelope_mean: f64,
    /// Phases of what modulates: hum on the note, fading, second harmonic.
    phases: [f64; 3],
    receiver_phase: f64,
    passed_by_suppression: f64,
    last_beat_hz: f64,
}

impl Note {
    pub(super) fn new(scene: &Scene, mut dice: Dice) -> Self {
        let envelope_mean = match scene.detector {
            Detector::Envelope { ratio } => {
                let n = 4096;
                (0..n).map(|i| envelope(ratio, TAU * f64::from(i) / f64::from(n))).sum::<f64>() / f64::from(n)
            }
            _ => 0.0,
        };
        let phases = std::array::from_fn(|_| dice.phase());
        Self {
            scene: scene.clone(),
            envelope_mean,
            phases,
            receiver_phase: dice.phase(),
            passed_by_suppression: 1.0,
            last_beat_hz: scene.knots.first().map_or(0.0, |knot| knot.1),
        }
    }

    /// The note's sample at instant `t`, where the beat has this frequency (Hz) and phase (rad).
    pub(super) fn sample(&mut self, t: f64, beat_hz: f64, phase: f64) -> f64 {
        let [hum_phase, fade_phase, harmonic_phase] = self.phases;
        let scene = &self.scene;
        let mut signal_gain = self.keyed(t);
        if let Some((rate, depth_db)) = scene.fade {
            let db = depth_db / 2.0 * (1.0 - (TAU * rate * t + fade_phase).cos());
            signal_gain *= 10f64.powf(-db / 20.0);
        }
        let sidebands = scene.sidebands.map_or(0.0, |(f, level)| 2.0 * level * (TAU * f * t).cos());
        let mut note = match scene.detector {
            Detector::Silent => return 0.0,
            Detector::Product => phase.cos() * (1.0 + sidebands) * signal_gain,
            Detector::Envelope { ratio } => {
                ((envelope(ratio, phase) - self.envelope_mean) / ratio + phase.cos() * sidebands)
                    * signal_gain
            }
            Detector::Receiver(Receiver { pitch_hz, drift_hz_per_s, meter_level }) => {
                let signal = self.receiver_phase + TAU * (pitch_hz + 0.5 * drift_hz_per_s * t) * t;
                signal.cos() * (1.0 + sidebands) * signal_gain + meter_level * (signal + phase).cos()
            }
        };
        if scene.second_harmonic > 0.0 {
            note += scene.second_harmonic * (2.0 * phase + harmonic_phase).cos() * signal_gain;
        }
        if let Some((f, depth)) = scene.hum_on_note {
            note *= 1.0 + depth * (TAU * f * t + hum_phase).cos();
        }
        scene.amplitude * note * self.suppression(beat_hz)
    }

    /// How much of the signal the key lets through.
    fn keyed(&self, t: f64) -> f64 {
        if self.scene.keyed.is_empty() {
            return 1.0;
        }
        let down = self.scene.keyed.iter().find(|&&(from, to)| from <= t && t < to + KEY_EDGE_S);
        down.map_or(0.0, |&(from, to)| {
            let edge = |since: f64| 0.5 - 0.5 * (TAU / 2.0 * (since / KEY_EDGE_S).clamp(0.0, 1.0)).cos();
            // A signal that is there from the first sample on has no rising edge.
            let rising = if from <= 0.0 { 1.0 } else { edge(t - from) };
            rising * (1.0 - edge(t - to))
        })
    }

    /// What noise suppression still passes: it takes a steady note for noise and lets it go again once it moves.
    fn suppression(&mut self, beat_hz: f64) -> f64 {
        let Some(eaten_in_s) = self.scene.suppressed_in_s else { return 1.0 };
        let step = 1.0 / f64::from(self.scene.rate_hz);
        let moving = ((beat_hz - self.last_beat_hz) / step).abs() > STEADY_HZ_PER_S;
        self.last_beat_hz = beat_hz;
        let (goal, time_constant) = if moving { (1.0, 0.1) } else { (0.0, eaten_in_s / 2.0) };
        self.passed_by_suppression += (goal - self.passed_by_suppression) * step / time_constant;
        self.passed_by_suppression
    }

    /// The largest the note can get, without noise.
    pub(super) fn peak(&self) -> f64 {
        let scene = &self.scene;
        let note = match scene.detector {
            Detector::Silent => 0.0,
            Detector::Product => 1.0,
            Detector::Envelope { .. } => 2.0,
            Detector::Receiver(receiver) => 1.0 + receiver.meter_level,
        };
        let sidebands = scene.sidebands.map_or(0.0, |(_, level)| 2.0 * level);
        let hum = scene.hum_on_note.map_or(0.0, |(_, depth)| depth);
        scene.amplitude * (note + sidebands + scene.second_harmonic) * (1.0 + hum)
    }
}

/// Envelope of two carriers of amplitudes 1 and `ratio`.
fn envelope(ratio: f64, phase: f64) -> f64 {
    (1.0 + ratio * ratio + 2.0 * ratio * phase.cos()).max(0.0).sqrt()
}

/// Level of the programme's noise-like speech (before its low-pass), the corner of that, and the level of its tone.
const SPEECH: f64 = 0.15;
const SPEECH_HZ: f64 = 3000.0;
const TONE: f64 = 0.1;
const TONE_HZ: f64 = 600.0;

/// A programme that swells with the beat, or fades by itself.
pub(super) struct Broadcast {
    kind: Programme,
    speech: Butterworth,
    fading: Butterworth,
    fading_scale: f64,
    dice: Dice,
}

impl Broadcast {
    pub(super) fn new(kind: Programme, rate_hz: f64, dice: Dice) -> Self {
        let (fading, fading_scale) = match kind {
            Programme::Swell { .. } => (Butterworth::default(), 0.0),
            Programme::Fading { rate_hz: bandwidth } => {
                // White noise of variance 1 leaves a second-order Butterworth low-pass with its noise bandwidth,
                // (π/4)/sin(π/4) times the corner, over half the rate.
                let left = std::f64::consts::FRAC_PI_4 * 2f64.sqrt() * bandwidth / (rate_hz / 2.0);
                (Butterworth::new(Pass::Low, bandwidth, 2, rate_hz), 1.0 / left.sqrt())
            }
        };
        Self { kind, speech: Butterworth::new(Pass::Low, SPEECH_HZ, 4, rate_hz), fading, fading_scale, dice }
    }

    /// The largest the programme well gets: speech at five and a half times its deviation, fading at three times.
    pub(super) fn peak(&self, rate_hz: f64) -> f64 {
        let speech = SPEECH * (SPEECH_HZ / (rate_hz / 2.0)).min(1.0).sqrt();
        let gain = match self.kind {
            Programme::Swell { agc: false, .. } => 1.0,
            Programme::Swell { ratio, .. } => 1.0 / (1.0 - ratio).abs().max(0.2),
            Programme::Fading { .. } => 1.0 + 0.8 * 3.0,
        };
        (TONE + 5.5 * speech) * gain
    }

    pub(super) fn sample(&mut self, t: f64, phase: f64) -> f64 {
        let programme = SPEECH * self.speech.next(self.dice.normal()) + TONE * (TAU * TONE_HZ * t).cos();
        let gain = match self.kind {
            Programme::Swell { ratio, agc } => {
                let carrier = envelope(ratio, phase).max(1e-6);
                let gain = (1.0 + ratio * phase.cos()) / carrier;
                if agc { gain / carrier } else { gain }
            }
            Programme::Fading { .. } => {
                (1.0 + 0.8 * self.fading_scale * self.fading.next(self.dice.normal())).abs()
            }
        };
        programme * gain
    }
}
