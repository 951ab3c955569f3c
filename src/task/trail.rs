//! The track in bounded memory, for stories and plots.

use crate::heard::TrackRow;
use crate::pipeline::Sink;

/// Rows kept at most: several to a pixel of any plot.
const MOST: usize = 16_384;

/// Keeps every row of a short recording and every second, fourth, … of a longer one.
#[derive(Debug, Clone)]
pub struct Trail {
    rows: Vec<TrackRow>,
    seen: u64,
    /// One row in this many is kept.
    stride: u64,
}

impl Default for Trail {
    fn default() -> Self {
        Self { rows: Vec::new(), seen: 0, stride: 1 }
    }
}

impl Trail {
    /// The rows in order of time.
    pub fn rows(&self) -> &[TrackRow] {
        &self.rows
    }
}

impl Sink for Trail {
    fn row(&mut self, row: &TrackRow) {
        if self.seen.is_multiple_of(self.stride) {
            if self.rows.len() == MOST {
                let mut index = 0;
                self.rows.retain(|_| {
                    index += 1;
                    index % 2 == 1
                });
                self.stride *= 2;
            }
            if self.seen.is_multiple_of(self.stride) {
                self.rows.push(row.clone());
            }
        }
        self.seen += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_fits_and_stays_evenly_spaced() {
        let mut trail = Trail::default();
        for step in 0..864_000 {
            trail.row(&TrackRow::quiet(f64::from(step) * 0.1));
        }
        let rows = trail.rows();
        assert!(rows.len() <= MOST && rows.len() > MOST / 2, "{}", rows.len());
        let step = rows[1].time_s - rows[0].time_s;
        assert!(rows.windows(2).all(|pair| (pair[1].time_s - pair[0].time_s - step).abs() < 1e-6));
    }
}
