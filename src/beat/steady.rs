//! The lines that stood while the note moved, or beside it: whistles, tones, a card's whine. What was only there because the
//! note rested is none of them: its harmonics, hum on it, fragments of it, and what taking the hum out leaves beside it.

use super::ON_HUM_HZ;
use super::life::Life;
use super::mend::{APART_HZ, apart_by_hum};
use super::rest::Measured;
use super::story::Story;
use super::swell::Swelling;
use crate::heard::SteadyNote;

/// How well a line must be known, Hz, and for how long it must have stood, s, to be listed as steady.
const STEADY_U_HZ: f64 = 0.1;
const STEADY_S: f64 = 1.0;
/// Harmonics of the note that are known for what they are: those that may be louder than it, and those that are softer by
/// so much, in power, as hum on it is too; and how near to it what is far softer is no more than a fragment of it, Hz.
const MOST_LOUD_HARMONICS: f64 = 8.0;
const MOST_HARMONICS: f64 = 20.0;
const SOFTER: f64 = 0.5;
const FAR_SOFTER: f64 = 0.01;
const FRAGMENT_HZ: f64 = 6.0;

/// Whether a line this far from a stronger one is there only because that one swells.
fn is_side_line(apart_hz: f64, swells: &[Swelling]) -> bool {
    swells.iter().any(|s| {
        let k = (2.0 * apart_hz.abs() / s.line_hz).round();
        (1.0..=8.0).contains(&k) && (apart_hz.abs() - 0.5 * k * s.line_hz).abs() < 0.3
    })
}

impl Story<'_> {
    /// Whether what was measured of a line that stood is but the note where it rests, or a harmonic of it; or was only there
    /// because the note rested then: hum on it, or what taking the hum out leaves of it.
    fn is_of_the_note(&self, m: &Measured, note: &Life) -> bool {
        let (f, hum_hz) = (m.heard_hz, self.hum.known_hz().unwrap_or_default());
        note.rests.iter().any(|(r, _)| {
            let g = r.heard_hz;
            let (softer, far_softer) = (m.power < SOFTER * r.power, m.power < FAR_SOFTER * r.power);
            let together = m.together_s(r) > 0.5 * (m.end_s - m.start_s);
            let itself = (f - g).abs() < if far_softer { FRAGMENT_HZ } else { 1.0 };
            let k = (f / g).round();
            let most = if softer && together { MOST_HARMONICS } else { MOST_LOUD_HARMONICS };
            let harmonic = (2.0..=most).contains(&k) && (f - k * g).abs() < 0.3 + 1e-4 * f;
            let hum_on_it = self.hum.is_found() && apart_by_hum(f, g, hum_hz, APART_HZ);
            let image = self.hum.is_image((f, m.power), (g, r.power), APART_HZ);
            itself || harmonic || together && (softer && hum_on_it || image)
        })
    }

    /// The steady notes beside the lives `chain`, which are the note, loudest first.
    pub(super) fn steady_notes(&self, chain: &[usize], swells: &[Swelling]) -> Vec<SteadyNote> {
        let moved = chain.iter().any(|&i| self.lives[i].travelled);
        let mut notes: Vec<SteadyNote> = Vec::new();
        let mut others: Vec<&Life> = (0..self.lives.len())
            .filter(|i| !chain.contains(i))
            .map(|i| &self.lives[i])
            .filter(|l| !l.travelled && l.span_s() > 1.5 && !l.rests.is_empty())
            .collect();
        others.sort_by(|a, b| b.power.total_cmp(&a.power));
        for life in others {
            let Some((best, _)) = life.rests.iter().min_by(|a, b| a.0.u_hz().total_cmp(&b.0.u_hz())) else {
                continue;
            };
            let (f, excuse) = (best.heard_hz, self.excuse(life));
            if excuse == Some("hum")
                || self.hum.was_line(f, ON_HUM_HZ)
                || chain.iter().any(|&i| self.is_of_the_note(best, &self.lives[i]))
                || notes.iter().any(|n| (n.frequency_hz - f).abs() < 1.0)
                || notes.iter().any(|n| is_side_line(f - n.frequency_hz, swells))
                || notes.len() >= 6
            {
                continue;
            }
            if best.u_hz() > STEADY_U_HZ || best.end_s - best.start_s < STEADY_S {
                continue;
            }
            notes.push(SteadyNote {
                frequency_hz: best.heard_hz,
                u_hz: best.u_hz(),
                level_db: 10.0 * best.power.max(1e-20).log10(),
                why: excuse
                    .unwrap_or(if !swells.is_empty() && chain.is_empty() {
                        "it stood still while the programme swelled"
                    } else if moved {
                        "it stood still while the note moved"
                    } else {
                        "weaker than the note that stands beside it"
                    })
                    .to_owned(),
            });
        }
        notes
    }
}
