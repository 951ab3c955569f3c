//! What the ear gathers and asks about coupled oscillators: soundings on the way down, the pull of a rest.

use super::ending::{Gone, Verdict};
use super::life::Life;
use super::lines::{Line, Seen};
use super::overtones::{self, Note};
use super::pulling::{Evidence, Pull};
use super::rest::Measured;
use super::sounding::{self, Sounding, Soundings};
use super::{Ear, SHORT_S, rank};
use crate::heard::Warning;

/// Most soundings taken in one look.
const MOST_A_LOOK: usize = 2;
/// Soundings that make another line's unneeded, and lives that are asked for theirs.
const FEW: usize = 8;
const LIVES: usize = 8;
/// Times after a note's last sighting when the verdict is thought over, s: the longer nothing is heard, the lower the
/// bound.
const RECONSIDERED_S: [f64; 2] = [1.2, 2.8];
/// Sightings before a line is worth one.
const LEAST_HITS: u32 = 4;

impl Ear {
    /// Sounds the lowest lines that have moved on since their last sounding.
    pub(super) fn take_soundings(&mut self, end: u64, now_s: f64) {
        let seen = |l: &Line| l.hits >= LEAST_HITS && now_s - l.last_seen_s < 1e-6;
        // The lowest, in order.
        let mut due = [(f64::INFINITY, usize::MAX); MOST_A_LOOK];
        for (i, line) in self.table.lines.iter().enumerate().filter(|(_, l)| seen(l)) {
            let b = line.b.abs();
            let dossier = self.dossiers.get(&line.id);
            if dossier.map_or(sounding::RANGE_HZ.1 > b, |d| d.soundings.due(b)) {
                rank(&mut due, (b, i), |new, old| new.0 < old.0);
            }
        }
        let len = (sounding::LENGTH_S.1 * self.rate_hz) as u64;
        for (b, i) in due.into_iter().filter(|d| d.0.is_finite() && end >= len) {
            let (id, rate) = (self.table.lines[i].id, self.table.lines[i].r * self.table.lines[i].b.signum());
            let samples = self.clean.slice(end - len, end);
            let dossier = self.dossiers.entry(id).or_default();
            dossier.soundings.take(samples, self.rate_hz, now_s, b, rate, SHORT_S / 2.0);
        }
    }

    /// Whether the note of a rest was pulled, and its offset without; only the newest part of a long rest is looked at.
    pub(super) fn pull_of(&self, rest: &Measured, soundings: &Soundings) -> Option<Pull> {
        let index = |s: f64| (s * self.rate_hz).round() as u64;
        let first = index(rest.start_s).max(self.raw.first());
        let note = Note { at_s: rest.at_s, frequency_hz: rest.heard_hz, rate: rest.rate };
        let overtones = overtones::measure(
            self.raw.slice(first, index(rest.end_s)),
            self.rate_hz,
            first as f64 / self.rate_hz,
            note,
            &self.hum.comb(),
        )?;
        let evidence = Evidence {
            heard_hz: rest.heard_hz,
            u_hz: rest.u_hz(),
            overtones: &overtones,
            soundings: self.soundings_for(soundings),
        };
        evidence.judge()
    }

    /// A line's own soundings, or where it has hardly any (the note was another line while it fell) those of the line
    /// that has most: whatever note it was, it came through the same path.
    fn soundings_for<'a>(&'a self, own: &'a Soundings) -> &'a [Sounding] {
        let standing = self.dossiers.values().map(|d| d.soundings.all());
        let past = self.past.iter().rev().take(LIVES).map(|l| l.soundings.as_slice());
        let others = standing.chain(past).max_by_key(|s| (s.len(), s.first().map(|s| (s.at_s * 1e3) as u64)));
        match others {
            Some(others) if own.all().len() < FEW => others,
            _ => own.all(),
        }
    }

    /// How the note ended that was last heard, as far as is known; `None` while one is heard, or when none ever was.
    pub(super) fn silence(&mut self, chosen: Option<u32>, at_s: f64) -> Option<Verdict> {
        let (offset_hz, last_seen_s, soundings) = match chosen.and_then(|id| self.line(id)) {
            Some(line) if !line.path.travelled() || at_s - line.last_seen_s < silent_s(line) => return None,
            Some(line) => {
                let soundings = self.dossiers.get(&line.id)?.soundings.last_fall();
                (line.b.abs(), line.last_seen_s, soundings)
            }
            None => {
                // A harmonic that outlived its note by a moment was hardly sounded: it is not asked.
                let sounded = self.past.iter().rev().take(LIVES).filter(|l| !l.soundings.is_empty());
                let life = sounded.max_by(|a, b| {
                    let well = |l: &Life| l.soundings.len() >= FEW;
                    well(a).cmp(&well(b)).then(a.last_seen_s.total_cmp(&b.last_seen_s))
                })?;
                (life.last_hz(), life.last_seen_s, life.soundings.clone())
            }
        };
        if let Some(known) = &self.silence
            && (known.last_seen_s - last_seen_s).abs() < 1e-9
            && at_s < known.due_s
        {
            return Some(known.verdict);
        }
        let verdict = Gone { offset_hz, last_seen_s, now_s: at_s, soundings: &soundings }.judge();
        let due_s = RECONSIDERED_S.iter().map(|s| last_seen_s + s).find(|s| *s > at_s);
        self.silence = Some(Silence { last_seen_s, due_s: due_s.unwrap_or(f64::INFINITY), verdict });
        Some(verdict)
    }
}

/// How long a note must be unheard to be called gone, s: as long as what sees it needs, and some more.
fn silent_s(line: &Line) -> f64 {
    match line.seen {
        _ if line.b.abs() < super::low::HIGHEST_HZ => 1.6,
        Seen::Short => 0.6,
        Seen::Medium => 0.9,
        Seen::Long => 2.4,
    }
}

/// How the last note ended, kept until there is more to say.
pub(super) struct Silence {
    last_seen_s: f64,
    due_s: f64,
    verdict: Verdict,
}

/// The warning about a pulled rest; the advice comes first.
pub fn warning(heard_hz: f64, pull: &Pull) -> Warning {
    Warning {
        code: "pulled".to_owned(),
        message: format!(
            "loosen the coupling or work at a larger offset: the oscillators pull each other, the note at {heard_hz:.2} \
             Hz is {:.1} Hz with that undone",
            pull.offset_hz
        ),
    }
}

#[cfg(test)]
mod tests {
    use crate::heard::{EndingState, Heard, Level, Snapshot};
    use crate::settings::Settings;
    use crate::source::synthetic::{Detector, Scene, render};

    const RATE_HZ: u32 = 8000;

    /// What the ear says of a scene, and what it said last while it listened.
    fn hear(scene: &Scene) -> (Heard, Snapshot) {
        let rendered = render(&Scene { rate_hz: RATE_HZ, ..scene.clone() });
        let mut ear = super::Ear::new(f64::from(RATE_HZ), &Settings::default());
        ear.push(&rendered.samples, &mut |_| {});
        let last = ear.snapshot();
        (ear.finish(Level::default(), Vec::new()).0, last)
    }

    /// Down from `from` to `to` in four seconds, and eight there.
    fn fall(seed: u64, from: f64, to: f64) -> Scene {
        Scene::new(seed, &[(0.0, from), (4.0, to), (12.0, to)])
    }

    /// The truth is Adler's: 40 Hz apart with 30 Hz of lock beat at √(40² − 30²) Hz. At 40 Hz a tenth of a decibel of
    /// tilt is 0.4 Hz, so u can't honestly be much below that.
    #[test]
    fn a_pull_is_undone_through_a_flat_path_and_through_a_deaf_one() {
        for (seed, corner_hz, order) in [(1, 3.0, 2), (2, 30.0, 2), (3, 40.0, 4), (4, 15.0, 1)] {
            let scene =
                Scene { lock_hz: 30.0, high_pass: Some((corner_hz, order)), ..fall(seed, -400.0, -40.0) };
            let (heard, last) = hear(&scene);
            let rest = heard.rests.last().expect("a rest");
            let pulled = rest.pulled.as_ref().expect("pulled");
            let heard_u = rest.u_noise_hz.min(0.01).hypot(rest.u_wander_hz);
            assert!((rest.heard_hz - 700f64.sqrt()).abs() < 2.0 * heard_u.max(0.005), "{rest:?}");
            assert!((rest.offset_hz - 40.0).abs() < 3.0 * rest.u_hz, "corner {corner_hz}: {rest:?}");
            assert!((0.1..3.0).contains(&rest.u_hz), "corner {corner_hz}: {rest:?}");
            assert!((pulled.lock_hz - 30.0).abs() < 4.0 * rest.u_hz, "{rest:?}");
            assert!(heard.warnings.iter().any(|w| w.code == "pulled" && w.message.starts_with("loosen")));
            assert!(last.rest.is_some_and(|r| r.pulled.is_some()), "live says it too");
        }
    }

    #[test]
    fn harmonics_of_a_detector_or_an_amplifier_are_no_pull() {
        let path = |corner_hz: f64| Some((corner_hz, 2));
        let scenes = [
            Scene {
                detector: Detector::Envelope { ratio: 0.8 },
                high_pass: path(5.0),
                ..fall(5, 500.0, 61.3)
            },
            Scene {
                detector: Detector::Envelope { ratio: 1.0 },
                high_pass: path(50.0),
                ..fall(6, 500.0, 41.3)
            },
            Scene { second_harmonic: 0.6, ..fall(7, 500.0, 88.0) },
            Scene { second_harmonic: 0.3, drive: Some(4.0), ..fall(8, 500.0, 52.0) },
            fall(9, 500.0, 40.0),
        ];
        for scene in scenes {
            let (heard, _) = hear(&scene);
            let rest = heard.rests.last().expect("a rest");
            assert!(rest.pulled.is_none(), "seed {}: {rest:?}", scene.seed);
            assert!((rest.offset_hz - rest.heard_hz).abs() < 1e-12);
        }
    }

    /// A made tone without any noise is a rest like any other, and its window's side lobes are no notes.
    #[test]
    fn a_tone_without_noise_is_one_note() {
        for steps in [32_768.0, 1e9] {
            let tone = |n: u32| (f64::from(n) * 463.0 / 8000.0 * std::f64::consts::TAU).sin() * 0.5;
            let samples: Vec<f32> = (0..80_000).map(|n| ((tone(n) * steps).round() / steps) as f32).collect();
            let mut ear = crate::beat::Ear::new(8000.0, &Settings::default());
            ear.push(&samples, &mut |_| {});
            let (heard, _) = ear.finish(Level::default(), Vec::new());
            let [rest] = heard.rests.as_slice() else { panic!("{heard:?}") };
            assert!((rest.offset_hz - 463.0).abs() < 1e-5 && rest.u_hz < 1e-4 && rest.u_hz > 0.0, "{rest:?}");
            assert!(heard.steady_notes.is_empty(), "{heard:?}");
        }
    }

    #[test]
    fn dead_band_lock_and_loss_are_told_apart() {
        let deaf = Scene { high_pass: Some((90.0, 4)), ..fall(10, 900.0, 3.0) };
        let locked = Scene { lock_hz: 60.0, high_pass: Some((20.0, 2)), ..fall(11, 500.0, 20.0) };
        let unkeyed = Scene { keyed: vec![(0.0, 6.0)], ..fall(12, 1200.0, 300.0) };
        let falling = Scene { keyed: vec![(0.0, 2.2)], ..fall(13, 1200.0, 100.0) };
        for (scene, state) in [
            (deaf, EndingState::DeadBand),
            (locked, EndingState::Locked),
            (unkeyed, EndingState::Lost),
            (falling, EndingState::Lost),
        ] {
            let (heard, last) = hear(&scene);
            assert_eq!(heard.ending.state, state, "seed {}: {:?}", scene.seed, heard.ending);
            assert_eq!(last.state, state, "seed {}: live", scene.seed);
            assert_eq!(last.offset_hz, None);
            assert_eq!(heard.ending.bound_hz.is_some(), state == EndingState::DeadBand);
            if let Some(bound) = heard.ending.bound_hz {
                // 25 dB over the noise in 4 kHz is 58 dB in two hertz. A note is found there 15 dB over it, and four
                // poles at 90 Hz take the 43 dB between at 90/10^(43/80) = 26 Hz.
                assert!((20.0..40.0).contains(&bound), "{bound}");
            }
        }
    }
}
