//! The first part of a plan: delays and branch weights of the arrivals, and the level of all.

use super::{Heard, HeardSource, Scratch, branches_of};
use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::loudness::{LOW_OCTAVES, LOW_POINTS};
use crate::acoustics::octave::BANDS;
use crate::acoustics::platform::PARTS;
use crate::acoustics::radiation::world_axis;
use crate::acoustics::scattering::{FLOOR, SCATTERINGS, scattering_paths_m};
use crate::acoustics::seat::Source;
use crate::kernel::instruction_set::{Kernel, SIMD_WIDTH, multiply_add};
use crate::kernel::polynomial::{exp2, log2, turn};
use crate::plan::band_split::{BRANCHES, FITTED, Weights};
use crate::plan::fast_fit::{FastFit, LEAST_OF_STRONGEST};
use crate::plan::fast_low::Part;
use crate::plan::fast_thirds::FastThirds;
use crate::plan::seat_independent_terms::{FastLoudness, SLOTS, SeatIndependentTerms, THIRD_SLOTS};
use crate::plan::source_acoustics::{Energies, balance_gains};
use crate::plan::source_plan::{PlanLevel, SourcePlan};
use crate::plan::step_energies::total;
use crate::plan::tail_feed::{LATE_FOLLOWS, LATE_SHARE, delay_before_onset};
use crate::settings::Settings;

/// Shortest path that counts, m: as in the oracle.
const SHORTEST_PATH_M: f64 = 0.1;

/// The work of [`Planner::plan_arrivals`].
pub(super) struct PlanArrivals<'a> {
    pub(super) terms: &'a SeatIndependentTerms,
    pub(super) settings: &'a Settings,
    pub(super) source: &'a Source,
    pub(super) trim_gain: f64,
    /// Factor with which the source follows the room; 1 where the fall-off is 0.
    pub(super) room_gain: f64,
    /// How much of each arrival is heard.
    pub(super) shares: &'a [f32; SLOTS],
    /// Path by which the taps of late sound come later, m.
    pub(super) late_by_m: f64,
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
            scattered,
            energies,
            late_later_m,
            diffuse: heard_diffuse,
        } = self.heard;
        let Scratch { steps, fit: fit_scratch, .. } = self.scratch;
        for (heard, capsule) in heard.iter_mut().zip([0, channels - 1]) {
            hear::<FUSED>(terms, settings, source, capsule, heard);
            for (common, share) in heard.common.iter_mut().zip(self.shares) {
                *common *= share;
            }
        }
        let start_m = heard[0].path_m[0].min(heard[1].path_m[0]);
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
        }

        let paths_m = scattering_paths_m(source.position, &settings.platform, &settings.microphones);
        for (delay, path_m) in self.plan.early_feed.delay_samples.iter_mut().zip(paths_m) {
            *delay = delay_before_onset((path_m - start_m) * samples_per_m, self.sample_rate_hz);
        }
        for (index, followed) in LATE_FOLLOWS.into_iter().enumerate() {
            let later_m = LATE_SHARE * (paths_m[followed] - start_m).max(0.0) + self.late_by_m;
            self.plan.late_feed.delay_samples[index] = later_m * samples_per_m;
            late_later_m[index] = later_m as f32;
        }
        let microphones = &settings.microphones;
        terms.scattering.scattered::<FUSED>(source, microphones, paths_m[FLOOR], start_m, scattered);

        *energies = Energies::NOTHING;
        for heard in &heard[..channels] {
            add_energies::<FUSED>(heard, energies);
        }
        for band in 0..BANDS {
            let early: f32 = (0..SCATTERINGS).map(|which| scattered.energy[which][band]).sum();
            energies.target[0][band] = energies.specular[0][band] + f64::from(early);
            energies.target[1][band] = f64::from(scattered.late[band]);
        }

        let (direct_gain, platform_gain) = balance_gains(&settings.level);
        let (direct_gain, platform_gain) = (direct_gain as f32, platform_gain as f32);
        let (clear, diffuse) = loudness::<FUSED>(
            &terms.loudness,
            &heard[..channels],
            energies,
            start_m,
            (direct_gain, platform_gain),
        );
        let law = settings.level.law_pct / 100.0;
        self.plan.level = PlanLevel {
            clear,
            platform_power: platform_gain * platform_gain,
            keeps: (1.0 - law) as f32,
            rest: (self.room_gain.powf(law) * self.trim_gain) as f32,
        };
        *heard_diffuse = diffuse;
        // The family's power is in what feeds the tail: both change at one pace.
        self.plan.tail_level = platform_gain / terms.family_gain;
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

/// Returns the loudness of direct sound and reflections with their gains, and that of what is diffuse:
/// [`crate::plan::acoustics`] has the equation.
#[inline(always)]
fn loudness<const FUSED: bool>(
    weights: &FastLoudness,
    heard: &[Heard],
    energies: &Energies,
    start_m: f64,
    (direct_gain, platform_gain): (f32, f32),
) -> (f32, f32) {
    let platform_power = platform_gain * platform_gain;
    let mut power = [0.0_f32; LOW_POINTS];
    let start = start_m as f32;
    for heard in heard {
        let mut gains = [[0.0_f32; SLOTS]; LOW_OCTAVES + 1];
        let (mut cos, mut sin) = ([0.0_f32; SLOTS], [0.0_f32; SLOTS]);
        let (mut on_cos, mut on_sin) = ([0.0_f32; SLOTS], [0.0_f32; SLOTS]);
        for band in 0..=LOW_OCTAVES {
            for index in 0..SLOTS {
                gains[band][index] = heard.shape[band][index] * heard.common[index] * platform_gain;
            }
            gains[band][0] = heard.shape[band][0] * heard.common[0] * direct_gain;
        }
        for index in 0..SLOTS {
            let late_m = heard.path[index] - start;
            (cos[index], sin[index]) = turn::<FUSED>(weights.first_turns_per_m * late_m);
            (on_cos[index], on_sin[index]) = turn::<FUSED>(weights.step_turns_per_m * late_m);
        }
        for point in 0..LOW_POINTS {
            let (below, above) = (&gains[weights.band[point]], &gains[weights.band[point] + 1]);
            let share = weights.share[point];
            let (mut re, mut im) = ([0.0_f32; SIMD_WIDTH], [0.0_f32; SIMD_WIDTH]);
            for row in 0..SLOTS / SIMD_WIDTH {
                for i in 0..SIMD_WIDTH {
                    let index = row * SIMD_WIDTH + i;
                    let gain = multiply_add::<FUSED>(share, above[index] - below[index], below[index]);
                    re[i] = multiply_add::<FUSED>(gain, cos[index], re[i]);
                    im[i] = multiply_add::<FUSED>(gain, sin[index], im[i]);
                }
            }
            let (re, im) = (total(&re), total(&im));
            power[point] += re * re + im * im;
            for index in 0..SLOTS {
                let (c, s) = (cos[index], sin[index]);
                cos[index] = multiply_add::<FUSED>(c, on_cos[index], -s * on_sin[index]);
                sin[index] = multiply_add::<FUSED>(c, on_sin[index], s * on_cos[index]);
            }
        }
    }
    let [early, late] = energies.tail();
    let (mut clear, mut diffuse) = (0.0, 0.0);
    for point in 0..LOW_POINTS {
        let (band, share) = (weights.band[point], weights.share[point]);
        let [below, above] = [band, band + 1].map(|band| (early[band] + late[band]) as f32);
        clear += weights.low[point] * power[point];
        diffuse += weights.low[point] * multiply_add::<FUSED>(share, above - below, below);
    }
    for (band, weight) in weights.high.iter().enumerate() {
        let specular = (energies.specular[0][band] + energies.specular[1][band]) as f32;
        let direct = energies.direct[band] as f32;
        clear += weight * (direct_gain * direct_gain * direct + platform_power * specular);
        diffuse += weight * (early[band] + late[band]) as f32;
    }
    (clear, diffuse)
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

/// Turns steps into branch weights and stores them arrival by arrival.
#[inline(always)]
pub(super) fn store<const SETS: usize>(steps: &[[f32; SETS]; FITTED], weights: &mut [Weights]) {
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
