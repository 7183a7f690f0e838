//! Octave bands without phase: filtered in the frequency domain, so that nothing is delayed and nothing rings on.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rostra_dsp::acoustics::{OCTAVE_RATIO, PerBand, exact_midband_hz};

/// Poles of the low-pass prototype: class 1 of IEC 61260-1:2014 with the shortest ringing (two would not do).
const PROTOTYPE_ORDER: i32 = 3;

/// Returns the energy gain of an octave band, 1/(1 + (Q (f/f_m - f_m/f))^6), Q = 1/(G^(1/2) - G^(-1/2)).
///
/// # Source
/// Butterworth band-pass of third order between the band edges of IEC 61260-1:2014 (textbook material).
pub fn octave_power(midband_hz: f64, frequency_hz: f64) -> f64 {
    if frequency_hz <= 0.0 {
        return 0.0;
    }
    let quality = 1.0 / (OCTAVE_RATIO.sqrt() - OCTAVE_RATIO.sqrt().recip());
    let detuned = quality * (frequency_hz / midband_hz - midband_hz / frequency_hz);
    1.0 / (1.0 + detuned.powi(2 * PROTOTYPE_ORDER))
}

/// Octave bands of signals up to a length, at a sample rate.
pub struct ZeroPhase {
    forward: Arc<dyn RealToComplex<f64>>,
    back: Arc<dyn ComplexToReal<f64>>,
    size: usize,
    midbands_hz: Vec<f64>,
    /// Energy gain by band and line.
    power: Vec<Vec<f64>>,
}

impl ZeroPhase {
    /// Prepares the seven octaves for signals of at most `frames` frames.
    pub fn new(frames: usize, rate_hz: f64) -> Self {
        Self::of_midbands((0..7).map(exact_midband_hz).collect(), frames, rate_hz)
    }

    /// Prepares octaves with any midbands; twice the length keeps what rings from coming round.
    pub fn of_midbands(midbands_hz: Vec<f64>, frames: usize, rate_hz: f64) -> Self {
        let size = (2 * frames).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        let hz = |line: usize| line as f64 * rate_hz / size as f64;
        let power = midbands_hz
            .iter()
            .map(|&midband_hz| (0..=size / 2).map(|line| octave_power(midband_hz, hz(line))).collect())
            .collect();
        Self {
            forward: planner.plan_fft_forward(size),
            back: planner.plan_fft_inverse(size),
            size,
            midbands_hz,
            power,
        }
    }

    fn spectrum(&self, signal: &[f64]) -> Vec<Complex<f64>> {
        let mut time = vec![0.0; self.size];
        time[..signal.len()].copy_from_slice(signal);
        let mut lines = self.forward.make_output_vec();
        self.forward.process(&mut time, &mut lines).expect("the lengths fit");
        lines
    }

    /// Returns the energy of each band, the sum of squares of the filtered signal.
    pub fn energies_of(&self, signal: &[f64]) -> Vec<f64> {
        let lines = self.spectrum(signal);
        let energy: Vec<f64> = lines.iter().map(Complex::norm_sqr).collect();
        self.power
            .iter()
            .map(|power| 2.0 * energy.iter().zip(power).map(|(e, p)| e * p).sum::<f64>() / self.size as f64)
            .collect()
    }

    /// Returns the energy of each of the seven octaves.
    pub fn energies(&self, signal: &[f64]) -> PerBand {
        let energies = self.energies_of(signal);
        std::array::from_fn(|band| energies[band])
    }

    /// Returns a signal as it is in each band, of the signal's length.
    pub fn filter(&self, signal: &[f64]) -> Vec<Vec<f64>> {
        let lines = self.spectrum(signal);
        let scale = 1.0 / self.size as f64;
        self.power
            .iter()
            .map(|power| {
                let mut product: Vec<Complex<f64>> =
                    lines.iter().zip(power).map(|(line, p)| line * p.sqrt() * scale).collect();
                product[0].im = 0.0;
                product[self.size / 2].im = 0.0;
                let mut time = self.back.make_output_vec();
                self.back.process(&mut product, &mut time).expect("the lengths fit");
                time.truncate(signal.len());
                time
            })
            .collect()
    }

    /// Returns the midbands, Hz.
    pub fn midbands_hz(&self) -> &[f64] {
        &self.midbands_hz
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    /// Rows of IEC 61260-1:2014, table 1 (see the head of the file), at f/f_m = G^(+-exponent).
    #[test]
    fn the_bands_meet_class_1() {
        let table = include_str!("../data/iec61260_1_table1.csv");
        let mut rows = 0;
        for line in table.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |index: usize| cells[index].parse::<f64>();
            let exponent = number(0).expect("a number");
            for sign in [-1.0, 1.0] {
                let attenuation_db = -10.0 * octave_power(1.0, OCTAVE_RATIO.powf(sign * exponent)).log10();
                let least = number(2).expect("a number");
                assert!(attenuation_db >= least, "G^{exponent}: got {attenuation_db} dB, least {least}");
                let most = number(3).unwrap_or(f64::INFINITY);
                assert!(attenuation_db <= most, "G^{exponent}: got {attenuation_db} dB, most {most}");
            }
            rows += 1;
        }
        assert_eq!(rows, 10);
    }

    #[test]
    fn what_is_filtered_is_not_moved_and_keeps_its_energy() {
        let mut impulse = vec![0.0; 9600];
        impulse[4800] = 1.0;
        let bands = ZeroPhase::new(impulse.len(), RATE_HZ);
        let energies = bands.energies(&impulse);
        for (band, filtered) in bands.filter(&impulse).iter().enumerate() {
            for n in 1..2000 {
                assert!((filtered[4800 - n] - filtered[4800 + n]).abs() < 1e-12, "band {band}, frame {n}");
            }
            let sum: f64 = filtered.iter().map(|x| x * x).sum();
            assert!((sum / energies[band] - 1.0).abs() < 1e-3, "band {band}: {sum} and {}", energies[band]);
        }
    }
}
