//! The tones of a station in a recording, minute by minute, for the sound card's clock.

use super::{CardReference, CardRequest, ChainError, Reception, ToneHeard};
use crate::block::{Loss, SampleBlock};
use crate::condition::{Decimator, decimation_factor};
use crate::estimate::{Phasors, phasors, sounding_part, stretches, strongest_near};
use crate::source::recording::{self, RecordingError};
use crate::stations::Station;
use std::path::Path;

/// Which tones to listen for, and how they were received.
#[derive(Debug, Clone, PartialEq)]
pub struct Tones {
    /// Their frequencies, Hz.
    pub hertz: Vec<f64>,
    /// How they were received.
    pub reception: Reception,
}

/// What was heard of them in one recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HeardTones {
    /// Stretches.
    pub tones: Vec<ToneHeard>,
    /// Length of the recording, s.
    pub duration_s: f64,
}

/// Checks the tones against what a station sends.
///
/// # Errors
/// A line that names the tone that it does not send, or says that the station is not known.
pub fn known(call: &str, tones_hz: &[f64]) -> Result<&'static Station, String> {
    let station = Station::by_call(call).ok_or_else(|| {
        format!("`{call}` is no station known here; hint: `hushbeat reference stations` lists them")
    })?;
    if let Some(tone) = tones_hz.iter().find(|tone| !station.sends_tone(**tone)) {
        let sent: Vec<String> = station.tones_hz.iter().map(|tone| format!("{tone} Hz")).collect();
        let sent = if sent.is_empty() { "no tone that stands".to_owned() } else { sent.join(", ") };
        return Err(format!("{} does not send {tone} Hz; hint: it sends {sent}", station.call));
    }
    Ok(station)
}

/// Listened to at a time, s: the gaps at the seconds are found anew in each, so that a card's error can't carry them
/// away.
const MINUTE_S: f64 = 60.0;
/// A rest of the recording shorter than this is left out, s.
const SHORTEST_S: f64 = 5.0;
/// Where a tone is looked for about its place: by amplitude modulation no further off than a bad card, relative; …
const CARD: f64 = 4e-4;
/// … by single sideband as far as a receiver is well mistuned, Hz.
const MISTUNED_HZ: f64 = 25.0;
/// Fewest seconds of a minute in which a tone has to stand to be followed on.
const STANDS: usize = 5;

/// Hears the tones in a recording; of several channels the one in which they are best heard.
///
/// # Errors
/// A recording that can't be read.
pub fn hear(path: &Path, tones: &Tones) -> Result<HeardTones, RecordingError> {
    let mut recording = recording::open(path)?;
    let format = recording.format();
    let factor = decimation_factor(format.rate_hz);
    let rate_hz = f64::from(format.rate_hz) / factor as f64;
    let channels = usize::from(format.channels);
    let mut listeners: Vec<Listener> = (0..channels).map(|_| Listener::new(rate_hz, factor, tones)).collect();
    let mut block = SampleBlock::default();
    let (mut frames, mut one) = (0, Vec::new());
    while recording.next_block(&mut block)? {
        let missing = match block.lost_before {
            None => 0,
            Some(Loss::Frames(lost)) => lost,
            // So long that no count of cycles reaches over it.
            Some(Loss::Unknown) => 10 * u64::from(format.rate_hz),
        };
        for (c, listener) in listeners.iter_mut().enumerate() {
            one.clear();
            one.extend(std::iter::repeat_n(f32::NAN, missing as usize));
            one.extend(block.samples.iter().skip(c).step_by(channels));
            listener.push(&one);
        }
        frames += missing + (block.samples.len() / channels) as u64;
    }
    let duration_s = frames as f64 / f64::from(format.rate_hz);
    let best = listeners
        .into_iter()
        .map(Listener::finish)
        .max_by(|a, b| used_s(a).total_cmp(&used_s(b)).then(worst_u(b).total_cmp(&worst_u(a))));
    Ok(HeardTones { tones: best.unwrap_or_default(), duration_s })
}

fn used_s(tones: &[ToneHeard]) -> f64 {
    tones.iter().map(|tone| tone.span_s).sum()
}

fn worst_u(tones: &[ToneHeard]) -> f64 {
    tones.iter().map(|tone| tone.u_hz).fold(0.0, f64::max)
}

/// The card's error from what was heard.
///
/// # Errors
/// As [`crate::correction::chain::card`].
pub fn card(request: &CardRequest) -> Result<CardReference, ChainError> {
    crate::correction::chain::card(request)
}

/// One channel being listened to.
struct Listener {
    rate_hz: f64,
    decimator: Decimator,
    reception: Reception,
    waiting: Vec<f32>,
    /// Number of the first waiting sample.
    first: usize,
    tones: Vec<Tone>,
}

/// One tone being followed.
struct Tone {
    hertz: f64,
    /// Where it was found, once it was.
    found_hz: Option<f64>,
    /// Tracks with the frequency that they were taken at.
    tracks: Vec<(f64, Vec<Phasors>)>,
}

impl Listener {
    fn new(rate_hz: f64, factor: usize, tones: &Tones) -> Self {
        let tone = |&hertz: &f64| Tone { hertz, found_hz: None, tracks: Vec::new() };
        Self {
            rate_hz,
            decimator: Decimator::new(factor),
            reception: tones.reception,
            waiting: Vec::new(),
            first: 0,
            tones: tones.hertz.iter().map(tone).collect(),
        }
    }

    fn push(&mut self, samples: &[f32]) {
        self.decimator.run(samples, &mut self.waiting);
        while self.waiting.len() as f64 >= (MINUTE_S + 2.0) * self.rate_hz {
            let minute = (MINUTE_S * self.rate_hz) as usize;
            let used = self.hear(minute);
            self.waiting.drain(..used);
            self.first += used;
        }
    }

    fn finish(mut self) -> Vec<ToneHeard> {
        self.decimator.finish(&mut self.waiting);
        if self.waiting.len() as f64 >= SHORTEST_S * self.rate_hz {
            self.hear(self.waiting.len());
        }
        let heard = self.tones.iter().flat_map(|tone| {
            tone.tracks.iter().flat_map(|(hertz, track)| {
                stretches(track, 0, *hertz).into_iter().map(|stretch| ToneHeard {
                    tone_hz: tone.hertz,
                    heard_hz: stretch.frequency_hz,
                    u_hz: stretch.u_hz,
                    span_s: stretch.to_s - stretch.from_s,
                    count: stretch.count,
                })
            })
        });
        heard.collect()
    }

    /// Hears the first `count` waiting samples; returns how many are done with.
    fn hear(&mut self, count: usize) -> usize {
        let (rate_hz, first) = (self.rate_hz, self.first);
        let samples = &self.waiting[..count];
        let near = |tone: &Tone| {
            let range = match self.reception {
                Reception::Am => CARD * tone.hertz,
                _ => MISTUNED_HZ,
            };
            tone.found_hz
                .or_else(|| strongest_near(samples, rate_hz, tone.hertz, range))
                .unwrap_or(tone.hertz)
        };
        let places: Vec<f64> = self.tones.iter().map(near).collect();
        // The gaps are the station's own: those of the tone that shows them.
        let parts = places.iter().map(|&hertz| sounding_part(samples, first, rate_hz, hertz));
        let (from_s, to_s) = parts.min_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0))).unwrap_or((0.0, 1.0));
        let at = |second: usize, part: f64| ((second as f64 + part) * rate_hz).round() as usize;
        let mut second = (first as f64 / rate_hz).floor() as usize;
        let (mut minute, mut done) = (Vec::new(), 0);
        while at(second, to_s) <= first + count {
            let (begin, end) = (at(second, from_s), at(second, to_s));
            if begin >= first {
                let stretch = &samples[begin - first..end - first];
                minute.extend(phasors(stretch, begin, rate_hz, &places));
                done = end - first;
            }
            second += 1;
        }
        for (k, (tone, place)) in self.tones.iter_mut().zip(places).enumerate() {
            let own: Vec<Phasors> = minute
                .iter()
                .map(|all| Phasors {
                    at_s: all.at_s,
                    amplitudes: vec![all.amplitudes[k]],
                    variances: vec![all.variances[k]],
                })
                .collect();
            let stands =
                stretches(&own, 0, place).iter().map(|stretch| stretch.count).sum::<usize>() >= STANDS;
            match (tone.found_hz, stands) {
                (None, true) => {
                    tone.found_hz = Some(place);
                    tone.tracks.push((place, own));
                }
                (Some(_), _) => {
                    if let Some(track) = tone.tracks.last_mut() {
                        track.1.extend(own);
                    }
                }
                (None, false) => {}
            }
        }
        done.max(1)
    }
}
