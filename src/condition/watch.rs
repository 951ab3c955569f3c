//! What the input level tells: peak, mean square, clipping, and dropped blocks that arrive as exact zeros.

/// Shortest run of exact zeros, entered by a jump, that counts as a dropped block, s.
const DROPPED_S: f64 = 0.004;
/// Samples in a row at one value this near full scale are clipped.
const RAIL: f32 = 0.97;
const RAIL_RUN: u32 = 3;

/// Watches one channel at the card's rate.
pub struct LevelWatch {
    rate_hz: f64,
    peak: f32,
    sum_squares: f64,
    counted: u64,
    clipped: u64,
    missing: u64,
    dropped: u64,
    rail: f32,
    rail_run: u32,
    zero_run: usize,
    jumped_in: bool,
    previous: f32,
    recent_square: f32,
}

impl LevelWatch {
    /// For a channel at `rate_hz`.
    pub fn new(rate_hz: u32) -> Self {
        Self {
            rate_hz: f64::from(rate_hz),
            peak: 0.0,
            sum_squares: 0.0,
            counted: 0,
            clipped: 0,
            missing: 0,
            dropped: 0,
            rail: 0.0,
            rail_run: 0,
            zero_run: 0,
            jumped_in: false,
            previous: 0.0,
            recent_square: 0.0,
        }
    }

    /// Looks at a block and turns dropped stretches (runs of exact zeros that the sound jumps into) into NaN.
    /// A run that began in an earlier block is marked from here on.
    pub fn run(&mut self, block: &mut [f32]) {
        let shortest = (DROPPED_S * self.rate_hz).ceil() as usize;
        let slow = (1.0 / (0.5 * self.rate_hz)) as f32;
        for i in 0..block.len() {
            let x = block[i];
            if !x.is_finite() {
                self.missing += 1;
                self.zero_run = 0;
                continue;
            }
            self.counted += 1;
            self.peak = self.peak.max(x.abs());
            self.sum_squares += f64::from(x) * f64::from(x);
            self.count_clipped(x);
            if x == 0.0 {
                if self.zero_run == 0 {
                    self.jumped_in = self.previous * self.previous > 0.06 * self.recent_square;
                }
                self.zero_run += 1;
                if self.zero_run >= shortest && self.jumped_in && self.recent_square > 0.0 {
                    let from = if self.zero_run == shortest { i.saturating_sub(shortest - 1) } else { i };
                    self.dropped += (i - from + 1) as u64;
                    block[from..=i].fill(f32::NAN);
                }
            } else {
                self.zero_run = 0;
                self.recent_square += slow * (x * x - self.recent_square);
            }
            self.previous = x;
        }
    }

    fn count_clipped(&mut self, x: f32) {
        if x.abs() >= RAIL && x.to_bits() == self.rail.to_bits() {
            self.rail_run += 1;
            self.clipped += match self.rail_run {
                n if n < RAIL_RUN => 0,
                RAIL_RUN => u64::from(RAIL_RUN),
                _ => 1,
            };
        } else {
            self.rail = x;
            self.rail_run = 1;
        }
    }

    /// Largest sample, 1 = full scale.
    pub fn peak(&self) -> f64 {
        f64::from(self.peak)
    }

    /// Root mean square, 1 = full scale.
    pub fn rms(&self) -> f64 {
        if self.counted == 0 { 0.0 } else { (self.sum_squares / self.counted as f64).sqrt() }
    }

    /// Fraction of samples that stand at a rail.
    pub fn clipped_fraction(&self) -> f64 {
        if self.counted == 0 { 0.0 } else { self.clipped as f64 / self.counted as f64 }
    }

    /// Seconds that are missing: lost before, not a number, or dropped as zeros.
    pub fn missing_s(&self) -> f64 {
        (self.missing + self.dropped) as f64 / self.rate_hz
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sees_clipping_and_dropped_blocks_but_not_a_slow_quiet_note() {
        let tone = |gain: f32| -> Vec<f32> {
            (0..8000).map(|i| (gain * (i as f32 * 0.3).sin()).clamp(-1.0, 1.0)).collect()
        };
        let mut hot = LevelWatch::new(8000);
        hot.run(&mut tone(4.0));
        assert!(hot.clipped_fraction() > 0.5);
        let mut fair = LevelWatch::new(8000);
        let mut sound = tone(0.99);
        sound[4003..4202].fill(0.0);
        fair.run(&mut sound);
        assert!(fair.clipped_fraction() < 1e-9);
        assert!(sound[4100].is_nan() && sound[4001].is_finite() && sound[4203].is_finite());
        assert!((fair.missing_s() - 199.0 / 8000.0).abs() < 1e-3);
        // A half-hertz note in eight bits dwells on zero for tens of milliseconds and is no gap.
        let mut slow: Vec<f32> =
            (0..16000).map(|i| ((i as f32 * 0.0004).sin() * 12.0).round() / 128.0).collect();
        LevelWatch::new(8000).run(&mut slow);
        assert!(slow.iter().all(|x| x.is_finite()));
    }
}
