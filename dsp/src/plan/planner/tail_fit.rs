//! The fit of the branches to one part of a tail.

use super::branches_of;
use crate::acoustics::octave::BANDS;
use crate::extremes::larger;
use crate::kernel::instruction_set::SIMD_WIDTH;
use crate::plan::band_split::{FITTED, Weights};
use crate::plan::branch_fit::STEEPEST;
use crate::plan::fast_fit::{FastFit, LEAST_OF_STRONGEST};

/// Steps with which the fit of a tail begins, and with which it follows from round to round.
///
/// What a tail has to add differs more from octave to octave than an arrival does.
const FIRST_TAIL_STEPS: usize = 6;
const NEXT_TAIL_STEPS: usize = 1;

/// The fit of the branches to one part of a tail, on its way.
pub(super) struct TailFit {
    gain: [f32; FITTED],
    factor: [f32; FITTED],
    strongest: f32,
}

impl TailFit {
    /// Starts a fit.
    #[inline(always)]
    pub(super) fn new<const FUSED: bool>(gains: &[f32; SIMD_WIDTH], fit: &FastFit) -> Self {
        let mut tail = Self { gain: [1.0; FITTED], factor: [1.0; FITTED], strongest: 0.0 };
        tail.aim(gains);
        tail.factor = fit.better_start::<FUSED>(&tail.gain);
        tail.improve::<FUSED>(fit, FIRST_TAIL_STEPS);
        tail
    }

    /// Follows gains that changed a little.
    #[inline(always)]
    pub(super) fn follow<const FUSED: bool>(&mut self, gains: &[f32; SIMD_WIDTH], fit: &FastFit) {
        self.aim(gains);
        self.improve::<FUSED>(fit, NEXT_TAIL_STEPS);
    }

    /// Takes other gains as the aim.
    #[inline(always)]
    fn aim(&mut self, gains: &[f32; SIMD_WIDTH]) {
        let mut gains = *gains;
        let mut strongest = 0.0_f32;
        for band in 0..BANDS {
            let below = if band > 0 { gains[band - 1] } else { 0.0 };
            let above = if band + 1 < BANDS { gains[band + 1] } else { 0.0 };
            gains[band] = gains[band].max(STEEPEST * below.max(above));
            strongest = larger(strongest, gains[band]);
        }
        // Above the octave bands the tail is fed as in the highest one.
        gains[BANDS] = gains[BANDS - 1];
        // A silent part is worked out as a flat one and scaled to nothing.
        let silent = strongest < f32::MIN_POSITIVE;
        let inverse = if silent { 0.0 } else { 1.0 / strongest };
        for band in 0..FITTED {
            let relative = (gains[band] * inverse).max(LEAST_OF_STRONGEST);
            self.gain[band] = if silent { 1.0 } else { relative };
        }
        self.strongest = if silent { 0.0 } else { strongest };
    }

    /// Brings the sum of branches nearer the aim.
    #[inline(always)]
    fn improve<const FUSED: bool>(&mut self, fit: &FastFit, steps: usize) {
        fit.settle::<FUSED>(&self.gain, &mut self.factor, steps);
    }

    /// Returns the branch weights reached.
    #[inline(always)]
    pub(super) fn weights(&self, fit: &FastFit) -> Weights {
        let mut steps = [0.0_f32; FITTED];
        for band in 0..FITTED {
            // Above the bands in use all steps are as the last one, so that no branch up there gets a weight.
            let used = band.min(fit.bands - 1);
            steps[band] = self.gain[used] * self.factor[used] * self.strongest;
        }
        branches_of(&steps)
    }
}
