//! Octave and third-octave bands as stretches of a spectrum.

use crate::acoustics::octave::{OCTAVE_RATIO, bands_at_rate, exact_midband_hz};

/// How wide the bands of a measurement are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resolution {
    /// Octaves, 125 Hz to 8 kHz.
    Octave,
    /// Thirds of those octaves, 100 Hz to 10 kHz.
    ThirdOctave,
}

/// One band with brick-wall edges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Passband {
    /// Exact midband, Hz.
    pub midband_hz: f64,
    /// Lower edge, Hz.
    pub lower_hz: f64,
    /// Upper edge, Hz.
    pub upper_hz: f64,
}

/// Returns the bands that fit a sample rate, the lowest first; thirds of an octave come and go with it.
///
/// Midbands 1000 G^(x/b), edges G^(-1/2b) and G^(1/2b) of them, b = 1 or 3.
///
/// # Source
/// IEC 61260-1:2014, equations (1) to (5).
pub fn passbands(resolution: Resolution, sample_rate_hz: f64) -> Vec<Passband> {
    let octaves = bands_at_rate(sample_rate_hz);
    let (per_octave, offsets): (f64, &[f64]) = match resolution {
        Resolution::Octave => (1.0, &[0.0]),
        Resolution::ThirdOctave => (3.0, &[-1.0, 0.0, 1.0]),
    };
    let half = OCTAVE_RATIO.powf(0.5 / per_octave);
    (0..octaves)
        .flat_map(|octave| {
            offsets.iter().map(move |offset| {
                let midband_hz = exact_midband_hz(octave) * OCTAVE_RATIO.powf(offset / per_octave);
                Passband { midband_hz, lower_hz: midband_hz / half, upper_hz: midband_hz * half }
            })
        })
        .collect()
}

impl Passband {
    /// Returns the bins that the band touches, each with its share inside, for bins `spacing_hz` apart.
    ///
    /// Bin k stands for the stretch from (k - 1/2) to (k + 1/2) times the
    /// spacing, so that a band's width does not jump with the transform's length.
    pub(super) fn bins(&self, spacing_hz: f64) -> impl Iterator<Item = (usize, f64)> + use<> {
        let lower = self.lower_hz / spacing_hz;
        let upper = self.upper_hz / spacing_hz;
        ((lower + 0.5).floor() as usize..=(upper + 0.5).floor() as usize).filter_map(move |bin| {
            let share = (bin as f64 + 0.5).min(upper) - (bin as f64 - 0.5).max(lower);
            (share > 0.0).then_some((bin, share))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thirds_fill_their_octaves_without_gap() {
        let octaves = passbands(Resolution::Octave, 48_000.0);
        let thirds = passbands(Resolution::ThirdOctave, 48_000.0);
        assert_eq!((octaves.len(), thirds.len()), (7, 21));
        for (octave, thirds) in octaves.iter().zip(thirds.as_chunks::<3>().0) {
            assert!((thirds[0].lower_hz / octave.lower_hz - 1.0).abs() < 1e-12);
            assert!((thirds[1].midband_hz / octave.midband_hz - 1.0).abs() < 1e-12);
            assert!((thirds[2].upper_hz / octave.upper_hz - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn shares_of_bins_add_up_to_the_bands_width() {
        for band in passbands(Resolution::ThirdOctave, 44_100.0) {
            let width_hz: f64 = band.bins(2.7).map(|(_, share)| share * 2.7).sum();
            let expected = band.upper_hz - band.lower_hz;
            assert!((width_hz - expected).abs() < 1e-9, "expected {expected}, got {width_hz}");
        }
    }
}
