//! How an open pipe without a flange radiates: the closed form that bells are held against.
//!
//! H. Levine and J. Schwinger, Physical Review 73, 383 (1948): the plane mode
//! alone, up to ka = 3.83. The integrals are from memory. They are right where
//! the gain's mean over the sphere is 1 and G(pi) = |R|^2 G(0), which the tests
//! below check; Bessel functions are held against the tables of M. Abramowitz
//! and I. A. Stegun, Handbook of Mathematical Functions (1964), chapter 9.

use std::f64::consts::{FRAC_PI_2, PI};

/// Speed of sound, m/s (20 degrees C, rounded).
const SPEED_M_S: f64 = 343.0;
/// Steps of the midpoint rule on a quarter turn: the gain is good to 1e-4 (measured against twice as many).
const STEPS: usize = 2000;

/// A pipe at one frequency.
#[derive(Clone, Copy, Debug)]
pub struct OpenPipe {
    ka: f64,
    reflection: f64,
}

impl OpenPipe {
    /// The theory's end: above, the next mode radiates, too (first zero of J1).
    pub const LARGEST_KA: f64 = 3.83;

    /// Prepares a pipe by the radius of its mouth.
    pub fn new(radius_m: f64, hz: f64) -> Self {
        let ka = 2.0 * PI * hz * radius_m / SPEED_M_S;
        // With x = ka sin t, dx/sqrt((ka)^2 - x^2) = dt.
        let sum = quarter_turn(|t| angle(ka * t.sin()) / (ka * t.sin()));
        Self { ka, reflection: (-2.0 * ka / PI * sum).exp() }
    }

    /// Returns ka, the circumference in wavelengths.
    pub const fn ka(&self) -> f64 {
        self.ka
    }

    /// Returns |R|, the share of the pressure that the mouth throws back.
    ///
    /// |R| = exp(-(2ka/pi) int atan(-J1/N1)/(x sqrt((ka)^2 - x^2)) dx), x from 0 to ka.
    pub const fn reflection(&self) -> f64 {
        self.reflection
    }

    /// Returns the gain G(theta): the intensity against that of a source alike all round.
    ///
    /// G = 4/(pi sin^2) J1(u)/sqrt(J1(u)^2 + N1(u)^2) |R|/(1 - |R|^2)
    /// exp((2ka cos/pi) P int x atan(-J1/N1)/((x^2 - u^2) sqrt((ka)^2 - x^2)) dx),
    /// u = ka sin theta; on the axis (ka)^2/(1 - |R|^2), behind it |R|^2 times that.
    pub fn gain(&self, theta: f64) -> f64 {
        let (sin, cos) = theta.sin_cos();
        let (ka, r) = (self.ka, self.reflection);
        if sin.abs() < 1e-6 {
            let axial = ka * ka / (1.0 - r * r);
            return if cos > 0.0 { axial } else { axial * r * r };
        }
        let u = ka * sin;
        let at_u = u * angle(u);
        // The principal value of 1/(x^2 - u^2) alone is 0, so that the pole may be taken out.
        let sum = quarter_turn(|t| {
            let x = ka * t.sin();
            (x * angle(x) - at_u) / (x * x - u * u)
        });
        let (j, n) = (j1(u), n1(u));
        4.0 / (PI * sin * sin) * j / j.hypot(n) * r / (1.0 - r * r) * (2.0 * ka * cos / PI * sum).exp()
    }
}

/// Integrates from 0 to a quarter turn by the midpoint rule.
fn quarter_turn(of: impl Fn(f64) -> f64) -> f64 {
    let step = FRAC_PI_2 / STEPS as f64;
    (0..STEPS).map(|index| of((index as f64 + 0.5) * step)).sum::<f64>() * step
}

/// Returns atan(-J1/N1) without jumps, 0 to pi.
fn angle(x: f64) -> f64 {
    j1(x).atan2(-n1(x))
}

/// Terms of the series: enough for 15 digits up to x = 4.
const TERMS: u32 = 24;

/// Returns the terms of J1's series, k from 0, with k.
fn j1_terms(x: f64) -> impl Iterator<Item = (u32, f64)> {
    let quarter = -x * x / 4.0;
    let mut term = x / 2.0;
    (0..TERMS).map(move |k| {
        let this = term;
        term *= quarter / f64::from((k + 1) * (k + 2));
        (k, this)
    })
}

/// Bessel's function of the first kind and order 1.
fn j1(x: f64) -> f64 {
    j1_terms(x).map(|(_, term)| term).sum()
}

/// Bessel's function of the second kind and order 1, N1 or Y1.
///
/// # Source
/// Abramowitz and Stegun (1964), 9.1.11.
fn n1(x: f64) -> f64 {
    const EULER_GAMMA: f64 = 0.577_215_664_901_532_9;
    // psi(n + 1) = -gamma + 1 + 1/2 + ... + 1/n.
    let psi = |n: u32| (1..=n).map(|m| 1.0 / f64::from(m)).sum::<f64>() - EULER_GAMMA;
    let sum: f64 = j1_terms(x).map(|(k, term)| (psi(k) + psi(k + 1)) * term).sum();
    2.0 / PI * (x / 2.0).ln() * j1(x) - 2.0 / (PI * x) - sum / PI
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Abramowitz and Stegun (1964), table 9.1.
    #[test]
    fn bessel_functions_are_those_of_the_tables() {
        for (x, j, n) in [
            (1.0, 0.440_050_585_7, -0.781_212_821_3),
            (2.0, 0.576_724_807_8, -0.107_032_431_5),
            (3.0, 0.339_058_958_5, 0.324_674_424_8),
        ] {
            assert!((j1(x) - j).abs() < 1e-9, "J1({x}): expected {j}, got {}", j1(x));
            assert!((n1(x) - n).abs() < 1e-9, "N1({x}): expected {n}, got {}", n1(x));
        }
    }

    /// Energy is conserved, and the gain is continuous at the axis, in front and behind.
    #[test]
    fn the_gain_is_one_on_average_and_meets_the_axis() {
        for (radius_m, hz) in
            [(0.061, 125.0), (0.061, 1000.0), (0.108, 1000.0), (0.155, 500.0), (0.155, 1000.0)]
        {
            const RINGS: usize = 180;
            let pipe = OpenPipe::new(radius_m, hz);
            let ring = |index: usize| (index as f64 + 0.5) * PI / RINGS as f64;
            let sum: f64 = (0..RINGS).map(|index| pipe.gain(ring(index)) * ring(index).sin()).sum();
            let weight: f64 = (0..RINGS).map(|index| ring(index).sin()).sum();
            assert!((sum / weight - 1.0).abs() < 1e-3, "{radius_m} m, {hz} Hz: {}", sum / weight);
            for (at, near) in [(0.0, 1e-3), (PI, PI - 1e-3)] {
                let (at, near) = (pipe.gain(at), pipe.gain(near));
                assert!((near / at - 1.0).abs() < 1e-3, "{radius_m} m, {hz} Hz: {at} and {near}");
            }
        }
    }
}
