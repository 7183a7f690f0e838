//! Radiation of an unflanged open pipe: H. Levine and J. Schwinger, Physical Review 73, 383 (1948).

use std::f64::consts::{FRAC_PI_2, PI};

/// Euler's constant.
const EULER: f64 = 0.577_215_664_901_532_9;
/// Terms of the series of both Bessel functions: enough for 1e-15 up to 4.
const TERMS: u32 = 20;
/// Highest ka up to which the paper's solution holds: the first zero of J1 (only the plane wave travels).
pub const HIGHEST_KA: f64 = 3.83;
/// Points of the integrals over an angle (our choice: the mean over the sphere is 1 within 1e-4).
const POINTS: usize = 2000;

/// Returns the Bessel function J1, for x up to 4.
///
/// # Source
/// Abramowitz and Stegun, 9.1.10.
pub fn bessel_j1(x: f64) -> f64 {
    let quarter = -x * x / 4.0;
    let (mut sum, mut term) = (0.0, x / 2.0);
    for k in 0..TERMS {
        sum += term;
        term *= quarter / (f64::from(k + 1) * f64::from(k + 2));
    }
    sum
}

/// Returns the Bessel function of the second kind N1 (Y1), for x above 0 and up to 4.
///
/// # Source
/// Abramowitz and Stegun, 9.1.11.
pub fn bessel_n1(x: f64) -> f64 {
    let quarter = -x * x / 4.0;
    let (mut sum, mut term) = (0.0, x / 2.0);
    let mut harmonic = 0.0;
    for k in 0..TERMS {
        let next = harmonic + 1.0 / f64::from(k + 1);
        sum += term * (harmonic + next - 2.0 * EULER);
        term *= quarter / (f64::from(k + 1) * f64::from(k + 2));
        harmonic = next;
    }
    -2.0 / (PI * x) + 2.0 / PI * (x / 2.0).ln() * bessel_j1(x) - sum / PI
}

/// Returns arctan(-J1/N1), continuous from 0 on.
fn phase(x: f64) -> f64 {
    bessel_j1(x).atan2(-bessel_n1(x))
}

/// A pipe's mouth at one frequency.
#[derive(Clone, Debug)]
pub struct OpenPipe {
    ka: f64,
    /// Magnitude of the reflection coefficient of the wave in the pipe.
    pub reflection: f64,
    /// Angles and arctan(-J1/N1) at ka sin of them.
    phases: Vec<(f64, f64)>,
}

impl OpenPipe {
    /// Makes a pipe of a mouth's radius; `None` where ka is above what the paper solves.
    ///
    /// |R| = exp(-(2 ka/pi) integral over x from 0 to ka of arctan(-J1/N1)/(x sqrt((ka)^2 - x^2))), with x = ka sin phi.
    pub fn new(radius_m: f64, frequency_hz: f64, speed_m_s: f64) -> Option<Self> {
        let ka = 2.0 * PI * frequency_hz / speed_m_s * radius_m;
        if ka >= HIGHEST_KA {
            return None;
        }
        let step = FRAC_PI_2 / POINTS as f64;
        let phases: Vec<(f64, f64)> = (0..POINTS)
            .map(|point| {
                let angle = (point as f64 + 0.5) * step;
                (angle, phase(ka * angle.sin()))
            })
            .collect();
        let integral: f64 =
            phases.iter().map(|(angle, phase)| phase / (ka * angle.sin())).sum::<f64>() * step;
        Some(Self { ka, reflection: (-2.0 * ka / PI * integral).exp(), phases })
    }

    /// Returns the power gain G against a source that radiates alike all round, at an angle from the axis, radians.
    ///
    /// G = 4/(pi sin^2 theta) J1/sqrt(J1^2 + N1^2) |R|/(1 - |R|^2) exp(2 ka cos theta/pi P), J1 and N1 at ka sin
    /// theta, P the principal value of the integral over x from 0 to ka of
    /// x arctan(-J1/N1)/((x^2 - (ka sin theta)^2) sqrt((ka)^2 - x^2)). With x = ka sin phi, and with what the
    /// integrand is at the pole taken off (whose principal value is 0), it is an ordinary integral.
    ///
    /// # Source
    /// Levine and Schwinger (1948), the power-gain function (from memory; the mean over the sphere is 1, and
    /// G(pi) = |R|^2 G(0), as they must be).
    pub fn gain(&self, angle_rad: f64) -> f64 {
        let (ka, reflection) = (self.ka, self.reflection);
        let cosine = angle_rad.cos();
        let on_axis = ka * ka / (1.0 - reflection * reflection);
        // Nearer to the axis than that the terms are 0/0.
        let sine = angle_rad.sin().abs();
        if sine < 1e-4 {
            return if cosine > 0.0 { on_axis } else { on_axis * reflection * reflection };
        }
        let at = |angle_sine: f64, phase: f64| angle_sine * phase / ka;
        let pole = at(sine, phase(ka * sine));
        let step = FRAC_PI_2 / POINTS as f64;
        let principal: f64 = self
            .phases
            .iter()
            .filter_map(|&(angle, phase)| {
                let apart = angle.sin().powi(2) - sine * sine;
                (apart.abs() > 1e-9).then(|| (at(angle.sin(), phase) - pole) / apart)
            })
            .sum::<f64>()
            * step;
        let (j1, n1) = (bessel_j1(ka * sine), bessel_n1(ka * sine));
        4.0 / (PI * sine * sine) * j1 / j1.hypot(n1) * reflection / (1.0 - reflection * reflection)
            * (2.0 * ka * cosine / PI * principal).exp()
    }

    /// Returns the level at an angle against the axis, dB.
    pub fn level_db(&self, angle_deg: f64) -> f64 {
        10.0 * (self.gain(angle_deg.to_radians()) / self.gain(0.0)).log10()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPEED_M_S: f64 = 343.2;

    fn near(what: &str, got: f64, expected: f64, within: f64) {
        assert!((got - expected).abs() <= within, "{what}: expected {expected}, got {got}");
    }

    /// Abramowitz and Stegun, table 9.1 (from memory).
    #[test]
    fn bessel_functions_are_those_of_the_table() {
        near("J1(2)", bessel_j1(2.0), 0.576_724_807_8, 1e-9);
        near("J1(3.8317)", bessel_j1(3.831_705_97), 0.0, 1e-8);
        near("N1(0.5)", bessel_n1(0.5), -1.471_472_392_7, 1e-9);
        near("N1(2)", bessel_n1(2.0), -0.107_032_431_5, 1e-9);
        near("N1(2.1971)", bessel_n1(2.197_141_33), 0.0, 1e-7);
    }

    /// A bell of 0.155 m: the factor on the axis as worked out elsewhere, and at 143 degrees.
    #[test]
    fn a_horns_mouth_radiates_as_the_paper_says() {
        for (hz, q, at_143_db) in
            [(125.0, 1.15, -0.7), (250.0, 1.51, -2.5), (500.0, 2.81, -7.2), (1000.0, 8.3, -18.6)]
        {
            let pipe = OpenPipe::new(0.155, hz, SPEED_M_S).expect("ka is low");
            near("Q", pipe.gain(0.0) / q, 1.0, 0.01);
            near("143 degrees", pipe.level_db(143.0), at_143_db, 0.7);
            near("G(pi)", pipe.gain(PI - 2e-4), pipe.reflection.powi(2) * pipe.gain(0.0), 1e-3);
            let rings = 180;
            let mean: f64 = (0..rings)
                .map(|ring| {
                    let angle = (f64::from(ring) + 0.5) * PI / f64::from(rings);
                    pipe.gain(angle) * angle.sin() / 2.0
                })
                .sum::<f64>()
                * PI
                / f64::from(rings);
            near("mean over the sphere", mean, 1.0, 1e-3);
        }
        assert!(OpenPipe::new(0.22, 1000.0, SPEED_M_S).is_none(), "ka is 4.03");
    }
}
