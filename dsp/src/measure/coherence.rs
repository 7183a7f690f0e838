//! How alike two channels are, band by band.

use std::f64::consts::TAU;

use super::passband::{Resolution, passbands};
use super::spectrum::spectrum;

/// How a signal is cut before its spectra are averaged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Segments {
    /// Not at all: the right thing for an impulse response.
    Whole,
    /// Hann-weighted segments of this many frames, half overlapping, for long
    /// signals; what is left at the end is dropped.
    Welch(usize),
}

/// The coherence within one band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandCoherence {
    /// Exact midband, Hz.
    pub midband_hz: f64,
    /// Real part of the normalised cross-spectrum, -1 to 1; 0 where a channel is silent.
    pub real: f64,
}

/// Returns the real part of the normalised cross-spectrum of two channels, averaged within each band.
///
/// Re(sum X Y*) / sqrt(sum |X|^2 sum |Y|^2), the sums over the bins between the
/// band's brick-wall edges and over the segments: the cross-correlation at lag 0
/// of the two channels after an ideal band-pass. The shorter channel is padded
/// with zeros.
///
/// # Source
/// Welch (1967) for the segments; the measure is that of Cook et al. (1955).
pub fn coherence(
    left: &[f64],
    right: &[f64],
    sample_rate_hz: f64,
    resolution: Resolution,
    segments: Segments,
) -> Vec<BandCoherence> {
    let frames = left.len().max(right.len());
    let padded = |channel: &[f64]| {
        let mut padded = channel.to_vec();
        padded.resize(frames, 0.0);
        padded
    };
    let (left, right) = (padded(left), padded(right));
    let (length, window) = match segments {
        Segments::Whole => (frames, Vec::new()),
        Segments::Welch(frames) => (frames, hann(frames)),
    };
    let length = length.max(1);
    let transform = (2 * length).next_power_of_two();
    let spacing_hz = sample_rate_hz / transform as f64;
    let bands = passbands(resolution, sample_rate_hz);
    let mut sums = vec![(0.0, 0.0, 0.0); bands.len()];
    let starts: Vec<usize> = match segments {
        Segments::Whole => vec![0],
        Segments::Welch(_) => (0..(frames + 1).saturating_sub(length)).step_by((length / 2).max(1)).collect(),
    };
    for start in starts {
        let spectrum_of = |channel: &[f64]| {
            let mut segment = channel[start..(start + length).min(frames)].to_vec();
            for (sample, weight) in segment.iter_mut().zip(&window) {
                *sample *= weight;
            }
            spectrum(&segment, transform)
        };
        let (x, y) = (spectrum_of(&left), spectrum_of(&right));
        for (band, (cross, power_x, power_y)) in bands.iter().zip(&mut sums) {
            for (bin, share) in band.bins(spacing_hz) {
                *cross += share * (x[bin] * y[bin].conj()).re;
                *power_x += share * x[bin].norm_sqr();
                *power_y += share * y[bin].norm_sqr();
            }
        }
    }
    bands
        .iter()
        .zip(sums)
        .map(|(band, (cross, power_x, power_y))| {
            let power = (power_x * power_y).sqrt();
            BandCoherence { midband_hz: band.midband_hz, real: if power > 0.0 { cross / power } else { 0.0 } }
        })
        .collect()
}

/// Returns a Hann window whose half-overlapping copies add up to 1.
fn hann(frames: usize) -> Vec<f64> {
    (0..frames).map(|k| 0.5 - 0.5 * (TAU * k as f64 / frames as f64).cos()).collect()
}

#[cfg(test)]
mod tests {
    use super::super::noise::gaussian;
    use super::*;

    const RATE_HZ: f64 = 48_000.0;
    const WAYS: [Segments; 2] = [Segments::Whole, Segments::Welch(4096)];

    fn reals(left: &[f64], right: &[f64], resolution: Resolution, segments: Segments) -> Vec<f64> {
        coherence(left, right, RATE_HZ, resolution, segments).into_iter().map(|band| band.real).collect()
    }

    #[test]
    fn mixed_noise_is_as_coherent_as_it_was_mixed() {
        let (a, b) = (gaussian(1, 192_000), gaussian(2, 192_000));
        for wanted in [-0.5_f64, 0.0, 0.7] {
            let rest = (1.0 - wanted * wanted).sqrt();
            let mixed: Vec<f64> = a.iter().zip(&b).map(|(a, b)| wanted * a + rest * b).collect();
            for segments in WAYS {
                for got in reals(&a, &mixed, Resolution::Octave, segments) {
                    // 88 Hz over 4 s are some 350 independent values: 5 % scatter.
                    assert!((got - wanted).abs() < 0.16, "{segments:?}: expected {wanted}, got {got}");
                }
            }
        }
    }

    #[test]
    fn a_channel_is_fully_coherent_with_itself_and_against_its_inverse() {
        let a = gaussian(5, 20_000);
        let inverse: Vec<f64> = a.iter().map(|x| -x).collect();
        for segments in WAYS {
            for (same, against) in reals(&a, &a, Resolution::ThirdOctave, segments).into_iter().zip(reals(
                &a,
                &inverse,
                Resolution::ThirdOctave,
                segments,
            )) {
                assert!((same - 1.0).abs() < 1e-12, "expected 1, got {same}");
                assert!((against + 1.0).abs() < 1e-12, "expected -1, got {against}");
            }
        }
    }

    #[test]
    fn a_delay_turns_the_cross_spectrum_as_algebra_says() {
        // Re exp(j w d) averaged over a band: (sin(w2 d) - sin(w1 d))/((w2 - w1) d).
        let delay = 12;
        let mut left = vec![0.0; 4096];
        let mut right = left.clone();
        left[100] = 1.0;
        right[100 + delay] = 1.0;
        for (band, got) in passbands(Resolution::Octave, RATE_HZ).iter().zip(coherence(
            &left,
            &right,
            RATE_HZ,
            Resolution::Octave,
            Segments::Whole,
        )) {
            let phase = |hz: f64| TAU * hz / RATE_HZ * f64::from(delay as u32);
            let (low, high) = (phase(band.lower_hz), phase(band.upper_hz));
            let expected = (high.sin() - low.sin()) / (high - low);
            assert!(
                (got.real - expected).abs() < 1e-3,
                "{} Hz: expected {expected}, got {}",
                got.midband_hz,
                got.real
            );
        }
    }

    #[test]
    fn silence_is_not_coherent() {
        assert!(
            reals(&[0.0; 100], &[1.0; 50], Resolution::Octave, Segments::Whole).iter().all(|&c| c == 0.0)
        );
        assert!(
            reals(&[1.0; 100], &[1.0; 100], Resolution::Octave, Segments::Welch(256))
                .iter()
                .all(|&c| c == 0.0)
        );
        assert!(reals(&[], &[], Resolution::Octave, Segments::Welch(0)).iter().all(|&c| c == 0.0));
    }
}
