//! Noise that is the same on every machine.

use std::f64::consts::PI;

/// A seeded source of Gaussian noise.
///
/// # Source
/// `SplitMix64` of Steele, Lea and Flood (2014); Box and Muller (1958).
#[derive(Clone, Debug)]
pub struct Noise {
    state: u64,
    spare: Option<f64>,
}

impl Noise {
    /// Starts the sequence of a seed.
    pub const fn new(seed: u64) -> Self {
        Self { state: seed, spare: None }
    }

    /// Returns the next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Returns the next number, evenly spread over 0 to 1, both ends left out.
    pub fn uniform(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    /// Returns the next number of mean 0 and variance 1.
    pub fn gaussian(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        let (sin, cos) = (2.0 * PI * self.uniform()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_and_variance_are_those_of_a_gaussian() {
        let mut noise = Noise::new(7);
        let count = 100_000;
        let (sum, squares) = (0..count).fold((0.0, 0.0), |(sum, squares), _| {
            let x = noise.gaussian();
            (sum + x, squares + x * x)
        });
        // Five standard deviations of the mean and of the variance of 100 000 draws.
        let n = f64::from(count);
        assert!((sum / n).abs() < 5.0 / n.sqrt(), "mean {}", sum / n);
        assert!((squares / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt(), "variance {}", squares / n);
    }
}
