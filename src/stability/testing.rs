//! Noise made to order, for the tests of this room.

/// Seeded chance (`SplitMix64`, and Box and Muller 1958).
pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ 0x6875_7368)
    }

    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / 2f64.powi(53)
    }

    pub fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.unit(), self.unit());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// Phase whose frequency has the spectrum f^α: white noise through the fractional difference (1 − B)^(α/2 − 1)
/// (J. R. M. Hosking, Biometrika 68, 1981; N. J. Kasdin, Proc. IEEE 83(5), 1995), after as long a run-in.
pub fn power_law(alpha: i32, n: usize, chance: &mut Chance) -> Vec<f64> {
    let exponent = 1.0 - f64::from(alpha) / 2.0;
    let mut response = vec![1.0];
    for k in 1..2 * n {
        let k = k as f64;
        response.push(response[response.len() - 1] * (exponent + k - 1.0) / k);
    }
    let white: Vec<f64> = (0..2 * n).map(|_| chance.normal()).collect();
    (n..2 * n).map(|i| (0..=i).map(|k| response[k] * white[i - k]).sum()).collect()
}
