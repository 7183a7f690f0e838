//! The fit of branch weights that a plan has time for: a start worked out beforehand, and one step of Gauss and Newton.
//!
//! `oracle::branch_fit` is its oracle. Many sets of gains run side by side.

use crate::kernel::instruction_set::{SIMD_WIDTH, multiply_add};
use crate::kernel::polynomial::ln;
use crate::plan::band_split::FITTED;
use crate::plan::branch_fit::OctaveFit;
use crate::plan::fast_fit_start::{FEATURES, START};

/// One number of each set.
pub(crate) type Wide = [f32; SIMD_WIDTH];

/// Least gain against the strongest band that the fit looks at: -50 dB, as the oracle's.
pub(crate) const LEAST_OF_STRONGEST: f32 = 0.003;
/// Damping of the step: with less, a set that no sum of branches can follow goes astray; with more, all end farther off.
///
/// Best of a search in which the damping was 0.001, 0.003, 0.01 and 0.03.
const DAMPING: f32 = 0.01;
/// Farthest that a step goes, in shares of the gain: what needs more lies where the straight line no longer holds.
///
/// Of 0.3, 0.5, 1 and 2 the one that leaves the least error on random platforms (99 % within 1.9 dB, 2.5 dB with 1).
const FARTHEST: f32 = 0.5;
/// Range of the start's factors: beyond, the polynomials are asked for more than they were trained for.
const START_RANGE: (f32, f32) = (-1.0, 3.0);
/// Steps where the sample rate leaves bands out (our choice; there is time for them at such rates).
const STEPS_AT_LOW_RATES: usize = 3;
/// Smallest energy that a logarithm is taken of.
const TINY: f32 = 1e-12;

/// Scratch memory of a fit.
#[derive(Clone, Debug)]
pub(crate) struct FitScratch<const SETS: usize> {
    features: [[f32; SETS]; FEATURES],
    jacobian: [[[f32; SETS]; FITTED]; FITTED],
    error: [[f32; SETS]; FITTED],
    normal: [[[f32; SETS]; FITTED]; FITTED],
    right: [[f32; SETS]; FITTED],
}

impl<const SETS: usize> FitScratch<SETS> {
    pub(crate) const EMPTY: Self = Self {
        features: [[0.0; SETS]; FEATURES],
        jacobian: [[[0.0; SETS]; FITTED]; FITTED],
        error: [[0.0; SETS]; FITTED],
        normal: [[[0.0; SETS]; FITTED]; FITTED],
        right: [[0.0; SETS]; FITTED],
    };
}

/// The fast fit to octaves at one sample rate.
#[derive(Clone, Debug)]
pub(crate) struct FastFit {
    /// Steps in use.
    pub(crate) bands: usize,
    /// How much a row counts.
    weight: [f32; FITTED],
    /// Energy in row j of the steps: x' `C_j` x.
    energy: [[[f32; FITTED]; FITTED]; FITTED],
    /// Steps from the start.
    steps: usize,
}

impl FastFit {
    /// Takes over what the oracle knows of the branches.
    pub(crate) fn new(oracle: &OctaveFit) -> Self {
        let (bands, weights, energies) = oracle.parts();
        let mut fit = Self {
            bands,
            weight: [0.0; FITTED],
            energy: [[[0.0; FITTED]; FITTED]; FITTED],
            // The start was made for all bands; where the rate leaves some out, it lies farther off.
            steps: if bands == FITTED { 1 } else { STEPS_AT_LOW_RATES },
        };
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
    pub(crate) fn corrections<const FUSED: bool, const SETS: usize>(
        &self,
        gain: &[[f32; SETS]; FITTED],
        factor: &mut [[f32; SETS]; FITTED],
        scratch: &mut FitScratch<SETS>,
    ) {
        start::<FUSED, SETS>(gain, factor, scratch);
        for _ in 0..self.steps {
            self.improve::<FUSED, SETS>(gain, factor, scratch);
        }
        self.level_the_top(gain, factor);
    }

    /// Above the bands in use all steps are as the last one, so that no branch up there gets a weight.
    #[inline(always)]
    pub(crate) fn level_the_top<const SETS: usize>(
        &self,
        gain: &[[f32; SETS]; FITTED],
        factor: &mut [[f32; SETS]; FITTED],
    ) {
        for band in self.bands..FITTED {
            for i in 0..SETS {
                factor[band][i] = factor[self.bands - 1][i] * gain[self.bands - 1][i] / gain[band][i];
            }
        }
    }

    /// One step: solves (J'J + damping) d = -J'e, e the logarithms of amplitude over gain, J their slopes.
    #[inline(always)]
    pub(crate) fn improve<const FUSED: bool, const SETS: usize>(
        &self,
        gain: &[[f32; SETS]; FITTED],
        factor: &mut [[f32; SETS]; FITTED],
        scratch: &mut FitScratch<SETS>,
    ) {
        let FitScratch { jacobian, error, normal, right, .. } = scratch;
        let mut step = [[0.0_f32; SETS]; FITTED];
        for band in 0..FITTED {
            for i in 0..SETS {
                step[band][i] = gain[band][i] * factor[band][i];
            }
        }
        for row in 0..FITTED {
            let matrix = &self.energy[row];
            let slope = &mut jacobian[row];
            let mut energy = [0.0_f32; SETS];
            for band in 0..FITTED {
                let cells = &matrix[band];
                // Sums stand in an array of their own, which is known to overlap with nothing else.
                let mut slopes = [0.0_f32; SETS];
                for i in 0..SETS {
                    let mut sum = cells[0] * step[0][i];
                    for other in 1..FITTED {
                        sum = multiply_add::<FUSED>(cells[other], step[other][i], sum);
                    }
                    slopes[i] = sum;
                    energy[i] = multiply_add::<FUSED>(sum, step[band][i], energy[i]);
                }
                slope[band] = slopes;
            }
            let weight = self.weight[row];
            let mut scale = [0.0_f32; SETS];
            for i in 0..SETS {
                let energy = energy[i].max(TINY);
                scale[i] = weight / energy;
                error[row][i] = -0.5 * weight * ln::<FUSED>(energy / (gain[row][i] * gain[row][i]));
            }
            for band in 0..FITTED {
                for i in 0..SETS {
                    slope[band][i] *= scale[i] * gain[band][i];
                }
            }
        }
        for band in 0..FITTED {
            for other in 0..=band {
                let mut cells = [0.0_f32; SETS];
                for i in 0..SETS {
                    let mut sum = jacobian[0][band][i] * jacobian[0][other][i];
                    for row in 1..FITTED {
                        sum = multiply_add::<FUSED>(jacobian[row][band][i], jacobian[row][other][i], sum);
                    }
                    cells[i] = sum;
                }
                normal[band][other] = cells;
            }
            let mut cells = [0.0_f32; SETS];
            for i in 0..SETS {
                let mut sum = jacobian[0][band][i] * error[0][i];
                for row in 1..FITTED {
                    sum = multiply_add::<FUSED>(jacobian[row][band][i], error[row][i], sum);
                }
                cells[i] = sum;
                normal[band][band][i] += DAMPING;
            }
            right[band] = cells;
        }
        solve::<FUSED, SETS>(normal, right);
        for band in 0..FITTED {
            for i in 0..SETS {
                factor[band][i] += right[band][i].clamp(-FARTHEST, FARTHEST);
            }
        }
    }
}

/// Works out J'J and J'e; `width` is [`FITTED`].
///
/// The compiler must not know that: it would unroll the loops over a row into
/// operations on single numbers, instead of one on a whole register.
#[inline(always)]
pub(crate) fn square<const FUSED: bool>(
    width: usize,
    jacobian: &[[f32; FITTED]],
    error: &[f32],
    normal: &mut [[f32; FITTED]; FITTED],
    right: &mut [f32; FITTED],
) {
    let (rows, _) = jacobian.as_chunks::<FITTED>();
    let (errors, _) = error.as_chunks::<FITTED>();
    for (rows, errors) in rows.iter().zip(errors) {
        let [a, b, c, d, e, f, g, h] = rows.each_ref().map(|row| &row[..width]);
        let rows = [a, b, c, d, e, f, g, h];
        for (band, sums) in normal.iter_mut().enumerate() {
            add_rows::<FUSED>(width, &rows, &rows.map(|row| row[band]), &mut sums[..width]);
        }
        add_rows::<FUSED>(width, &rows, errors, &mut right[..width]);
    }
}

/// Adds eight rows, each times a number.
#[inline(always)]
fn add_rows<const FUSED: bool>(width: usize, rows: &[&[f32]; FITTED], by: &[f32; FITTED], sums: &mut [f32]) {
    let [a, b, c, d, e, f, g, h] = *rows;
    for n in 0..width {
        let mut sum = multiply_add::<FUSED>(by[0], a[n], sums[n]);
        sum = multiply_add::<FUSED>(by[1], b[n], sum);
        sum = multiply_add::<FUSED>(by[2], c[n], sum);
        sum = multiply_add::<FUSED>(by[3], d[n], sum);
        sum = multiply_add::<FUSED>(by[4], e[n], sum);
        sum = multiply_add::<FUSED>(by[5], f[n], sum);
        sum = multiply_add::<FUSED>(by[6], g[n], sum);
        sums[n] = multiply_add::<FUSED>(by[7], h[n], sum);
    }
}

/// Solves a positive definite system by Gauss's elimination, a row at a time; the solution replaces `right`.
#[inline(always)]
pub(crate) fn eliminate<const FUSED: bool>(normal: &mut [[f32; FITTED]; FITTED], right: &mut [f32; FITTED]) {
    let mut reciprocal = [0.0_f32; FITTED];
    for column in 0..FITTED {
        reciprocal[column] = 1.0 / normal[column][column].max(TINY);
        for row in column + 1..FITTED {
            let share = -normal[row][column] * reciprocal[column];
            let pivot = normal[column];
            for other in 0..FITTED {
                normal[row][other] = multiply_add::<FUSED>(share, pivot[other], normal[row][other]);
            }
            right[row] = multiply_add::<FUSED>(share, right[column], right[row]);
        }
    }
    for row in (0..FITTED).rev() {
        let mut sum = right[row];
        for other in row + 1..FITTED {
            sum = multiply_add::<FUSED>(-normal[row][other], right[other], sum);
        }
        right[row] = sum * reciprocal[row];
    }
}

/// Returns the start: polynomials of t = (g' - g)/(g' + g), g and g' the gains of neighbouring bands.
#[inline(always)]
pub(crate) fn start<const FUSED: bool, const SETS: usize>(
    gain: &[[f32; SETS]; FITTED],
    factor: &mut [[f32; SETS]; FITTED],
    scratch: &mut FitScratch<SETS>,
) {
    let features = &mut scratch.features;
    find_features(gain, features);
    let (least, most) = START_RANGE;
    for first in (0..FEATURES).step_by(FEATURES_AT_ONCE) {
        for band in 0..FITTED {
            let mut cells = if first == 0 { [0.0; SETS] } else { factor[band] };
            for i in 0..SETS {
                let mut sum = cells[i];
                for feature in first..first + FEATURES_AT_ONCE {
                    sum = multiply_add::<FUSED>(START[feature][band], features[feature][i], sum);
                }
                cells[i] = sum;
            }
            factor[band] = cells;
        }
    }
    for band in 0..FITTED {
        for i in 0..SETS {
            factor[band][i] = factor[band][i].clamp(least, most);
        }
    }
}

/// Features that are summed in registers.
const FEATURES_AT_ONCE: usize = 9;
const _: () = assert!(FEATURES.is_multiple_of(FEATURES_AT_ONCE));

/// Works out 1, the tilts, products of two up to two bands apart, cubes, and products of three of two neighbours.
#[inline(always)]
fn find_features<const SETS: usize>(gain: &[[f32; SETS]; FITTED], features: &mut [[f32; SETS]; FEATURES]) {
    features[0] = [1.0; SETS];
    for band in 0..TILTS {
        for i in 0..SETS {
            features[1 + band][i] = (gain[band + 1][i] - gain[band][i]) / (gain[band + 1][i] + gain[band][i]);
        }
    }
    for (index, &[a, b]) in PRODUCTS.iter().enumerate() {
        let (before, rest) = features.split_at_mut(1 + TILTS + index);
        for i in 0..SETS {
            rest[0][i] = before[a][i] * before[b][i];
        }
    }
}

/// Neighbours among the bands.
const TILTS: usize = FITTED - 1;
/// The features after the tilts: which two earlier ones each is the product of.
const PRODUCTS: [[usize; 2]; FEATURES - 1 - TILTS] = {
    let mut products = [[0; 2]; FEATURES - 1 - TILTS];
    let mut at = 0;
    let mut a = 0;
    while a < TILTS {
        let mut b = a;
        while b < TILTS && b < a + 3 {
            products[at] = [1 + a, 1 + b];
            at += 1;
            b += 1;
        }
        a += 1;
    }
    let mut square = 0;
    let mut a = 0;
    while a < TILTS {
        products[at] = [1 + TILTS + square, 1 + a];
        at += 1;
        if a + 1 < TILTS {
            products[at] = [1 + TILTS + square, 2 + a];
            products[at + 1] = [1 + TILTS + square + 1, 2 + a];
            at += 2;
        }
        square += if a + 3 < TILTS { 3 } else { TILTS - a };
        a += 1;
    }
    assert!(at == products.len());
    products
};

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
            let (done, rest) = right.split_at_mut(row);
            for i in 0..SETS {
                share[i] = -normal[row][column][i] * reciprocal[column][i];
                rest[0][i] = multiply_add::<FUSED>(share[i], done[column][i], rest[0][i]);
            }
            for below in normal.iter_mut().skip(row) {
                let (done, rest) = below.split_at_mut(row);
                for i in 0..SETS {
                    rest[0][i] = multiply_add::<FUSED>(share[i], done[column][i], rest[0][i]);
                }
            }
        }
    }
    for row in (0..FITTED).rev() {
        let (here, below) = right.split_at_mut(row + 1);
        for (offset, right) in below.iter().enumerate() {
            let cells = &normal[row + 1 + offset][row];
            for i in 0..SETS {
                here[row][i] = multiply_add::<FUSED>(-cells[i], right[i], here[row][i]);
            }
        }
        for i in 0..SETS {
            here[row][i] *= reciprocal[row][i];
        }
    }
}
