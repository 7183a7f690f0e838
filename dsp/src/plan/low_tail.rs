//! What a plan has to know of the tail that plays: its spectra in the low octaves.

use crate::acoustics::platform::PARTS;
use crate::kernel::spectral_lines::SpectralLines;
use crate::plan::fast_low::FastLowTail;
#[cfg(test)]
use crate::plan::low_octaves::Complex;
use crate::plan::low_octaves::{ALL_POINTS, frequencies_hz};

/// Time over which a tail is looked at, and from which on it is faded out, s.
///
/// Reflections share nothing with what comes later, and frequencies 7.4 Hz apart
/// could not tell it from what comes sooner.
const LOOKED_AT_S: (f64, f64) = (0.12, 0.16);

/// Spectra of the two parts of a tail on the frequencies looked at: by part, then channel.
#[derive(Clone, Debug, PartialEq)]
pub struct LowTail {
    /// One value for each frequency of [`frequencies_hz`]: for the slow plan, which only tests make.
    #[cfg(test)]
    pub spectra: [[[Complex; ALL_POINTS]; 2]; PARTS],
    /// The same, as the planner reads it.
    pub(crate) fast: FastLowTail,
}

impl LowTail {
    /// Transforms the parts of a tail, by part, then channel.
    pub fn new(parts: &[Vec<Vec<f32>>; PARTS], sample_rate_hz: f64) -> Self {
        let lines = SpectralLines::new(&frequencies_hz(), sample_rate_hz);
        let mut spectra = [[[(0.0, 0.0); ALL_POINTS]; 2]; PARTS];
        for (part, channels) in parts.iter().enumerate() {
            for (channel, samples) in channels.iter().enumerate() {
                let samples = looked_at(samples, sample_rate_hz);
                for (cell, value) in spectra[part][channel].iter_mut().zip(lines.of(&samples)) {
                    *cell = value;
                }
            }
        }
        Self {
            fast: FastLowTail::new(&spectra),
            #[cfg(test)]
            spectra,
        }
    }
}

/// Returns the start of a tail, faded out.
fn looked_at(samples: &[f32], sample_rate_hz: f64) -> Vec<f32> {
    let (from, to) = ((LOOKED_AT_S.0 * sample_rate_hz) as usize, (LOOKED_AT_S.1 * sample_rate_hz) as usize);
    let mut samples = samples[..to.min(samples.len())].to_vec();
    let step = 1.0 / (to - from) as f32;
    for (n, x) in samples.iter_mut().skip(from).enumerate() {
        *x *= 1.0 - n as f32 * step;
    }
    samples
}
