//! The early reflections: taps that read one channel, glide with the plan, or fade where they would have to race.
//!
//! A tap adds the channel at its delay, times its eight weights, to the eight
//! branches of a bus; the low-passes of the branches come after the sum.

use crate::engine::branch_bank::BUSES;
use crate::engine::delay_line::{DelayLine, ReadPoint};
use crate::engine::glide::{Glide, GlideOf};
use crate::engine::segment::Segment;
use crate::kernel::instruction_set::{Eight, SIMD_WIDTH};
use crate::plan::band_split::{BRANCHES, BranchFrame, Weights};

/// Fastest glide of a delay, in samples per sample: 0.15 of the speed of sound.
///
/// A path that changes faster would be heard as a swoop of over two semitones; it fades instead.
const FASTEST_GLIDE: f64 = 0.15;
/// Length of that fade, s.
const FADE_S: f64 = 0.05;
/// Grid steps without a new plan after which a delay settles on a whole sample.
///
/// 16 steps are about 0.17 s: longer than the pauses of a slow automation.
const SETTLING_STEPS: u32 = 16;

/// Frames whose eight branches are summed at once: as many as sixteen registers of eight numbers, or of four, can hold
/// beside what is added.
const MANY: usize = 12;
const FEW: usize = 4;

/// Where a gliding tap reads during one grid step: a parabola over the frames of the step.
#[derive(Clone, Copy, Debug, Default)]
struct Path {
    /// Nearest whole sample at the start of the step.
    base: i32,
    /// Offset from it in samples, its growth per frame, and per frame squared.
    offset: f32,
    speed: f32,
    bend: f32,
}

impl Path {
    /// Writes a delay's glide as a parabola: (c0 + c1)/2 + (c1 - c0) n/N + (c2 - 2 c1 + c0) (n/N)^2/2.
    fn of(delay: &Glide, grid_frames: usize) -> Self {
        let [start, slope, bend] = delay.polynomial();
        let per_frame = 1.0 / grid_frames as f64;
        // Half a sample may be added: delays are positive. `round` would be a call of the C library.
        let base = (start + 0.5) as i32;
        Self {
            base,
            offset: (start - f64::from(base)) as f32,
            speed: (slope * per_frame) as f32,
            bend: (bend * per_frame * per_frame) as f32,
        }
    }

    /// Works out where eight groups read that begin `frame` frames into the grid step and follow each other.
    #[inline(always)]
    fn groups<E: Eight>(&self, eight: E, frame: f32) -> Groups {
        // Adding and taking away 1.5 times 2^23 rounds to a whole number; its lowest bits are the number itself.
        const ROUNDING: f32 = 12_582_912.0;
        const STARTS: [f32; GROUPS] = [0.0, 8.0, 16.0, 24.0, 32.0, 40.0, 48.0, 56.0];
        let [offset, speed, bend] = [self.offset, self.speed, self.bend].map(|x| eight.splat(x));
        let at = |frame| eight.multiply_add(eight.multiply_add(bend, frame, speed), frame, offset);
        let start = eight.add(eight.load(&STARTS), eight.splat(frame));
        let from = at(start);
        let to = at(eight.add(start, eight.splat(SIMD_WIDTH as f32)));
        // Half a sample less, rounded: the whole sample at or before the middle of a group.
        let before = eight.subtract(eight.multiply(eight.splat(0.5), eight.add(from, to)), eight.splat(0.5));
        let whole = eight.add(before, eight.splat(ROUNDING));
        let between = eight.add(eight.subtract(whole, eight.splat(ROUNDING)), eight.splat(0.5));
        let mut groups = Groups::default();
        let mut bits = [0.0; GROUPS];
        eight.store(whole, &mut bits);
        for (cell, bits) in groups.whole.iter_mut().zip(bits) {
            *cell = self.base + (bits.to_bits() as i32 - ROUNDING.to_bits() as i32);
        }
        eight.store(eight.subtract(from, between), &mut groups.first);
        let step = eight.multiply(eight.subtract(to, from), eight.splat(1.0 / SIMD_WIDTH as f32));
        eight.store(step, &mut groups.step);
        groups
    }
}

/// Groups that are worked out at once.
const GROUPS: usize = 8;

/// Where groups read: the whole sample before the middle of each, how much more than half a sample beyond it the first
/// frame reads, and how much that grows per frame.
#[derive(Clone, Copy, Debug, Default)]
struct Groups {
    whole: [i32; GROUPS],
    first: [f32; GROUPS],
    step: [f32; GROUPS],
}

impl Groups {
    #[inline(always)]
    fn read<E: Eight>(&self, eight: E, read_point: &ReadPoint<'_>, group: usize) -> E::Numbers {
        read_point.glide(eight, self.whole[group], self.first[group], self.step[group])
    }
}

/// A change of delay that is too fast to glide.
#[derive(Clone, Copy, Debug)]
struct Fade {
    /// The delay that is being left, in samples.
    from: Glide,
    path: Path,
    elapsed_frames: usize,
}

/// One reflection at one capsule.
#[derive(Clone, Debug)]
struct Tap {
    delay: Glide,
    path: Path,
    weights: GlideOf<BRANCHES>,
    fade: Option<Fade>,
}

impl Tap {
    fn at(delay_samples: f64, weights: Weights) -> Self {
        // At rest a delay is whole: no interpolation, a flat top end.
        let delay = Glide::at(delay_samples.round().max(0.0));
        Self { delay, path: Path::default(), weights: GlideOf::at(weights), fade: None }
    }

    fn glide_to(&mut self, delay_samples: f64, weights: &Weights, grid_frames: usize) {
        self.weights.glide_to(*weights);
        if let Some(fade) = &mut self.fade {
            fade.from.glide_to(fade.from.target());
            fade.path = Path::of(&fade.from, grid_frames);
        }
        let distance = (delay_samples - self.delay.target()).abs();
        if distance <= FASTEST_GLIDE * grid_frames as f64 {
            self.delay.glide_to(delay_samples);
        } else if self.fade.is_some() {
            // One fade at a time: the next begins where this one ends.
            self.delay.glide_to(self.delay.target());
        } else {
            let mut from = self.delay;
            from.glide_to(from.target());
            self.fade = Some(Fade { from, path: Path::of(&from, grid_frames), elapsed_frames: 0 });
            self.delay = Glide::at(delay_samples);
        }
        self.path = Path::of(&self.delay, grid_frames);
    }

    fn rests(&self) -> bool {
        self.fade.is_none() && self.delay.rests() && self.weights.rests()
    }

    /// Says whether nothing is heard of the tap during the grid step.
    fn is_silent(&self) -> bool {
        self.weights.rests() && self.weights.targets() == [0.0; BRANCHES]
    }
}

impl Fade {
    fn after(mut self, frames: usize, fade_frames: usize) -> Option<Self> {
        self.elapsed_frames += frames;
        (self.elapsed_frames < fade_frames).then_some(self)
    }
}

/// What a run needs of a tap, side by side in memory.
#[derive(Clone, Copy, Debug)]
struct Moving {
    groups: Groups,
    /// Weights at the start of a step of the grid, and their growth per frame.
    start: Weights,
    step: Weights,
    /// The tap's index, where it fades.
    fading: Option<usize>,
}

/// How far a fade has come after a number of frames, 0 to 1, without kinks.
#[inline(always)]
fn risen(elapsed_frames: i32, per_frame: f32) -> f32 {
    let share = (elapsed_frames as f32 * per_frame).clamp(0.0, 1.0);
    share * share * (3.0 - 2.0 * share)
}

/// What of a plan changes from one grid step to the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Change {
    /// The plan is a new one: delays do not settle on whole samples yet.
    pub is_new_plan: bool,
    /// Weights of the same plan are still on their way.
    pub moves_weights: bool,
}

impl Change {
    /// All is as it was.
    pub const NONE: Self = Self { is_new_plan: false, moves_weights: false };
}

/// All reflections of one source at one capsule.
#[derive(Debug)]
pub struct Reflector {
    taps: Vec<Tap>,
    /// The taps that are heard during a run in which something moves.
    moving: Vec<Moving>,
    /// Delays and weights of the taps that are heard, while all rest.
    resting_delays: Vec<u32>,
    /// Where each of them reads in the line during a run.
    resting_starts: Vec<u32>,
    resting_weights: Vec<Weights>,
    fade_frames: usize,
    grid_frames: usize,
    quiet_steps: u32,
    rests: bool,
}

impl Reflector {
    /// Allocates as many taps as the plan has reflections.
    pub fn new(reflections: usize, sample_rate_hz: f64, grid_frames: usize) -> Self {
        Self {
            taps: vec![Tap::at(0.0, [0.0; BRANCHES]); reflections],
            moving: Vec::with_capacity(reflections),
            resting_delays: Vec::with_capacity(reflections),
            resting_starts: Vec::with_capacity(reflections),
            resting_weights: Vec::with_capacity(reflections),
            fade_frames: (FADE_S * sample_rate_hz) as usize,
            grid_frames,
            quiet_steps: 0,
            rests: true,
        }
    }

    /// Stands at a plan: delays in samples and branch weights of each reflection.
    pub fn reset(&mut self, delay_samples: &[f64], weights: &[Weights]) {
        for ((tap, &delay), &weights) in self.taps.iter_mut().zip(delay_samples).zip(weights) {
            *tap = Tap::at(delay, weights);
        }
        self.quiet_steps = SETTLING_STEPS;
        self.rest();
    }

    /// Starts the next grid step on the way to a plan.
    pub fn glide_to(&mut self, delay_samples: &[f64], weights: &[Weights], change: Change) {
        self.quiet_steps = if change.is_new_plan { 0 } else { self.quiet_steps.saturating_add(1) };
        if change == Change::NONE && self.rests {
            return;
        }
        let settled = self.quiet_steps >= SETTLING_STEPS;
        for ((tap, &delay), weights) in self.taps.iter_mut().zip(delay_samples).zip(weights) {
            let delay = if settled { delay.round() } else { delay };
            tap.glide_to(delay.max(0.0), weights, self.grid_frames);
        }
        self.rests = false;
        if settled && self.taps.iter().all(Tap::rests) {
            self.rest();
        }
    }

    /// Lists what is heard while all taps rest.
    fn rest(&mut self) {
        self.rests = true;
        self.resting_delays.clear();
        self.resting_weights.clear();
        for tap in self.taps.iter().filter(|tap| !tap.is_silent()) {
            self.resting_delays.push(tap.delay.target() as u32);
            self.resting_weights.push(tap.weights.targets());
        }
        self.resting_starts.clear();
        self.resting_starts.resize(self.resting_delays.len(), 0);
    }

    /// Says whether all reflections rest.
    pub const fn rests(&self) -> bool {
        self.rests
    }

    /// Says whether nothing is heard of any, now and until the next plan.
    pub fn is_silent(&self) -> bool {
        self.rests && self.resting_delays.is_empty()
    }

    /// Adds all reflections of the frames last written to the line to a bus of `frames`.
    #[inline(always)]
    pub fn process<E: Eight>(
        &mut self,
        eight: E,
        line: &DelayLine,
        segment: &Segment,
        bus: usize,
        frames: &mut [[BranchFrame; BUSES]],
    ) {
        if !self.rests {
            self.process_moving(eight, line, segment, bus, frames);
        } else if E::FRAMES_AT_ONCE > FEW {
            self.process_resting::<E, MANY>(eight, line, bus, frames);
        } else {
            self.process_resting::<E, FEW>(eight, line, bus, frames);
        }
    }

    #[inline(always)]
    fn process_resting<E: Eight, const AT_ONCE: usize>(
        &mut self,
        eight: E,
        line: &DelayLine,
        bus: usize,
        frames: &mut [[BranchFrame; BUSES]],
    ) {
        let count = frames.len();
        for (start, &delay) in self.resting_starts.iter_mut().zip(&self.resting_delays) {
            *start = line.start(delay, count);
        }
        let ring = line.ring();
        let mut first = 0;
        while first + AT_ONCE <= count {
            self.add_resting::<E, AT_ONCE>(eight, &ring[first..], bus, &mut frames[first..first + AT_ONCE]);
            first += AT_ONCE;
        }
        while first + FEW <= count {
            self.add_resting::<E, FEW>(eight, &ring[first..], bus, &mut frames[first..first + FEW]);
            first += FEW;
        }
        for first in first..count {
            self.add_resting::<E, 1>(eight, &ring[first..], bus, &mut frames[first..=first]);
        }
    }

    /// Adds some frames of all taps; `ring` begins as many frames late as `frames` do in the run.
    #[inline(always)]
    fn add_resting<E: Eight, const AT_ONCE: usize>(
        &self,
        eight: E,
        ring: &[f32],
        bus: usize,
        frames: &mut [[BranchFrame; BUSES]],
    ) {
        let mut sum: [E::Numbers; AT_ONCE] = std::array::from_fn(|n| eight.load(&frames[n][bus]));
        for (&start, weights) in self.resting_starts.iter().zip(&self.resting_weights) {
            let weights = eight.load(weights);
            // One check of both ends: a sum of two small numbers cannot pass the largest one.
            let heard = &ring[start as usize..start as usize + AT_ONCE];
            for n in 0..AT_ONCE {
                sum[n] = eight.multiply_add(weights, eight.splat(heard[n]), sum[n]);
            }
        }
        for n in 0..AT_ONCE {
            eight.store(sum[n], &mut frames[n][bus]);
        }
    }

    /// Groups are counted from the grid, never from the run: a cut of the run changes nothing.
    #[inline(always)]
    fn process_moving<E: Eight>(
        &mut self,
        eight: E,
        line: &DelayLine,
        segment: &Segment,
        bus: usize,
        frames: &mut [[BranchFrame; BUSES]],
    ) {
        let count = frames.len();
        let first_group = segment.offset_frames / SIMD_WIDTH * SIMD_WIDTH;
        let end = segment.offset_frames + count;
        for start in (first_group..end).step_by(SIMD_WIDTH * GROUPS) {
            self.gather(eight, segment, start);
            if self.moving.is_empty() {
                continue;
            }
            for group in 0..GROUPS.min((end - start).div_ceil(SIMD_WIDTH)) {
                self.add_moving(eight, line, segment, bus, start, group, frames);
            }
        }
        for tap in &mut self.taps {
            tap.fade = tap.fade.and_then(|fade| fade.after(count, self.fade_frames));
        }
    }

    /// Works out what eight groups from frame `start` of the grid step on need of the taps that are heard.
    #[inline(always)]
    fn gather<E: Eight>(&mut self, eight: E, segment: &Segment, start: usize) {
        self.moving.clear();
        for (index, tap) in self.taps.iter().enumerate().filter(|(_, tap)| !tap.is_silent()) {
            let groups = tap.path.groups(eight, start as f32);
            let (start, step) = segment.ramp_of_step(&tap.weights);
            self.moving.push(Moving { groups, start, step, fading: tap.fade.is_some().then_some(index) });
        }
    }

    /// Adds one group of all taps.
    #[allow(
        clippy::too_many_arguments,
        reason = "the kernel's places in run, grid and bus are all of them needed"
    )]
    #[inline(always)]
    fn add_moving<E: Eight>(
        &self,
        eight: E,
        line: &DelayLine,
        segment: &Segment,
        bus: usize,
        start: usize,
        group: usize,
        frames: &mut [[BranchFrame; BUSES]],
    ) {
        let count = frames.len();
        let frame = start + group * SIMD_WIDTH;
        let ahead = frame as i32 - segment.offset_frames as i32;
        let read_point = line.read_point(count, ahead);
        let into_step = eight.splat((frame - segment.step_frames().0) as f32);
        let mut cells = [[0.0_f32; BRANCHES]; SIMD_WIDTH];
        for n in inside(ahead, count) {
            cells[n] = frames[(ahead + n as i32) as usize][bus];
        }
        let mut sum: [E::Numbers; SIMD_WIDTH] = std::array::from_fn(|n| eight.load(&cells[n]));
        for tap in &self.moving {
            let mut heard = [0.0; SIMD_WIDTH];
            eight.store(tap.groups.read(eight, &read_point, group), &mut heard);
            if let Some(fade) = tap.fading.and_then(|index| self.taps[index].fade) {
                let left = fade.path.groups(eight, start as f32);
                let mut before = [0.0; SIMD_WIDTH];
                eight.store(left.read(eight, &read_point, group), &mut before);
                let per_frame = 1.0 / self.fade_frames as f32;
                for n in 0..SIMD_WIDTH {
                    let risen = risen(fade.elapsed_frames as i32 + ahead + n as i32, per_frame);
                    heard[n] = before[n] + risen * (heard[n] - before[n]);
                }
            }
            // Through memory: repeating a number from there is a load, from a register it would be two shuffles.
            let heard = std::hint::black_box(heard);
            let step = eight.load(&tap.step);
            let mut weights = eight.multiply_add(step, into_step, eight.load(&tap.start));
            for n in 0..SIMD_WIDTH {
                sum[n] = eight.multiply_add(weights, eight.splat(heard[n]), sum[n]);
                weights = eight.add(weights, step);
            }
        }
        for n in 0..SIMD_WIDTH {
            eight.store(sum[n], &mut cells[n]);
        }
        for n in inside(ahead, count) {
            frames[(ahead + n as i32) as usize][bus] = cells[n];
        }
    }
}

/// Returns which frames of a group that begins `ahead` frames after a run lie in the run.
#[inline(always)]
fn inside(ahead: i32, run_frames: usize) -> std::ops::Range<usize> {
    let first = (-ahead).clamp(0, SIMD_WIDTH as i32) as usize;
    let end = (run_frames as i32 - ahead).clamp(first as i32, SIMD_WIDTH as i32) as usize;
    first..end
}
