//! The plan as the engine makes it: within microseconds, without allocating.
//!
//! [`crate::plan::acoustics`] and [`SourcePlan::new`] say the same, slowly and
//! obviously; they are the oracle. Here, arrivals run eight abreast in `f32`
//! (delays in `f64`), what does not depend on the seat is kept from plan to plan
//! ([`crate::groundwork`]), both capsules share the fit of an image's spectrum,
//! and the low octaves are summed by pairs of frequencies
//! ([`crate::quick_low`]). What is kept never changes a result: a plan is a
//! function of the settings and the tail alone.

use crate::arrivals::ARRIVALS;
use crate::bands::{FITTED, LANES, SplitDesign, Weights};
use crate::groundwork::{Groundwork, SLOTS, THIRD_SLOTS};
use crate::instruction_set::{InstructionSet, Kernel, multiply_add};
use crate::lane_fit::{OctaveFit, ThirdFit};
use crate::low_octaves::{LOW, LowTail};
use crate::octave::{BANDS, PerBand};
use crate::plan::{Energies, PARTS, REFERENCE_DISTANCE_M, SourcePlan, balance_gains};
use crate::polynomial::{exp2, log2};
use crate::quick_fit::{ABREAST, FitRoom, LEAST_OF_STRONGEST, QuickFit, start_one, total};
use crate::quick_low::{LowRoom, LowSums, LowTaps, QuickLowLanes, Shared};
use crate::quick_thirds::QuickThirds;
use crate::radiation::world_axis;
use crate::seat::Source;
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
    /// The reflections of the plan made last in the low octaves, by part, then channel.
    low: [[LowSums; 2]; PARTS],
    /// The tail's gains by energy alone, by part, then band.
    gains: [[f32; ABREAST]; PARTS],
    room: Box<Room>,
}

/// Working room of a plan: nothing in it outlives the plan.
#[derive(Clone, Debug)]
struct Room {
    heard: [Heard; 2],
    mean: [[f32; SLOTS]; FITTED],
    factors: [[f32; SLOTS]; FITTED],
    steps: [[f32; SLOTS]; FITTED],
    low_gain: [[[[f32; SLOTS]; 2]; LOW]; 2],
    fit: FitRoom<SLOTS>,
    low: LowRoom<{ SLOTS + ABREAST }>,
}

impl Room {
    fn new() -> Self {
        Self {
            heard: [Heard::NOTHING, Heard::NOTHING],
            mean: [[0.0; SLOTS]; FITTED],
            factors: [[0.0; SLOTS]; FITTED],
            steps: [[0.0; SLOTS]; FITTED],
            low_gain: [[[[0.0; SLOTS]; 2]; LOW]; 2],
            fit: FitRoom::EMPTY,
            low: LowRoom::EMPTY,
        }
    }
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
            low: [const { [const { LowSums::NOTHING }; 2] }; PARTS],
            gains: [[0.0; ABREAST]; PARTS],
            room: Box::new(Room::new()),
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
        let (seat, platform, pickup) = (&settings.seat, &settings.platform, &settings.pickup);
        let source = match source {
            0 => seat.source(platform, pickup),
            end => seat.sources(platform, pickup)[(end - 1).min(1)],
        };
        self.work(settings, &source, tail.is_some(), plan);
        if let Some(tail) = tail {
            self.meet(settings, tail, plan);
        }
    }

    /// Makes the plan of a source anywhere, with a tail that meets the reflections by energy alone.
    pub fn place(&mut self, settings: &Settings, source: &Source, plan: &mut SourcePlan) {
        self.work(settings, source, false, plan);
    }

    fn work(&mut self, settings: &Settings, source: &Source, meets: bool, plan: &mut SourcePlan) {
        if !self.ground.as_ref().is_some_and(|ground| ground.stands_for(settings)) {
            self.ground = Some(Groundwork::new(settings, self.channels));
        }
        let Some(ground) = &self.ground else { return };
        let Level { trim_db, .. } = settings.level;
        if self.trim.db != trim_db {
            self.trim = Trim { db: trim_db, gain: 10_f64.powf(trim_db / 20.0) };
        }
        self.instructions.run(Place {
            ground,
            settings,
            source,
            trim_gain: self.trim.gain,
            sample_rate_hz: self.sample_rate_hz,
            channels: self.channels,
            fit: &self.fit,
            thirds: &self.thirds,
            lanes: &self.lanes,
            low: &mut self.low,
            gains: &mut self.gains,
            room: &mut self.room,
            meets,
            plan,
        });
    }

    /// Gives the tail of the plan made last the gains with which it meets the reflections in phase in the low octaves.
    pub fn meet(&mut self, settings: &Settings, tail: &LowTail, plan: &mut SourcePlan) {
        self.instructions.run(Meet {
            platform_gain: balance_gains(&settings.level).1 as f32,
            channels: self.channels,
            fit: &self.fit,
            lanes: &self.lanes,
            low: &self.low,
            gains: self.gains,
            tail,
            plan,
        });
    }
}

/// The work of [`Planner::place`].
struct Place<'a> {
    ground: &'a Groundwork,
    settings: &'a Settings,
    source: &'a Source,
    trim_gain: f64,
    sample_rate_hz: f64,
    channels: usize,
    fit: &'a QuickFit,
    thirds: &'a QuickThirds,
    lanes: &'a QuickLowLanes,
    low: &'a mut [[LowSums; 2]; PARTS],
    gains: &'a mut [[f32; ABREAST]; PARTS],
    room: &'a mut Room,
    /// The tail's weights come later.
    meets: bool,
    plan: &'a mut SourcePlan,
}

/// What one capsule hears of the arrivals.
#[derive(Clone, Debug)]
struct Heard {
    path_m: [f64; SLOTS],
    path: [f32; SLOTS],
    /// log2 of (1 + cos theta)/2, theta the angle of departure to the axis.
    log_lobe: [f32; SLOTS],
    /// M/r.
    common: [f32; SLOTS],
    /// Gains without `common`, by band.
    shape: [[f32; SLOTS]; FITTED],
}

impl Heard {
    const NOTHING: Self = Self {
        path_m: [0.0; SLOTS],
        path: [0.0; SLOTS],
        log_lobe: [0.0; SLOTS],
        common: [0.0; SLOTS],
        shape: [[0.0; SLOTS]; FITTED],
    };
}

impl Kernel for Place<'_> {
    type Output = ();

    #[allow(clippy::too_many_lines, reason = "the steps of a plan in their order, over shared working room")]
    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let Self { ground, settings, source, channels, .. } = self;
        let Room { heard, mean, factors, steps, low_gain, fit: fit_room, low: low_room } = self.room;
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
        let mut delay = [[0.0_f32; SLOTS]; 2];
        let mut part = [[0_u8; SLOTS]; 2];
        for capsule in 0..2 {
            let delays = &mut self.plan.capsules[capsule].delay_samples;
            for index in 0..ARRIVALS {
                let late_m = heard[capsule].path_m[index] - start_m;
                delays[index] = late_m * samples_per_m;
                delay[capsule][index] = (late_m * samples_per_m) as f32;
                part[capsule][index] = u8::from(late_m >= mixing_m);
            }
            part[capsule][0] = u8::MAX;
            for index in ARRIVALS..SLOTS {
                part[capsule][index] = u8::MAX;
            }
        }
        for heard in heard.iter_mut() {
            shapes::<FUSED>(ground, heard);
            for index in 0..SLOTS {
                heard.common[index] *= factor;
            }
        }
        let mut energies = Energies {
            direct: [0.0; BANDS],
            specular: [[0.0; BANDS]; PARTS],
            target: ground.target.map(|part| part.map(|energy| energy * power)),
        };
        for capsule in 0..channels {
            add_energies::<FUSED>(&heard[capsule], &part[capsule], &mut energies);
        }

        let (direct_gain, platform_gain) = balance_gains(&settings.level);
        let (direct_gain, platform_gain) = (direct_gain as f32, platform_gain as f32);
        self.plan.tail_level = factor * platform_gain;
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
        // Complex gains of the reflections in the middle of the low octaves.
        for octave in 0..LOW {
            let [re, im] = &self.lanes.steps[octave];
            let [left, right] = &mut *low_gain;
            let shapes = [&heard[0].shape[octave], &heard[1].shape[octave]];
            for index in 0..SLOTS {
                let mut sum = [0.0_f32; 2];
                for band in 0..FITTED {
                    let step = mean[band][index] * factors[band][index];
                    sum[0] = multiply_add::<FUSED>(re[band], step, sum[0]);
                    sum[1] = multiply_add::<FUSED>(im[band], step, sum[1]);
                }
                let scale = 1.0 / mean[octave][index];
                let gains = [
                    heard[0].common[index] * shapes[0][index] * scale,
                    heard[1].common[index] * shapes[1][index] * scale,
                ];
                left[octave][0][index] = sum[0] * gains[0];
                left[octave][1][index] = sum[1] * gains[0];
                right[octave][0][index] = sum[0] * gains[1];
                right[octave][1][index] = sum[1] * gains[1];
            }
        }
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

        for capsule in 0..channels {
            let taps = LowTaps { delay: &delay[capsule], gain: &low_gain[capsule], part: &part[capsule] };
            let [before, after] = &mut *self.low;
            taps.sums::<FUSED, { SLOTS + ABREAST }>(
                self.lanes,
                low_room,
                [&mut before[capsule], &mut after[capsule]],
            );
        }
        for part in 0..PARTS {
            let mut met = [0.0_f32; LOW];
            for capsule in 0..channels {
                let energies = self.low[part][capsule].energies::<FUSED>(self.lanes);
                for octave in 0..LOW {
                    met[octave] += energies[octave];
                }
            }
            for octave in 0..LOW {
                energies.specular[part][octave] = f64::from(met[octave]);
            }
            for band in 0..BANDS {
                let missing = energies.target[part][band] - energies.specular[part][band];
                self.gains[part][band] = (missing as f32).max(0.0).sqrt();
            }
        }
        self.plan.energies = energies;
        if self.meets {
            return;
        }
        for part in 0..PARTS {
            let mut tail = TailFit::new::<FUSED>(&self.gains[part], self.fit);
            tail.improve::<FUSED>(self.fit);
            self.plan.tail[part] = tail.weights(self.fit).map(|weight| weight * platform_gain);
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
fn add_energies<const FUSED: bool>(heard: &Heard, part: &[u8; SLOTS], energies: &mut Energies) {
    let mut of_part = [[0.0_f32; SLOTS]; PARTS];
    for index in 0..SLOTS {
        let power = heard.common[index] * heard.common[index];
        of_part[0][index] = if part[index] == 0 { power } else { 0.0 };
        of_part[1][index] = if part[index] == 1 { power } else { 0.0 };
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
        tail.factor = start_one::<FUSED>(&tail.gain);
        tail.improve::<FUSED>(fit);
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
            strongest = strongest.max(gains[band]);
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
    fn improve<const FUSED: bool>(&mut self, fit: &QuickFit) {
        fit.improve_one::<FUSED>(&self.gain, &mut self.factor);
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

/// The work of [`Planner::meet`].
struct Meet<'a> {
    platform_gain: f32,
    channels: usize,
    fit: &'a QuickFit,
    lanes: &'a QuickLowLanes,
    low: &'a [[LowSums; 2]; PARTS],
    gains: [[f32; ABREAST]; PARTS],
    tail: &'a LowTail,
    plan: &'a mut SourcePlan,
}

impl Kernel for Meet<'_> {
    type Output = ();

    /// See `fit_in_phase` of the oracle.
    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let Self { tail, plan, mut gains, .. } = self;
        let shared: [Shared; PARTS] = [
            Shared::new::<FUSED>(&self.low[0][..self.channels], &tail.quick, 0),
            Shared::new::<FUSED>(&self.low[1][..self.channels], &tail.quick, 1),
        ];
        let single = |energies: &PerBand| -> [f32; LOW] { std::array::from_fn(|band| energies[band] as f32) };
        let (target, specular) =
            (plan.energies.target.each_ref().map(single), plan.energies.specular.each_ref().map(single));
        let mut best = [[0.0; LANES]; PARTS];
        let mut least_error = [f32::INFINITY; PARTS];
        let mut fits =
            [TailFit::new::<FUSED>(&gains[0], self.fit), TailFit::new::<FUSED>(&gains[1], self.fit)];
        for round in 0..MEETING_ROUNDS {
            for part in 0..PARTS {
                let fit = &mut fits[part];
                if round > 0 {
                    fit.aim(&gains[part]);
                    fit.improve::<FUSED>(self.fit);
                }
                let tried = fit.weights(self.fit);
                let [heard, common] = shared[part].meet::<FUSED>(&tail.quick, part, &tried, self.lanes);
                let mut error = 0.0;
                for band in 0..LOW {
                    let target = target[part][band];
                    let missing = target - specular[part][band];
                    let gain = &mut gains[part][band];
                    if missing <= 0.0 || heard[band] <= 0.0 || *gain <= 0.0 {
                        continue;
                    }
                    let sum = specular[part][band] + 2.0 * common[band] + heard[band];
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
                if error < least_error[part] {
                    least_error[part] = error;
                    best[part] = tried;
                }
            }
        }
        for part in 0..PARTS {
            for lane in 0..LANES {
                plan.tail[part][lane] = best[part][lane] * self.platform_gain;
            }
        }
    }
}
