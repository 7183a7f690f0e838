//! The spectrum of a signal at a few chosen frequencies.

use std::f64::consts::TAU;

use crate::kernel::instruction_set::{InstructionSet, Kernel, multiply_add};

/// Frequencies that are worked out at once: their sums fit the registers.
const AT_ONCE: usize = 24;
/// Frames whose phases are kept; longer signals are taken in pieces of as many.
const PIECE: usize = 32;

/// Phases of chosen frequencies, for the spectra of any number of signals.
#[derive(Clone, Debug)]
pub(crate) struct SpectralLines {
    set: InstructionSet,
    lines: usize,
    groups: Vec<Group>,
}

/// exp(-j 2 pi f n/rate) of a few frequencies f.
#[derive(Clone, Debug)]
struct Group {
    /// Of each frame n of a piece.
    real: [[f32; AT_ONCE]; PIECE],
    imaginary: [[f32; AT_ONCE]; PIECE],
    /// Of a whole piece.
    piece: [[f32; AT_ONCE]; 2],
}

impl SpectralLines {
    /// Works out the phases of frequencies.
    pub(crate) fn new(frequencies_hz: &[f64], sample_rate_hz: f64) -> Self {
        let groups = frequencies_hz
            .chunks(AT_ONCE)
            .map(|frequencies| {
                let mut group = Group {
                    real: [[0.0; AT_ONCE]; PIECE],
                    imaginary: [[0.0; AT_ONCE]; PIECE],
                    piece: [[0.0; AT_ONCE]; 2],
                };
                for (line, hz) in frequencies.iter().enumerate() {
                    let (sin, cos) = (-TAU * hz / sample_rate_hz).sin_cos();
                    let mut phase = (1.0, 0.0);
                    for n in 0..PIECE {
                        group.real[n][line] = phase.0 as f32;
                        group.imaginary[n][line] = phase.1 as f32;
                        phase = (phase.0 * cos - phase.1 * sin, phase.0 * sin + phase.1 * cos);
                    }
                    group.piece[0][line] = phase.0 as f32;
                    group.piece[1][line] = phase.1 as f32;
                }
                group
            })
            .collect();
        Self { set: InstructionSet::widest(), lines: frequencies_hz.len(), groups }
    }

    /// Returns the spectrum of a signal, sum over n of x(n) exp(-j 2 pi f n/rate), at each frequency as (real, imaginary).
    pub(crate) fn of(&self, samples: &[f32]) -> impl Iterator<Item = (f64, f64)> {
        let sums: Vec<_> =
            self.groups.iter().map(|group| self.set.run(GroupSum { group, samples })).collect();
        (0..self.lines).map(move |line| {
            let [real, imaginary] = sums[line / AT_ONCE];
            (f64::from(real[line % AT_ONCE]), f64::from(imaginary[line % AT_ONCE]))
        })
    }
}

struct GroupSum<'a> {
    group: &'a Group,
    samples: &'a [f32],
}

impl Kernel for GroupSum<'_> {
    type Output = [[f32; AT_ONCE]; 2];

    /// Takes the pieces from the last to the first: what came later turns by one piece more (Horner's rule).
    #[inline(always)]
    fn run<const FUSED: bool>(self) -> Self::Output {
        let mut later = [[0.0_f32; AT_ONCE]; 2];
        let [cos, sin] = &self.group.piece;
        for piece in self.samples.chunks(PIECE).rev() {
            let (mut real, mut imaginary) = ([0.0_f32; AT_ONCE], [0.0_f32; AT_ONCE]);
            for ((x, cosines), sines) in piece.iter().zip(&self.group.real).zip(&self.group.imaginary) {
                for line in 0..AT_ONCE {
                    real[line] = multiply_add::<FUSED>(*x, cosines[line], real[line]);
                    imaginary[line] = multiply_add::<FUSED>(*x, sines[line], imaginary[line]);
                }
            }
            for line in 0..AT_ONCE {
                let turned = later[0][line] * cos[line] - later[1][line] * sin[line];
                imaginary[line] += later[0][line] * sin[line] + later[1][line] * cos[line];
                real[line] += turned;
            }
            later = [real, imaginary];
        }
        later
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kernel::noise::Noise;

    #[test]
    fn lines_are_those_of_the_definition() {
        let rate_hz = 48_000.0;
        let frequencies_hz: Vec<f64> = (0..84).map(|line| 90.0 + 7.3 * f64::from(line)).collect();
        let lines = SpectralLines::new(&frequencies_hz, rate_hz);
        let mut noise = Noise::new(3);
        // Not a whole number of pieces.
        let samples: Vec<f32> = (0..7_681).map(|_| noise.gaussian() as f32).collect();
        let scale = (samples.len() as f64).sqrt();
        for (hz, got) in frequencies_hz.iter().zip(lines.of(&samples)) {
            let expected = samples.iter().enumerate().fold((0.0, 0.0), |sum, (n, &x)| {
                let (sin, cos) = (-TAU * hz * n as f64 / rate_hz).sin_cos();
                (sum.0 + f64::from(x) * cos, sum.1 + f64::from(x) * sin)
            });
            let error = (got.0 - expected.0).hypot(got.1 - expected.1) / scale;
            assert!(error < 1e-5, "{hz} Hz: expected {expected:?}, got {got:?}");
        }
    }
}
