//! How loud a placed instrument is: what each part of its usual spectrum counts.

use crate::acoustics::octave::{BANDS, OCTAVE_RATIO, edges_hz, exact_midband_hz};
use crate::acoustics::radiation::Family;

/// Frequencies below 708 Hz at which direct sound and reflections are summed in phase.
pub(crate) const LOW_POINTS: usize = 24;
/// The first of them, Hz, and the step to the next: from the lowest note that counts to the edge of the 500 Hz octave.
///
/// The comb of a reflection 5 ms after the direct sound is seven of them wide (our choice).
pub(crate) const FIRST_POINT_HZ: f64 = 40.0;
pub(crate) const POINT_STEP_HZ: f64 = 28.0;
/// Octaves up to 500 Hz, which the points cover; above, energies add.
pub(crate) const LOW_OCTAVES: usize = 3;

/// Thirds of an octave of a spectrum, from 31.6 Hz (exact, base ten) to 15.8 kHz.
const THIRDS: usize = 28;
/// Index of the third of 1 kHz.
const THIRD_OF_1_KHZ: usize = 15;
/// Frequency in Hz of the next third over that of one.
const THIRD_RATIO: f64 = 1.258_925_411_794_167_2;

/// What the parts of a spectrum count in its loudness; all together 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LoudnessWeights {
    /// Of each frequency below 708 Hz.
    pub(crate) low: [f64; LOW_POINTS],
    /// Of each octave, as far as it counts for what lies above: a third between two midbands counts in part for either.
    pub(crate) high: [f64; BANDS],
}

impl LoudnessWeights {
    /// Returns the weights of a family's usual spectrum.
    ///
    /// # Source
    /// Loudness: ITU-R BS.1770-4, K-weighting. Spectra: at [`Family::spectrum_db`].
    pub(crate) fn of(family: Family) -> Self {
        let spectrum = family.spectrum_db().map(|level_db| 10_f64.powf(f64::from(level_db) / 10.0));
        let middle_hz: [f64; THIRDS] =
            std::array::from_fn(|third| 1000.0 * THIRD_RATIO.powf(third as f64 - THIRD_OF_1_KHZ as f64));
        let (mut low, mut high) = ([0.0; LOW_POINTS], [0.0; BANDS]);
        let high_from_hz = edges_hz(LOW_OCTAVES).0;
        for (energy, hz) in spectrum.into_iter().zip(middle_hz) {
            if hz > high_from_hz {
                let (band, share) = place_between_midbands(hz);
                high[band] += energy * k_weighting(hz) * (1.0 - share);
                high[(band + 1).min(BANDS - 1)] += energy * k_weighting(hz) * share;
                continue;
            }
            // Spread evenly over the third, each hertz of it at the nearest point.
            let (from_hz, to_hz) = (hz / THIRD_RATIO.sqrt(), hz * THIRD_RATIO.sqrt());
            let steps = (to_hz - from_hz).ceil();
            for step in 0..steps as usize {
                let hz = from_hz + (to_hz - from_hz) * (step as f64 + 0.5) / steps;
                let nearest = ((hz - FIRST_POINT_HZ) / POINT_STEP_HZ).round();
                low[(nearest.max(0.0) as usize).min(LOW_POINTS - 1)] += energy / steps;
            }
        }
        for (point, weight) in low.iter_mut().enumerate() {
            *weight *= k_weighting(point_hz(point));
        }
        let whole: f64 = low.iter().chain(&high).sum();
        low.iter_mut().chain(&mut high).for_each(|weight| *weight /= whole);
        Self { low, high }
    }
}

/// Returns the frequency of a point, Hz.
pub(crate) fn point_hz(point: usize) -> f64 {
    FIRST_POINT_HZ + POINT_STEP_HZ * point as f64
}

/// Returns the octave midband under a frequency and how far the frequency lies on the way to the next, 0 to 1 in octaves; the
/// lowest and the highest midband count beyond them.
pub(crate) fn place_between_midbands(hz: f64) -> (usize, f64) {
    let place = ((hz / exact_midband_hz(0)).ln() / OCTAVE_RATIO.ln()).clamp(0.0, (BANDS - 1) as f64);
    (place as usize, place.fract())
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
    /// Returns the usual long-term spectrum of a family, energy per third of an octave from 31.6 Hz to 15.8 kHz in dB, the
    /// strongest at 0.
    ///
    /// It says how frequencies count against each other where one broadband level
    /// is set; a recording with another spectrum comes out a little louder or softer.
    ///
    /// # Source
    /// Measured: notes of sampled instruments over their compass (Debian package
    /// timgm6mb-soundfont) and the demo's stems, three to seven where there are
    /// both, smoothed over neighbouring thirds and with an eighth of pink noise,
    /// since recordings differ, by `tests/recordings/family_spectra.py`. An unknown instrument is given the
    /// spectrum of a whole orchestra (common practice, no source).
    #[rustfmt::skip]
    const fn spectrum_db(self) -> [i8; THIRDS] {
        match self {
            Self::Omnidirectional => [-8, -8, -8, -8, -7, -5, -4, -3, -1, 0, 0, 0, 0, -1, -3, -4, -6, -7, -9, -11, -12, -14, -17, -19, -22, -25, -29, -32],
            Self::ForwardBell => [-16, -16, -16, -16, -16, -16, -16, -16, -16, -16, -14, -12, -9, -6, -6, -3, 0, -1, -2, -3, -4, -8, -11, -14, -15, -16, -16, -16],
            Self::WideForwardBell => [-15, -15, -15, -15, -15, -15, -14, -12, -11, -11, -5, -1, 0, 0, 0, -1, -2, -2, -3, -6, -9, -11, -13, -14, -14, -15, -15, -15],
            Self::RearBell => [-16, -16, -16, -16, -16, -16, -16, -14, -11, -7, -3, -1, 0, 0, -2, -3, -5, -8, -11, -13, -15, -16, -16, -16, -16, -16, -16, -16],
            Self::UpwardBell => [-14, -14, -14, -14, -14, -13, -10, -7, -5, -2, -1, -2, -1, -1, 0, -1, -2, -5, -6, -6, -7, -10, -11, -12, -14, -14, -14, -14],
            Self::TopPlate => [-13, -14, -14, -13, -13, -13, -13, -11, -7, -5, -3, -1, 0, 0, -1, -1, -1, -2, -1, -1, -3, -3, -5, -8, -10, -12, -13, -13],
            Self::FrontPlate => [-14, -11, -7, -5, -4, -2, -2, 0, -1, -3, -2, -2, -6, -7, -7, -7, -5, -6, -10, -10, -9, -12, -13, -13, -14, -14, -15, -15],
            Self::ToneHoles => [-16, -16, -16, -16, -16, -16, -16, -16, -15, -11, -7, -6, -5, -4, -5, -4, 0, 0, -3, -5, -7, -9, -12, -14, -13, -15, -15, -16],
            Self::Bassoon => [-18, -18, -18, -17, -17, -17, -17, -16, -15, -13, -4, 0, -1, -4, -6, -6, -7, -11, -13, -12, -14, -13, -13, -13, -11, -13, -16, -17],
            Self::Flute => [-19, -19, -19, -19, -19, -19, -19, -19, -19, -17, -13, -11, -9, -8, -8, -3, 0, -2, -8, -11, -15, -18, -18, -19, -19, -19, -19, -19],
            Self::Harp => [-17, -17, -17, -17, -16, -15, -12, -7, -5, -3, 0, -1, -5, -6, -5, -6, -4, -7, -13, -15, -16, -16, -16, -17, -17, -17, -17, -17],
            Self::Lid => [-14, -14, -14, -14, -14, -14, -14, -14, -14, -12, -8, -6, -5, -2, -2, -1, 0, -2, -3, 0, 0, -3, -7, -8, -10, -12, -14, -14],
            Self::Bars => [-15, -15, -15, -15, -15, -15, -15, -15, -10, -6, -10, -8, -2, -2, -3, -2, -7, -12, -8, -8, -5, 0, -1, -6, -8, -5, -4, -2],
            Self::Mouth => [-14, -14, -14, -13, -13, -13, -13, -12, -10, -9, -6, -2, -1, -1, 0, -1, -1, -1, 0, 0, -2, -6, -11, -12, -13, -13, -14, -14],
            Self::Drumhead => [-15, -15, -15, -15, -11, -6, -5, -3, -2, -3, -2, 0, -2, -3, -5, -7, -7, -8, -10, -12, -12, -13, -13, -14, -14, -14, -15, -15],
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
