//! How loud the input is, over the last moments.

use std::collections::VecDeque;

/// The level looks back so far, s.
const LOOK_BACK_S: f64 = 1.0;
/// A sample this near to full scale is at the rail.
const RAIL: f32 = 0.9995;
/// So many samples at the rail within the look-back are clipping: a lone one may be the wave's own peak.
const CLIPPED: usize = 3;

/// How loud the input is.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct InputLevel {
    /// Half the swing of the loudest channel over the last second, dB re full scale; none before the first sound,
    /// −∞ in dead silence.
    pub peak_dbfs: Option<f64>,
    /// Whether samples stood at the rails.
    pub clipped: bool,
}

/// Follows the level block by block.
#[derive(Debug)]
pub struct Meter {
    channels: usize,
    keep: usize,
    frames: usize,
    portions: VecDeque<Portion>,
}

#[derive(Debug)]
struct Portion {
    frames: usize,
    swing: f32,
    at_rail: usize,
}

impl Meter {
    /// A meter for a stream.
    pub fn new(format: crate::block::StreamFormat) -> Self {
        Self {
            channels: usize::from(format.channels),
            keep: (f64::from(format.rate_hz) * LOOK_BACK_S) as usize,
            frames: 0,
            portions: VecDeque::new(),
        }
    }

    /// Takes interleaved samples.
    pub fn take(&mut self, samples: &[f32]) {
        let swing = (0..self.channels).map(|channel| {
            let of_channel = samples.iter().skip(channel).step_by(self.channels).filter(|s| s.is_finite());
            let (low, high) = of_channel
                .fold((f32::INFINITY, f32::NEG_INFINITY), |(low, high), &s| (low.min(s), high.max(s)));
            ((high - low) / 2.0).max(0.0)
        });
        let portion = Portion {
            frames: samples.len() / self.channels,
            swing: swing.fold(0.0, f32::max),
            at_rail: samples.iter().filter(|s| s.abs() >= RAIL).count(),
        };
        self.frames += portion.frames;
        self.portions.push_back(portion);
        while let Some(oldest) =
            self.portions.front().filter(|oldest| self.frames - oldest.frames >= self.keep)
        {
            self.frames -= oldest.frames;
            self.portions.pop_front();
        }
    }

    /// The level now.
    pub fn level(&self) -> InputLevel {
        let swing = self.portions.iter().map(|p| p.swing).reduce(f32::max);
        InputLevel {
            peak_dbfs: swing.map(|swing| 20.0 * f64::from(swing).log10()),
            clipped: self.portions.iter().map(|p| p.at_rail).sum::<usize>() >= CLIPPED,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::block::StreamFormat;

    #[test]
    fn the_loudest_channel_counts_without_its_offset_and_clipping_fades_after_a_second() {
        let mut meter = Meter::new(StreamFormat { rate_hz: 100, channels: 2 });
        assert_eq!(meter.level(), InputLevel::default());
        // Right channel ±0.1 about 0.5: 20 log10(0.1) = −20 dB.
        meter.take(&[0.01, 0.6, -0.01, 0.4]);
        let level = meter.level();
        assert!((level.peak_dbfs.expect("sound came") + 20.0).abs() < 1e-4 && !level.clipped);
        meter.take(&[1.0, 0.0, 1.0, 0.0, -1.0, 0.0]);
        assert!(meter.level().clipped);
        for _ in 0..10 {
            meter.take(&[0.0; 20]);
        }
        assert_eq!(meter.level(), InputLevel { peak_dbfs: Some(f64::NEG_INFINITY), clipped: false });
    }
}
