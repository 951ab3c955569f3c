//! What the audio path takes away: Butterworth high- and low-pass filters of any order.

use std::f64::consts::PI;

/// A cascade of second-order sections (and one of first order where the order is odd).
#[derive(Debug, Clone, Default)]
pub(super) struct Butterworth {
    sections: Vec<Section>,
}

/// Which side of the corner passes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Pass {
    High,
    Low,
}

/// One section, transposed direct form II.
#[derive(Debug, Clone)]
struct Section {
    b: [f64; 3],
    a: [f64; 2],
    z: [f64; 2],
}

impl Butterworth {
    /// A filter with its −3 dB corner at `corner_hz`, by the bilinear transform with the corner prewarped (any text
    /// on digital filters; for example Oppenheim and Schafer, "Discrete-Time Signal Processing", chapter 7). A
    /// low-pass whose corner is not below half the rate passes everything.
    pub(super) fn new(pass: Pass, corner_hz: f64, order: u32, rate_hz: f64) -> Self {
        if pass == Pass::Low && corner_hz >= rate_hz / 2.0 {
            return Self::default();
        }
        let warped = (PI * corner_hz / rate_hz).tan();
        let mut sections = Vec::new();
        for pair in 0..order / 2 {
            // The poles of a Butterworth filter of order n lie at angles (2k+1)π/2n from the imaginary axis.
            let damping = 2.0 * (PI * f64::from(2 * pair + 1) / f64::from(2 * order)).sin();
            sections.push(Section::new(pass, warped, Some(damping)));
        }
        if order % 2 == 1 {
            sections.push(Section::new(pass, warped, None));
        }
        Self { sections }
    }

    /// Filters the next sample.
    pub(super) fn next(&mut self, sample: f64) -> f64 {
        self.sections.iter_mut().fold(sample, |x, section| section.next(x))
    }
}

impl Section {
    /// 1/(s² + d·s + 1) or, without damping, 1/(s + 1), and the high-passes that belong to them, with
    /// s = (1 − z⁻¹)/(1 + z⁻¹)/w.
    fn new(pass: Pass, w: f64, damping: Option<f64>) -> Self {
        if let Some(damping) = damping {
            let scale = 1.0 / (1.0 + damping * w + w * w);
            let b = match pass {
                Pass::Low => [w * w * scale, 2.0 * w * w * scale, w * w * scale],
                Pass::High => [scale, -2.0 * scale, scale],
            };
            let a = [2.0 * (w * w - 1.0) * scale, (1.0 - damping * w + w * w) * scale];
            Self { b, a, z: [0.0; 2] }
        } else {
            let scale = 1.0 / (1.0 + w);
            let b = match pass {
                Pass::Low => [w * scale, w * scale, 0.0],
                Pass::High => [scale, -scale, 0.0],
            };
            Self { b, a: [(w - 1.0) * scale, 0.0], z: [0.0; 2] }
        }
    }

    fn next(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.z[0];
        self.z[0] = self.b[1] * x - self.a[0] * y + self.z[1];
        self.z[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gain at a frequency from the steady response to a tone.
    fn gain_db(mut filter: Butterworth, f: f64, rate: f64) -> f64 {
        let (settle, n) = (rate as usize * 2, (rate * 4.0) as usize);
        let (mut re, mut im) = (0.0, 0.0);
        for i in 0..settle + n {
            let (sine, cosine) = (2.0 * PI * f * i as f64 / rate).sin_cos();
            let y = filter.next(cosine);
            if i >= settle {
                re += y * cosine;
                im += y * sine;
            }
        }
        20.0 * (2.0 * re.hypot(im) / n as f64).log10()
    }

    /// A Butterworth filter is 10·lg 2 = 3.0103 dB down at its corner whatever its order, and falls off as
    /// 10·lg(1 + (corner/f)^2n) (S. Butterworth, Experimental Wireless 7, 1930); the bilinear transform bends that
    /// only near half the rate.
    #[test]
    fn the_corner_is_three_decibels_down_and_the_skirt_is_as_steep_as_the_order() {
        let rate = 8000.0;
        for order in 1..=4 {
            for (pass, corner) in [(Pass::High, 90.0), (Pass::Low, 1500.0)] {
                let at_corner = gain_db(Butterworth::new(pass, corner, order, rate), corner, rate);
                assert!((at_corner + 3.0103).abs() < 0.001, "{pass:?} {order}: {at_corner}");
            }
            let octave = gain_db(Butterworth::new(Pass::High, 90.0, order, rate), 45.0, rate);
            let want = -10.0 * (1.0 + 4f64.powf(f64::from(order))).log10();
            assert!((octave - want).abs() < 0.02, "{order}: {octave} for {want}");
        }
    }

    #[test]
    fn a_low_pass_beyond_half_the_rate_passes_everything() {
        let mut filter = Butterworth::new(Pass::Low, 3500.0, 4, 400.0);
        assert!((filter.next(0.7) - 0.7).abs() < f64::EPSILON);
    }
}
