//! The numbers of random scenes, drawn kind by kind.

use super::super::dice::Dice;
use super::super::scene::{Detector, Hum, Layout, Programme, Receiver};
use super::{Kind, Trial};
use crate::heard::EndingState;
use crate::offset::Hand;

/// A fall from some height to a rest.
pub(super) fn fall(dice: &mut Dice, rest_hz: f64, rest_s: f64) -> Vec<(f64, f64)> {
    let from = rest_hz.signum() * dice.between(650.0, 1800.0);
    let begins = dice.between(0.0, 0.4);
    let ends = begins + dice.between(2.0, 4.5);
    vec![(begins, from), (ends, rest_hz), (ends + rest_s, rest_hz)]
}

/// Ends a path with a rest somewhere else.
fn rest_at(trial: &mut Trial, at_s: f64, beat_hz: f64, seconds: f64) {
    trial.scene.knots.extend([(at_s, beat_hz), (at_s + seconds, beat_hz)]);
}

/// What the hand does.
pub(super) fn moves(trial: &mut Trial, kind: Kind, dice: &mut Dice, side: f64) {
    let scene = &mut trial.scene;
    scene.snr_db = dice.between(18.0, 30.0);
    let from = side * dice.between(500.0, 900.0);
    match kind {
        Kind::ThroughZero => {
            scene.high_pass = Some((dice.between(5.0, 40.0), 2));
            scene.knots = vec![(0.0, from)];
            let (at_s, beat) = (dice.between(3.0, 5.0), -side * dice.between(90.0, 300.0));
            rest_at(trial, at_s, beat, 6.0);
        }
        Kind::TurnedBack => {
            scene.high_pass = Some((5.0, 2));
            let near = side * dice.between(18.0, 40.0);
            scene.knots = vec![(0.0, from), (3.0, near), (4.5, near)];
            let beat = side * dice.between(120.0, 300.0);
            rest_at(trial, 6.5, beat, 5.0);
        }
        Kind::Rocking => {
            scene.high_pass = Some((20.0, 2));
            scene.knots = vec![(0.0, from), (2.0, -0.5 * from), (3.5, 0.35 * from), (5.0, -0.25 * from)];
            let beat = -side * dice.between(50.0, 90.0);
            rest_at(trial, 6.5, beat, 6.0);
        }
        Kind::TwoRests => {
            let first = side * dice.between(42.0, 90.0);
            scene.knots = vec![(0.0, from), (2.0, first), (6.5, first), (8.0, 1.2 * from)];
            let beat = side * dice.between(120.0, 400.0);
            rest_at(trial, 10.0, beat, 5.0);
        }
        Kind::SlowRest => {
            scene.high_pass = None;
            trial.deaf_below_hz = 0.0;
            scene.knots = vec![(0.0, from)];
            let beat = side * dice.between(0.5, 2.0);
            rest_at(trial, 3.0, beat, 15.0);
        }
        Kind::DeadBand => {
            scene.high_pass = Some((dice.between(60.0, 120.0), 4));
            trial.deaf_below_hz = 20.0;
            trial.ending = EndingState::DeadBand;
            scene.knots = vec![(0.0, from)];
            let beat = side * dice.between(1.0, 5.0);
            rest_at(trial, 4.0, beat, 7.0);
        }
        Kind::StillMoving => {
            trial.ending = EndingState::Moving;
            scene.knots = vec![(0.0, from), (0.4, from), (8.0, 0.15 * from)];
            scene.length_s = Some(dice.between(3.5, 5.0));
        }
        Kind::SignalInHand => trial.hand = Hand::Signal,
        _ => {}
    }
}

/// What the mains do.
pub(super) fn hum(trial: &mut Trial, kind: Kind, dice: &mut Dice) {
    let scene = &mut trial.scene;
    let fundamental_hz = dice.pick(&[50.0, 60.0]) + dice.between(-0.05, 0.05);
    let mut comb = Hum::mains(fundamental_hz, &[0.5, 0.7, 0.35, 0.3, 0.15, 0.1]);
    match kind {
        Kind::LoudHum => comb.levels.iter_mut().for_each(|level| *level *= 4.0),
        Kind::WanderingHum => comb.wander_hz = dice.between(0.02, 0.05),
        Kind::FieldSetHum => {
            comb = Hum::mains(dice.between(98.0, 122.0), &[0.8, 0.5, 0.3, 0.15]);
            comb.wander_hz = 0.05;
            if dice.uniform() < 0.3 {
                comb = Hum::mains(400.0 + dice.between(-1.0, 1.0), &[0.8, 0.3]);
            }
        }
        Kind::HumOnNote => scene.hum_on_note = Some((comb.fundamental_hz, dice.between(0.1, 0.3))),
        Kind::HumOnly => {
            scene.detector = Detector::Silent;
            trial.ending = EndingState::Quiet;
        }
        _ => {}
    }
    let line = 2.0 * comb.fundamental_hz;
    if kind == Kind::BesideHum {
        let aside = dice.sign() * dice.between(0.7, 2.0);
        scene.knots = fall(dice, line + aside, 12.0);
    } else {
        // Well away from every line of the comb, so that what is measured is the note.
        let side = scene.knots[0].1.signum();
        let order = dice.pick(&[1.0, 2.0, 3.0]);
        let beat = comb.fundamental_hz * (order + dice.between(0.25, 0.75));
        scene.knots = fall(dice, side * beat, 8.0);
    }
    scene.hum = Some(comb);
}

/// What the oscillators and the detector do.
pub(super) fn oscillators(trial: &mut Trial, kind: Kind, dice: &mut Dice, side: f64) {
    let scene = &mut trial.scene;
    match kind {
        Kind::WarmUpDrift => {
            scene.drift_hz_per_s = dice.sign() * dice.between(0.01, 0.1);
            let beat = side * dice.between(80.0, 300.0);
            scene.knots = vec![(0.0, beat), (40.0, beat)];
        }
        Kind::Wander => scene.wander_hz_per_root_s = dice.between(0.002, 0.03),
        Kind::Pulled | Kind::PulledDeaf => {
            scene.lock_hz = dice.between(15.0, 40.0);
            scene.high_pass = Some((if kind == Kind::Pulled { 3.0 } else { 30.0 }, 2));
            let beat = side * scene.lock_hz * dice.between(1.25, 1.8);
            scene.knots = vec![(0.0, 400.0 * side), (5.0, beat), (17.0, beat)];
        }
        Kind::Locked => {
            scene.lock_hz = dice.between(40.0, 80.0);
            scene.high_pass = Some((20.0, 2));
            trial.ending = EndingState::Locked;
            let beat = side * scene.lock_hz * dice.between(0.1, 0.5);
            scene.knots = vec![(0.0, 500.0 * side), (5.0, beat), (11.0, beat)];
        }
        Kind::EnvelopeNote => {
            scene.detector = Detector::Envelope { ratio: dice.between(0.4, 0.9) };
            scene.high_pass = Some((5.0, 2));
        }
        Kind::RichNote => scene.second_harmonic = dice.between(0.5, 0.9),
        Kind::Driven => scene.drive = Some(dice.between(4.0, 15.0)),
        Kind::TwoNotes | Kind::Straddled => {
            let straddled = kind == Kind::Straddled;
            // The meter's note stays well inside the passband, and never meets zero unless they straddle it.
            let pitch_hz = dice.sign() * dice.between(1300.0, 1700.0);
            let beat = side * dice.between(3.0, 300.0);
            scene.knots = vec![(0.0, side * 600.0), (4.0, beat), (12.0, beat)];
            scene.snr_db = 15.0;
            let receiver = Receiver {
                pitch_hz: if straddled { -side * dice.between(500.0, 700.0) } else { pitch_hz },
                drift_hz_per_s: dice.between(-0.2, 0.2),
                meter_level: dice.between(0.5, 1.5),
            };
            if straddled {
                let far = side * dice.between(1100.0, 1400.0);
                scene.knots = vec![(0.0, side * 1900.0), (4.0, far), (12.0, far)];
            } else {
                // From the other side, through the signal's note; faded; keyed.
                if dice.uniform() < 0.3 {
                    scene.knots[0].1 = -side * 600.0;
                }
                match (dice.uniform() * 3.0) as u32 {
                    0 => {}
                    1 => scene.fade = Some((dice.between(0.15, 0.4), dice.between(6.0, 12.0))),
                    _ => scene.keyed = keying(dice, scene.duration_s()),
                }
            }
            scene.detector = Detector::Receiver(receiver);
            scene.high_pass = Some((100.0, 2));
            trial.deaf_below_hz = 0.0;
        }
        _ => {}
    }
}

/// A key that goes down and up again until the end, where it is down.
fn keying(dice: &mut Dice, end_s: f64) -> Vec<(f64, f64)> {
    let mut keyed = vec![(0.0, dice.between(1.0, 5.0))];
    while let Some(&(_, up)) = keyed.last().filter(|k| k.1 < end_s - 3.0) {
        let down = up + dice.between(0.2, 0.6);
        keyed.push((down, down + dice.between(0.4, 1.5)));
    }
    keyed.last_mut().into_iter().for_each(|last| last.1 = end_s);
    keyed
}

/// What happens on the way from the signal to the sound card.
pub(super) fn path(trial: &mut Trial, kind: Kind, dice: &mut Dice) {
    let scene = &mut trial.scene;
    let (moved_s, end_s) = (scene.knots[1].0, scene.duration_s());
    match kind {
        Kind::NoiseOnly | Kind::CardWhine | Kind::FadingOnly => {
            scene.detector = Detector::Silent;
            scene.length_s = Some(20.0);
            trial.ending = EndingState::Quiet;
            if kind == Kind::CardWhine {
                scene.whistles = vec![(1000.0, 0.3), (2000.0, dice.between(0.1, 0.3)), (3000.0, 0.1)];
            }
            if kind == Kind::FadingOnly {
                scene.programme = Some(Programme::Fading { rate_hz: dice.between(0.1, 1.0) });
                trial.station_tones = true;
            }
        }
        Kind::SignalLost => {
            scene.keyed = vec![(0.0, dice.between(moved_s + 2.0, end_s - 1.5))];
            trial.ending = EndingState::Lost;
        }
        Kind::Keyed => {
            let first = moved_s + dice.between(0.3, 0.8);
            let down = dice.between(0.3, 0.8);
            scene.keyed = vec![(0.0, first), (first + 0.4, first + 0.4 + down), (first + 0.9 + down, end_s)];
        }
        Kind::Weak => {
            scene.snr_db = dice.between(-16.0, -10.0);
            scene.knots[2].0 += 6.0;
        }
        Kind::Swell | Kind::SwellAgc => {
            let agc = kind == Kind::SwellAgc;
            let ratio = if agc { dice.between(0.5, 0.8) } else { 1.0 };
            scene.detector = Detector::Silent;
            scene.programme = Some(Programme::Swell { ratio, agc });
            let beat = dice.between(0.6, 2.0);
            scene.knots = vec![(0.0, beat), (30.0, beat)];
            trial.deaf_below_hz = 0.0;
            trial.station_tones = true;
        }
        Kind::StationSidebands => {
            scene.sidebands = Some((dice.pick(&[440.0, 500.0, 600.0]), dice.between(0.15, 0.3)));
            trial.station_tones = true;
        }
        Kind::OverStation => {
            scene.station = Some((dice.pick(&[440.0, 500.0, 600.0]), dice.between(0.08, 0.2)));
            trial.station_tones = true;
        }
        Kind::Whistle => scene.whistles = vec![(dice.between(1850.0, 2600.0), dice.between(0.7, 1.2))],
        Kind::Clipped => scene.gain = Some(dice.between(10.0, 25.0)),
        Kind::Fades => scene.fade = Some((dice.between(0.15, 0.4), dice.between(8.0, 16.0))),
        Kind::Glitches => {
            scene.dropouts_per_s = dice.between(0.2, 0.7);
            scene.clicks_per_s = dice.between(0.5, 2.0);
        }
        Kind::Suppressed => {
            scene.suppressed_in_s = Some(dice.between(1.0, 5.0));
            scene.knots[2].0 += 6.0;
            trial.ending = EndingState::Lost;
        }
        Kind::OneChannel => scene.layout = dice.pick(&[Layout::Left, Layout::Right]),
        Kind::Opposed => scene.layout = Layout::Opposed,
        Kind::OddRate => scene.rate_hz = dice.pick(&[7119, 11_025, 22_050, 44_100, 96_000]),
        Kind::AllTogether => {
            scene.hum = Some(Hum::mains(dice.pick(&[49.98, 60.02]), &[0.3, 0.4, 0.2, 0.1]));
            scene.wander_hz_per_root_s = 0.005;
            scene.clicks_per_s = 0.5;
            scene.fade = Some((0.2, 6.0));
            scene.second_harmonic = 0.3;
            let beat = scene.knots[1].1.signum() * dice.pick(&[131.4, 223.3, 272.6]);
            scene.knots[1].1 = beat;
            scene.knots[2].1 = beat;
        }
        _ => {}
    }
}
