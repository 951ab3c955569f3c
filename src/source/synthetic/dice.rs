//! The generator's own dice: the same seed gives the same recording for ever, whatever becomes of any library.
//!
//! xoshiro256++ 1.0 (D. Blackman and S. Vigna, "Scrambled Linear Pseudorandom Number Generators", ACM Trans. Math.
//! Softw. 47(4), 2021), its state filled by `SplitMix64` as its authors advise.

use std::f64::consts::TAU;

/// One stream of random numbers. Each ingredient of a scene has its own, so that adding one changes no other.
#[derive(Debug, Clone)]
pub(super) struct Dice {
    state: [u64; 4],
    spare: Option<f64>,
}

impl Dice {
    /// The stream of that number for that seed.
    pub(super) fn new(seed: u64, stream: u64) -> Self {
        // The streams of a seed begin far apart: the stream's number is mixed before it meets the seed.
        let mut mix = stream;
        let mut mixer = seed ^ split_mix(&mut mix);
        let state = std::array::from_fn(|_| split_mix(&mut mixer));
        Self { state, spare: None }
    }

    fn next(&mut self) -> u64 {
        let [s0, s1, s2, s3] = &mut self.state;
        let result = s0.wrapping_add(*s3).rotate_left(23).wrapping_add(*s0);
        let shifted = *s1 << 17;
        *s2 ^= *s0;
        *s3 ^= *s1;
        *s1 ^= *s2;
        *s0 ^= *s3;
        *s2 ^= shifted;
        *s3 = s3.rotate_left(45);
        result
    }

    /// Evenly spread over 0..1, 1 excluded.
    pub(super) fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly spread between two values.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// One of several, each as likely.
    pub(super) fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[(self.uniform() * from.len() as f64) as usize]
    }

    /// +1 or −1.
    pub(super) fn sign(&mut self) -> f64 {
        self.pick(&[1.0, -1.0])
    }

    /// A random phase, rad.
    pub(super) fn phase(&mut self) -> f64 {
        TAU * self.uniform()
    }

    /// Normally distributed, mean 0, standard deviation 1 (Box and Muller, Ann. Math. Stat. 29, 1958).
    pub(super) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        let (sine, cosine) = self.phase().sin_cos();
        self.spare = Some(radius * sine);
        radius * cosine
    }
}

/// `SplitMix64`, the reference generator for filling states.
fn split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First outputs of the authors' C code from the state 1, 2, 3, 4 (from memory, as quoted by several ports).
    #[test]
    fn the_generator_is_the_published_one() {
        let mut dice = Dice { state: [1, 2, 3, 4], spare: None };
        let want = [41_943_041, 58_720_359, 3_588_806_011_781_223, 3_591_011_842_654_386];
        assert_eq!(want.map(|_| dice.next()), want);
        // SplitMix64 from 1234567 (from memory, as quoted with the algorithm's listing).
        let mut state = 1_234_567;
        assert_eq!(split_mix(&mut state), 6_457_827_717_110_365_317);
        assert_eq!(split_mix(&mut state), 3_203_168_211_198_807_973);
    }

    /// Moments of the standard normal distribution: 0, 1, 0, 3; each with five times its standard error.
    #[test]
    fn normal_numbers_are_normal() {
        let n = 200_000;
        let mut dice = Dice::new(7, 1);
        let mut sums = [0.0; 4];
        for _ in 0..n {
            let x = dice.normal();
            for (power, sum) in (1..).zip(&mut sums) {
                *sum += x.powi(power);
            }
        }
        let errors = [1.0f64, 2.0, 15.0, 96.0].map(|variance| 5.0 * (variance / f64::from(n)).sqrt());
        for ((sum, want), error) in sums.iter().zip([0.0, 1.0, 0.0, 3.0]).zip(errors) {
            assert!((sum / f64::from(n) - want).abs() < error, "{sums:?}");
        }
    }

    #[test]
    fn streams_of_one_seed_are_unlike() {
        let (mut a, mut b) = (Dice::new(1, 1), Dice::new(1, 2));
        let n = 10_000;
        let product: f64 = (0..n).map(|_| a.normal() * b.normal()).sum::<f64>() / f64::from(n);
        assert!(product.abs() < 5.0 / f64::from(n).sqrt(), "{product}");
    }
}
