//! Laws and chance shared by the tests of the dial.
#![allow(dead_code, missing_docs, reason = "each test takes what it needs")]

/// A tuning capacitor's law: 1/f² = 1/top² + (1/bottom² − 1/top²)·(straight·(1 − x) + (1 − straight)·(1 − x)^bend),
/// x = reading over the dial's end; bottom and top are the frequencies at the two stops, Hz. The first part is a
/// capacitor of straight-line capacity, the second that of shaped plates.
#[derive(Debug, Clone, Copy)]
pub struct Law {
    pub bottom: f64,
    pub top: f64,
    pub straight: f64,
    pub bend: f64,
    pub end: f64,
}

impl Law {
    pub fn hertz(&self, reading: f64) -> f64 {
        let open = 1.0 - reading / self.end;
        let shape = self.straight * open + (1.0 - self.straight) * open.powf(self.bend);
        let (low, high) = (self.bottom.powi(-2), self.top.powi(-2));
        (high + (low - high) * shape).powf(-0.5)
    }

    pub fn reading(&self, hertz: f64) -> f64 {
        let (mut low, mut high) = (0.0, self.end);
        for _ in 0..80 {
            let middle = f64::midpoint(low, high);
            if self.hertz(middle) < hertz { low = middle } else { high = middle }
        }
        f64::midpoint(low, high)
    }

    /// A book in steps of frequency with readings rounded to a tenth of a division.
    pub fn book(&self, from_khz: f64, to_khz: f64, step_khz: f64, head: &str) -> String {
        let rows = ((to_khz - from_khz) / step_khz).round() as usize;
        let mut text = format!("{head}frequency_khz,reading\n");
        for row in 0..=rows {
            let khz = from_khz + row as f64 * step_khz;
            text.push_str(&format!("{khz},{:.1}\n", self.reading(khz * 1e3)));
        }
        text
    }
}

/// The two ranges of the meter in fixtures/meters/club-bench.toml.
pub const LOW: Law = Law { bottom: 156e3, top: 336e3, straight: 0.35, bend: 2.4, end: 4800.0 };
pub const HIGH: Law = Law { bottom: 1.51e6, top: 3.27e6, straight: 0.4, bend: 2.3, end: 4800.0 };

/// Seeded chance for tests (`SplitMix64`).
pub struct Chance(pub u64);

impl Chance {
    /// Uniform in 0..1.
    pub fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) as f64 / 2f64.powi(64)
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Standard normal.
    pub fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.unit(), self.unit());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}
