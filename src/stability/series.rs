//! Phase at evenly spaced marks, with its gaps.

use std::ops::Range;

/// Phase at marks `tau0` apart. A mark without a value is NaN. Phases are comparable within a piece only: a gap in
/// frequency data loses the count of cycles, a gap in phase data does not.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseSeries {
    tau0_s: f64,
    phase: Vec<f64>,
    pieces: Vec<Range<usize>>,
}

impl PhaseSeries {
    /// From phases (s, or cycles for offsets in Hz); `None` is a gap across which the count went on.
    pub fn from_phase(phase: &[Option<f64>], tau0_s: f64) -> Self {
        let mut phase: Vec<f64> = phase.iter().map(|x| x.unwrap_or(f64::NAN)).collect();
        let whole = 0..phase.len();
        level(&mut phase, &whole);
        Self { tau0_s, phase, pieces: vec![whole] }
    }

    /// From mean frequencies (fractional, or Hz) over successive intervals of `tau0`; `None` is a gap.
    ///
    /// x(k+1) = x(k) + y(k)·τ0 (SP 1065, 5.1), begun anew after every gap.
    pub fn from_frequency(frequency: &[Option<f64>], tau0_s: f64) -> Self {
        let (mut phase, mut pieces) = (Vec::with_capacity(frequency.len() + 1), Vec::new());
        for run in frequency.chunk_by(|a, b| a.is_some() == b.is_some()) {
            if run[0].is_none() {
                continue;
            }
            let from = phase.len();
            // A steady frequency is no instability; taken out first, it costs no digits.
            let mean = run.iter().flatten().sum::<f64>() / run.len() as f64;
            let mut x = 0.0;
            phase.push(x);
            for y in run.iter().flatten() {
                x += (y - mean) * tau0_s;
                phase.push(x);
            }
            pieces.push(from..phase.len());
        }
        Self { tau0_s, phase, pieces }
    }

    /// Time between two marks, s.
    pub fn tau0_s(&self) -> f64 {
        self.tau0_s
    }

    /// Marks, those without a value counted.
    pub fn len(&self) -> usize {
        self.phase.len()
    }

    /// Whether there is no mark.
    pub fn is_empty(&self) -> bool {
        self.phase.is_empty()
    }

    /// The pieces, gaps in them NaN.
    pub(super) fn pieces(&self) -> impl Iterator<Item = &[f64]> {
        self.pieces.iter().map(|piece| &self.phase[piece.clone()])
    }

    /// The longest stretch without a gap.
    pub(super) fn longest(&self) -> &[f64] {
        let runs = self.pieces().flat_map(|piece| piece.chunk_by(|a, b| a.is_nan() == b.is_nan()));
        runs.filter(|run| !run[0].is_nan()).max_by_key(|run| run.len()).unwrap_or(&[])
    }
}

/// Takes the line through the first and the last value out of a piece: no deviation of the family sees it, and the
/// digits are kept for what they do see.
fn level(phase: &mut [f64], piece: &Range<usize>) {
    let phase = &mut phase[piece.clone()];
    let there = |(_, x): &(usize, &f64)| x.is_finite();
    let first = phase.iter().enumerate().find(there).map(|(i, x)| (i, *x));
    let last = phase.iter().enumerate().rev().find(|(_, x)| x.is_finite()).map(|(i, x)| (i, *x));
    let (Some((i, a)), Some((j, b))) = (first, last) else { return };
    let slope = if j > i { (b - a) / (j - i) as f64 } else { 0.0 };
    for (k, x) in phase.iter_mut().enumerate() {
        *x -= a + slope * (k as f64 - i as f64);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_in_frequency_begins_a_piece_and_one_in_phase_does_not() {
        let y = [Some(1.0), Some(3.0), None, Some(2.0), Some(2.0), Some(5.0)];
        let series = PhaseSeries::from_frequency(&y, 1.0);
        let lengths: Vec<usize> = series.pieces().map(<[f64]>::len).collect();
        assert_eq!(lengths, [3, 4]);
        assert_eq!(series.longest().len(), 4);
        let x = [Some(0.0), Some(2.0), None, Some(6.0), Some(8.0), Some(10.5)];
        let series = PhaseSeries::from_phase(&x, 1.0);
        assert_eq!((series.pieces().count(), series.longest().len(), series.len()), (1, 3, 6));
    }
}
