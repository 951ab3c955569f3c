//! The phase of a note at evenly spaced marks, and from it the mean frequency between them.
//!
//! At each mark the phase is the least-squares one of a short stretch about it, hum lines fitted beside it. Fitted about
//! its middle it does not depend on how well the frequency is known. What lies between two marks is the difference of
//! their phases and nothing else, so that noise does not add up from one interval to the next.

use super::{Phasors, phasors};
use std::f64::consts::PI;

/// What is known beforehand.
#[derive(Debug, Clone, Copy)]
pub struct Marks<'a> {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// First mark, s from the first sample.
    pub from_s: f64,
    /// Time between marks, s.
    pub tau0_s: f64,
    /// Marks.
    pub count: usize,
    /// The note's course (s, Hz), in order of time.
    pub course: &'a [(f64, f64)],
    /// Lines beside the note, Hz.
    pub beside_hz: &'a [f64],
}

/// A phase is looked for in so much of the time between two marks …
const SHARE: f64 = 0.4;
/// … but not in more than this, s.
const LONGEST_S: f64 = 0.5;
/// … nor in fewer cycles than this.
const CYCLES: f64 = 3.0;
/// Cycles are counted over no more than this, s.
const COUNTED_S: f64 = 0.5;
/// A note that is further than this below its noise (power) has no phase.
const THERE: f64 = 25.0;

/// The shortest time between marks for a note of this frequency, s.
pub fn shortest_tau0_s(frequency_hz: f64) -> f64 {
    1.2 * CYCLES / frequency_hz
}

/// Mean frequency (Hz) between each mark and the next; `None` where one of them has no phase or the count was lost.
pub fn between_marks(samples: &[f32], marks: &Marks) -> Vec<Option<f64>> {
    // Between two marks as many stations as it takes to count the cycles safely.
    let parts = (marks.tau0_s / COUNTED_S).ceil().max(1.0) as usize;
    let step = marks.tau0_s / parts as f64;
    let at = |i: usize| marks.from_s + step * i as f64;
    let stations = (marks.count.saturating_sub(1)) * parts + 1;
    let phases: Vec<Option<(f64, f64)>> = (0..stations).map(|i| phase_at(samples, marks, at(i))).collect();
    let cycles = |i: usize| {
        let ((before, f0), (after, f1)) = phases[i].zip(phases[i + 1])?;
        let expected = f64::midpoint(f0, f1) * step;
        let fraction = after - before;
        Some(fraction + (expected - fraction).round())
    };
    (0..stations - 1)
        .step_by(parts)
        .map(|i| (i..i + parts).map(cycles).sum::<Option<f64>>().map(|sum| sum / marks.tau0_s))
        .collect()
}

/// Phase in cycles and frequency by the course at `t`.
fn phase_at(samples: &[f32], marks: &Marks, t: f64) -> Option<(f64, f64)> {
    let f = course_at(marks.course, t)?;
    let length = (SHARE * marks.tau0_s).min(LONGEST_S).max(CYCLES / f);
    let half = (length * marks.rate_hz / 2.0).round();
    let first = (t * marks.rate_hz).round() - half;
    if first < 0.0 {
        return None;
    }
    let (first, end) = (first as usize, first as usize + 2 * half as usize + 1);
    let stretch = samples.get(first..end)?;
    // A line too near to be told apart in so short a stretch is left in.
    let mut lines = vec![f];
    lines.extend(marks.beside_hz.iter().copied().filter(|line| (line - f).abs() > 1.5 / length));
    let Phasors { at_s, amplitudes, variances } = phasors(stretch, first, marks.rate_hz, &lines)?;
    if amplitudes[0].norm_sqr() <= THERE * 2.0 * variances[0] {
        return None;
    }
    // From the middle of whole samples to the mark itself by the course.
    let phase = amplitudes[0].arg() / (2.0 * PI) + (f * at_s).fract() + f * (t - at_s);
    Some((phase, f))
}

/// The course between its points.
fn course_at(course: &[(f64, f64)], t: f64) -> Option<f64> {
    let after = course.partition_point(|point| point.0 < t);
    match (after.checked_sub(1).map(|i| course[i]), course.get(after)) {
        (Some((t0, f0)), Some(&(t1, f1))) => {
            Some(if t1 > t0 { f0 + (f1 - f0) * (t - t0) / (t1 - t0) } else { f1 })
        }
        (Some((_, f)), None) | (None, Some(&(_, f))) => Some(f),
        (None, None) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::chance::uniforms;

    /// A note that drifts by 2 mHz/s beside hum: every mean frequency is the chirp's own, and the noise of the phases
    /// does not add up: the mean over all intervals is better than that over one by their number.
    #[test]
    fn a_drifting_note_keeps_its_count_of_cycles() {
        let rate = 8000.0;
        let mut uniform = uniforms(49);
        let mut noise = move || (uniform() - 0.5) * 0.02;
        let samples: Vec<f32> = (0..60 * 8000)
            .map(|i| {
                let t = f64::from(i) / rate;
                let note = 0.1 * (2.0 * PI * (73.3 * t + 0.001 * t * t)).cos();
                (note + 0.08 * (2.0 * PI * 50.02 * t).cos() + noise()) as f32
            })
            .collect();
        // The course is known to a tenth of a hertz only.
        let course: Vec<(f64, f64)> =
            (0..600).map(|i| f64::from(i) * 0.1).map(|t| (t, 73.4 + 0.002 * t)).collect();
        for tau0_s in [0.5, 1.0, 5.0] {
            let count = (58.0 / tau0_s) as usize;
            let marks =
                Marks { rate_hz: rate, from_s: 0.5, tau0_s, count, course: &course, beside_hz: &[50.02] };
            let means = between_marks(&samples, &marks);
            assert_eq!(means.len(), count - 1);
            for (i, mean) in means.iter().enumerate() {
                let middle = 0.5 + (i as f64 + 0.5) * tau0_s;
                let error = mean.unwrap() - (73.3 + 0.002 * middle);
                assert!(error.abs() < 2e-3 / tau0_s, "{tau0_s} {i}: {error}");
            }
            let sum: f64 = means.iter().flatten().sum();
            let middle = 0.5 + (count - 1) as f64 * tau0_s / 2.0;
            let error = sum / means.len() as f64 - (73.3 + 0.002 * middle);
            assert!(error.abs() < 4e-5, "{tau0_s}: {error}");
        }
    }

    #[test]
    fn a_note_that_stops_has_a_gap() {
        let samples: Vec<f32> = (0..80_000)
            .map(
                |i| if (30_000..50_000).contains(&i) { 0.0 } else { (PI * 0.02 * f64::from(i)).sin() as f32 },
            )
            .collect();
        let course = [(0.0, 80.0)];
        let marks =
            Marks { rate_hz: 8000.0, from_s: 0.5, tau0_s: 1.0, count: 9, course: &course, beside_hz: &[] };
        let there: Vec<bool> = between_marks(&samples, &marks).iter().map(Option::is_some).collect();
        assert_eq!(there, [true, true, true, false, false, false, true, true]);
    }
}
