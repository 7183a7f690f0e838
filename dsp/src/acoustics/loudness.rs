//! How loud a placed instrument is: what each part of its usual spectrum counts.

use crate::acoustics::octave::{BANDS, OCTAVE_RATIO, exact_midband_hz};
use crate::acoustics::radiation::Family;

/// Frequencies below 1 kHz at which direct sound and reflections are summed in phase.
pub(crate) const LOW_POINTS: usize = 24;
/// The first of them, Hz, and the step to the next: from the lowest note that counts to the edge of the 500 Hz octave.
///
/// The comb of a reflection 5 ms after the direct sound is seven of them wide (our choice).
pub(crate) const FIRST_POINT_HZ: f64 = 40.0;
pub(crate) const POINT_STEP_HZ: f64 = 28.0;
/// Octaves up to 500 Hz, which the points cover; above, energies add.
const LOW_OCTAVES: usize = 3;
/// Octaves above them, up to 8 kHz; what lies higher counts as 8 kHz does.
pub(crate) const HIGH_OCTAVES: usize = BANDS - LOW_OCTAVES;

/// Octaves of a spectrum, 63 Hz to 16 kHz.
const OCTAVES: usize = BANDS + 2;

/// What the parts of a spectrum count in its loudness; all together 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LoudnessWeights {
    /// Of each frequency below 1 kHz.
    pub(crate) low: [f64; LOW_POINTS],
    /// Of each octave from 1 kHz to 8 kHz.
    pub(crate) high: [f64; HIGH_OCTAVES],
}

impl LoudnessWeights {
    /// Returns the weights of a family's usual spectrum.
    ///
    /// # Source
    /// Loudness: ITU-R BS.1770-4, K-weighting. Spectra: at [`Family::spectrum_db`].
    pub(crate) fn of(family: Family) -> Self {
        let spectrum = family.spectrum_db();
        let edge_hz = |octave: usize| exact_midband_hz(0) * OCTAVE_RATIO.powf(octave as f64 - 1.5);
        let mut low = std::array::from_fn(|point| {
            let hz = point_hz(point);
            let octave = (0..LOW_OCTAVES).find(|&octave| hz < edge_hz(octave + 1)).unwrap_or(LOW_OCTAVES);
            let width_hz = edge_hz(octave + 1) - edge_hz(octave);
            10_f64.powf(spectrum[octave] / 10.0) * k_weighting(hz) * POINT_STEP_HZ / width_hz
        });
        let mut high: [f64; HIGH_OCTAVES] = std::array::from_fn(|octave| {
            let octave = octave + 1 + LOW_OCTAVES;
            let counts = |octave: usize| {
                let hz = exact_midband_hz(0) * OCTAVE_RATIO.powf(octave as f64 - 1.0);
                10_f64.powf(spectrum[octave] / 10.0) * k_weighting(hz)
            };
            counts(octave) + if octave + 2 == OCTAVES { counts(octave + 1) } else { 0.0 }
        });
        let whole: f64 = low.iter().chain(&high).sum();
        low.iter_mut().chain(&mut high).for_each(|weight| *weight /= whole);
        Self { low, high }
    }
}

/// Returns the frequency of a point, Hz.
pub(crate) fn point_hz(point: usize) -> f64 {
    FIRST_POINT_HZ + POINT_STEP_HZ * point as f64
}

/// Returns the octave band in which a point lies: what lies below 125 Hz's octave counts as it does.
pub(crate) fn band_of_point(point: usize) -> usize {
    let hz = point_hz(point);
    (0..LOW_OCTAVES - 1)
        .find(|&band| hz < exact_midband_hz(band) * OCTAVE_RATIO.sqrt())
        .unwrap_or(LOW_OCTAVES - 1)
}

/// Returns how much energy at a frequency counts: the K-weighting as analogue filters.
///
/// A shelf of +4 dB about 1682 Hz and a high-pass at 38 Hz.
///
/// # Source
/// ITU-R BS.1770-4; the analogue corners that its coefficients at 48 kHz come
/// from are those of libebur128 (from memory).
fn k_weighting(hz: f64) -> f64 {
    const SHELF: (f64, f64, f64) = (1_681.974_450_955_533, 0.707_175_236_955_419_6, 3.999_843_853_973_347);
    const HIGH_PASS: (f64, f64) = (38.135_470_876_024_44, 0.500_327_037_323_877_3);
    let (corner_hz, q, shelf_db) = SHELF;
    let (high, w) = (10_f64.powf(shelf_db / 20.0), hz / corner_hz);
    let band = high.powf(0.499_666_774_154_541_6);
    let power = |constant: f64, linear: f64| constant * constant + linear * linear;
    let shelf = power(1.0 - high * w * w, band * w / q) / power(1.0 - w * w, w / q);
    let (corner_hz, q) = HIGH_PASS;
    let w = hz / corner_hz;
    shelf * w.powi(4) / power(1.0 - w * w, w / q)
}

impl Family {
    /// Returns the usual long-term spectrum of a family, energy per octave from 63 Hz to 16 kHz in dB, the strongest at 0.
    ///
    /// It says how octaves count against each other where one broadband level is
    /// set; a recording with another spectrum comes out a little louder or softer.
    ///
    /// # Source
    /// From memory, after the formants in J. Meyer, Acoustics and the
    /// Performance of Music (Springer, 2009), chapter 3; an unknown instrument
    /// is given the spectrum of a whole orchestra (common practice, no source).
    pub const fn spectrum_db(self) -> [f64; OCTAVES] {
        match self {
            Self::Omnidirectional => [-8.0, -4.0, 0.0, 0.0, -4.0, -9.0, -14.0, -22.0, -32.0],
            Self::ForwardBell => [-40.0, -14.0, -5.0, 0.0, 0.0, -4.0, -12.0, -22.0, -35.0],
            Self::WideForwardBell => [-30.0, -8.0, -2.0, 0.0, -4.0, -10.0, -20.0, -32.0, -45.0],
            Self::RearBell => [-30.0, -9.0, -2.0, 0.0, -8.0, -17.0, -28.0, -40.0, -55.0],
            Self::UpwardBell => [-4.0, 0.0, -2.0, -8.0, -16.0, -26.0, -36.0, -48.0, -60.0],
            Self::TopPlate => [-50.0, -35.0, -6.0, 0.0, -2.0, -5.0, -10.0, -18.0, -30.0],
            Self::FrontPlate => [-4.0, 0.0, -1.0, -4.0, -9.0, -14.0, -22.0, -32.0, -45.0],
            Self::ToneHoles => [-50.0, -14.0, -4.0, 0.0, -2.0, -8.0, -17.0, -28.0, -42.0],
            Self::Bassoon => [-12.0, -5.0, 0.0, -0.5, -7.0, -16.0, -26.0, -38.0, -52.0],
            Self::Flute => [-60.0, -40.0, -6.0, 0.0, -2.0, -9.0, -17.0, -27.0, -40.0],
            Self::Harp => [-10.0, -3.0, 0.0, -2.0, -8.0, -16.0, -26.0, -36.0, -50.0],
            Self::Lid => [-8.0, -3.0, 0.0, -1.0, -6.0, -12.0, -20.0, -30.0, -45.0],
            Self::Bars => [-60.0, -30.0, -8.0, -2.0, 0.0, -4.0, -10.0, -18.0, -30.0],
            Self::Mouth => [-40.0, -8.0, -1.0, 0.0, -5.0, -10.0, -15.0, -22.0, -32.0],
            Self::Drumhead => [-4.0, 0.0, -5.0, -12.0, -20.0, -28.0, -36.0, -45.0, -55.0],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gains of the K-weighting at a few frequencies, from the coefficients of ITU-R BS.1770-4 at 48 kHz, worked out outside
    /// this crate to 0.01 dB; analogue filters are within 0.1 dB of them up to 4 kHz.
    #[test]
    fn the_k_weighting_is_that_of_the_recommendation() {
        for (hz, expected_db) in
            [(50.0, -3.93), (100.0, -1.13), (500.0, 0.04), (1000.0, 0.70), (2000.0, 3.07), (4000.0, 3.97)]
        {
            let got_db = 10.0 * k_weighting(hz).log10();
            assert!(
                (got_db - expected_db).abs() < 0.15,
                "{hz} Hz: expected {expected_db} dB, got {got_db} dB"
            );
        }
    }

    #[test]
    fn the_weights_of_every_family_add_up_to_one() {
        for family in Family::ALL {
            let weights = LoudnessWeights::of(family);
            let sum: f64 = weights.low.iter().chain(&weights.high).sum();
            assert!((sum - 1.0).abs() < 1e-12, "{}: {sum}", family.name());
        }
    }
}
