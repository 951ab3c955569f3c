//! Scenes with names: the bench recordings that ship with the project, for tests, benches, the demo and practice.

use super::scene::{Hum, Scene};

/// A scene with its name and what is heard in it.
#[derive(Debug, Clone)]
pub struct Shelved {
    /// Name, also of its file.
    pub name: &'static str,
    /// What happens, in a sentence.
    pub about: &'static str,
    /// How it is made.
    pub scene: Scene,
}

/// All scenes that ship as recordings, in the order of their names.
pub fn shelf() -> Vec<Shelved> {
    let shelved = |name, about, scene| Shelved { name, about, scene };
    vec![
        shelved(
            "dead-band",
            "the note falls below what the transformer in the jack passes and is heard no more",
            dead_band(),
        ),
        shelved(
            "fall-to-rest",
            "a club's net: the meter comes up from below to the net control's carrier, rests 38.6 Hz short of it, is \
             touched down and up again to see the side, and rests",
            fall_to_rest(),
        ),
        shelved(
            "held-off",
            "netting without zero beat: the meter is held 275 Hz above the channel, the transmitter is raised from below and \
             left 3.6 Hz high; the two pull each other",
            held_off(),
        ),
        shelved("hum-only", "the meter is switched off: nothing but 50 Hz hum and noise", hum_only()),
        shelved(
            "net-called",
            "a net called in turn at one setting of the dial, the meter held off above it: control, three stations, control",
            net_called(),
        ),
        shelved(
            "signal-turned",
            "netting: the meter stands, the transmitter is raised from below and left 52.3 Hz low",
            signal_turned(),
        ),
        shelved(
            "through-zero",
            "the hand overshoots: from below through zero to rest 127.4 Hz above the signal",
            through_zero(),
        ),
        shelved("two-rests", "a check point first, 44.2 Hz off, then the signal, 171.7 Hz off", two_rests()),
    ]
}

fn small(seed: u64, knots: &[(f64, f64)]) -> Scene {
    Scene { rate_hz: 8000, ..Scene::new(seed, knots) }
}

/// The demonstration: falls from 1100 Hz through mild hum to 38.6 Hz; hand on the meter, turning up.
fn fall_to_rest() -> Scene {
    let knots = [
        (0.0, -1100.0),
        (0.4, -1100.0),
        (3.9, -38.6),
        (9.0, -38.6),
        (9.25, -47.3),
        (9.6, -47.3),
        (9.9, -38.6),
        (12.0, -38.6),
    ];
    Scene {
        snr_db: 22.0,
        high_pass: Some((18.0, 2)),
        hum: Some(Hum::mains(49.98, &[0.12, 0.18, 0.07, 0.04, 0.03])),
        ..small(40_961, &knots)
    }
}

fn signal_turned() -> Scene {
    let knots = [(0.0, 820.0), (0.4, 820.0), (4.0, 52.3), (9.0, 52.3)];
    Scene { snr_db: 24.0, hum: Some(Hum::mains(60.01, &[0.08, 0.1, 0.05])), ..small(40_962, &knots) }
}

fn through_zero() -> Scene {
    Scene { high_pass: Some((20.0, 2)), ..small(40_963, &[(0.0, -640.0), (4.0, 127.4), (9.0, 127.4)]) }
}

fn dead_band() -> Scene {
    Scene { high_pass: Some((90.0, 4)), ..small(40_964, &[(0.0, 850.0), (4.0, 4.0), (9.0, 4.0)]) }
}

fn hum_only() -> Scene {
    Scene {
        detector: super::Detector::Silent,
        hum: Some(Hum::mains(50.02, &[0.6, 0.5, 0.4, 0.2, 0.2, 0.1])),
        ..small(40_965, &[(0.0, 0.0), (10.0, 0.0)])
    }
}

fn held_off() -> Scene {
    Scene {
        lock_hz: 20.0,
        hum: Some(Hum::mains(50.01, &[0.1, 0.14, 0.08, 0.05, 0.05, 0.03])),
        ..small(40_967, &[(0.0, 1150.0), (0.4, 1150.0), (4.0, 271.4), (9.0, 271.4)])
    }
}

fn net_called() -> Scene {
    let turns = [275.0, 262.3, 291.7, 240.9, 275.0];
    let (mut knots, mut keyed, mut from) = (Vec::new(), Vec::new(), 0.0);
    for beat in turns {
        knots.extend([(from, beat), (from + 4.0, beat)]);
        keyed.push((from + 0.2, from + 3.9));
        from += 4.4;
    }
    Scene { keyed, wander_hz_per_root_s: 0.01, ..small(40_968, &knots) }
}

fn two_rests() -> Scene {
    let knots = [(0.0, 620.0), (2.0, 44.2), (5.5, 44.2), (6.5, 780.0), (8.0, 171.7), (12.0, 171.7)];
    Scene { high_pass: Some((20.0, 2)), ..small(40_966, &knots) }
}
