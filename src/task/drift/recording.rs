//! A series from the rest of a note: the phase at the marks.

use super::{DriftError, Series};
use crate::block::{Loss, SampleBlock};
use crate::condition::{Decimator, decimation_factor};
use crate::estimate::{Marks, between_marks, shortest_tau0_s};
use crate::heard::{Rest, TrackRow, Warning};
use crate::offset::Side;
use crate::source::recording::{self, RecordingError};
use crate::task::analyse::Analysis;
use std::path::Path;

/// What is asked of a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RecordingDrift {
    /// Time between marks, s.
    pub tau0_s: f64,
    /// Which rest, counted from 1; the longest stretch that no hand moved when not stated.
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
        Some(number) => {
            let rest = number.checked_sub(1).and_then(|index| rests.get(index));
            rest.map(|rest| (rest.start_s, rest.end_s))
        }
        None => longest_still(rows),
    };
    let Some((start, end)) = stretch else {
        let what = match asked.rest {
            Some(number) => format!("there is no rest {number}: {} were heard", rests.len()),
            None => "no note stands in it".to_owned(),
        };
        return Err(no_rest(what, "leave both oscillators alone and let it run").into());
    };
    let mut course: Vec<(f64, f64)> = rows
        .iter()
        .filter(|row| (start..=end).contains(&row.time_s))
        .filter_map(|row| Some((row.time_s, row.offset_hz?)))
        .collect();
    if course.is_empty() {
        return Err(no_rest("no note is heard there".to_owned(), "another --rest").into());
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
        let what = format!("the note stands for {:.1} s only", end - start);
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
    let side = side(rows, (start, end));
    let sign = side.sign().unwrap_or(1.0) / asked.nominal_hz.unwrap_or(1.0);
    let frequency =
        between_marks(&samples, &marks).into_iter().map(|mean| mean.map(|mean| mean * sign)).collect();
    let mut warnings = Vec::new();
    let mut warn = |code: &str, message: &str| {
        warnings.push(Warning { code: code.into(), message: message.into() });
    };
    let over = |rest: &Rest| rest.near_hum_hz.is_some() && rest.start_s < end && rest.end_s > start;
    if rests.iter().any(over) {
        warn(
            "near-hum",
            "a hum line lies close to the note: part of what is called its wander may be the hum's",
        );
    }
    if side.sign().is_none() {
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
/// The rate is judged over so many steps of the track.
const JUDGED: usize = 20;
/// Steps of the track further apart than this are not one stretch, s.
const APART_S: f64 = 1.0;

/// Less than this is no note that stands, s.
const SHORTEST_S: f64 = 1.0;

/// The longest stretch in which a note is heard throughout and never moved by hand. A warm-up bends too much to be one
/// rest: rests drift steadily.
fn longest_still(rows: &[TrackRow]) -> Option<(f64, f64)> {
    let heard: Vec<(f64, f64)> = rows.iter().filter_map(|row| Some((row.time_s, row.offset_hz?))).collect();
    let mut longest: Option<(f64, f64)> = None;
    for run in heard.chunk_by(|a, b| b.0 - a.0 <= APART_S) {
        let mut course = run.to_vec();
        smooth(&mut course);
        let still = |i: usize| {
            let (a, b) = (course[i], course[(i + JUDGED).min(course.len() - 1)]);
            b.0 <= a.0 || ((b.1 - a.1) / (b.0 - a.0)).abs() < BY_HAND
        };
        let stills: Vec<usize> = (0..course.len()).filter(|&i| still(i)).collect();
        for part in stills.chunk_by(|a, b| b - a == 1) {
            let found = (course[part[0]].0, course[part[part.len() - 1]].0);
            if longest.is_none_or(|longest| found.1 - found.0 > longest.1 - longest.0) {
                longest = Some(found);
            }
        }
    }
    longest.filter(|(from, to)| to - from >= SHORTEST_S)
}

/// The side in a stretch: it may be told later than the note is heard, but where two are told it is unknown.
fn side(rows: &[TrackRow], (start, end): (f64, f64)) -> Side {
    let heard = rows.iter().filter(|row| (start..=end).contains(&row.time_s) && row.offset_hz.is_some());
    let mut told: Vec<Side> = heard.map(|row| row.side).filter(|side| *side != Side::Unknown).collect();
    told.dedup();
    if let [only] = told[..] { only } else { Side::Unknown }
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
