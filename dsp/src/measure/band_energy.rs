//! Energy of an impulse response per band.

use super::passband::{Passband, Resolution, passbands};
use super::spectrum::spectrum;
use crate::acoustics::octave::{THIRD_NAMES, THIRDS};

/// Coarsest spacing of bins, Hz (our choice: 88 bins in the lowest octave, 23 in the lowest third).
const COARSEST_BIN_HZ: f64 = 1.0;

/// The level of one band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandLevel {
    /// Exact midband, Hz.
    pub midband_hz: f64,
    /// Mean of |H|^2 over the band against a unit impulse, dB; minus infinity for silence.
    pub level_db: f64,
}

/// A third of an octave and a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThirdLevel {
    /// Which third: 0 is that of 100 Hz.
    pub third: usize,
    /// Its level, dB, against what the caller says.
    pub level_db: f64,
}

impl ThirdLevel {
    /// Returns the nominal midband in words.
    pub fn name(&self) -> &'static str {
        THIRD_NAMES[self.third.min(THIRDS - 1)]
    }
}

/// Returns the mean of |H(f)|^2 over each band with brick-wall edges, without unit; a unit impulse gives 1 in all.
///
/// mean = integral |H|^2 df / (f2 - f1), f1 and f2 the edges. The mean is over
/// hertz, so that it is also the band's energy against that of a unit impulse.
/// The response is padded with zeros to at least twice its length and to bins
/// of at most 1 Hz.
pub fn band_energies(response: &[f64], sample_rate_hz: f64, resolution: Resolution) -> Vec<(Passband, f64)> {
    let length = (2 * response.len()).max((sample_rate_hz / COARSEST_BIN_HZ) as usize).next_power_of_two();
    let bins = spectrum(response, length);
    let spacing_hz = sample_rate_hz / length as f64;
    passbands(resolution, sample_rate_hz)
        .into_iter()
        .map(|band| {
            let (energy, width) = band.bins(spacing_hz).fold((0.0, 0.0), |(energy, width), (bin, share)| {
                (energy + share * bins[bin].norm_sqr(), width + share)
            });
            (band, energy / width)
        })
        .collect()
}

/// Returns the mean of |H(f)|^2 over each octave that fits the rate, 125 Hz first; a unit impulse gives 1 in all.
pub fn octave_energies(response: &[f64], sample_rate_hz: f64) -> Vec<f64> {
    band_energies(response, sample_rate_hz, Resolution::Octave)
        .into_iter()
        .map(|(_, energy)| energy)
        .collect()
}

/// Returns the level of each third of an octave, 100 Hz first, in dB against a unit impulse.
pub fn third_octave_levels_db(response: &[f64], sample_rate_hz: f64) -> Vec<BandLevel> {
    band_energies(response, sample_rate_hz, Resolution::ThirdOctave)
        .into_iter()
        .map(|(band, energy)| BandLevel { midband_hz: band.midband_hz, level_db: 10.0 * energy.log10() })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::noise::gaussian;
    use super::*;

    #[test]
    fn a_unit_impulse_gives_one_wherever_it_stands() {
        for rate_hz in [8_000.0, 16_000.0, 22_050.0, 44_100.0, 48_000.0, 192_000.0, 768_000.0] {
            for place in [0, 1, 999] {
                let mut response = vec![0.0; 1000];
                response[place] = 1.0;
                for (band, energy) in octave_energies(&response, rate_hz).into_iter().enumerate() {
                    assert!((energy - 1.0).abs() < 1e-9, "band {band}: expected 1, got {energy}");
                }
                for band in third_octave_levels_db(&response, rate_hz) {
                    assert!(band.level_db.abs() < 1e-8, "{} Hz: got {}", band.midband_hz, band.level_db);
                }
            }
        }
    }

    #[test]
    fn two_impulses_make_the_comb_that_algebra_says() {
        // |1 + exp(-j w n)|^2 = 2 + 2 cos(w n): its mean over an octave is
        // 2 + 2 (sin(w2 n) - sin(w1 n))/((w2 - w1) n).
        let rate_hz = 48_000.0;
        let apart = 37;
        let mut response = vec![0.0; 64];
        response[0] = 1.0;
        response[apart] = 1.0;
        for (band, energy) in band_energies(&response, rate_hz, Resolution::Octave) {
            let phase = |hz: f64| std::f64::consts::TAU * hz / rate_hz * apart as f64;
            let (low, high) = (phase(band.lower_hz), phase(band.upper_hz));
            let expected = 2.0 + 2.0 * (high.sin() - low.sin()) / (high - low);
            assert!(
                (energy - expected).abs() < 1e-3,
                "{} Hz: expected {expected}, got {energy}",
                band.midband_hz
            );
        }
    }

    #[test]
    fn noise_of_unit_variance_gives_its_length() {
        let response = gaussian(3, 48_000);
        for (band, energy) in octave_energies(&response, 48_000.0).into_iter().enumerate().skip(2) {
            let ratio = energy / 48_000.0;
            assert!((ratio - 1.0).abs() < 0.2, "band {band}: expected 1, got {ratio}");
        }
    }

    #[test]
    fn silence_is_silent() {
        assert!(octave_energies(&[0.0; 10], 48_000.0).iter().all(|&energy| energy == 0.0));
        assert!(octave_energies(&[], 48_000.0).iter().all(|&energy| energy == 0.0));
    }
}
