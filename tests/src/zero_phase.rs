//! Bands without phase: filtered in the frequency domain, so that nothing is delayed.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rostra_dsp::acoustics::{BANDS, edges_hz};

/// Poles of the octaves' low-pass prototype: class 1 of IEC 61260-1:2014 with the shortest ringing (two would not do).
const PROTOTYPE_ORDER: i32 = 3;
/// Half of the width of a steep band's edge, octaves (our choice: short against an octave, and rings for a few
/// milliseconds at most from 4 kHz up).
const HALF_EDGE_OCTAVES: f64 = 1.0 / 24.0;
/// Fewest frames of a transform: the ringing of the lowest octave fits (our choice).
const LEAST_SIZE: usize = 8192;

/// A band between two edges, Hz, and how it ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Band {
    /// Slopes of 18 dB an octave, as an octave filter of class 1 has.
    Octave(f64, f64),
    /// Nothing outside the edges.
    Steep(f64, f64),
}

impl Band {
    /// Returns one of the seven octaves, 0 for 125 Hz.
    pub fn octave(band: usize) -> Self {
        let (low_hz, high_hz) = edges_hz(band);
        Self::Octave(low_hz, high_hz)
    }

    /// Returns the energy gain at a frequency.
    ///
    /// An octave has 1/(1 + (Q (f/m - m/f))^6), Q = m/(f2 - f1), m^2 = f1 f2; a
    /// steep band's edges are halves of a cosine over the logarithm of frequency.
    ///
    /// # Source
    /// Butterworth band-pass of third order (textbook material); the steep band is our choice.
    pub fn power(self, frequency_hz: f64) -> f64 {
        if frequency_hz <= 0.0 {
            return 0.0;
        }
        match self {
            Self::Octave(low_hz, high_hz) => {
                let midband_hz = (low_hz * high_hz).sqrt();
                let quality = midband_hz / (high_hz - low_hz);
                let detuned = quality * (frequency_hz / midband_hz - midband_hz / frequency_hz);
                1.0 / (1.0 + detuned.powi(2 * PROTOTYPE_ORDER))
            }
            Self::Steep(low_hz, high_hz) => {
                let rise = |edge_hz: f64| {
                    let share = (frequency_hz / edge_hz).log2() / (2.0 * HALF_EDGE_OCTAVES) + 0.5;
                    (share.clamp(0.0, 1.0) * std::f64::consts::FRAC_PI_2).sin().powi(2)
                };
                rise(low_hz) * (1.0 - rise(high_hz))
            }
        }
    }
}

/// Bands of signals up to a length, at a sample rate.
pub struct ZeroPhase {
    forward: Arc<dyn RealToComplex<f64>>,
    back: Arc<dyn ComplexToReal<f64>>,
    size: usize,
    /// The lines on which a band is not silent, and its energy gain there.
    power: Vec<(usize, Vec<f64>)>,
}

/// Energy gain that counts as silence, -100 dB (our choice).
const SILENT: f64 = 1e-10;

impl ZeroPhase {
    /// Prepares bands for signals of at most `frames` frames; twice the length keeps what rings from coming round.
    pub fn new(bands: &[Band], frames: usize, rate_hz: f64) -> Self {
        let size = (2 * frames).next_power_of_two().max(LEAST_SIZE);
        let mut planner = RealFftPlanner::new();
        let hz = |line: usize| line as f64 * rate_hz / size as f64;
        let power = bands
            .iter()
            .map(|band| {
                let sounds = |line: &usize| band.power(hz(*line)) > SILENT;
                let first = (0..=size / 2).find(sounds).unwrap_or(0);
                let gains = (first..=size / 2).take_while(sounds).map(|line| band.power(hz(line)));
                (first, gains.collect())
            })
            .collect();
        Self { forward: planner.plan_fft_forward(size), back: planner.plan_fft_inverse(size), size, power }
    }

    /// Prepares the seven octaves.
    pub fn octaves(frames: usize, rate_hz: f64) -> Self {
        let bands: [Band; BANDS] = std::array::from_fn(Band::octave);
        Self::new(&bands, frames, rate_hz)
    }

    fn spectrum(&self, signal: &[f64]) -> Vec<Complex<f64>> {
        let mut time = vec![0.0; self.size];
        time[..signal.len()].copy_from_slice(signal);
        let mut lines = self.forward.make_output_vec();
        self.forward.process(&mut time, &mut lines).expect("the lengths fit");
        lines
    }

    /// Returns the energy of each band, the sum of squares of the filtered signal.
    pub fn energies(&self, signal: &[f64]) -> Vec<f64> {
        let lines = self.spectrum(signal);
        self.power
            .iter()
            .map(|(first, power)| {
                let energy: f64 =
                    lines[*first..].iter().zip(power).map(|(line, power)| line.norm_sqr() * power).sum();
                2.0 * energy / self.size as f64
            })
            .collect()
    }

    /// Returns a signal as it is in each band, of the signal's length.
    pub fn filter(&self, signal: &[f64]) -> Vec<Vec<f64>> {
        let lines = self.spectrum(signal);
        let scale = 1.0 / self.size as f64;
        self.power
            .iter()
            .map(|(first, power)| {
                let mut product = self.back.make_input_vec();
                for ((cell, line), power) in product[*first..].iter_mut().zip(&lines[*first..]).zip(power) {
                    *cell = line * (power.sqrt() * scale);
                }
                product[0].im = 0.0;
                product[self.size / 2].im = 0.0;
                let mut time = self.back.make_output_vec();
                self.back.process(&mut product, &mut time).expect("the lengths fit");
                time.truncate(signal.len());
                time
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use rostra_dsp::acoustics::OCTAVE_RATIO;

    use super::*;

    const RATE_HZ: f64 = 48_000.0;

    /// Rows of IEC 61260-1:2014, table 1 (see the head of the file), at `f/f_m = G^(+-exponent)`.
    #[test]
    fn the_octaves_meet_class_1() {
        let octave = Band::Octave(OCTAVE_RATIO.powf(-0.5), OCTAVE_RATIO.powf(0.5));
        let table = include_str!("../data/iec61260_1_table1.csv");
        let mut rows = 0;
        for line in table.lines().filter(|line| !line.starts_with('#')).skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |index: usize| cells[index].parse::<f64>();
            let exponent = number(0).expect("a number");
            for sign in [-1.0, 1.0] {
                let attenuation_db = -10.0 * octave.power(OCTAVE_RATIO.powf(sign * exponent)).log10();
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
        for bands in [
            ZeroPhase::octaves(impulse.len(), RATE_HZ),
            ZeroPhase::new(&[Band::Steep(7080.0, 8910.0)], impulse.len(), RATE_HZ),
        ] {
            let energies = bands.energies(&impulse);
            for (filtered, energy) in bands.filter(&impulse).iter().zip(energies) {
                for n in 1..2000 {
                    assert!((filtered[4800 - n] - filtered[4800 + n]).abs() < 1e-12, "frame {n}");
                }
                let sum: f64 = filtered.iter().map(|x| x * x).sum();
                assert!((sum / energy - 1.0).abs() < 1e-3, "{sum} and {energy}");
            }
        }
    }
}
