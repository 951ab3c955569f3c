//! A series from the rest of a note: the phase at the marks.

use super::{DriftError, Series};
use crate::block::{Loss, SampleBlock};
use crate::condition::{Decimator, decimation_factor};
use crate::estimate::{Marks, between_marks, shortest_tau0_s};
use crate::heard::{Rest, TrackRow, Warning};
use crate::source::recording::{self, RecordingError};
use crate::task::analyse::Analysis;
use std::path::Path;

/// What is asked of a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordingDrift {
    /// Time between marks, s.
    pub tau0_s: f64,
    /// Which rest, counted from 1; the longest run of rests when not stated.
    pub rest: Option<usize>,
    /// The nominal frequency that fractions are of, Hz; values are in Hz without one.
    pub nominal_hz: Option<f64>,
}

/// Why there is no series.
#[derive(Debug, thiserror::Error)]
pub enum RecordingDriftError {
    /// The recording.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// What is in it.
    #[error(transparent)]
    Drift(#[from] DriftError),
}

/// The series of a rest of `path`, of which the ear has told `analysis` and the track `rows`.
///
/// Values are the beat's mean frequencies between marks, signed where the side is known (positive: the meter above the
/// signal).
///
/// # Errors
/// A recording that can't be read again, no rest or one too short, marks too close for so low a note.
pub fn from_recording(
    path: &Path,
    analysis: &Analysis,
    rows: &[TrackRow],
    asked: RecordingDrift,
) -> Result<Series, RecordingDriftError> {
    let name = path.display().to_string();
    let no_rest = |what: String, hint| DriftError::NoRest { path: name.clone(), what, hint };
    let rests = &analysis.heard.rests;
    let stretch = match asked.rest {
        Some(number) => number.checked_sub(1).and_then(|index| rests.get(index)).map(std::slice::from_ref),
        None => rests.chunk_by(|a, b| runs_on(a, b, rows)).max_by(|a, b| length(a).total_cmp(&length(b))),
    };
    let Some([rest, ..]) = stretch else {
        let what = format!("{} rests were heard, and not this one", rests.len());
        return Err(no_rest(what, "leave both oscillators alone and let it run").into());
    };
    let (start, end) = (rest.start_s, stretch.and_then(<[Rest]>::last).unwrap_or(rest).end_s);
    let mut course: Vec<(f64, f64)> = rows
        .iter()
        .filter(|row| (start..=end).contains(&row.time_s))
        .filter_map(|row| Some((row.time_s, row.offset_hz?)))
        .collect();
    if course.is_empty() {
        course.push((rest.at_s, rest.heard_hz));
    }
    smooth(&mut course);
    let lowest = course.iter().map(|point| point.1).fold(f64::INFINITY, f64::min);
    if asked.tau0_s < shortest_tau0_s(lowest) {
        let what = format!("marks {} s apart are too close for a note of {lowest:.1} Hz", asked.tau0_s);
        return Err(no_rest(what, "a longer --tau0, or rest at a larger offset").into());
    }
    // The window about a mark stays inside the rest.
    let margin = (0.2 * asked.tau0_s).min(0.25).max(1.6 / lowest) + 0.05;
    let count = ((end - start - 2.0 * margin) / asked.tau0_s).floor() + 1.0;
    if count < 4.0 {
        let what = format!("the rest lasts {:.1} s only", end - start);
        return Err(no_rest(what, "a shorter --tau0, or let it run for longer").into());
    }
    let (samples, rate_hz, first_s) =
        working_sound(path, analysis.input.channel_used, (start - 1.0, end + 1.0))?;
    let shifted: Vec<(f64, f64)> = course.iter().map(|(t, f)| (t - first_s, *f)).collect();
    let beside: Vec<f64> = analysis
        .heard
        .hum
        .iter()
        .flat_map(|hum| hum.harmonics.iter().map(|&order| hum.fundamental_hz * f64::from(order)))
        .chain(analysis.heard.steady_notes.iter().map(|note| note.frequency_hz))
        .filter(|line| *line < 0.45 * rate_hz)
        .collect();
    let marks = Marks {
        rate_hz,
        from_s: start + margin - first_s,
        tau0_s: asked.tau0_s,
        count: count as usize,
        course: &shifted,
        beside_hz: &beside,
    };
    let sign = rest.side.sign().unwrap_or(1.0) / asked.nominal_hz.unwrap_or(1.0);
    let frequency =
        between_marks(&samples, &marks).into_iter().map(|mean| mean.map(|mean| mean * sign)).collect();
    let mut warnings = Vec::new();
    let mut warn = |code: &str, message: &str| {
        warnings.push(Warning { code: code.into(), message: message.into() });
    };
    if stretch.is_some_and(|rests| rests.iter().any(|rest| rest.near_hum_hz.is_some())) {
        warn(
            "near-hum",
            "a hum line lies close to the note: part of what is called its wander may be the hum's",
        );
    }
    if rest.side.sign().is_none() {
        warn(
            "side-unknown",
            "the side is not known: the rate is that of the note, and may be of the other sign",
        );
    }
    Ok(Series {
        tau0_s: asked.tau0_s,
        frequency,
        phase: None,
        nominal_hz: asked.nominal_hz,
        in_hertz: asked.nominal_hz.is_none(),
        from_s: start + margin,
        warnings,
    })
}

/// A hand moves a note faster than this, Hz/s; a warm-up does not.
const BY_HAND: f64 = 0.5;
/// Rests further apart than this are not one, s.
const APART_S: f64 = 30.0;

/// Whether a note drifts on from one rest to the next: heard throughout, on the same side, and never moved by hand. A
/// warm-up bends too much to be one steady drift from end to end.
fn runs_on(a: &Rest, b: &Rest, rows: &[TrackRow]) -> bool {
    let mut between = rows.iter().filter(|row| (a.end_s..=b.start_s).contains(&row.time_s));
    let seconds = (b.start_s - a.end_s).max(0.5);
    let moved = (b.offset_hz - a.offset_hz).abs() / (b.at_s - a.at_s).max(0.5);
    seconds < APART_S && moved < BY_HAND && a.side == b.side && between.all(|row| row.offset_hz.is_some())
}

fn length(rests: &[Rest]) -> f64 {
    rests.first().zip(rests.last()).map_or(0.0, |(first, last)| last.end_s - first.start_s)
}

/// Evens the course out: single steps of the track are noisier than its run.
fn smooth(course: &mut Vec<(f64, f64)>) {
    const EACH_WAY: usize = 5;
    let even = |i: usize| {
        let reach = EACH_WAY.min(i).min(course.len() - 1 - i);
        let part = &course[i - reach..=i + reach];
        (course[i].0, part.iter().map(|point| point.1).sum::<f64>() / part.len() as f64)
    };
    *course = (0..course.len()).map(even).collect();
}

/// One channel between two instants at the working rate; the rate, and the instant of its first sample, s.
fn working_sound(
    path: &Path,
    channel: u16,
    (from_s, to_s): (f64, f64),
) -> Result<(Vec<f32>, f64, f64), RecordingError> {
    let mut recording = recording::open(path)?;
    let format = recording.format();
    let factor = decimation_factor(format.rate_hz);
    let rate_hz = f64::from(format.rate_hz) / factor as f64;
    let mut decimator = Decimator::new(factor);
    let first = (from_s.max(0.0) * rate_hz) as usize;
    let last = (to_s * rate_hz).ceil() as usize;
    let (mut all, mut one, mut kept) = (Vec::new(), Vec::new(), Vec::new());
    let (mut block, mut seen) = (SampleBlock::default(), 0);
    while seen < last && recording.next_block(&mut block)? {
        one.clear();
        if let Some(Loss::Frames(lost)) = block.lost_before {
            one.extend(std::iter::repeat_n(f32::NAN, lost as usize));
        }
        let (skip, step) = (usize::from(channel) - 1, usize::from(format.channels));
        one.extend(block.samples.iter().skip(skip).step_by(step));
        decimator.run(&one, &mut all);
        keep(&mut all, &mut kept, (first, last), &mut seen);
    }
    decimator.finish(&mut all);
    keep(&mut all, &mut kept, (first, last), &mut seen);
    Ok((kept, rate_hz, first as f64 / rate_hz))
}

/// Moves what lies between two numbers over and forgets the rest.
fn keep(all: &mut Vec<f32>, kept: &mut Vec<f32>, (first, last): (usize, usize), seen: &mut usize) {
    let from = first.saturating_sub(*seen).min(all.len());
    let to = last.saturating_sub(*seen).min(all.len());
    kept.extend_from_slice(&all[from..to.max(from)]);
    *seen += all.len();
    all.clear();
}
