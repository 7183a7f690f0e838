//! The first part of a plan: delays and lane weights of the arrivals.

use super::{Heard, HeardSource, Room, lanes_of};
use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::radiation::world_axis;
use crate::acoustics::seat::Source;
use crate::kernel::instruction_set::{Kernel, multiply_add};
use crate::kernel::polynomial::{exp2, log2};
use crate::plan::band_split::{FITTED, LANES, Weights};
use crate::plan::groundwork::{Groundwork, SLOTS, THIRD_SLOTS};
use crate::plan::quick_fit::{ABREAST, LEAST_OF_STRONGEST, QuickFit};
use crate::plan::quick_thirds::QuickThirds;
use crate::plan::source_acoustics::{REFERENCE_DISTANCE_M, balance_gains};
use crate::plan::source_plan::SourcePlan;
use crate::settings::Settings;

/// Shortest path that counts, m: as in the oracle.
const SHORTEST_PATH_M: f64 = 0.1;

/// The work of [`Planner::plan_arrivals`].
pub(super) struct PlanArrivals<'a> {
    pub(super) ground: &'a Groundwork,
    pub(super) settings: &'a Settings,
    pub(super) source: &'a Source,
    pub(super) trim_gain: f64,
    pub(super) sample_rate_hz: f64,
    pub(super) channels: usize,
    pub(super) fit: &'a QuickFit,
    pub(super) thirds: &'a QuickThirds,
    pub(super) heard: &'a mut HeardSource,
    pub(super) room: &'a mut Room,
    pub(super) plan: &'a mut SourcePlan,
}

impl Kernel for PlanArrivals<'_> {
    type Output = ();

    #[allow(clippy::too_many_lines, reason = "the steps of a plan in their order, over shared working room")]
    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let Self { ground, settings, source, channels, .. } = self;
        let HeardSource {
            capsules: heard,
            mean,
            factors,
            target,
            platform_gain: heard_gain,
            factor: heard_factor,
        } = self.heard;
        let Room { steps, fit: fit_room, .. } = self.room;
        for (heard, capsule) in heard.iter_mut().zip([0, channels - 1]) {
            hear::<FUSED>(ground, settings, source, capsule, heard);
        }
        let start_m = heard[0].path_m[0].min(heard[1].path_m[0]);
        let mut direct_power = 0.0;
        for heard in &heard[..channels] {
            direct_power += f64::from(heard.common[0]).powi(2);
        }
        let distance_m = (source.place - settings.pickup.place()).length();
        let law = settings.level.law_pct / 100.0;
        let distance_gain = if law == 0.0 { 1.0 } else { (REFERENCE_DISTANCE_M / distance_m).powf(law) };
        let factor = direct_power.sqrt().recip() * distance_gain * ground.family_gain * self.trim_gain;
        let power = factor * factor;
        let factor = factor as f32;

        let samples_per_m = self.sample_rate_hz / ground.speed_m_s;
        let mixing_m = ground.mixing_time_s * ground.speed_m_s;
        for (heard, plan) in heard.iter_mut().zip(&mut self.plan.capsules) {
            for index in 0..ARRIVALS {
                let late_m = heard.path_m[index] - start_m;
                plan.delay_samples[index] = late_m * samples_per_m;
                heard.delay[index] = (late_m * samples_per_m) as f32;
                heard.part[index] = u8::from(late_m >= mixing_m);
            }
            heard.part[0] = u8::MAX;
            shapes::<FUSED>(ground, heard);
            for index in 0..SLOTS {
                heard.common[index] *= factor;
            }
        }
        *target = ground.target.map(|part| part.map(|energy| energy * power));

        let (direct_gain, platform_gain) = balance_gains(&settings.level);
        let (direct_gain, platform_gain) = (direct_gain as f32, platform_gain as f32);
        self.plan.tail_level = factor * platform_gain;
        *heard_gain = platform_gain;
        *heard_factor = factor;
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
        self.fit.corrections::<FUSED, SLOTS>(mean, factors, fit_room);
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
            let mut directivity = [0.0_f32; ABREAST];
            for band in 0..ABREAST {
                let lobe = exp2::<FUSED>(ground.lobe[band] * heard.log_lobe[0]);
                directivity[band] =
                    0.5 * log2::<FUSED>(multiply_add::<FUSED>(1.0 - ground.leak, lobe, ground.leak));
                gain[band] += heard.shape[band][0];
            }
            let thirds = self.thirds.between_octaves::<FUSED>(&directivity);
            for third in 0..THIRD_SLOTS {
                let air = ground.air_in_thirds_log2_per_m[third] * heard.path[0];
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
            self.plan.capsules[capsule].weights[0] = lanes_of(&steps);
        }
        if channels == 1 {
            self.plan.capsules[1] = self.plan.capsules[0];
        }
    }
}

/// Works out geometry: paths, directions, and what the capsule's pattern leaves.
#[inline(always)]
fn hear<const FUSED: bool>(
    ground: &Groundwork,
    settings: &Settings,
    source: &Source,
    capsule: usize,
    heard: &mut Heard,
) {
    let capsule = &ground.capsules[capsule];
    let receiver = (settings.pickup.place() + capsule.offset).components();
    let place = source.place.components();
    let axis = world_axis(source.family, source.forward).components();
    let mut towards = [[0.0_f32; SLOTS]; 3];
    let Groundwork { mirrors, .. } = ground;
    let mut square = [0.0_f64; SLOTS];
    let mut cosine = [0.0_f32; SLOTS];
    for along in 0..3 {
        let from = receiver[along];
        let (offset, sign) = (&mirrors.offset_m[along], &mirrors.sign[along]);
        for index in 0..SLOTS {
            let distance = offset[index] + sign[index] * place[along] - from;
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

/// Works out the gains of all arrivals but for M/r: hits, directivity, air.
#[inline(always)]
fn shapes<const FUSED: bool>(ground: &Groundwork, heard: &mut Heard) {
    let leak = ground.leak;
    for band in 0..FITTED {
        let (lobe, air) = (ground.lobe[band], ground.air_log2_per_m[band]);
        let Heard { path, log_lobe, shape, .. } = heard;
        let (hits, shape) = (&ground.hits[band], &mut shape[band]);
        for index in 0..SLOTS {
            let energy = multiply_add::<FUSED>(1.0 - leak, exp2::<FUSED>(lobe * log_lobe[index]), leak);
            shape[index] = hits[index] * energy.sqrt() * exp2::<FUSED>(-air * path[index]);
        }
    }
}

/// Turns steps into lane weights and stores them arrival by arrival.
#[inline(always)]
fn store<const SETS: usize>(steps: &[[f32; SETS]; FITTED], weights: &mut [Weights]) {
    let mut lanes = [[0.0_f32; SETS]; LANES];
    lanes[0] = steps[FITTED - 1];
    for band in 0..FITTED - 1 {
        for i in 0..SETS {
            lanes[band + 1][i] = steps[band][i] - steps[band + 1][i];
        }
    }
    for (i, weights) in weights.iter_mut().enumerate().take(SETS) {
        for lane in 0..LANES {
            weights[lane] = lanes[lane][i];
        }
    }
}
