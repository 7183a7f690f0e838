//! The energy of a sum of branches in rows of bands, and how it changes with each step between the branches.

use crate::kernel::instruction_set::{SIMD_WIDTH, multiply_add};
use crate::plan::band_split::FITTED;

/// The energies `x' C_j x` of the steps' gains x, for `CELLS`/[`FITTED`] rows j.
#[derive(Clone, Debug)]
pub(crate) struct StepEnergies<const CELLS: usize> {
    /// By the second step, then row and first step.
    cells: [[f32; CELLS]; FITTED],
}

impl<const CELLS: usize> StepEnergies<CELLS> {
    /// Puts the energies in order, by row, then first and second step; rows that are missing have none.
    pub(crate) fn new(rows: &[[[f32; FITTED]; FITTED]]) -> Self {
        let mut cells = [[0.0; CELLS]; FITTED];
        for (row, energy) in rows.iter().enumerate() {
            for (cells, energy) in cells.iter_mut().zip(energy) {
                cells[row * FITTED..(row + 1) * FITTED].copy_from_slice(energy);
            }
        }
        Self { cells }
    }

    /// Returns `C_j x`, half the slope of each row's energy, by row, then step.
    #[inline(always)]
    pub(crate) fn slopes<const FUSED: bool>(&self, step: &[f32; FITTED]) -> [f32; CELLS] {
        let mut slopes = [0.0_f32; CELLS];
        for n in 0..CELLS {
            let mut sum = self.cells[0][n] * step[0];
            for other in 1..FITTED {
                sum = multiply_add::<FUSED>(self.cells[other][n], step[other], sum);
            }
            slopes[n] = sum;
        }
        slopes
    }

    /// Returns each row's energy from its slopes.
    #[inline(always)]
    pub(crate) fn energies<const ROWS: usize>(slopes: &[f32; CELLS], step: &[f32; FITTED]) -> [f32; ROWS] {
        let mut energies = [0.0_f32; ROWS];
        for (energy, slopes) in energies.iter_mut().zip(slopes.as_chunks::<FITTED>().0) {
            let mut part = [0.0_f32; FITTED];
            for band in 0..FITTED {
                part[band] = slopes[band] * step[band];
            }
            *energy = total(&part);
        }
        energies
    }
}

/// Returns the sum of eight numbers.
#[inline(always)]
pub(crate) fn total(values: &[f32; SIMD_WIDTH]) -> f32 {
    let [a, b, c, d, e, f, g, h] = *values;
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}
