//! The phase of the note within each rest, held against the offset and drift that were stated for it.
//!
//! The recording is read a second time, apart from the ear: the samples are turned back by the stated frequency and
//! averaged under Hann windows, each half over the next, so that what is left is the phase that the steady drift does
//! not explain.

use super::analyse::Analysis;
use crate::block::SampleBlock;
use crate::heard::Rest;
use crate::source::recording::{self, RecordingError};
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};
use std::path::Path;

/// Length of a window at most for an ordinary rest, s: it keeps out lines more than 10 Hz away, such as hum.
const WINDOW_S: f64 = 0.2;
/// A short rest has this many windows at least, half of each overlapping the next.
const FEWEST: f64 = 10.0;
/// A long one has no more than this many.
const MOST: f64 = 400.0;

/// A rest looked at closely.
#[derive(Debug, Clone, PartialEq)]
pub struct Lens {
    /// Its number, from 1.
    pub number: usize,
    /// The rest.
    pub rest: Rest,
    /// (middle of a window in s, phase left over in degrees), their mean taken out.
    pub points: Vec<(f64, f64)>,
    /// Root mean square of the phases, degrees.
    pub rms_deg: f64,
}

/// Windows of one rest being summed.
struct Sum {
    number: usize,
    rest: Rest,
    /// From one window to the next, half a window's length, s.
    step_s: f64,
    sums: Vec<Complex64>,
}

/// Looks at every rest of a recording that was analysed; `-` can't be read twice and gives none.
///
/// # Errors
/// A recording that can't be read any more.
pub fn lenses(path: &Path, told: &Analysis) -> Result<Vec<Lens>, RecordingError> {
    if path == Path::new("-") || told.heard.rests.is_empty() {
        return Ok(Vec::new());
    }
    let mut sums: Vec<Sum> =
        told.heard.rests.iter().zip(1..).map(|(rest, number)| Sum::new(rest, number)).collect();
    let mut recording = recording::open(path)?;
    let format = recording.format();
    let (rate_hz, channels) = (f64::from(format.rate_hz), usize::from(format.channels));
    let channel = usize::from(told.input.channel_used).clamp(1, channels) - 1;
    let mut block = SampleBlock::default();
    while recording.next_block(&mut block)? {
        for (frame, samples) in (block.first_frame..).zip(block.samples.chunks_exact(channels)) {
            let t = frame as f64 / rate_hz;
            for sum in &mut sums {
                sum.add(t, f64::from(samples[channel]));
            }
        }
    }
    Ok(sums.into_iter().filter_map(Sum::lens).collect())
}

impl Sum {
    fn new(rest: &Rest, number: usize) -> Self {
        let length_s = rest.end_s - rest.start_s;
        let window_s = WINDOW_S.min(2.0 * length_s / (FEWEST + 1.0)).max(2.0 * length_s / MOST);
        // Four periods at least, so that the note's mirror image at −f is kept out too.
        let step_s = window_s.max(4.0 / rest.heard_hz.max(1e-3)) / 2.0;
        let windows = (length_s / step_s + 1e-9).floor().max(1.0) as usize - 1;
        Self { number, rest: rest.clone(), step_s, sums: vec![Complex64::default(); windows] }
    }

    fn add(&mut self, t: f64, sample: f64) {
        let at = (t - self.rest.start_s) / self.step_s;
        if at < 0.0 || at >= self.sums.len() as f64 + 1.0 {
            return;
        }
        let tau = t - self.rest.at_s;
        let turns = self.rest.heard_hz * tau + 0.5 * self.rest.rate_hz_per_s * tau * tau;
        let turned = sample * Complex64::from_polar(1.0, -TAU * turns.fract());
        let second = at as usize;
        for k in second.saturating_sub(1)..=second {
            if let Some(sum) = self.sums.get_mut(k) {
                // 0 at the window's ends, 1 in its middle; at runs from k to k + 2 across it.
                *sum += turned * 0.5 * (1.0 - (PI * (at - k as f64)).cos());
            }
        }
    }

    /// `None` where there are too few windows to tell anything.
    fn lens(self) -> Option<Lens> {
        let mut points: Vec<(f64, f64)> = Vec::new();
        let mut before: Option<Complex64> = None;
        let mut phase = 0.0;
        for (sum, k) in self.sums.iter().zip(0u32..) {
            if sum.norm_sqr() <= 0.0 {
                continue;
            }
            phase += before.map_or(0.0, |before| (sum * before.conj()).arg().to_degrees());
            before = Some(*sum);
            points.push((self.rest.start_s + (f64::from(k) + 1.0) * self.step_s, phase));
        }
        if points.len() < 8 {
            return None;
        }
        let n = points.len() as f64;
        let mean = points.iter().map(|point| point.1).sum::<f64>() / n;
        for point in &mut points {
            point.1 -= mean;
        }
        let rms_deg = (points.iter().map(|point| point.1 * point.1).sum::<f64>() / n).sqrt();
        Some(Lens { number: self.number, rest: self.rest, points, rms_deg })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heard::Method;
    use crate::offset::Side;

    fn sum_of(signal: impl Fn(f64) -> f64) -> Lens {
        let rest = Rest {
            start_s: 1.0,
            end_s: 7.0,
            at_s: 4.0,
            offset_hz: 38.6,
            u_hz: 1e-4,
            u_noise_hz: 1e-4,
            u_wander_hz: 0.0,
            heard_hz: 38.6,
            rate_hz_per_s: 0.05,
            rate_u: 1e-4,
            side: Side::Low,
            snr_db: 30.0,
            method: Method::Note,
            notes_hz: None,
            alternatives_hz: vec![],
            pulled: None,
            near_hum_hz: None,
        };
        let mut sum = Sum::new(&rest, 1);
        for frame in 0..64_000 {
            let t = f64::from(frame) / 8000.0;
            sum.add(t, signal(t));
        }
        sum.lens().unwrap()
    }

    /// A note exactly as stated leaves nothing; one that is 0.02 Hz higher gains 7.2 degrees a second; a phase that
    /// swings by 10 degrees shows as 10/√2 rms.
    #[test]
    fn what_the_steady_drift_does_not_explain_is_left() {
        let turns = |t: f64| 38.6 * (t - 4.0) + 0.025 * (t - 4.0) * (t - 4.0);
        let stated = sum_of(|t| (TAU * turns(t)).cos());
        assert!(stated.rms_deg < 0.5, "{}", stated.rms_deg);
        let higher = sum_of(|t| (TAU * (turns(t) + 0.02 * t)).cos());
        let [(from_s, from), .., (to_s, to)] = higher.points[..] else { panic!("no points") };
        assert!(((to - from) / (to_s - from_s) - 7.2).abs() < 0.1, "{from} {to}");
        // Hum as loud as the note, 11.4 Hz away, hardly shows.
        let hum = sum_of(|t| (TAU * turns(t)).cos() + (TAU * 50.0 * t).cos());
        assert!(hum.rms_deg < 1.5, "{}", hum.rms_deg);
        let swing = sum_of(|t| (TAU * turns(t) + 10f64.to_radians() * (TAU * t / 3.0).sin()).cos());
        assert!((swing.rms_deg - 10.0 / 2f64.sqrt()).abs() < 0.3, "{}", swing.rms_deg);
    }
}
