//! The second part of a plan: energies, and what the tail is fed with.

use super::tail_fit::TailFit;
use super::{Heard, HeardSource, Scratch};
use crate::acoustics::octave::{BANDS, PerBand};
use crate::acoustics::platform::PARTS;
use crate::kernel::instruction_set::{Kernel, SIMD_WIDTH, multiply_add};
use crate::kernel::polynomial::{exp2, log2};
use crate::plan::band_split::{BRANCHES, FITTED, Weights};
use crate::plan::fast_fit::FastFit;
use crate::plan::fast_low::{CrossSpectrum, FastLowBranches, FastLowTail, LowTaps, Part};
use crate::plan::low_octaves::{CANCELLING, COHERENT_STEP, LEAST_KEPT, LOW};
use crate::plan::low_tail::LowTail;
use crate::plan::seat_independent_terms::SLOTS;
use crate::plan::source_acoustics::Energies;
use crate::plan::source_plan::SourcePlan;
use crate::plan::step_energies::total;

/// Rounds in which reflections and tail are brought to their energy, the first one included.
///
/// The slow plan takes five, and in each goes [`COHERENT_STEP`] of its way. Here
/// the first goes all of it, and two more are enough: `tails_add_up_in_phase`
/// holds both against the energy that was asked for.
const COHERENT_ROUNDS: usize = 3;

/// The work of [`Planner::plan_tail`].
pub(super) struct PlanTail<'a> {
    pub(super) channels: usize,
    pub(super) fit: &'a FastFit,
    pub(super) branches: &'a FastLowBranches,
    pub(super) heard: &'a HeardSource,
    pub(super) scratch: &'a mut Scratch,
    pub(super) tail: Option<&'a LowTail>,
    pub(super) plan: &'a mut SourcePlan,
}

impl Kernel for PlanTail<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let Self { channels, fit, branches, heard, .. } = self;
        let Scratch { low_gain, low, sums, .. } = self.scratch;
        let mut energies =
            Energies { direct: [0.0; BANDS], specular: [[0.0; BANDS]; PARTS], target: heard.target };
        for heard in &heard.capsules[..channels] {
            add_energies::<FUSED>(heard, &mut energies);
        }
        low_gains::<FUSED>(heard, branches, low_gain);
        let [before, after] = sums;
        for capsule in 0..channels {
            let Heard { delay, part, .. } = &heard.capsules[capsule];
            let taps = LowTaps { delay, gain: &low_gain[capsule], part };
            taps.sums::<FUSED, { SLOTS + SIMD_WIDTH }>(
                branches,
                low,
                [&mut before[capsule], &mut after[capsule]],
            );
        }
        let mut gains = [[0.0_f32; SIMD_WIDTH]; PARTS];
        for part in 0..PARTS {
            let specular = &mut energies.specular[part];
            specular[..LOW].fill(0.0);
            for sums in &sums[part][..channels] {
                for (sum, energy) in specular.iter_mut().zip(sums.energies::<FUSED>(branches)) {
                    *sum += f64::from(energy);
                }
            }
            for band in 0..BANDS {
                let missing = energies.target[part][band] - specular[band];
                gains[part][band] = (missing as f32).max(0.0).sqrt();
            }
        }
        for part in 0..PARTS {
            let weights = if let Some(tail) = self.tail {
                let single =
                    |energies: &PerBand| -> [f32; LOW] { std::array::from_fn(|band| energies[band] as f32) };
                let coherent = CoherentFit {
                    part,
                    tail: &tail.fast,
                    cross: CrossSpectrum::new::<FUSED>(&sums[part][..channels], &tail.fast, part),
                    target: single(&energies.target[part]),
                    specular: single(&energies.specular[part]),
                };
                coherent.weights::<FUSED>(gains[part], fit, branches)
            } else {
                TailFit::new::<FUSED>(&gains[part], fit).weights(fit)
            };
            for branch in 0..BRANCHES {
                self.plan.tail[part][branch] = weights[branch] * heard.platform_gain;
                self.plan.tail_at_level_one[part][branch] = weights[branch] / heard.level;
            }
        }
        self.plan.energies = energies;
    }
}

/// Works out the reflections' complex gains in the middle of the low octaves, as the branches play them.
#[inline(always)]
fn low_gains<const FUSED: bool>(
    heard: &HeardSource,
    branches: &FastLowBranches,
    gains: &mut [[[[f32; SLOTS]; 2]; LOW]; 2],
) {
    let HeardSource { capsules: [left, right], mean, factors, .. } = heard;
    for octave in 0..LOW {
        let [re, im] = &branches.steps[octave];
        let [left_gains, right_gains] = &mut *gains;
        let mut found = [[0.0_f32; SLOTS]; 4];
        for index in 0..SLOTS {
            let (mut a, mut b) = (0.0, 0.0);
            for band in 0..FITTED {
                let step = mean[band][index] * factors[band][index];
                a = multiply_add::<FUSED>(re[band], step, a);
                b = multiply_add::<FUSED>(im[band], step, b);
            }
            let scale = 1.0 / mean[octave][index];
            let left = left.common[index] * left.shape[octave][index] * scale;
            let right = right.common[index] * right.shape[octave][index] * scale;
            found[0][index] = a * left;
            found[1][index] = b * left;
            found[2][index] = a * right;
            found[3][index] = b * right;
        }
        left_gains[octave] = [found[0], found[1]];
        right_gains[octave] = [found[2], found[3]];
    }
}

/// One part of a tail, and the reflections that it meets.
struct CoherentFit<'a> {
    part: usize,
    tail: &'a FastLowTail,
    cross: CrossSpectrum,
    /// Energies in the low octaves: of both together, as asked for, and of the reflections.
    target: [f32; LOW],
    specular: [f32; LOW],
}

impl CoherentFit<'_> {
    /// Finds the branch weights with which both together have the energy asked for: `oracle::fit_in_phase` has the equation.
    #[inline(always)]
    fn weights<const FUSED: bool>(
        &self,
        mut gains: [f32; SIMD_WIDTH],
        fit: &FastFit,
        branches: &FastLowBranches,
    ) -> Weights {
        let mut best = [0.0; BRANCHES];
        let mut least_error = f32::INFINITY;
        let mut tail = TailFit::new::<FUSED>(&gains, fit);
        for round in 0..COHERENT_ROUNDS {
            if round > 0 {
                tail.follow::<FUSED>(&gains, fit);
            }
            let tried = tail.weights(fit);
            let [heard, common] = self.cross.energies::<FUSED>(self.tail, self.part, &tried, branches);
            let mut error = 0.0;
            for band in 0..LOW {
                let (target, specular) = (self.target[band], self.specular[band]);
                let missing = target - specular;
                let gain = &mut gains[band];
                if missing <= 0.0 || heard[band] <= 0.0 || *gain <= 0.0 {
                    continue;
                }
                let sum = specular + 2.0 * common[band] + heard[band];
                let log_ratio = log2::<FUSED>((sum / target).max(f32::MIN_POSITIVE));
                error += log_ratio * log_ratio;
                let alone = (missing / heard[band]).sqrt();
                let rho = common[band] / (alone * heard[band]);
                let (silent, whole) = CANCELLING;
                let kept = ((rho - silent) / (whole - silent)).clamp(0.0, 1.0).max(LEAST_KEPT);
                let factor = alone * ((1.0 + rho * rho).sqrt() - rho) * kept * kept * (3.0 - 2.0 * kept);
                let way = if round == 0 { 1.0 } else { COHERENT_STEP };
                *gain *= exp2::<FUSED>(way * log2::<FUSED>(factor.max(f32::MIN_POSITIVE)));
            }
            if error < least_error {
                least_error = error;
                best = tried;
            }
        }
        best
    }
}

/// Adds what one capsule hears to the energies of direct sound and reflections.
#[inline(always)]
fn add_energies<const FUSED: bool>(heard: &Heard, energies: &mut Energies) {
    let mut of_part = [[0.0_f32; SLOTS]; PARTS];
    for index in 0..SLOTS {
        let power = heard.common[index] * heard.common[index];
        of_part[0][index] = if heard.part[index] == Part::Early { power } else { 0.0 };
        of_part[1][index] = if heard.part[index] == Part::Late { power } else { 0.0 };
    }
    let direct = f64::from(heard.common[0]).powi(2);
    let (before, _) = of_part[0].as_chunks::<SIMD_WIDTH>();
    let (after, _) = of_part[1].as_chunks::<SIMD_WIDTH>();
    for band in 0..BANDS {
        let (shape, _) = heard.shape[band].as_chunks::<SIMD_WIDTH>();
        let mut sums = [[0.0_f32; SIMD_WIDTH]; PARTS];
        for ((shape, before), after) in shape.iter().zip(before).zip(after) {
            for i in 0..SIMD_WIDTH {
                let power = shape[i] * shape[i];
                sums[0][i] = multiply_add::<FUSED>(power, before[i], sums[0][i]);
                sums[1][i] = multiply_add::<FUSED>(power, after[i], sums[1][i]);
            }
        }
        for late in 0..PARTS {
            energies.specular[late][band] += f64::from(total(&sums[late]));
        }
        energies.direct[band] += direct * f64::from(heard.shape[band][0]).powi(2);
    }
}
