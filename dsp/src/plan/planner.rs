//! The plan as the engine makes it: within microseconds, without allocating.
//!
//! [`crate::plan::acoustics`] and [`SourcePlan::new`] say the same, slowly and
//! obviously; they are the oracle. Here, arrivals run eight abreast in `f32`
//! (delays in `f64`), what does not depend on the seat is kept from plan to plan
//! (`groundwork`), both capsules share the fit of an image's spectrum,
//! and the low octaves are summed by pairs of frequencies
//! (`quick_low`). What is kept never changes a result: a plan is a
//! function of the settings and the tail alone.

use crate::acoustics::arrivals::ARRIVALS;
use crate::acoustics::octave::{BANDS, PerBand};
use crate::acoustics::platform::PARTS;
use crate::acoustics::radiation::world_axis;
use crate::acoustics::seat::Source;
use crate::extremes::larger;
use crate::kernel::instruction_set::{InstructionSet, Kernel, multiply_add};
use crate::kernel::polynomial::{exp2, log2};
use crate::plan::band_split::{FITTED, LANES, SplitDesign, Weights};
use crate::plan::groundwork::{Groundwork, SLOTS, THIRD_SLOTS};
use crate::plan::lane_fit::{OctaveFit, ThirdFit};
use crate::plan::low_octaves::{LOW, LowTail};
use crate::plan::quick_fit::{ABREAST, FitRoom, LEAST_OF_STRONGEST, QuickFit, total};
use crate::plan::quick_low::{LowRoom, LowSums, LowTaps, QuickLowLanes, QuickLowTail, Shared};
use crate::plan::quick_thirds::QuickThirds;
use crate::plan::source_acoustics::{Energies, REFERENCE_DISTANCE_M, balance_gains};
use crate::plan::source_plan::{SOURCES, SourcePlan};
use crate::settings::{Level, Settings};

/// Shortest path that counts, m: as in the oracle.
const SHORTEST_PATH_M: f64 = 0.1;
/// Rounds in which the tail is brought to meet the reflections, the first one included.
const MEETING_ROUNDS: usize = 3;
/// How far a round goes of its way, after the first: as in the oracle.
const MEETING_STEP: f32 = 0.7;
/// rho at which a tail that would cancel reflections is silent, and from which on it is whole: as in the oracle.
const CANCELLING: (f32, f32) = (-0.75, -0.65);
/// Share of a tail that is kept where it is called silent: as in the oracle.
const LEAST_KEPT: f32 = 0.1;
/// Least gain of a tail's band against its neighbours: as in the oracle.
const STEEPEST: f32 = 0.1;

/// Makes the plans of one engine.
///
/// A plan falls in two: its arrivals, for every grid step at which something
/// moves, and what its tail is fed with, which may follow later and less often.
#[derive(Clone, Debug)]
pub struct Planner {
    instructions: InstructionSet,
    sample_rate_hz: f64,
    channels: usize,
    fit: QuickFit,
    thirds: QuickThirds,
    lanes: QuickLowLanes,
    ground: Option<Groundwork>,
    trim: Trim,
    /// What the arrivals planned last leave for the tail, by source.
    heard: Vec<HeardSource>,
    room: Box<Room>,
}

/// What is heard of one source.
#[derive(Clone, Debug)]
struct HeardSource {
    capsules: [Heard; 2],
    /// Mean of both capsules' gains without M/r, relative to the strongest band; by band.
    mean: [[f32; SLOTS]; FITTED],
    /// Factors on them with which the steps between lanes follow them.
    factors: [[f32; SLOTS]; FITTED],
    /// All reflected energy, by part, then band.
    target: [PerBand; PARTS],
    platform_gain: f32,
    /// Factor on everything but the balance.
    factor: f32,
}

impl HeardSource {
    const NOTHING: Self = Self {
        capsules: [Heard::NOTHING, Heard::NOTHING],
        mean: [[1.0; SLOTS]; FITTED],
        factors: [[1.0; SLOTS]; FITTED],
        target: [[0.0; BANDS]; PARTS],
        platform_gain: 0.0,
        factor: 1.0,
    };
}

/// What one capsule hears of the arrivals.
#[derive(Clone, Debug)]
struct Heard {
    path_m: [f64; SLOTS],
    path: [f32; SLOTS],
    /// Delay in samples.
    delay: [f32; SLOTS],
    /// Part of the platform's sound: before or after the mixing time; another number for none.
    part: [u8; SLOTS],
    /// log2 of (1 + cos theta)/2, theta the angle of departure to the axis.
    log_lobe: [f32; SLOTS],
    /// M/r, and later that times the factor on everything.
    common: [f32; SLOTS],
    /// Gains without `common`, by band.
    shape: [[f32; SLOTS]; FITTED],
}

impl Heard {
    const NOTHING: Self = Self {
        path_m: [0.0; SLOTS],
        path: [0.0; SLOTS],
        delay: [0.0; SLOTS],
        part: [u8::MAX; SLOTS],
        log_lobe: [0.0; SLOTS],
        common: [0.0; SLOTS],
        shape: [[0.0; SLOTS]; FITTED],
    };
}

/// Working room of a plan: nothing in it outlives the plan.
#[derive(Clone, Debug)]
struct Room {
    steps: [[f32; SLOTS]; FITTED],
    fit: FitRoom<SLOTS>,
    /// Complex gains in the middle of each low octave: by capsule, octave, real and imaginary part.
    low_gain: [[[[f32; SLOTS]; 2]; LOW]; 2],
    low: LowRoom<{ SLOTS + ABREAST }>,
    /// By part, then channel.
    sums: [[LowSums; 2]; PARTS],
}

impl Room {
    const EMPTY: Self = Self {
        steps: [[0.0; SLOTS]; FITTED],
        fit: FitRoom::EMPTY,
        low_gain: [[[[0.0; SLOTS]; 2]; LOW]; 2],
        low: LowRoom::EMPTY,
        sums: [const { [const { LowSums::NOTHING }; 2] }; PARTS],
    };
}

/// A trim and its gain: powers are dear.
#[derive(Clone, Copy, Debug)]
struct Trim {
    db: f64,
    gain: f64,
}

impl Planner {
    /// Prepares the plans of an engine with one or two output channels.
    pub fn new(design: &SplitDesign, channels: usize, instructions: InstructionSet) -> Self {
        Self {
            instructions,
            sample_rate_hz: design.sample_rate_hz(),
            channels,
            fit: QuickFit::new(&OctaveFit::of_octaves(design)),
            thirds: QuickThirds::new(&ThirdFit::of_thirds(design)),
            lanes: QuickLowLanes::new(design),
            ground: None,
            trim: Trim { db: 0.0, gain: 1.0 },
            heard: vec![HeardSource::NOTHING; SOURCES],
            room: Box::new(Room::EMPTY),
        }
    }

    /// Makes the plan of one source: 0 the middle of the seat, 1 and 2 the left and right end of a stereo channel.
    ///
    /// `tail` holds the low octaves of the tail that plays, when it is known and
    /// fed without detour. The settings are to be snapped.
    pub fn plan(
        &mut self,
        settings: &Settings,
        source: usize,
        tail: Option<&LowTail>,
        plan: &mut SourcePlan,
    ) {
        self.plan_arrivals(settings, source, plan);
        self.plan_tail(source, tail, plan);
    }

    /// Makes the first part of a plan: the arrivals of one source.
    ///
    /// The tail's weights and all energies stay as the plan has them.
    pub fn plan_arrivals(&mut self, settings: &Settings, source: usize, plan: &mut SourcePlan) {
        let (seat, platform, pickup) = (&settings.seat, &settings.platform, &settings.pickup);
        let index = source.min(SOURCES - 1);
        let source = match index {
            0 => seat.source(platform, pickup),
            end => seat.sources(platform, pickup)[end - 1],
        };
        if !self.ground.as_ref().is_some_and(|ground| ground.stands_for(settings)) {
            self.ground = Some(Groundwork::new(settings, self.channels));
        }
        let Some(ground) = &self.ground else { return };
        let Level { trim_db, .. } = settings.level;
        if self.trim.db != trim_db {
            self.trim = Trim { db: trim_db, gain: 10_f64.powf(trim_db / 20.0) };
        }
        self.instructions.run(PlanArrivals {
            ground,
            settings,
            source: &source,
            trim_gain: self.trim.gain,
            sample_rate_hz: self.sample_rate_hz,
            channels: self.channels,
            fit: &self.fit,
            thirds: &self.thirds,
            heard: &mut self.heard[index],
            room: &mut self.room,
            plan,
        });
    }

    /// Makes the second part of a plan, for the arrivals planned last for this source: energies, and the tail's weights.
    pub fn plan_tail(&mut self, source: usize, tail: Option<&LowTail>, plan: &mut SourcePlan) {
        self.instructions.run(PlanTail {
            channels: self.channels,
            fit: &self.fit,
            lanes: &self.lanes,
            heard: &self.heard[source.min(SOURCES - 1)],
            room: &mut self.room,
            tail,
            plan,
        });
    }
}

/// The work of [`Planner::plan_arrivals`].
struct PlanArrivals<'a> {
    ground: &'a Groundwork,
    settings: &'a Settings,
    source: &'a Source,
    trim_gain: f64,
    sample_rate_hz: f64,
    channels: usize,
    fit: &'a QuickFit,
    thirds: &'a QuickThirds,
    heard: &'a mut HeardSource,
    room: &'a mut Room,
    plan: &'a mut SourcePlan,
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

/// Adds what one capsule hears to the energies of direct sound and reflections.
#[inline(always)]
fn add_energies<const FUSED: bool>(heard: &Heard, energies: &mut Energies) {
    let mut of_part = [[0.0_f32; SLOTS]; PARTS];
    for index in 0..SLOTS {
        let power = heard.common[index] * heard.common[index];
        of_part[0][index] = if heard.part[index] == 0 { power } else { 0.0 };
        of_part[1][index] = if heard.part[index] == 1 { power } else { 0.0 };
    }
    let direct = f64::from(heard.common[0]).powi(2);
    let (before, _) = of_part[0].as_chunks::<ABREAST>();
    let (after, _) = of_part[1].as_chunks::<ABREAST>();
    for band in 0..BANDS {
        let (shape, _) = heard.shape[band].as_chunks::<ABREAST>();
        let mut sums = [[0.0_f32; ABREAST]; PARTS];
        for ((shape, before), after) in shape.iter().zip(before).zip(after) {
            for i in 0..ABREAST {
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

/// Steps with which the fit of a tail begins, and with which it follows from round to round.
///
/// What a tail has to add differs more from octave to octave than an arrival does.
const FIRST_TAIL_STEPS: usize = 6;
const NEXT_TAIL_STEPS: usize = 1;

/// The fit of the lanes to one part of a tail, on its way.
struct TailFit {
    gain: [f32; FITTED],
    factor: [f32; FITTED],
    strongest: f32,
}

impl TailFit {
    /// Starts a fit.
    #[inline(always)]
    fn new<const FUSED: bool>(gains: &[f32; ABREAST], fit: &QuickFit) -> Self {
        let mut tail = Self { gain: [1.0; FITTED], factor: [1.0; FITTED], strongest: 0.0 };
        tail.aim(gains);
        tail.factor = fit.better_start::<FUSED>(&tail.gain);
        tail.improve::<FUSED>(fit, FIRST_TAIL_STEPS);
        tail
    }

    /// Takes other gains as the aim.
    #[inline(always)]
    fn aim(&mut self, gains: &[f32; ABREAST]) {
        let mut gains = *gains;
        let mut strongest = 0.0_f32;
        for band in 0..BANDS {
            let below = if band > 0 { gains[band - 1] } else { 0.0 };
            let above = if band + 1 < BANDS { gains[band + 1] } else { 0.0 };
            gains[band] = gains[band].max(STEEPEST * below.max(above));
            strongest = larger(strongest, gains[band]);
        }
        // Above the octave bands the tail goes on as in the highest one.
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

    /// Brings the sum of lanes nearer the aim.
    #[inline(always)]
    fn improve<const FUSED: bool>(&mut self, fit: &QuickFit, steps: usize) {
        fit.settle::<FUSED>(&self.gain, &mut self.factor, steps);
    }

    /// Returns the lane weights reached.
    #[inline(always)]
    fn weights(&self, fit: &QuickFit) -> Weights {
        let mut steps = [0.0_f32; FITTED];
        for band in 0..FITTED {
            // Above the bands in use all steps are as the last one, so that no lane up there gets a weight.
            let used = band.min(fit.bands - 1);
            steps[band] = self.gain[used] * self.factor[used] * self.strongest;
        }
        lanes_of(&steps)
    }
}

/// Turns steps into lane weights.
#[inline(always)]
fn lanes_of(steps: &[f32; FITTED]) -> Weights {
    let mut lanes = [0.0_f32; LANES];
    lanes[0] = steps[FITTED - 1];
    for band in 0..FITTED - 1 {
        lanes[band + 1] = steps[band] - steps[band + 1];
    }
    lanes
}

/// The work of [`Planner::plan_tail`].
struct PlanTail<'a> {
    channels: usize,
    fit: &'a QuickFit,
    lanes: &'a QuickLowLanes,
    heard: &'a HeardSource,
    room: &'a mut Room,
    tail: Option<&'a LowTail>,
    plan: &'a mut SourcePlan,
}

impl Kernel for PlanTail<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let Self { channels, fit, lanes, heard, .. } = self;
        let Room { low_gain, low, sums, .. } = self.room;
        let mut energies =
            Energies { direct: [0.0; BANDS], specular: [[0.0; BANDS]; PARTS], target: heard.target };
        for heard in &heard.capsules[..channels] {
            add_energies::<FUSED>(heard, &mut energies);
        }
        low_gains::<FUSED>(heard, lanes, low_gain);
        let [before, after] = sums;
        for capsule in 0..channels {
            let Heard { delay, part, .. } = &heard.capsules[capsule];
            let taps = LowTaps { delay, gain: &low_gain[capsule], part };
            taps.sums::<FUSED, { SLOTS + ABREAST }>(lanes, low, [&mut before[capsule], &mut after[capsule]]);
        }
        let mut gains = [[0.0_f32; ABREAST]; PARTS];
        for part in 0..PARTS {
            let specular = &mut energies.specular[part];
            specular[..LOW].fill(0.0);
            for sums in &sums[part][..channels] {
                for (sum, energy) in specular.iter_mut().zip(sums.energies::<FUSED>(lanes)) {
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
                let meeting = Meeting {
                    part,
                    tail: &tail.quick,
                    shared: Shared::new::<FUSED>(&sums[part][..channels], &tail.quick, part),
                    target: single(&energies.target[part]),
                    specular: single(&energies.specular[part]),
                };
                meeting.weights::<FUSED>(gains[part], fit, lanes)
            } else {
                TailFit::new::<FUSED>(&gains[part], fit).weights(fit)
            };
            for lane in 0..LANES {
                self.plan.tail[part][lane] = weights[lane] * heard.platform_gain;
                self.plan.tail_at_level_one[part][lane] = weights[lane] / heard.factor;
            }
        }
        self.plan.energies = energies;
    }
}

/// Works out the reflections' complex gains in the middle of the low octaves, as the lanes play them.
#[inline(always)]
fn low_gains<const FUSED: bool>(
    heard: &HeardSource,
    lanes: &QuickLowLanes,
    gains: &mut [[[[f32; SLOTS]; 2]; LOW]; 2],
) {
    let HeardSource { capsules: [left, right], mean, factors, .. } = heard;
    for octave in 0..LOW {
        let [re, im] = &lanes.steps[octave];
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
struct Meeting<'a> {
    part: usize,
    tail: &'a QuickLowTail,
    shared: Shared,
    /// Energies in the low octaves: of both together, as asked for, and of the reflections.
    target: [f32; LOW],
    specular: [f32; LOW],
}

impl Meeting<'_> {
    /// Finds the lane weights with which both together have the energy asked for: see `fit_in_phase` of the oracle.
    #[inline(always)]
    fn weights<const FUSED: bool>(
        &self,
        mut gains: [f32; ABREAST],
        fit: &QuickFit,
        lanes: &QuickLowLanes,
    ) -> Weights {
        let mut best = [0.0; LANES];
        let mut least_error = f32::INFINITY;
        let mut tail = TailFit::new::<FUSED>(&gains, fit);
        for round in 0..MEETING_ROUNDS {
            if round > 0 {
                tail.aim(&gains);
                tail.improve::<FUSED>(fit, NEXT_TAIL_STEPS);
            }
            let tried = tail.weights(fit);
            let [heard, common] = self.shared.meet::<FUSED>(self.tail, self.part, &tried, lanes);
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
                let way = if round == 0 { 1.0 } else { MEETING_STEP };
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acoustics::octave::{bands_at_rate, edges_hz};
    use crate::acoustics::pickup::Pair;
    use crate::acoustics::radiation::Family;
    use crate::acoustics::surface::Finish;
    use crate::extremes::largest;
    use crate::plan::oracle::{LowLanes, LowReflections, Player};
    use crate::plan::source_acoustics::{Acoustics, acoustics};
    use crate::tail::{TailSpec, TailSpectra};

    const RATE_HZ: f64 = 48_000.0;

    /// A xorshift generator (Marsaglia 2003): numbers from 0 to below 1.
    struct Chance(u64);

    impl Chance {
        fn next(&mut self) -> f64 {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            (self.0 >> 11) as f64 / (1_u64 << 53) as f64
        }

        fn within(&mut self, low: f64, high: f64) -> f64 {
            low + (high - low) * self.next()
        }

        fn of<T: Copy>(&mut self, all: &[T]) -> T {
            all[(self.next() * all.len() as f64) as usize]
        }

        fn settings(&mut self) -> Settings {
            let mut settings = Settings::default();
            let platform = &mut settings.platform;
            platform.width_m = self.within(8.0, 30.0);
            platform.depth_m = self.within(5.0, 25.0);
            platform.height_m = self.within(4.0, 20.0);
            platform.floor = self.of(&Finish::ALL);
            platform.rear = self.of(&Finish::ALL);
            platform.sides = self.of(&Finish::ALL);
            platform.canopy = self.of(&Finish::ALL);
            platform.decay_s = self.within(0.2, 2.0);
            platform.air.loss = self.of(&[0.0, 1.0, 1.0, 3.0]);
            settings.seat.depth_m = self.within(0.5, 25.0);
            settings.seat.bearing_deg = self.within(-60.0, 60.0);
            settings.seat.facing_deg = self.within(-180.0, 180.0);
            settings.seat.riser_m = self.within(0.0, 2.0);
            settings.seat.family = self.of(&Family::ALL);
            settings.pickup.pair = self.of(&Pair::ALL);
            settings.pickup.depth_m = self.within(0.0, 4.0);
            settings.pickup.height_m = self.within(1.5, 5.0);
            settings.level.law_pct = self.of(&[0.0, 60.0]);
            settings.level.trim_db = self.of(&[0.0, -6.0]);
            settings.snapped()
        }
    }

    struct Oracle {
        design: SplitDesign,
        fit: OctaveFit,
        direct_fit: ThirdFit,
        lanes: LowLanes,
    }

    impl Oracle {
        fn new(rate_hz: f64) -> Self {
            let design = SplitDesign::new(rate_hz);
            Self {
                fit: OctaveFit::of_octaves(&design),
                direct_fit: ThirdFit::of_thirds(&design),
                lanes: LowLanes::new(&design, rate_hz),
                design,
            }
        }

        fn plan(
            &self,
            settings: &Settings,
            channels: usize,
            tail: Option<&LowTail>,
        ) -> (Acoustics, SourcePlan) {
            let source = settings.seat.source(&settings.platform, &settings.pickup);
            let seat = acoustics(&source, &settings.platform, &settings.pickup, &settings.level, channels);
            let player = Player {
                fit: &self.fit,
                direct_fit: &self.direct_fit,
                lanes: &self.lanes,
                sample_rate_hz: self.design.sample_rate_hz(),
                channels,
                tail,
            };
            (seat, SourcePlan::new(&seat, settings, &player))
        }

        /// Returns the energy in each octave of a sum of lanes.
        fn energies(&self, weights: &Weights) -> Vec<f64> {
            const FINE: usize = 40;
            let bands = 0..bands_at_rate(self.design.sample_rate_hz());
            bands
                .map(|band| {
                    let (low, high) = edges_hz(band);
                    let points = (0..FINE).map(|point| {
                        let hz = low + (high - low) * (point as f64 + 0.5) / FINE as f64;
                        let sum = self.design.lane_responses(hz).iter().zip(weights).fold(
                            (0.0, 0.0),
                            |sum, (lane, &weight)| {
                                (sum.0 + lane.0 * f64::from(weight), sum.1 + lane.1 * f64::from(weight))
                            },
                        );
                        sum.0 * sum.0 + sum.1 * sum.1
                    });
                    points.sum::<f64>() / FINE as f64
                })
                .collect()
        }

        /// Returns the worst error in dB of weights against gains, among bands within 20 dB of the strongest.
        fn error_db(&self, weights: &Weights, gain: &[f64]) -> f64 {
            let strongest = largest(gain.iter().copied());
            let pairs = self.energies(weights).into_iter().zip(gain);
            // What is no number is in no band's favour.
            let strong = pairs.filter(|&(_, &gain)| gain.is_nan() || gain >= 0.1 * strongest);
            largest(strong.map(|(energy, gain)| (10.0 * (energy / (gain * gain)).log10()).abs()))
        }
    }

    fn share_below(errors: &mut [f64], share: f64) -> f64 {
        errors.sort_by(f64::total_cmp);
        errors[((errors.len() - 1) as f64 * share) as usize]
    }

    /// Delays to 1e-3 sample, energies to 0.01 dB, for any settings, by both instruction sets.
    #[test]
    fn plans_have_the_oracles_delays_and_energies() {
        let oracle = Oracle::new(RATE_HZ);
        for instructions in [InstructionSet::plain(), InstructionSet::widest()] {
            for channels in [1, 2] {
                let mut planner = Planner::new(&oracle.design, channels, instructions);
                let (mut chance, mut plan) = (Chance(1), SourcePlan::SILENCE);
                for _ in 0..150 {
                    let settings = chance.settings();
                    let (_, slow) = oracle.plan(&settings, channels, None);
                    planner.plan(&settings, 0, None, &mut plan);
                    for capsule in 0..2 {
                        let pairs = plan.capsules[capsule].delay_samples.iter();
                        for (got, expected) in pairs.zip(&slow.capsules[capsule].delay_samples) {
                            assert!(
                                (got - expected).abs() < 1e-3,
                                "{settings:?}: expected {expected}, got {got}"
                            );
                        }
                    }
                    let (got, expected) = (&plan.energies, &slow.energies);
                    let close = |got: f64, expected: f64| {
                        let error = (10.0 * (got / expected).log10()).abs();
                        assert!(
                            error < 0.01 || got == expected,
                            "{settings:?}: expected {expected}, got {got}"
                        );
                    };
                    for band in 0..BANDS {
                        close(got.direct[band], expected.direct[band]);
                        for part in 0..PARTS {
                            close(got.target[part][band], expected.target[part][band]);
                            // The low octaves are summed in phase, with what the lanes make of them.
                            if band >= LOW {
                                close(got.specular[part][band], expected.specular[part][band]);
                            }
                        }
                    }
                }
            }
        }
    }

    /// Levels against the gains asked for, over random settings with finishes and lobes that no sum of
    /// lanes follows to the end: 95 % stay within 0.3 dB, and 99 % within 1 dB, of what the oracle keeps.
    #[test]
    fn weights_follow_the_gains() {
        for rate_hz in [
            8_000.0, 11_025.0, 16_000.0, 22_050.0, 44_100.0, RATE_HZ, 96_000.0, 192_000.0, 384_000.0,
            768_000.0,
        ] {
            let oracle = Oracle::new(rate_hz);
            for instructions in [InstructionSet::plain(), InstructionSet::widest()] {
                let mut planner = Planner::new(&oracle.design, 2, instructions);
                let (mut chance, mut plan) = (Chance(2), SourcePlan::SILENCE);
                let (mut quick, mut slow) = (Vec::new(), Vec::new());
                for _ in 0..30 {
                    let settings = chance.settings();
                    let (seat, expected) = oracle.plan(&settings, 2, None);
                    planner.plan(&settings, 0, None, &mut plan);
                    for capsule in 0..2 {
                        for index in 0..ARRIVALS {
                            let bands = bands_at_rate(rate_hz);
                            let gain = seat.arrivals[capsule][index].gain.map(|g| g * seat.factor_gain);
                            if gain.iter().all(|&gain| gain > 1e-9) {
                                quick.push(
                                    oracle.error_db(&plan.capsules[capsule].weights[index], &gain[..bands]),
                                );
                                slow.push(
                                    oracle
                                        .error_db(&expected.capsules[capsule].weights[index], &gain[..bands]),
                                );
                            }
                        }
                    }
                }
                let (got, oracles) = (share_below(&mut quick, 0.95), share_below(&mut slow, 0.95));
                assert!(got < oracles + 0.3, "{rate_hz} Hz: 95 % within {got} dB, the oracle {oracles} dB");
                let (got, oracles) = (share_below(&mut quick, 0.99), share_below(&mut slow, 0.99));
                assert!(got < oracles + 1.0, "{rate_hz} Hz: 99 % within {got} dB, the oracle {oracles} dB");
            }
        }
    }

    /// Reflections and tail together, as the oracle sums them on its frequencies, in phase: the target,
    /// within 1 dB in 95 % of the low octaves.
    #[test]
    fn tails_meet_the_reflections_in_phase() {
        let oracle = Oracle::new(RATE_HZ);
        let mut settings = Settings::default();
        let spec = TailSpec::new(&settings.platform, Some(settings.pickup.pair), RATE_HZ);
        let spectra = TailSpectra::build(&spec);
        let mixing_samples = settings.platform.mixing_time_s() * RATE_HZ;
        for instructions in [InstructionSet::plain(), InstructionSet::widest()] {
            let mut planner = Planner::new(&oracle.design, 2, instructions);
            let (mut chance, mut plan) = (Chance(3), SourcePlan::SILENCE);
            let (mut met, mut unmet) = (Vec::new(), Vec::new());
            for _ in 0..60 {
                settings.seat.depth_m = chance.within(1.0, 11.0);
                settings.seat.bearing_deg = chance.within(-50.0, 50.0);
                let settings = settings.snapped();
                for (tail, errors) in [(Some(spectra.low()), &mut met), (None, &mut unmet)] {
                    planner.plan(&settings, 0, tail, &mut plan);
                    let low = LowReflections::new(&plan.capsules, mixing_samples, &oracle.lanes);
                    for part in 0..PARTS {
                        for band in 0..LOW {
                            let (target, specular) =
                                (plan.energies.target[part][band], plan.energies.specular[part][band]);
                            if specular < target {
                                let both =
                                    low.meet(part, band, spectra.low(), &plan.tail[part], &oracle.lanes);
                                errors.push((10.0 * (both.total() / target).log10()).abs());
                            }
                        }
                    }
                }
            }
            let (got, control) = (share_below(&mut met, 0.95), share_below(&mut unmet, 0.95));
            assert!(got < 1.0, "95 % within {got} dB");
            assert!(control > 1.0, "tails that do not meet them miss the target: {control} dB");
        }
    }

    #[test]
    fn equal_gains_leave_the_sound_alone() {
        let mut settings = Settings::default();
        settings.platform.air.loss = 0.0;
        let mut planner = Planner::new(&SplitDesign::new(RATE_HZ), 2, InstructionSet::widest());
        let mut plan = SourcePlan::SILENCE;
        planner.plan(&settings, 0, None, &mut plan);
        for capsule in &plan.capsules {
            let direct = &capsule.weights[0];
            assert!(direct[1..].iter().all(|weight| weight.abs() < 1e-4 * direct[0]), "got {direct:?}");
        }
    }

    #[test]
    fn arrivals_alone_are_those_of_the_whole_plan() {
        let (mut chance, design) = (Chance(5), SplitDesign::new(RATE_HZ));
        let mut planner = Planner::new(&design, 2, InstructionSet::widest());
        let (mut whole, mut alone) = (SourcePlan::SILENCE, SourcePlan::SILENCE);
        for _ in 0..10 {
            let settings = chance.settings();
            planner.plan(&settings, 0, None, &mut whole);
            planner.plan_arrivals(&settings, 0, &mut alone);
            assert_eq!(whole.capsules, alone.capsules);
            assert_eq!(alone.tail, SourcePlan::SILENCE.tail);
        }
    }

    /// What is kept from plan to plan changes nothing.
    #[test]
    fn a_plan_is_a_function_of_its_settings() {
        let (mut chance, design) = (Chance(4), SplitDesign::new(RATE_HZ));
        let mut used = Planner::new(&design, 2, InstructionSet::widest());
        let (mut plan, mut fresh) = (SourcePlan::SILENCE, SourcePlan::SILENCE);
        for _ in 0..20 {
            let settings = chance.settings();
            for source in 0..3 {
                used.plan(&settings, source, None, &mut plan);
                Planner::new(&design, 2, InstructionSet::widest()).plan(&settings, source, None, &mut fresh);
                assert_eq!(plan, fresh);
            }
        }
    }
}
