//! Seeded chance for tests: a linear congruential generator, good enough to judge a spread.

/// A stream of uniform deviates from 0 to 1.
pub fn uniforms(seed: u64) -> impl FnMut() -> f64 {
    let mut state = seed.wrapping_mul(2).wrapping_add(1);
    move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// A stream of normal deviates of unit variance: twelve uniform ones each.
pub fn normals(seed: u64) -> impl FnMut() -> f64 {
    let mut uniform = uniforms(seed);
    move || (0..12).map(|_| uniform()).sum::<f64>() - 6.0
}
