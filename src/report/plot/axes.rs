//! Scales and where their ticks fall: time linear, offset logarithmic.

/// Time along the bottom.
#[derive(Debug, Clone, Copy)]
pub struct TimeScale {
    /// First instant, s.
    pub from_s: f64,
    /// Last instant, s.
    pub to_s: f64,
    /// Left edge, layout units.
    pub left: f64,
    /// Right edge, layout units.
    pub right: f64,
}

impl TimeScale {
    /// Where an instant falls.
    pub fn x(&self, time_s: f64) -> f64 {
        let part = (time_s - self.from_s) / (self.to_s - self.from_s);
        self.left + part.clamp(0.0, 1.0) * (self.right - self.left)
    }

    /// The unit that suits the span: its name and its length in seconds.
    pub fn unit(&self) -> (&'static str, f64) {
        match self.to_s - self.from_s {
            span if span < 180.0 => ("s", 1.0),
            span if span < 10_800.0 => ("min", 60.0),
            _ => ("h", 3600.0),
        }
    }

    /// About eight ticks at 1, 2 or 5 times a power of ten of the unit: instant in s and label.
    pub fn ticks(&self) -> Vec<(f64, String)> {
        let (_, unit) = self.unit();
        let step = round_up_125((self.to_s - self.from_s) / unit / 8.0);
        let decimals = usize::try_from((-step.log10()).ceil() as i64).unwrap_or(0);
        let first = (self.from_s / unit / step - 1e-9).ceil() as i64;
        let last = (self.to_s / unit / step + 1e-9).floor() as i64;
        (first..=last).map(|n| n as f64 * step).map(|at| (at * unit, format!("{at:.decimals$}"))).collect()
    }
}

/// |offset| up the side, logarithmic.
#[derive(Debug, Clone, Copy)]
pub struct OffsetScale {
    /// At the bottom, Hz.
    pub from_hz: f64,
    /// At the top, Hz.
    pub to_hz: f64,
    /// Top edge, layout units.
    pub top: f64,
    /// Bottom edge, layout units.
    pub bottom: f64,
}

impl OffsetScale {
    /// A scale from a round figure below `least_hz` to a round figure above `most_hz`, one decade at least.
    pub fn around(least_hz: f64, most_hz: f64, top: f64, bottom: f64) -> Self {
        let to_hz = round_up_125(most_hz * 1.05);
        let from_hz = round_down_125(least_hz.min(to_hz / 10.0) * 0.95);
        Self { from_hz, to_hz, top, bottom }
    }

    /// Where an offset falls; what lies outside stays at the edge.
    pub fn y(&self, offset_hz: f64) -> f64 {
        let part = (offset_hz.max(f64::MIN_POSITIVE) / self.from_hz).ln() / (self.to_hz / self.from_hz).ln();
        self.bottom - part.clamp(0.0, 1.0) * (self.bottom - self.top)
    }

    /// Ticks at 1, 2 and 5 times each power of ten, or at the powers alone where there are many.
    pub fn ticks(&self) -> Vec<(f64, String)> {
        let decades = (self.to_hz / self.from_hz).log10();
        let steps: &[f64] = if decades > 4.0 { &[1.0] } else { &[1.0, 2.0, 5.0] };
        let powers = self.from_hz.log10().floor() as i32..=self.to_hz.log10().ceil() as i32;
        powers
            .flat_map(|power| steps.iter().map(move |step| (power, step * 10f64.powi(power))))
            .filter(|(_, hz)| (self.from_hz * 0.999..=self.to_hz * 1.001).contains(hz))
            .map(|(power, hz)| {
                let decimals = usize::try_from(-power).unwrap_or(0);
                (hz, format!("{hz:.decimals$}"))
            })
            .collect()
    }
}

/// A quantity up the side, linear.
#[derive(Debug, Clone, Copy)]
pub struct LinearScale {
    /// At the bottom.
    pub from: f64,
    /// At the top.
    pub to: f64,
    /// Top edge, layout units.
    pub top: f64,
    /// Bottom edge, layout units.
    pub bottom: f64,
}

impl LinearScale {
    /// A scale that shows ±`most` with some air and zero in the middle.
    pub fn around_zero(most: f64, top: f64, bottom: f64) -> Self {
        let to = most * 1.1;
        Self { from: -to, to, top, bottom }
    }

    /// Where a value falls; what lies outside stays at the edge.
    pub fn y(&self, value: f64) -> f64 {
        let part = (value - self.from) / (self.to - self.from);
        self.bottom - part.clamp(0.0, 1.0) * (self.bottom - self.top)
    }

    /// Six to ten ticks at 1, 2 or 5 times a power of ten.
    pub fn ticks(&self) -> Vec<(f64, String)> {
        self.few_ticks(10.0)
    }

    /// `most` ticks at most.
    pub fn few_ticks(&self, most: f64) -> Vec<(f64, String)> {
        let step = round_up_125((self.to - self.from) / most);
        let decimals = usize::try_from((-step.log10()).ceil() as i64).unwrap_or(0);
        let (first, last) = ((self.from / step).ceil() as i64, (self.to / step).floor() as i64);
        // A minus sign is as wide as a plus; zero has none.
        let label = |at: f64| format!("{at:.decimals$}").replace('-', "−");
        (first..=last).map(|n| n as f64 * step).map(|at| (at, label(at))).collect()
    }
}

/// The smallest of 1, 2, 5 times a power of ten that is not below `value`.
fn round_up_125(value: f64) -> f64 {
    let power = 10f64.powi(value.log10().floor() as i32);
    [1.0, 2.0, 5.0]
        .map(|step| step * power)
        .into_iter()
        .find(|&v| v >= value * (1.0 - 1e-9))
        .unwrap_or(10.0 * power)
}

/// The largest of 1, 2, 5 times a power of ten that is not above `value`.
fn round_down_125(value: f64) -> f64 {
    let power = 10f64.powi(value.log10().floor() as i32);
    [5.0, 2.0, 1.0].map(|step| step * power).into_iter().find(|&v| v <= value * (1.0 + 1e-9)).unwrap_or(power)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-9 * b.abs()
    }

    #[test]
    fn round_figures() {
        assert!(close(round_up_125(1103.0), 2000.0) && close(round_up_125(0.05), 0.05));
        assert!(close(round_down_125(38.6), 20.0) && close(round_down_125(0.1), 0.1));
    }

    #[test]
    fn time_ticks_are_round_in_the_unit_of_the_span() {
        let scale = TimeScale { from_s: 0.0, to_s: 600.0, left: 0.0, right: 600.0 };
        let labels: Vec<String> = scale.ticks().into_iter().map(|(_, label)| label).collect();
        assert_eq!((scale.unit().0, labels.join(" ").as_str()), ("min", "0 2 4 6 8 10"));
        let scale = TimeScale { from_s: 2.0, to_s: 4.0, left: 0.0, right: 600.0 };
        assert_eq!(scale.ticks()[1].1, "2.5");
    }

    #[test]
    fn each_decade_has_the_same_height() {
        let scale = OffsetScale::around(0.8, 900.0, 0.0, 300.0);
        assert!(close(scale.from_hz, 0.5) && close(scale.to_hz, 1000.0));
        assert!(close(scale.y(1.0) - scale.y(10.0), scale.y(100.0) - scale.y(1000.0)));
        assert_eq!(scale.ticks()[0].1, "0.5");
    }
}
