//! The sound card's clock from tones whose frequencies are known.
//!
//! A card that runs fast by e hears a tone f at f/(1 + e); a receiver for single sideband that is mistuned by d moves
//! every tone by the same d. Heard at one tone these are alike; at two or more, `f_heard` = s·f + d' with
//! s = 1/(1 + e), d' = s·d tells them apart, as far as the path lets it: its delay may have changed while one listened,
//! which moves every tone by the same share, and several paths move each tone by a little of its own.

use super::{ChainError, Total, total};
use crate::correction::budget::{Component, Kind, Shape};
use crate::heard::Warning;
use serde::{Deserialize, Serialize};

/// How the tones were received.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Reception {
    /// Not stated.
    #[default]
    Unknown,
    /// By a receiver for amplitude modulation (or by wire): tones can't be moved.
    Am,
    /// By a receiver for single sideband, whose tuning moves them.
    Ssb,
}

/// One unbroken stretch of one tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneHeard {
    /// As sent, Hz.
    pub tone_hz: f64,
    /// As heard by the card's clock, Hz.
    pub heard_hz: f64,
    /// Standard uncertainty from noise, Hz.
    pub u_hz: f64,
    /// Length, s.
    pub span_s: f64,
    /// Phases in it.
    pub count: usize,
}

/// Everything that enters.
#[derive(Debug, Clone, PartialEq)]
pub struct CardRequest {
    /// The stretches heard.
    pub tones: Vec<ToneHeard>,
    /// How they were received.
    pub reception: Reception,
    /// The most that the delay of the path may have changed in a stretch, s, half-width; 0 for tones that came by wire.
    pub path_delay_s: f64,
    /// Standard uncertainty of a carrier's frequency as received for long, ppm.
    pub path_u_ppm: f64,
    /// Standard uncertainty of the tones as sent, ppm.
    pub tone_u_ppm: f64,
}

/// A tone, all its stretches together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToneRow {
    /// As sent, Hz.
    pub tone_hz: f64,
    /// As heard, Hz by the card.
    pub heard_hz: f64,
    /// Standard uncertainty from noise, Hz.
    pub u_hz: f64,
    /// Seconds used.
    pub used_s: f64,
}

/// What `reference card` finds: the card's error, or else the receiver's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CardReference {
    /// (actual − nominal)/nominal of the card's rate, ppm; null when the receiver was found mistuned.
    pub error_ppm: Option<f64>,
    /// By how much the receiver moves every tone up, Hz; null when it does not.
    pub tuning_error_hz: Option<f64>,
    /// Standard uncertainty of that, Hz.
    pub u_tuning_hz: Option<f64>,
    /// Uncertainty of the card's error and its budget.
    #[serde(flatten)]
    pub total: Total,
    /// The tones.
    pub tones: Vec<ToneRow>,
    /// Doubts, with advice.
    pub warnings: Vec<Warning>,
}

/// A step of the delay half-way through a stretch turns the line through its phases 1.5 times as much as the same
/// change spread evenly.
const WORST_PLACE: f64 = 1.5;
/// A tuning error is believed beyond this many of its standard uncertainties.
const BELIEVED: f64 = 3.0;

/// The card's error or the receiver's.
///
/// # Errors
/// No tone, or one tone where a receiver's tuning could be meant.
pub fn card(request: &CardRequest) -> Result<CardReference, ChainError> {
    let tones = gathered(request);
    if tones.is_empty() {
        return Err(ChainError::NoTone("440, 500 or 600 Hz, 1000 Hz".to_owned()));
    }
    if tones.len() == 1 && request.reception != Reception::Am {
        return Err(ChainError::OneTone);
    }
    let rows = tones
        .iter()
        .map(|tone| ToneRow {
            tone_hz: tone.hertz,
            heard_hz: tone.heard_hz,
            u_hz: tone.noise_hz,
            used_s: tone.used_s,
        })
        .collect();
    let both = (tones.len() > 1).then(|| Both::of(&tones)).flatten();
    let moved = both.as_ref().filter(|both| {
        request.reception != Reception::Am && both.tuning_hz.abs() > BELIEVED * both.u_tuning_hz
    });
    let mut warnings = Vec::new();
    let (factors, error_ppm) = match (&both, request.reception) {
        // Tuned by ear, a receiver is never so exact: the tones have to tell both.
        (Some(both), _) if moved.is_some() || request.reception == Reception::Ssb => {
            (both.factors.clone(), (1.0 / both.slope - 1.0) * 1e6)
        }
        _ => {
            if request.reception == Reception::Unknown {
                warnings.push(Warning {
                    code: "reception-assumed".into(),
                    message:
                        "the tones are where a receiver for amplitude modulation has them, and are taken so; \
                              state --received am or ssb"
                            .into(),
                });
            }
            let (factors, slope) = one_slope(&tones);
            (factors, (1.0 / slope - 1.0) * 1e6)
        }
    };
    let total = total(components(request, &tones, &factors, error_ppm));
    if let Some(both) = moved {
        warnings.push(Warning {
            code: "tuning".into(),
            message: "every tone is moved by the same hertz: that is the receiver's tuning, and it hides the card's \
                      error; receive in amplitude modulation"
                .into(),
        });
        return Ok(CardReference {
            error_ppm: None,
            tuning_error_hz: Some(both.tuning_hz),
            u_tuning_hz: Some(both.u_tuning_hz),
            total,
            tones: rows,
            warnings,
        });
    }
    Ok(CardReference {
        error_ppm: Some(error_ppm),
        tuning_error_hz: None,
        u_tuning_hz: None,
        total,
        tones: rows,
        warnings,
    })
}

/// One tone over all its stretches.
struct Tone {
    hertz: f64,
    heard_hz: f64,
    noise_hz: f64,
    /// What the path's delay can do, relative, as a standard uncertainty: part of one long change, and per stretch.
    path: f64,
    used_s: f64,
    free: f64,
}

impl Tone {
    /// Standard uncertainty of the frequency heard, noise and path, Hz.
    fn u_hz(&self) -> f64 {
        self.noise_hz.hypot(self.path * self.hertz)
    }
}

fn gathered(request: &CardRequest) -> Vec<Tone> {
    let mut kinds: Vec<f64> = request.tones.iter().map(|tone| tone.tone_hz).collect();
    kinds.sort_by(f64::total_cmp);
    kinds.dedup();
    kinds
        .into_iter()
        .map(|hertz| {
            let own: Vec<&ToneHeard> = request
                .tones
                .iter()
                .filter(|tone| (tone.tone_hz - hertz).abs() <= f64::EPSILON * hertz && tone.span_s > 0.0)
                .collect();
            let path = |tone: &ToneHeard| WORST_PLACE * request.path_delay_s / tone.span_s / 3f64.sqrt();
            let weight = |tone: &ToneHeard| tone.u_hz.hypot(path(tone) * hertz).max(1e-12).powi(-2);
            let sum: f64 = own.iter().map(|tone| weight(tone)).sum();
            let mean = |of: &dyn Fn(&ToneHeard) -> f64| {
                own.iter().map(|tone| weight(tone) / sum * of(tone)).sum::<f64>()
            };
            let root = |of: &dyn Fn(&ToneHeard) -> f64| {
                own.iter().map(|tone| (weight(tone) / sum * of(tone)).powi(2)).sum::<f64>().sqrt()
            };
            Tone {
                hertz,
                heard_hz: mean(&|tone| tone.heard_hz),
                noise_hz: root(&|tone| tone.u_hz),
                path: root(&|tone| path(tone)),
                used_s: own.iter().map(|tone| tone.span_s).sum(),
                free: own.iter().map(|tone| tone.count.saturating_sub(2)).sum::<usize>() as f64,
            }
        })
        .filter(|tone| tone.used_s > 0.0)
        .collect()
}

/// s by weighted least squares through zero, and ds/df of each tone.
fn one_slope(tones: &[Tone]) -> (Vec<f64>, f64) {
    let weight = |tone: &Tone| tone.u_hz().max(1e-12).powi(-2);
    let norm: f64 = tones.iter().map(|tone| weight(tone) * tone.hertz.powi(2)).sum();
    let factors: Vec<f64> = tones.iter().map(|tone| weight(tone) * tone.hertz / norm).collect();
    let slope = factors.iter().zip(tones).map(|(factor, tone)| factor * tone.heard_hz).sum();
    (factors, slope)
}

/// s and d together.
struct Both {
    slope: f64,
    factors: Vec<f64>,
    tuning_hz: f64,
    u_tuning_hz: f64,
}

impl Both {
    fn of(tones: &[Tone]) -> Option<Self> {
        let weight = |tone: &Tone| tone.u_hz().max(1e-12).powi(-2);
        let sum: f64 = tones.iter().map(weight).sum();
        let centre = tones.iter().map(|tone| weight(tone) * tone.hertz).sum::<f64>() / sum;
        let moment: f64 = tones.iter().map(|tone| weight(tone) * (tone.hertz - centre).powi(2)).sum();
        if moment <= 0.0 {
            return None;
        }
        let factors: Vec<f64> =
            tones.iter().map(|tone| weight(tone) * (tone.hertz - centre) / moment).collect();
        let slope: f64 = factors.iter().zip(tones).map(|(factor, tone)| factor * tone.heard_hz).sum();
        let shift = |tone: &Tone, factor: f64| weight(tone) / sum - factor * centre;
        let heard: f64 =
            tones.iter().zip(&factors).map(|(tone, &factor)| shift(tone, factor) * tone.heard_hz).sum();
        // Several paths: each tone may be moved apart from the others.
        let apart =
            tones.iter().zip(&factors).map(|(tone, &factor)| (shift(tone, factor) * tone.u_hz()).powi(2));
        let u_tuning_hz = apart.sum::<f64>().sqrt();
        Some(Self { slope, factors, tuning_hz: heard / slope, u_tuning_hz })
    }
}

/// The lines; `factors` are ds of each tone's frequency, and de = −ds but for a part in ten thousand.
fn components(request: &CardRequest, tones: &[Tone], factors: &[f64], error_ppm: f64) -> Vec<Component> {
    let noise = factors.iter().zip(tones).map(|(factor, tone)| (factor * tone.noise_hz * 1e6).powi(2));
    let noise = noise.sum::<f64>().sqrt();
    let free: f64 = tones.iter().map(|tone| tone.free).sum();
    let line = Component::normal("noise", error_ppm, "ppm", 1.0, noise);
    let mut lines = vec![Component { kind: Kind::A, dof: Some(free.max(1.0)), ..line }];
    // The delay moves all tones together; where the tuning is told from the card by their difference, what each may be
    // moved apart counts as well.
    let common: f64 = factors.iter().zip(tones).map(|(factor, tone)| factor * tone.path * tone.hertz).sum();
    let apart: f64 = factors.iter().zip(tones).map(|(f, tone)| (f * tone.path * tone.hertz).powi(2)).sum();
    let opposed = factors.iter().any(|factor| *factor < 0.0);
    let path = if opposed { common.abs().hypot(apart.sqrt()) } else { common.abs() };
    if request.path_delay_s > 0.0 {
        let delay_ms = request.path_delay_s * 1e3;
        let u_ms = delay_ms / 3f64.sqrt();
        let single = request.tones.len() <= tones.len();
        let shape = if single { Shape::Rectangle } else { Shape::Normal };
        let line = Component::normal("path delay", 0.0, "ms", path * 1e6 / u_ms, u_ms);
        lines.push(Component { shape, ..line });
        lines.push(Component::normal("carrier as received", 0.0, "ppm", 1.0, request.path_u_ppm));
    }
    lines.push(Component::normal("tones as sent", 0.0, "ppm", 1.0, request.tone_u_ppm));
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(tone_hz: f64, ppm: f64, tuning_hz: f64) -> ToneHeard {
        let heard_hz = (tone_hz + tuning_hz) / (1.0 + ppm * 1e-6);
        ToneHeard { tone_hz, heard_hz, u_hz: 1e-5, span_s: 60.0, count: 60 }
    }

    fn request(tones: &[ToneHeard], reception: Reception) -> CardRequest {
        CardRequest {
            tones: tones.to_vec(),
            reception,
            path_delay_s: 0.5e-3,
            path_u_ppm: 0.05,
            tone_u_ppm: 0.0,
        }
    }

    /// By the definition `f_true = f_apparent·(1 + error)`: a card 37 ppm fast hears 600 Hz 0.0222 Hz low. Half a
    /// millisecond in a minute is 8 ppm, 12.5 ppm at the worst place (as a rectangle).
    #[test]
    fn a_fast_card_hears_every_tone_low_by_the_same_share() {
        let tones = [heard(500.0, 37.0, 0.0), heard(600.0, 37.0, 0.0)];
        assert!((tones[1].heard_hz - 599.9778).abs() < 1e-4);
        let got = card(&request(&tones, Reception::Am)).unwrap();
        assert!((got.error_ppm.unwrap() - 37.0).abs() < 1e-6 && got.tuning_error_hz.is_none());
        let line = |source: &str| got.total.budget.iter().find(|line| line.source == source).unwrap().u_ppm;
        assert!((line("path delay") - 12.5 / 3f64.sqrt()).abs() < 1e-3, "{}", line("path delay"));
        assert!(line("noise") < 0.02 && (line("carrier as received") - 0.05).abs() < 1e-12);
        let got = card(&CardRequest { path_delay_s: 0.0, ..request(&tones, Reception::Am) }).unwrap();
        assert!(got.total.u_ppm < 0.02);
    }

    #[test]
    fn a_mistuned_receiver_moves_every_tone_by_the_same_hertz() {
        for (ppm, tuning) in [(0.0, 3.82), (37.0, -3.82), (-90.0, 0.4)] {
            let tones = [heard(500.0, ppm, tuning), heard(600.0, ppm, tuning)];
            let got = card(&request(&tones, Reception::Unknown)).unwrap();
            assert!((got.tuning_error_hz.unwrap() - tuning).abs() < 1e-6 && got.error_ppm.is_none());
        }
        // Stated single sideband: the tones alone have to tell both, and u says how badly.
        let tones = [heard(500.0, 37.0, 0.01), heard(600.0, 37.0, 0.01)];
        let got = card(&request(&tones, Reception::Ssb)).unwrap();
        assert!((got.error_ppm.unwrap() - 37.0).abs() < 1e-3 && got.total.u_ppm > 20.0);
    }

    #[test]
    fn one_tone_is_refused_but_for_amplitude_modulation() {
        let tones = [heard(600.0, 37.0, 0.0)];
        assert_eq!(card(&request(&tones, Reception::Unknown)), Err(ChainError::OneTone));
        assert_eq!(card(&request(&tones, Reception::Ssb)), Err(ChainError::OneTone));
        assert!(card(&request(&tones, Reception::Am)).is_ok());
        assert!(matches!(card(&request(&[], Reception::Am)), Err(ChainError::NoTone(_))));
    }

    /// Two minutes of one tone, each with a line of its own: what the path did in one it need not have done in the other.
    #[test]
    fn stretches_average_but_not_below_the_received_carrier() {
        let one = card(&request(&[heard(600.0, 37.0, 0.0)], Reception::Am)).unwrap();
        let many = card(&request(&[heard(600.0, 37.0, 0.0); 4], Reception::Am)).unwrap();
        assert!((one.total.u_ppm / many.total.u_ppm - 2.0).abs() < 0.01);
        let endless = card(&request(&vec![heard(600.0, 37.0, 0.0); 40_000], Reception::Am)).unwrap();
        assert!(endless.total.u_ppm > 0.05);
    }
}
