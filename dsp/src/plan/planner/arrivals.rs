//! The first part of a plan: delays and branch weights of the arrivals.

use super::{Heard, HeardSource, Scratch, branches_of};
use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::radiation::world_axis;
use crate::acoustics::seat::Source;
use crate::kernel::instruction_set::{Kernel, SIMD_WIDTH, multiply_add};
use crate::kernel::polynomial::{exp2, log2};
use crate::plan::band_split::{BRANCHES, FITTED, Weights};
use crate::plan::fast_fit::{FastFit, LEAST_OF_STRONGEST};
use crate::plan::fast_low::Part;
use crate::plan::fast_thirds::FastThirds;
use crate::plan::seat_independent_terms::{SLOTS, SeatIndependentTerms, THIRD_SLOTS};
use crate::plan::source_acoustics::{REFERENCE_DISTANCE_M, balance_gains};
use crate::plan::source_plan::SourcePlan;
use crate::settings::Settings;

/// Shortest path that counts, m: as in the oracle.
const SHORTEST_PATH_M: f64 = 0.1;

/// The work of [`Planner::plan_arrivals`].
pub(super) struct PlanArrivals<'a> {
    pub(super) terms: &'a SeatIndependentTerms,
    pub(super) settings: &'a Settings,
    pub(super) source: &'a Source,
    pub(super) trim_gain: f64,
    pub(super) sample_rate_hz: f64,
    pub(super) channels: usize,
    pub(super) fit: &'a FastFit,
    pub(super) thirds: &'a FastThirds,
    pub(super) heard: &'a mut HeardSource,
    pub(super) scratch: &'a mut Scratch,
    pub(super) plan: &'a mut SourcePlan,
}

impl Kernel for PlanArrivals<'_> {
    type Output = ();

    #[allow(
        clippy::too_many_lines,
        reason = "the steps of a plan in their order, over shared scratch memory"
    )]
    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let Self { terms, settings, source, channels, .. } = self;
        let HeardSource {
            capsules: heard,
            mean,
            factors,
            target,
            platform_gain: heard_gain,
            level: heard_level,
        } = self.heard;
        let Scratch { steps, fit: fit_scratch, .. } = self.scratch;
        for (heard, capsule) in heard.iter_mut().zip([0, channels - 1]) {
            hear::<FUSED>(terms, settings, source, capsule, heard);
        }
        let start_m = heard[0].path_m[0].min(heard[1].path_m[0]);
        let mut direct_power = 0.0;
        for heard in &heard[..channels] {
            direct_power += f64::from(heard.common[0]).powi(2);
        }
        let distance_m = (source.position - settings.microphones.position()).length();
        let law = settings.level.law_pct / 100.0;
        let distance_gain = if law == 0.0 { 1.0 } else { (REFERENCE_DISTANCE_M / distance_m).powf(law) };
        let level = direct_power.sqrt().recip() * distance_gain * self.trim_gain;
        let factor = level * terms.family_gain;
        let power = factor * factor;
        let (level, factor) = (level as f32, factor as f32);

        let samples_per_m = self.sample_rate_hz / terms.speed_m_s;
        let mixing_m = terms.mixing_time_s * terms.speed_m_s;
        for (heard, plan) in heard.iter_mut().zip(&mut self.plan.capsules) {
            for index in 0..ARRIVALS {
                let late_m = heard.path_m[index] - start_m;
                plan.delay_samples[index] = late_m * samples_per_m;
                heard.delay[index] = (late_m * samples_per_m) as f32;
                heard.part[index] = if late_m >= mixing_m { Part::Late } else { Part::Early };
            }
            heard.part[0] = Part::None;
            shapes::<FUSED>(terms, heard);
            for index in 0..SLOTS {
                heard.common[index] *= factor;
            }
        }
        *target = terms.target.map(|part| part.map(|energy| energy * power));

        let (direct_gain, platform_gain) = balance_gains(&settings.level);
        let (direct_gain, platform_gain) = (direct_gain as f32, platform_gain as f32);
        self.plan.tail_level = level * platform_gain;
        *heard_gain = platform_gain;
        *heard_level = level;
        // Both capsules hear nearly the same spectrum of an image; the factors are worked out for their mean.
        let mut strongest = [f32::MIN_POSITIVE; SLOTS];
        for band in 0..FITTED {
            let (left, right, mean) = (&heard[0].shape[band], &heard[1].shape[band], &mut mean[band]);
            for index in 0..SLOTS {
                mean[index] = 0.5 * (left[index] + right[index]);
                strongest[index] = strongest[index].max(mean[index]);
            }
        }
        let mut inverse = [0.0_f32; SLOTS];
        for index in 0..SLOTS {
            inverse[index] = 1.0 / strongest[index];
        }
        for band in 0..FITTED {
            for index in 0..SLOTS {
                mean[band][index] = (mean[band][index] * inverse[index]).max(LEAST_OF_STRONGEST);
            }
        }
        self.fit.corrections::<FUSED, SLOTS>(mean, factors, fit_scratch);
        let mut of_direct: [f32; FITTED] = std::array::from_fn(|band| factors[band][0]);
        for capsule in 0..channels {
            let heard = &heard[capsule];
            for band in 0..FITTED {
                let (shape, factors, steps) = (&heard.shape[band], &factors[band], &mut steps[band]);
                for index in 0..SLOTS {
                    let shape = shape[index].max(strongest[index] * LEAST_OF_STRONGEST);
                    steps[index] = shape * factors[index] * (heard.common[index] * platform_gain);
                }
            }
            store(steps, &mut self.plan.capsules[capsule].weights);
        }

        // The direct sound, in thirds.
        let mut gain = [0.0_f32; FITTED];
        let mut wanted = [0.0_f32; THIRD_SLOTS];
        for heard in &heard[..channels] {
            let mut directivity = [0.0_f32; SIMD_WIDTH];
            for band in 0..SIMD_WIDTH {
                let lobe = exp2::<FUSED>(terms.lobe[band] * heard.log_lobe[0]);
                let leak = terms.leak[band];
                let energy = multiply_add::<FUSED>(1.0 - leak, lobe, leak);
                directivity[band] =
                    0.5 * log2::<FUSED>(energy * (terms.recorded[band] * terms.recorded[band]));
                gain[band] += heard.shape[band][0];
            }
            let thirds = self.thirds.between_octaves::<FUSED>(&directivity);
            for third in 0..THIRD_SLOTS {
                let air = terms.air_in_thirds_log2_per_m[third] * heard.path[0];
                wanted[third] += exp2::<FUSED>(thirds[third] - air);
            }
        }
        self.thirds.improve::<FUSED>(&gain, &wanted, &mut of_direct);
        for capsule in 0..channels {
            let heard = &heard[capsule];
            let mut steps = [0.0_f32; FITTED];
            for band in 0..FITTED {
                // Above the bands in use all steps are as the last one.
                let used = band.min(self.fit.bands - 1);
                steps[band] = heard.shape[used][0] * of_direct[used] * heard.common[0] * direct_gain;
            }
            self.plan.capsules[capsule].weights[0] = branches_of(&steps);
        }
        if channels == 1 {
            self.plan.capsules[1] = self.plan.capsules[0];
        }
    }
}

/// Works out geometry: paths, directions, and what the capsule's pattern leaves.
#[inline(always)]
fn hear<const FUSED: bool>(
    terms: &SeatIndependentTerms,
    settings: &Settings,
    source: &Source,
    capsule: usize,
    heard: &mut Heard,
) {
    let capsule = &terms.capsules[capsule];
    let receiver = (settings.microphones.position() + capsule.offset).components();
    let position = source.position.components();
    let axis = world_axis(source.family, source.forward).components();
    let mut towards = [[0.0_f32; SLOTS]; 3];
    let SeatIndependentTerms { mirrors, .. } = terms;
    let mut square = [0.0_f64; SLOTS];
    let mut cosine = [0.0_f32; SLOTS];
    for along in 0..3 {
        let from = receiver[along];
        let (offset, sign) = (&mirrors.offset_m[along], &mirrors.sign[along]);
        for index in 0..SLOTS {
            let distance = offset[index] + sign[index] * position[along] - from;
            square[index] += distance * distance;
            towards[along][index] = distance as f32;
            cosine[index] -= (distance * sign[index] * axis[along]) as f32;
        }
    }
    for index in 0..SLOTS {
        let path_m = square[index].sqrt().max(SHORTEST_PATH_M);
        heard.path_m[index] = path_m;
        heard.path[index] = path_m as f32;
    }
    let omni = capsule.omni_share as f32;
    let [ax, ay, az] = capsule.axis.components().map(|a| (1.0 - capsule.omni_share) as f32 * a as f32);
    for index in 0..SLOTS {
        let inverse = 1.0 / heard.path[index];
        let along = ax * towards[0][index] + ay * towards[1][index] + az * towards[2][index];
        heard.common[index] = (omni + along * inverse) * inverse;
        let half = (0.5 + 0.5 * cosine[index] * inverse).clamp(1e-12, 1.0);
        heard.log_lobe[index] = log2::<FUSED>(half);
    }
}

/// Works out the gains of all arrivals but for M/r: hits, directivity, recording, air.
#[inline(always)]
fn shapes<const FUSED: bool>(terms: &SeatIndependentTerms, heard: &mut Heard) {
    for band in 0..FITTED {
        let (lobe, leak, air) = (terms.lobe[band], terms.leak[band], terms.air_log2_per_m[band]);
        let recorded = terms.recorded[band];
        let Heard { path, log_lobe, shape, .. } = heard;
        let (hits, shape) = (&terms.hits[band], &mut shape[band]);
        for index in 0..SLOTS {
            let energy = multiply_add::<FUSED>(1.0 - leak, exp2::<FUSED>(lobe * log_lobe[index]), leak);
            shape[index] = hits[index] * energy.sqrt() * recorded * exp2::<FUSED>(-air * path[index]);
        }
    }
}

/// Turns steps into branch weights and stores them arrival by arrival.
#[inline(always)]
fn store<const SETS: usize>(steps: &[[f32; SETS]; FITTED], weights: &mut [Weights]) {
    let mut branches = [[0.0_f32; SETS]; BRANCHES];
    branches[0] = steps[FITTED - 1];
    for band in 0..FITTED - 1 {
        for i in 0..SETS {
            branches[band + 1][i] = steps[band][i] - steps[band + 1][i];
        }
    }
    for (i, weights) in weights.iter_mut().enumerate().take(SETS) {
        for branch in 0..BRANCHES {
            weights[branch] = branches[branch][i];
        }
    }
}
