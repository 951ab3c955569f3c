//! Random bench scenes, kind by kind: what property tests try the ear on. A kind fixes what happens; its numbers are
//! drawn from the seed, within what a bench gives and far enough from every border that the right answer is known.

mod bench;

use super::dice::Dice;
use super::{Scene, Stream, Truth};
use crate::heard::EndingState;
use crate::offset::{Hand, Turning};
use bench::{fall, hum, moves, oscillators, path};

/// A random scene with what a user would declare about it and what the answer must be.
#[derive(Debug, Clone)]
pub struct Trial {
    /// What is on the bench.
    pub scene: Scene,
    /// Which oscillator is turned.
    pub hand: Hand,
    /// Which way its frequency moves first; `None` where nothing is turned.
    pub turning: Option<Turning>,
    /// A standard station's tones are to be expected.
    pub station_tones: bool,
    /// How it ends.
    pub ending: EndingState,
    /// Below this the path is deaf, Hz.
    pub deaf_below_hz: f64,
}

impl Trial {
    /// The rests of a truth that can be heard, or the parts of them in which the key is down for half a second: (start
    /// in s, end in s, signed beat in the middle of the rest in Hz). A pulled beat is told as it truly is, not as it
    /// is heard.
    pub fn audible_rests(&self, truth: &Truth) -> Vec<(f64, f64, f64)> {
        let always = [(0.0, f64::INFINITY)];
        let keyed = if self.scene.keyed.is_empty() { &always[..] } else { &self.scene.keyed };
        let audible = truth.rests.iter().filter(|rest| {
            let heard = (rest.beat_hz.powi(2) - self.scene.lock_hz.powi(2)).max(0.0).sqrt();
            heard > self.deaf_below_hz
        });
        let parts = audible.flat_map(|rest| {
            keyed.iter().map(|&(from, to)| (rest.start_s.max(from), rest.end_s.min(to), rest.beat_hz))
        });
        parts.filter(|(start, end, _)| end - start >= 0.5).collect()
    }
}

/// Declares the kinds with their list and names.
macro_rules! kinds {
    ($($(#[$doc:meta])* $kind:ident,)+) => {
        /// What happens in a random scene.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Kind {
            $($(#[$doc])* $kind,)+
        }

        impl Kind {
            /// Every kind.
            pub const ALL: &[Self] = &[$(Self::$kind,)+];
        }
    };
}

kinds! {
    /// Falls and rests in the clear.
    CleanFall,
    /// Direct coupling, rests below two hertz.
    SlowRest,
    /// Falls below what the path passes.
    DeadBand,
    /// Overshoots and rests on the other side.
    ThroughZero,
    /// Comes near zero and turns back on the same side.
    TurnedBack,
    /// Rocked through zero, rests at last.
    Rocking,
    /// Hum louder than the note.
    LoudHum,
    /// Hum whose fundamental wanders.
    WanderingHum,
    /// Vibrator or generator hum of a field set.
    FieldSetHum,
    /// Rests within two hertz of a hum line.
    BesideHum,
    /// Hum modulates the note.
    HumOnNote,
    /// Hum and noise alone.
    HumOnly,
    /// Noise alone.
    NoiseOnly,
    /// The signal is switched off while it rests.
    SignalLost,
    /// The signal is keyed and left with the key down.
    Keyed,
    /// Ten to sixteen decibels under the noise.
    Weak,
    /// Drifts steadily through the whole recording.
    WarmUpDrift,
    /// A tube oscillator's random walk.
    Wander,
    /// Pulled, heard through a path that passes all.
    Pulled,
    /// Pulled, heard through a path that rolls off.
    PulledDeaf,
    /// Captured: the note dives away.
    Locked,
    /// An envelope detector's harmonics.
    EnvelopeNote,
    /// Second harmonic more than half as strong.
    RichNote,
    /// Overdriven audio stages.
    Driven,
    /// The sound card is overdriven.
    Clipped,
    /// A programme swells with the beat.
    Swell,
    /// The same through automatic gain control.
    SwellAgc,
    /// A programme fades by itself.
    FadingOnly,
    /// The station's sidebands beat too.
    StationSidebands,
    /// Falls through a station's tone and ticks.
    OverStation,
    /// Falls beside a steady whistle as loud as the note.
    Whistle,
    /// The sound card's whine alone.
    CardWhine,
    /// Fades during the rest.
    Fades,
    /// Clicks and dropped blocks.
    Glitches,
    /// The computer's noise suppression eats the resting note.
    Suppressed,
    /// Two rests with a move between them.
    TwoRests,
    /// The transmitter is turned.
    SignalInHand,
    /// The recording ends while the hand still turns.
    StillMoving,
    /// Stereo, the beat on one side.
    OneChannel,
    /// Stereo in antiphase.
    Opposed,
    /// An unusual sample rate.
    OddRate,
    /// Two notes in a receiver with its beat oscillator on.
    TwoNotes,
    /// The receiver's beat oscillator lies between the two.
    Straddled,
    /// Hum, wander, clicks, fades and a rich note together.
    AllTogether,
}

/// A random scene of a kind.
pub fn random_scene(seed: u64, kind: Kind) -> Trial {
    let mut dice = Dice::new(seed, Stream::Parameters as u64 + kind as u64);
    let side = dice.sign();
    let rest_hz = side * dice.between(40.0, 420.0);
    let rest_s = dice.between(5.0, 9.0);
    let fall = fall(&mut dice, rest_hz, rest_s);
    let mut trial = Trial {
        scene: Scene { rate_hz: dice.pick(&[8000, 12_000, 16_000]), ..Scene::new(seed, &fall) },
        hand: Hand::Meter,
        turning: None,
        station_tones: false,
        ending: EndingState::Resting,
        deaf_below_hz: 10.0,
    };
    match kind {
        Kind::CleanFall
        | Kind::ThroughZero
        | Kind::TurnedBack
        | Kind::Rocking
        | Kind::TwoRests
        | Kind::SlowRest
        | Kind::DeadBand
        | Kind::StillMoving
        | Kind::SignalInHand => moves(&mut trial, kind, &mut dice, side),
        Kind::LoudHum
        | Kind::WanderingHum
        | Kind::FieldSetHum
        | Kind::BesideHum
        | Kind::HumOnNote
        | Kind::HumOnly => hum(&mut trial, kind, &mut dice),
        Kind::WarmUpDrift
        | Kind::Wander
        | Kind::Pulled
        | Kind::PulledDeaf
        | Kind::Locked
        | Kind::EnvelopeNote
        | Kind::RichNote
        | Kind::Driven
        | Kind::TwoNotes
        | Kind::Straddled => oscillators(&mut trial, kind, &mut dice, side),
        _ => path(&mut trial, kind, &mut dice),
    }
    trial.turning = turning(&trial.scene.knots, trial.hand);
    trial
}

/// Which way the oscillator in the hand goes in the first move: the meter moves with b, the signal against it.
fn turning(knots: &[(f64, f64)], hand: Hand) -> Option<Turning> {
    let moves = knots.windows(2).map(|pair| pair[1].1 - pair[0].1);
    let first = moves.into_iter().find(|step| step.abs() > 0.0)?;
    let rises = (first > 0.0) == (hand == Hand::Meter);
    Some(if rises { Turning::Up } else { Turning::Down })
}

#[cfg(test)]
mod tests {
    use super::super::render;
    use super::*;
    use crate::offset::{Side, side_from_turn};

    /// Every kind, several seeds: the scene can be made, does not clip unless asked to, and says of itself what is
    /// true: its rests can be heard where it ends resting, and its turning gives their side by the sign rule.
    #[test]
    fn random_scenes_keep_their_word() {
        for &kind in Kind::ALL {
            for seed in 0..3 {
                let trial = random_scene(seed, kind);
                let made = render(&trial.scene);
                let rests = trial.audible_rests(&made.truth);
                assert_eq!(rests.is_empty(), !rests_are_heard(kind), "{kind:?} {seed}: {rests:?}");
                let peak = made.samples.iter().fold(0f32, |peak, x| peak.max(x.abs()));
                assert!((0.03..1.0).contains(&peak) || kind == Kind::Clipped, "{kind:?} {seed}: {peak}");
                assert!((3.0..46.0).contains(&trial.scene.duration_s()), "{kind:?} {seed}");

                // The first rest after a fall that has not passed zero.
                let [(_, from), (_, to), ..] = trial.scene.knots[..] else { panic!("{kind:?}") };
                if from * to > 0.0 && (from - to).abs() > 1.0 {
                    let turning = trial.turning.unwrap();
                    assert_eq!(side_from_turn(trial.hand, turning, to.abs() - from.abs()), Side::of(to));
                }
            }
        }
    }

    fn rests_are_heard(kind: Kind) -> bool {
        !matches!(
            kind,
            Kind::DeadBand
                | Kind::StillMoving
                | Kind::HumOnly
                | Kind::NoiseOnly
                | Kind::CardWhine
                | Kind::FadingOnly
                | Kind::Locked
        )
    }

    #[test]
    fn a_seed_gives_the_same_scene_and_another_another() {
        for &kind in Kind::ALL {
            assert_eq!(random_scene(5, kind).scene, random_scene(5, kind).scene);
            assert_ne!(random_scene(5, kind).scene, random_scene(6, kind).scene);
        }
    }
}
