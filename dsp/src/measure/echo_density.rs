//! How thick the echoes stand.

use std::f64::consts::TAU;

/// Length of the window, s (Abel and Huang 2006 use 20 to 30 ms).
const WINDOW_S: f64 = 0.020;
/// Share of Gaussian noise beyond one standard deviation, erfc(1/sqrt 2).
const GAUSSIAN_SHARE_BEYOND: f64 = 0.317_310_507_862_914;

/// Returns the normalised echo density around `at_s`, without unit: 0 for a lone arrival, 1 for Gaussian noise.
///
/// eta = sum w(k) \[|h(k)| > s\] / erfc(1/sqrt 2), s^2 = sum w(k) h(k)^2, w a Hann
/// window of 20 ms around the time, of sum 1. At the ends of the response the
/// window is cut and brought back to sum 1. Silence gives 0.
///
/// # Source
/// Abel and Huang, A simple, robust measure of reverberation echo density,
/// 121st AES convention (2006).
pub fn echo_density(response: &[f64], sample_rate_hz: f64, at_s: f64) -> f64 {
    Window::of(sample_rate_hz).density(response, (at_s.max(0.0) * sample_rate_hz).round() as usize)
}

/// Returns the normalised echo density at every sample; see [`echo_density`].
pub fn echo_density_profile(response: &[f64], sample_rate_hz: f64) -> Vec<f64> {
    let window = Window::of(sample_rate_hz);
    (0..response.len()).map(|centre| window.density(response, centre)).collect()
}

/// The Hann window, without its zeros.
struct Window {
    weights: Vec<f64>,
}

impl Window {
    fn of(sample_rate_hz: f64) -> Self {
        let half = ((WINDOW_S / 2.0 * sample_rate_hz).round() as usize).max(1);
        let weights = (1..2 * half).map(|k| 0.5 - 0.5 * (TAU * k as f64 / (2 * half) as f64).cos()).collect();
        Self { weights }
    }

    fn density(&self, response: &[f64], centre: usize) -> f64 {
        let half = self.weights.len() / 2;
        let first = centre.saturating_sub(half);
        let weights = &self.weights[first + half - centre..];
        let part = response.get(first..).unwrap_or_default();
        let weighted = || weights.iter().zip(part);
        let (sum, power) = weighted().fold((0.0, 0.0), |(sum, power), (w, h)| (sum + w, power + w * h * h));
        if power <= 0.0 {
            return 0.0;
        }
        let deviation = (power / sum).sqrt();
        let beyond: f64 = weighted().filter(|(_, h)| h.abs() > deviation).map(|(w, _)| w).sum();
        beyond / sum / GAUSSIAN_SHARE_BEYOND
    }
}

#[cfg(test)]
mod tests {
    use super::super::noise::gaussian;
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    #[test]
    fn gaussian_noise_gives_one() {
        let noise = gaussian(11, 48_000);
        let profile = echo_density_profile(&noise, RATE_HZ);
        let mean = profile.iter().sum::<f64>() / profile.len() as f64;
        assert!((mean - 1.0).abs() < 0.02, "expected 1, got {mean}");
        assert_eq!(profile[24_000], echo_density(&noise, RATE_HZ, 0.5));
    }

    #[test]
    fn a_lone_arrival_gives_its_own_weight() {
        let mut response = vec![0.0; 4800];
        response[2400] = 1.0;
        // The peak of a Hann window of 960 samples is 2/960 of its sum.
        let expected = 2.0 / 960.0 / GAUSSIAN_SHARE_BEYOND;
        let got = echo_density(&response, RATE_HZ, 0.05);
        assert!((got - expected).abs() < 1e-9, "expected {expected}, got {got}");
        assert_eq!(echo_density(&response, RATE_HZ, 0.0), 0.0);
        assert_eq!(echo_density(&response, RATE_HZ, 9.0), 0.0);
    }
}
