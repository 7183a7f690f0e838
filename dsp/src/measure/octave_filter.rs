//! Octave-band filters in the time domain.

use std::f64::consts::PI;

use realfft::num_complex::Complex;

use crate::acoustics::octave::{HIGHEST_EDGE_OF_RATE, TOP, bands_at_rate, edges_hz};

/// Order of the low-pass prototype: twice as many poles and as many biquads make the band-pass.
///
/// Three would meet class 1 with room except where the bilinear transform
/// squeezes: the 8 kHz band at 44.1 kHz reaches 59.9 dB three octaves below its
/// midband, and the limit is 60. Four meets every limit at every rate from
/// 22.05 kHz on.
const PROTOTYPE_ORDER: usize = 4;

/// Why there is no such filter.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum FilterError {
    /// The band does not exist or its upper edge lies too near half the sample rate.
    #[error("band {band} does not fit {sample_rate_hz} Hz, where {bands} bands fit")]
    BandTooHigh {
        /// The band asked for, 0 for 125 Hz.
        band: usize,
        /// The sample rate, Hz.
        sample_rate_hz: f64,
        /// How many bands fit it.
        bands: usize,
    },
}

/// A Butterworth band-pass over one octave, -3 dB at the band edges, 0 dB between.
///
/// # Source
/// Meets IEC 61260-1:2014 class 1 (table 1); Butterworth poles on the unit
/// circle, the low-pass to band-pass map s -> (s^2 + w0^2)/(B s), and the
/// bilinear transform, both edges prewarped by tan(pi f/fs) (textbook material).
/// Noise of even spectrum comes out 0.1 dB stronger than through brick walls:
/// the effective width is (pi/2n)/sin(pi/2n) of that between the edges.
#[derive(Clone, Debug)]
pub struct OctaveFilter {
    sample_rate_hz: f64,
    biquads: [Biquad; PROTOTYPE_ORDER],
}

impl OctaveFilter {
    /// Designs the filter of an octave band, 0 for 125 Hz, or of the top, 16 kHz.
    ///
    /// # Errors
    /// When the band does not fit the sample rate.
    pub fn new(band: usize, sample_rate_hz: f64) -> Result<Self, FilterError> {
        let bands = bands_at_rate(sample_rate_hz);
        if band > TOP || edges_hz(band).1 > HIGHEST_EDGE_OF_RATE * sample_rate_hz {
            return Err(FilterError::BandTooHigh { band, sample_rate_hz, bands });
        }
        let (lower_hz, upper_hz) = edges_hz(band);
        let warped = |hz: f64| (PI * hz / sample_rate_hz).tan();
        let (lower, upper) = (warped(lower_hz), warped(upper_hz));
        let (width, centre_squared) = (upper - lower, lower * upper);
        let centre_rad = 2.0 * centre_squared.sqrt().atan();
        // Half of the prototype's poles: the other half are their conjugates,
        // and so are those of the band-pass.
        let pairs: [[Biquad; 2]; PROTOTYPE_ORDER / 2] = std::array::from_fn(|pair| {
            let angle = PI * (0.5 + (2 * pair + 1) as f64 / (2 * PROTOTYPE_ORDER) as f64);
            let half = Complex::from_polar(width / 2.0, angle);
            let root = (half * half - centre_squared).sqrt();
            [half + root, half - root].map(|pole| Biquad::band_pass(pole, centre_rad))
        });
        Ok(Self { sample_rate_hz, biquads: std::array::from_fn(|k| pairs[k / 2][k % 2]) })
    }

    /// Filters a signal, from silence; the output has the input's length.
    pub fn filter(&self, signal: &[f64]) -> Vec<f64> {
        let mut output = signal.to_vec();
        for biquad in &self.biquads {
            biquad.run(&mut output);
        }
        output
    }

    /// Returns the gain |H| at a frequency, linear.
    pub fn gain_at(&self, frequency_hz: f64) -> f64 {
        let angle = 2.0 * PI * frequency_hz / self.sample_rate_hz;
        self.biquads.iter().map(|biquad| biquad.response(angle).norm()).product()
    }
}

/// Least product of bandwidth and decay, B T.
///
/// # Source
/// ISO 3382-2:2008, clause 7.3, as quoted in the open-source library phonometry
/// (MIT); found by Jacobsen (1987) (from memory).
const LEAST_WIDTH_TIMES_DECAY: f64 = 16.0;

/// Says whether an octave filter leaves a decay unspoilt: B T > 16, B the width between the edges in Hz, T in s.
///
/// Below, the filter's own ringing may lengthen the measured decay.
///
/// # Source
/// ISO 3382-2:2008, clause 7.3, as quoted in the open-source library phonometry
/// (MIT); found by Jacobsen (1987) (from memory).
pub fn fits_decay(band: usize, decay_s: f64) -> bool {
    let (lower_hz, upper_hz) = edges_hz(band);
    (upper_hz - lower_hz) * decay_s > LEAST_WIDTH_TIMES_DECAY
}

/// g (1 - z^-2) / (1 + a1 z^-1 + a2 z^-2).
#[derive(Clone, Copy, Debug)]
struct Biquad {
    gain: f64,
    a1: f64,
    a2: f64,
}

impl Biquad {
    /// Makes the biquad of a pole in the warped s-plane and its conjugate, of gain 1 at `centre_rad`.
    fn band_pass(pole: Complex<f64>, centre_rad: f64) -> Self {
        let z = (1.0 + pole) / (1.0 - pole);
        let plain = Self { gain: 1.0, a1: -2.0 * z.re, a2: z.norm_sqr() };
        Self { gain: 1.0 / plain.response(centre_rad).norm(), ..plain }
    }

    fn response(&self, angle_rad: f64) -> Complex<f64> {
        let z1 = Complex::from_polar(1.0, -angle_rad);
        let z2 = z1 * z1;
        (1.0 - z2) * self.gain / (1.0 + z1 * self.a1 + z2 * self.a2)
    }

    /// Filters in place, transposed direct form II.
    fn run(&self, signal: &mut [f64]) {
        let (mut s1, mut s2) = (0.0, 0.0);
        for sample in signal {
            let x = self.gain * *sample;
            let y = x + s1;
            s1 = s2 - self.a1 * y;
            s2 = -x - self.a2 * y;
            *sample = y;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::spectrum::spectrum;
    use super::*;
    use crate::acoustics::octave::exact_midband_hz;

    #[test]
    fn edges_lie_at_half_power_and_the_midband_at_full() {
        for rate_hz in [8_000.0, 11_025.0, 16_000.0, 22_050.0, 44_100.0, 48_000.0, 192_000.0, 768_000.0] {
            for band in 0..bands_at_rate(rate_hz) {
                let filter = OctaveFilter::new(band, rate_hz).expect("the band fits");
                let (lower_hz, upper_hz) = edges_hz(band);
                for edge_hz in [lower_hz, upper_hz] {
                    let power = filter.gain_at(edge_hz).powi(2);
                    assert!((power - 0.5).abs() < 1e-9, "{edge_hz} Hz: expected 0.5, got {power}");
                }
                let gain = filter.gain_at(exact_midband_hz(band));
                assert!((gain - 1.0).abs() < 1e-3, "band {band} at {rate_hz}: expected 1, got {gain}");
            }
        }
    }

    #[test]
    fn the_filter_runs_as_it_was_designed() {
        let rate_hz = 48_000.0;
        let length = 1 << 16;
        let mut impulse = vec![0.0; length];
        impulse[0] = 1.0;
        for band in 0..bands_at_rate(rate_hz) {
            let filter = OctaveFilter::new(band, rate_hz).expect("the band fits");
            let bins = spectrum(&filter.filter(&impulse), length);
            for (bin, value) in bins.iter().enumerate().step_by(97) {
                let expected = filter.gain_at(bin as f64 * rate_hz / length as f64);
                let got = value.norm();
                assert!(
                    (got - expected).abs() < 1e-9,
                    "band {band}, bin {bin}: expected {expected}, got {got}"
                );
            }
        }
    }

    #[test]
    fn a_band_too_high_is_refused() {
        let error = OctaveFilter::new(6, 22_050.0).expect_err("8 kHz does not fit 22.05 kHz");
        assert_eq!(error, FilterError::BandTooHigh { band: 6, sample_rate_hz: 22_050.0, bands: 6 });
    }

    #[test]
    fn short_decays_at_low_bands_do_not_fit() {
        // 125 Hz: B = 88.7 Hz, so T must exceed 0.18 s.
        assert!(!fits_decay(0, 0.17));
        assert!(fits_decay(0, 0.19));
        assert!(fits_decay(6, 0.01));
    }
}
