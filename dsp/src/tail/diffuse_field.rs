//! How alike a pair hears a diffuse field.

use std::f64::consts::PI;

use crate::acoustics::microphones::Pair;

/// What a pair hears of a diffuse field of the front half-space.
#[derive(Clone, Debug)]
pub struct DiffuseField {
    spacing_m: f64,
    speed_m_s: f64,
    /// Component of each slice of directions along the pair's line, right half only.
    along: [f64; SLICES],
    /// Weight of each slice and its mirror image: what both channels hear of them.
    weights: [f64; SLICES],
}

/// Slices of the right half of the front half-space; the fastest oscillation over them, 16 kHz at 0.5 m, has 24 periods.
const SLICES: usize = 256;

impl DiffuseField {
    /// Works out the weights of the directions.
    ///
    /// With A the omni share, B = 1 - A, phi the half angle between the axes, u
    /// the direction, x along the pair's line and averaged over the half circle
    /// about it (<`u_y`> = 2s/pi, <`u_y^2`> = s^2/2, s^2 = 1 - `u_x^2)`:
    /// `M_L` `M_R` = A^2 + 2 A B cos(phi) <`u_y`> + B^2 (cos^2(phi) <`u_y^2`> - sin^2(phi) `u_x^2`).
    pub fn new(pair: Pair, speed_m_s: f64) -> Self {
        let [left, right] = pair.capsules();
        let (a, cos, sin) = (right.omni_share, right.axis.y, right.axis.x);
        let b = 1.0 - a;
        let power = right.half_space_power();
        let along = std::array::from_fn(|slice| (slice as f64 + 0.5) / SLICES as f64);
        let weights = along.map(|x: f64| {
            let s = (1.0 - x * x).sqrt();
            let product = a * a
                + 2.0 * a * b * cos * (2.0 * s / PI)
                + b * b * (cos * cos * s * s / 2.0 - sin * sin * x * x);
            product / SLICES as f64 / power
        });
        Self { spacing_m: (right.offset - left.offset).length(), speed_m_s, along, weights }
    }

    /// Returns the real coherence of left and right at a frequency, -1 to 1.
    ///
    /// The integral of `M_L` `M_R` cos(k d `u_x`) over the front half-space, over that of M^2.
    ///
    /// # Source
    /// Cook et al. (1955) for omnis, sin(kd)/(kd).
    pub fn coherence(&self, frequency_hz: f64) -> f64 {
        let kd = self.radians(frequency_hz);
        self.along.iter().zip(&self.weights).map(|(x, weight)| weight * (kd * x).cos()).sum()
    }

    /// Returns the coherences at 0, 1, 2 ... steps of frequency.
    ///
    /// cos((n + 1) z) = 2 cos(z) cos(n z) - cos((n - 1) z), Chebyshev's recurrence, for each slice.
    pub fn coherences(&self, step_hz: f64, count: usize) -> Vec<f64> {
        let kd = self.radians(step_hz);
        let first = self.along.map(|x| (kd * x).cos());
        let mut cosines = [1.0; SLICES];
        let mut before = first;
        (0..count)
            .map(|_| {
                let mut sums = [0.0; 8];
                for (cosines, weights) in
                    cosines.as_chunks::<8>().0.iter().zip(self.weights.as_chunks::<8>().0)
                {
                    for branch in 0..8 {
                        sums[branch] += cosines[branch] * weights[branch];
                    }
                }
                for ((now, before), first) in cosines.iter_mut().zip(&mut before).zip(&first) {
                    let next = 2.0 * first * *now - *before;
                    *before = *now;
                    *now = next;
                }
                sums.iter().sum()
            })
            .collect()
    }

    /// Returns k d, the phase between the capsules for sound along their line, in radians.
    fn radians(&self, frequency_hz: f64) -> f64 {
        2.0 * PI * frequency_hz / self.speed_m_s * self.spacing_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Figures of the design, two digits; Cook et al. (1955) for omnis.
    #[test]
    fn coherence_follows_the_integral_over_the_front_half_space() {
        let speed = 343.2;
        let close = |pair, hz, expected: f64| {
            let got = DiffuseField::new(pair, speed).coherence(hz);
            assert!((got - expected).abs() < 0.01, "{pair:?} at {hz} Hz: expected {expected}, got {got}");
        };
        close(Pair::Coincident, 125.0, 0.84);
        close(Pair::Coincident, 4000.0, 0.84);
        close(Pair::NearCoincident, 250.0, 0.71);
        close(Pair::NearCoincident, 500.0, 0.56);
        close(Pair::NearCoincident, 1000.0, 0.15);
        for hz in [100.0, 400.0, 1000.0_f64] {
            let kd = 2.0 * PI * hz / speed * 0.5;
            close(Pair::SpacedOmnis, hz, kd.sin() / kd);
        }
    }

    #[test]
    fn many_coherences_at_once_are_those_of_one_by_one() {
        for pair in Pair::ALL {
            let field = DiffuseField::new(pair, 343.2);
            for (step, got) in field.coherences(20.0, 4800).iter().enumerate() {
                let expected = field.coherence(20.0 * step as f64);
                assert!(
                    (got - expected).abs() < 1e-8,
                    "{pair:?}, step {step}: expected {expected}, got {got}"
                );
            }
        }
    }
}
