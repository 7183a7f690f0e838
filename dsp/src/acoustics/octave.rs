//! The seven octave bands in which the platform is described.

/// Number of octave bands, 125 Hz to 8 kHz.
pub const BANDS: usize = 7;

/// One value for each octave band, 125 Hz first.
pub type PerBand = [f64; BANDS];

/// Index of the octave above the seven, 16 kHz: what lies there is followed, but not held to figures.
pub const TOP: usize = BANDS;

/// The seven octave bands and the top.
pub const OCTAVES: usize = BANDS + 1;

/// One value for each octave band, and one for the top.
pub type WithTop = [f64; OCTAVES];

/// Nominal midbands, Hz (IEC 61260-1:2014, table E.1).
pub const NOMINAL_HZ: PerBand = [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0];

/// Bands whose mean is called mid-band: 500 Hz and 1 kHz (ISO 3382-1:2009, clause A.4).
pub const MID: [usize; 2] = [2, 3];

/// Octave ratio G = 10^(3/10) (IEC 61260-1:2014, equation 1).
pub const OCTAVE_RATIO: f64 = 1.995_262_314_968_879_5;

/// Returns the exact midband of band `band`, 1000 G^(band - 3), in Hz (IEC 61260-1:2014, equation 2).
pub fn exact_midband_hz(band: usize) -> f64 {
    1000.0 * OCTAVE_RATIO.powi(band as i32 - 3)
}

/// Returns the exact midbands, in Hz.
pub(crate) fn exact_midbands_hz() -> PerBand {
    std::array::from_fn(exact_midband_hz)
}

/// Returns the lower and upper edge of a band, midband times G^(-1/2) and G^(1/2), in Hz.
pub fn edges_hz(band: usize) -> (f64, f64) {
    let half = OCTAVE_RATIO.sqrt();
    (exact_midband_hz(band) / half, exact_midband_hz(band) * half)
}

/// Share of the sample rate up to which a band's upper edge may reach.
///
/// Our choice: above it the bilinear transform squeezes filters too far.
pub(crate) const HIGHEST_EDGE_OF_RATE: f64 = 0.46;

/// Returns how many of the bands fit a sample rate: those whose upper edge is at most 0.46 of it.
pub fn bands_at_rate(sample_rate_hz: f64) -> usize {
    (0..BANDS).filter(|&band| edges_hz(band).1 <= HIGHEST_EDGE_OF_RATE * sample_rate_hz).count()
}

/// Returns the mean over 500 Hz and 1 kHz of values per band, with or without the top.
pub fn mid_mean<const N: usize>(values: &[f64; N]) -> f64 {
    MID.iter().map(|&band| values[band]).sum::<f64>() / MID.len() as f64
}

/// Thirds of an octave, 100 Hz to 16 kHz, that the direct sound follows.
pub const THIRDS: usize = 23;

/// Returns the exact midband of a third, 1000 G^((third - 10)/3), in Hz (IEC 61260-1:2014, equation 2).
pub fn third_midband_hz(third: usize) -> f64 {
    1000.0 * OCTAVE_RATIO.powf((third as f64 - 10.0) / 3.0)
}

/// Nominal midbands of the thirds (IEC 61260-1:2014, table E.1).
pub const THIRD_NAMES: [&str; THIRDS] = [
    "100 Hz", "125 Hz", "160 Hz", "200 Hz", "250 Hz", "315 Hz", "400 Hz", "500 Hz", "630 Hz", "800 Hz",
    "1 kHz", "1.25 kHz", "1.6 kHz", "2 kHz", "2.5 kHz", "3.15 kHz", "4 kHz", "5 kHz", "6.3 kHz", "8 kHz",
    "10 kHz", "12.5 kHz", "16 kHz",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thirds_are_called_by_their_midbands() {
        for (third, name) in THIRD_NAMES.into_iter().enumerate() {
            let (number, unit) = name.split_once(' ').expect("a number and its unit");
            let number: f64 = number.parse().expect("a number");
            let nominal_hz = if unit == "kHz" { number * 1000.0 } else { number };
            // Nominal midbands are exact ones, rounded to the series R 10 of ISO 3: 1.3 % at the most.
            let exact_hz = third_midband_hz(third);
            assert!((exact_hz / nominal_hz - 1.0).abs() < 0.013, "{name}: {exact_hz} Hz");
        }
    }

    #[test]
    fn all_bands_fit_32_khz_and_the_top_one_leaves_at_22050() {
        assert_eq!(bands_at_rate(48_000.0), 7);
        assert_eq!(bands_at_rate(32_000.0), 7);
        assert_eq!(bands_at_rate(22_050.0), 6);
        assert_eq!([8_000.0, 11_025.0, 16_000.0, 768_000.0].map(bands_at_rate), [5, 5, 6, 7]);
    }

    #[test]
    fn exact_midbands_lie_within_a_per_cent_of_nominal() {
        for (exact, nominal) in exact_midbands_hz().iter().zip(NOMINAL_HZ) {
            assert!((exact / nominal - 1.0).abs() < 0.01, "expected {nominal}, got {exact}");
        }
    }
}
