//! Gaussian noise for the tests of this module.

/// Returns `frames` samples of Gaussian noise of unit variance, the same for the same seed.
///
/// # Source
/// `SplitMix64` (Steele, Lea and Flood 2014) for uniform values, Box and Muller (1958) for normal ones.
pub(super) fn gaussian(seed: u64, frames: usize) -> Vec<f64> {
    let mut state = seed;
    let mut uniform = move || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        // 53 bits, shifted by half a step so that the logarithm never meets 0.
        (((z ^ (z >> 31)) >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    };
    (0..frames).map(|_| (-2.0 * uniform().ln()).sqrt() * (std::f64::consts::TAU * uniform()).cos()).collect()
}
