//! The direct sound of a plan in thirds of an octave, as fast as a plan has to be made.

use crate::acoustics::octave::{BANDS, THIRDS, third_midband_hz};
use crate::extremes::larger;
use crate::kernel::instruction_set::{SIMD_WIDTH, multiply_add};
use crate::kernel::polynomial::{exp2, ln, log2};
use crate::plan::band_split::FITTED;
use crate::plan::branch_fit::ThirdFit;
use crate::plan::fast_fit::{LEAST_OF_STRONGEST, eliminate, square};
use crate::plan::seat_independent_terms::THIRD_SLOTS;
use crate::plan::step_energies::StepEnergies;

/// One value for each third.
pub(crate) type Thirds = [f32; THIRD_SLOTS];

/// Rounds in which the corners of a directivity over frequency are placed, as [`crate::acoustics::arrivals`] does it.
const CORNER_ROUNDS: usize = 3;
/// Steps of Gauss and Newton from the octaves' fit.
const STEPS: usize = 1;
/// Damping of a step.
const DAMPING: f32 = 0.003;
/// Smallest energy that a logarithm is taken of.
const TINY: f32 = 1e-12;

/// The fast fit to thirds at one sample rate.
#[derive(Clone, Debug)]
pub(crate) struct FastThirds {
    /// How much a third counts: 1, or 0 where it does not fit the rate.
    weight: Thirds,
    /// Energy in each third of the steps.
    rows: StepEnergies<{ THIRD_SLOTS * FITTED }>,
    /// [`FITTED`], hidden from the compiler: see [`square`].
    width: usize,
    /// Share of each octave's corner in each third.
    corner: [Thirds; BANDS],
    /// Share of each third in its octave's energy.
    share: Thirds,
}

impl FastThirds {
    /// Takes over what the oracle knows of the branches.
    pub(crate) fn new(oracle: &ThirdFit) -> Self {
        let (_, weights, energies) = oracle.parts();
        let mut fit = Self {
            weight: [0.0; THIRD_SLOTS],
            rows: StepEnergies::new(energies),
            width: std::hint::black_box(FITTED),
            corner: [[0.0; THIRD_SLOTS]; BANDS],
            share: [0.0; THIRD_SLOTS],
        };
        fit.weight[..weights.len()].copy_from_slice(weights);
        for third in 0..THIRDS {
            let position = ((third as f64 - 10.0) / 3.0 + 3.0).clamp(0.0, (BANDS - 1) as f64);
            let (below, above) = (position as usize, (position as usize + 1).min(BANDS - 1));
            fit.corner[below][third] += (1.0 - position.fract()) as f32;
            fit.corner[above][third] += position.fract() as f32;
            let octave = third / 3 * 3;
            let width: f64 = (octave..octave + 3).map(third_midband_hz).sum();
            fit.share[third] = (third_midband_hz(third) / width) as f32;
        }
        fit
    }

    /// Returns log2 of a directivity in thirds, from log2 of it in octaves.
    #[inline(always)]
    pub(crate) fn between_octaves<const FUSED: bool>(&self, wanted: &[f32; SIMD_WIDTH]) -> Thirds {
        let mut corners = *wanted;
        let mut thirds = self.on_lines::<FUSED>(&corners);
        for _ in 0..CORNER_ROUNDS {
            let mut energy = [0.0_f32; THIRD_SLOTS];
            for third in 0..THIRD_SLOTS {
                energy[third] = self.share[third] * exp2::<FUSED>(2.0 * thirds[third]);
            }
            let mut of_octave = [1.0_f32; SIMD_WIDTH];
            for band in 0..BANDS {
                of_octave[band] = energy[3 * band] + energy[3 * band + 1] + energy[3 * band + 2];
            }
            for band in 0..SIMD_WIDTH {
                corners[band] += wanted[band] - 0.5 * log2::<FUSED>(of_octave[band]);
            }
            thirds = self.on_lines::<FUSED>(&corners);
        }
        thirds
    }

    #[inline(always)]
    fn on_lines<const FUSED: bool>(&self, corners: &[f32; SIMD_WIDTH]) -> Thirds {
        let mut thirds = [0.0_f32; THIRD_SLOTS];
        for band in 0..BANDS {
            for third in 0..THIRD_SLOTS {
                thirds[third] = multiply_add::<FUSED>(self.corner[band][third], corners[band], thirds[third]);
            }
        }
        thirds
    }

    /// Improves factors on octave gains so that the sum of branches has the gains of thirds asked for.
    #[inline(always)]
    pub(crate) fn improve<const FUSED: bool>(
        &self,
        gain: &[f32; FITTED],
        thirds: &Thirds,
        factor: &mut [f32; FITTED],
    ) {
        let mut strongest = 0.0_f32;
        for third in 0..THIRD_SLOTS {
            strongest = larger(strongest, thirds[third] * self.weight[third]);
        }
        let least = strongest * LEAST_OF_STRONGEST;
        let mut inverse = [0.0_f32; THIRD_SLOTS];
        for third in 0..THIRD_SLOTS {
            let wanted = thirds[third].max(least).max(TINY);
            inverse[third] = 1.0 / (wanted * wanted);
        }
        for _ in 0..STEPS {
            let mut step = [0.0_f32; FITTED];
            for band in 0..FITTED {
                step[band] = gain[band] * factor[band];
            }
            let mut slope = self.rows.slopes::<FUSED>(&step);
            let mut energy: Thirds = StepEnergies::energies(&slope, &step);
            let (jacobian, _) = slope.as_chunks_mut::<FITTED>();
            let mut error = [0.0_f32; THIRD_SLOTS];
            for third in 0..THIRD_SLOTS {
                let here = energy[third].max(TINY * strongest * strongest).max(f32::MIN_POSITIVE);
                error[third] = -0.5 * self.weight[third] * ln::<FUSED>(here * inverse[third]);
                energy[third] = self.weight[third] / here;
            }
            for (slope, scale) in jacobian.iter_mut().zip(&energy) {
                for band in 0..FITTED {
                    slope[band] *= scale * gain[band];
                }
            }
            let (mut normal, mut right) = ([[0.0_f32; FITTED]; FITTED], [0.0_f32; FITTED]);
            square::<FUSED>(self.width, jacobian, &error, &mut normal, &mut right);
            for band in 0..FITTED {
                normal[band][band] += DAMPING;
            }
            eliminate::<FUSED>(&mut normal, &mut right);
            for band in 0..FITTED {
                factor[band] += right[band];
            }
        }
    }
}
