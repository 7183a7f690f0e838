//! The fit of lane weights that a plan has time for: a start worked out beforehand, and one step of Gauss and Newton.
//!
//! It does in 2 % of the time what [`crate::lane_fit`] does, which is its
//! oracle. Eight sets of gains run side by side.

use crate::bands::FITTED;
use crate::instruction_set::multiply_add;
use crate::lane_fit::OctaveFit;
use crate::lane_start::{FEATURES, START};
use crate::polynomial::ln;

/// How many sets of gains are fitted side by side.
pub(crate) const ABREAST: usize = 8;
/// One number of each set.
pub(crate) type Abreast = [f32; ABREAST];

/// Least gain against the strongest band that the fit looks at: -50 dB, as the oracle's.
pub(crate) const LEAST_OF_STRONGEST: f32 = 0.003;
/// Damping of the step: with less, a set that no sum of lanes can follow goes astray; with more, all end farther off.
///
/// Best of a search in which the damping was 0.001, 0.003, 0.01 and 0.03.
const DAMPING: f32 = 0.01;
/// Smallest energy that a logarithm is taken of.
const TINY: f32 = 1e-12;

/// The quick fit to octaves at one sample rate.
#[derive(Clone, Debug)]
pub(crate) struct QuickFit {
    /// Steps in use.
    pub(crate) bands: usize,
    /// How much a row counts.
    weight: [f32; FITTED],
    /// Energy in row j of the steps: x' `C_j` x.
    energy: [[[f32; FITTED]; FITTED]; FITTED],
}

impl QuickFit {
    /// Takes over what the oracle knows of the lanes.
    pub(crate) fn new(oracle: &OctaveFit) -> Self {
        let (bands, weights, energies) = oracle.parts();
        let mut fit = Self { bands, weight: [0.0; FITTED], energy: [[[0.0; FITTED]; FITTED]; FITTED] };
        for (row, (&weight, energy)) in weights.iter().zip(energies).enumerate() {
            fit.weight[row] = weight;
            fit.energy[row] = *energy;
        }
        fit
    }

    /// Returns what each step's gain is multiplied by: a sum of steps with gain times this has the energies asked for.
    ///
    /// `gain` is relative to the strongest band, 0.003 to 1.
    #[inline(always)]
    pub(crate) fn corrections<const FUSED: bool>(&self, gain: &[Abreast; FITTED]) -> [Abreast; FITTED] {
        let mut factor = start::<FUSED>(gain);
        self.improve::<FUSED>(gain, &mut factor);
        // Above the bands in use all steps are as the last one, so that no lane up there gets a weight.
        for band in self.bands..FITTED {
            for i in 0..ABREAST {
                factor[band][i] = factor[self.bands - 1][i] * gain[self.bands - 1][i] / gain[band][i];
            }
        }
        factor
    }

    /// One step: solves (J'J + damping) d = -J'e, e the logarithms of amplitude over gain, J their slopes.
    #[inline(always)]
    fn improve<const FUSED: bool>(&self, gain: &[Abreast; FITTED], factor: &mut [Abreast; FITTED]) {
        let mut step = [[0.0_f32; ABREAST]; FITTED];
        for band in 0..FITTED {
            for i in 0..ABREAST {
                step[band][i] = gain[band][i] * factor[band][i];
            }
        }
        let mut normal = [[[0.0_f32; ABREAST]; FITTED]; FITTED];
        let mut right = [[0.0_f32; ABREAST]; FITTED];
        for band in 0..FITTED {
            normal[band][band] = [DAMPING; ABREAST];
        }
        for row in 0..FITTED {
            let matrix = &self.energy[row];
            let mut slope = [[0.0_f32; ABREAST]; FITTED];
            let mut energy = [0.0_f32; ABREAST];
            for band in 0..FITTED {
                let mut sum = [0.0_f32; ABREAST];
                for other in 0..FITTED {
                    for i in 0..ABREAST {
                        sum[i] = multiply_add::<FUSED>(matrix[band][other], step[other][i], sum[i]);
                    }
                }
                for i in 0..ABREAST {
                    energy[i] = multiply_add::<FUSED>(sum[i], step[band][i], energy[i]);
                }
                slope[band] = sum;
            }
            let weight = self.weight[row];
            let mut error = [0.0_f32; ABREAST];
            let mut scale = [0.0_f32; ABREAST];
            for i in 0..ABREAST {
                let energy = energy[i].max(TINY);
                error[i] = -0.5 * weight * ln::<FUSED>(energy / (gain[row][i] * gain[row][i]));
                scale[i] = weight / energy;
            }
            for band in 0..FITTED {
                for i in 0..ABREAST {
                    slope[band][i] *= scale[i] * gain[band][i];
                }
            }
            for band in 0..FITTED {
                for i in 0..ABREAST {
                    right[band][i] = multiply_add::<FUSED>(slope[band][i], error[i], right[band][i]);
                }
                for other in 0..=band {
                    for i in 0..ABREAST {
                        normal[band][other][i] =
                            multiply_add::<FUSED>(slope[band][i], slope[other][i], normal[band][other][i]);
                    }
                }
            }
        }
        solve::<FUSED, ABREAST>(&mut normal, &mut right);
        for band in 0..FITTED {
            for i in 0..ABREAST {
                factor[band][i] += right[band][i];
            }
        }
    }
}

/// Returns the start: polynomials of t = (g' - g)/(g' + g), g and g' the gains of neighbouring bands.
#[inline(always)]
fn start<const FUSED: bool>(gain: &[Abreast; FITTED]) -> [Abreast; FITTED] {
    let mut tilt = [[0.0_f32; ABREAST]; FITTED - 1];
    for band in 0..FITTED - 1 {
        for i in 0..ABREAST {
            tilt[band][i] = (gain[band + 1][i] - gain[band][i]) / (gain[band + 1][i] + gain[band][i]);
        }
    }
    let features = features(&tilt);
    let mut factor = [[0.0_f32; ABREAST]; FITTED];
    for feature in 0..FEATURES {
        for band in 0..FITTED {
            for i in 0..ABREAST {
                factor[band][i] =
                    multiply_add::<FUSED>(START[feature][band], features[feature][i], factor[band][i]);
            }
        }
    }
    factor
}

/// Returns 1, the tilts, products of two up to two bands apart, cubes, and products of three of two neighbours.
#[inline(always)]
fn features(tilt: &[Abreast; FITTED - 1]) -> [Abreast; FEATURES] {
    let mut features = [[1.0_f32; ABREAST]; FEATURES];
    let mut at = 1;
    for a in 0..FITTED - 1 {
        features[at] = tilt[a];
        at += 1;
    }
    let squares = at;
    for a in 0..FITTED - 1 {
        for b in a..(a + 3).min(FITTED - 1) {
            for i in 0..ABREAST {
                features[at][i] = tilt[a][i] * tilt[b][i];
            }
            at += 1;
        }
    }
    let mut square = squares;
    for a in 0..FITTED - 1 {
        for i in 0..ABREAST {
            features[at][i] = features[square][i] * tilt[a][i];
        }
        at += 1;
        if a + 1 < FITTED - 1 {
            for i in 0..ABREAST {
                features[at][i] = features[square][i] * tilt[a + 1][i];
                features[at + 1][i] = features[square + 1][i] * tilt[a + 1][i];
            }
            at += 2;
        }
        square += (FITTED - 1 - a).min(3);
    }
    features
}

/// Solves a positive definite system by Cholesky's decomposition (L D L'), set by set; the solution replaces `right`.
#[inline(always)]
pub(crate) fn solve<const FUSED: bool, const SETS: usize>(
    normal: &mut [[[f32; SETS]; FITTED]; FITTED],
    right: &mut [[f32; SETS]; FITTED],
) {
    let mut reciprocal = [[0.0_f32; SETS]; FITTED];
    for column in 0..FITTED {
        for i in 0..SETS {
            reciprocal[column][i] = 1.0 / normal[column][column][i].max(TINY);
        }
        for row in column + 1..FITTED {
            let mut share = [0.0_f32; SETS];
            for i in 0..SETS {
                share[i] = normal[row][column][i] * reciprocal[column][i];
            }
            for below in row..FITTED {
                for i in 0..SETS {
                    normal[below][row][i] =
                        multiply_add::<FUSED>(-share[i], normal[below][column][i], normal[below][row][i]);
                }
            }
            for i in 0..SETS {
                right[row][i] = multiply_add::<FUSED>(-share[i], right[column][i], right[row][i]);
            }
        }
    }
    for row in (0..FITTED).rev() {
        let mut sum = right[row];
        for below in row + 1..FITTED {
            for i in 0..SETS {
                sum[i] = multiply_add::<FUSED>(-normal[below][row][i], right[below][i], sum[i]);
            }
        }
        for i in 0..SETS {
            right[row][i] = sum[i] * reciprocal[row][i];
        }
    }
}

/// Returns the sum of eight numbers.
#[inline(always)]
pub(crate) fn total(values: &Abreast) -> f32 {
    let [a, b, c, d, e, f, g, h] = *values;
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}
