//! The early reflections: taps that read one channel's lanes, glide with the plan, or fade where they would have to race.

use crate::bands::{LANES, Weights};
use crate::glide::{Glide, GlideOf};
use crate::lane_ring::LaneRing;
use crate::segment::Segment;

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

/// Where a tap reads.
#[derive(Clone, Copy, Debug)]
struct Fade {
    /// The delay that is being left, in samples.
    from: Glide,
    elapsed_frames: usize,
}

/// One reflection at one capsule.
#[derive(Clone, Debug)]
struct Tap {
    delay: Glide,
    weights: GlideOf<LANES>,
    fade: Option<Fade>,
}

impl Tap {
    fn at(delay_samples: f64, weights: Weights) -> Self {
        // At rest a delay is whole: no interpolation, a flat top end.
        Self { delay: Glide::at(delay_samples.round()), weights: GlideOf::at(weights), fade: None }
    }

    fn head_for(&mut self, delay_samples: f64, weights: Weights, grid_frames: usize) {
        self.weights.head_for(weights);
        if let Some(fade) = &mut self.fade {
            fade.from.head_for(fade.from.target());
        }
        let distance = (delay_samples - self.delay.target()).abs();
        if distance <= FASTEST_GLIDE * grid_frames as f64 {
            self.delay.head_for(delay_samples);
        } else if self.fade.is_some() {
            // One fade at a time: the next begins where this one ends.
            self.delay.head_for(self.delay.target());
        } else {
            let mut from = self.delay;
            from.head_for(from.target());
            self.fade = Some(Fade { from, elapsed_frames: 0 });
            self.delay = Glide::at(delay_samples);
        }
    }

    fn rests(&self) -> bool {
        self.fade.is_none() && self.delay.rests() && self.weights.rests()
    }

    /// Adds the tap's sound; both the delay and the weights may be on their way.
    fn process(
        &mut self,
        ring: &LaneRing,
        segment: &Segment,
        scratch: &mut Scratch,
        fade_frames: usize,
        output: &mut [f32],
    ) {
        let frames = output.len();
        let Some(mut fade) = self.fade else {
            scratch.read(ring, &self.delay, &self.weights, segment, frames);
            for (out, x) in output.iter_mut().zip(&scratch.heard) {
                *out += x;
            }
            return;
        };
        scratch.read(ring, &self.delay, &self.weights, segment, frames);
        let rising = |n: usize| {
            let share = ((fade.elapsed_frames + n) as f32 / fade_frames as f32).min(1.0);
            share * share * (3.0 - 2.0 * share)
        };
        for (n, (out, x)) in output.iter_mut().zip(&scratch.heard).enumerate() {
            *out += rising(n) * x;
        }
        scratch.read(ring, &fade.from, &self.weights, segment, frames);
        for (n, (out, x)) in output.iter_mut().zip(&scratch.heard).enumerate() {
            *out += (1.0 - rising(n)) * x;
        }
        fade.elapsed_frames += frames;
        self.fade = (fade.elapsed_frames < fade_frames).then_some(fade);
    }
}

/// Room in which a moving tap is worked out.
#[derive(Debug)]
pub struct Scratch {
    sum: Vec<f32>,
    heard: Vec<f32>,
}

/// Frames beside a block that a moving tap may reach: the fastest glide over the longest block and both neighbours.
fn margin_frames(block_frames: usize) -> usize {
    // A spline's speed may exceed that of its targets by no more than twice.
    (2.0 * FASTEST_GLIDE * block_frames as f64).ceil() as usize + 4
}

impl Scratch {
    /// Allocates room for blocks of up to `block_frames`.
    pub fn new(block_frames: usize) -> Self {
        Self { sum: vec![0.0; block_frames + margin_frames(block_frames)], heard: vec![0.0; block_frames] }
    }

    /// Works out what a gliding delay hears of the frames last written into `heard`.
    fn read(
        &mut self,
        ring: &LaneRing,
        delay: &Glide,
        weights: &GlideOf<LANES>,
        segment: &Segment,
        frames: usize,
    ) {
        let (first, last) = (delay.value(segment.share(0)), delay.value(segment.share(frames - 1)));
        // Weights follow the delay at the start of the step, whatever run of it this is.
        let heard_delay = delay.value(segment.share_of_step()) as f32;
        if delay.rests() && first.fract() == 0.0 {
            self.heard[..frames].fill(0.0);
            add_lanes(
                ring,
                first as usize,
                frames,
                weights,
                segment,
                first as f32,
                &mut self.heard[..frames],
            );
            return;
        }
        // The extreme of the quadratic within the run is covered by one sample of slack.
        let shortest = (first.min(last).floor() as usize).saturating_sub(1);
        let longest = first.max(last).floor() as usize + 2;
        let span = (frames + longest - shortest).min(self.sum.len());
        let sum = &mut self.sum[..span];
        sum.fill(0.0);
        add_lanes(ring, longest, frames, weights, segment, heard_delay, sum);
        // sum[m] stands for the frame m - longest; the delay is kept as an offset
        // from `longest`, small enough for single precision.
        let (start, speed, bend) = offsets(delay, segment, longest);
        for (n, heard) in self.heard[..frames].iter_mut().enumerate() {
            let t = n as f32;
            let place = t + (start - t * (speed + t * bend)).max(0.0);
            let index = (place as usize).min(span - 2);
            let share = place - index as f32;
            *heard = sum[index] + (sum[index + 1] - sum[index]) * share;
        }
    }
}

/// Returns how far the delay lies under `longest` at the run's first frame, and the linear and quadratic growth of the delay.
fn offsets(delay: &Glide, segment: &Segment, longest: usize) -> (f32, f32, f32) {
    let (s, d) = (segment.share(0), segment.share_per_frame());
    let (v0, v1, v2) = (delay.value(s), delay.value(s + d), delay.value(s + 2.0 * d));
    let bend = f64::midpoint(v2 - 2.0 * v1, v0);
    let speed = v1 - v0 - bend;
    ((longest as f64 - v0) as f32, speed as f32, bend as f32)
}

/// Adds the weighted lanes `delay` late; weights on their way are those of the frame that hears the sample.
fn add_lanes(
    ring: &LaneRing,
    delay: usize,
    frames: usize,
    weights: &GlideOf<LANES>,
    segment: &Segment,
    heard_delay: f32,
    sum: &mut [f32],
) {
    if weights.rests() {
        ring.add_delayed(delay, frames, &weights.targets(), sum);
    } else {
        let (from, step) = segment.ramp(weights, heard_delay - delay as f32);
        ring.add_delayed_ramp(delay, frames, &from, &step, sum);
    }
}

/// All reflections of one source at one capsule.
#[derive(Debug)]
pub struct Reflector {
    taps: Vec<Tap>,
    fade_frames: usize,
    grid_frames: usize,
    quiet_steps: u32,
    rests: bool,
}

impl Reflector {
    /// Allocates as many taps as the plan has reflections.
    pub fn new(reflections: usize, sample_rate_hz: f64, grid_frames: usize) -> Self {
        Self {
            taps: vec![Tap::at(0.0, [0.0; LANES]); reflections],
            fade_frames: (FADE_S * sample_rate_hz) as usize,
            grid_frames,
            quiet_steps: 0,
            rests: true,
        }
    }

    /// Stands at a plan: delays in samples and lane weights of each reflection.
    pub fn reset(&mut self, delay_samples: &[f64], weights: &[Weights]) {
        for ((tap, &delay), &weights) in self.taps.iter_mut().zip(delay_samples).zip(weights) {
            *tap = Tap::at(delay, weights);
        }
        self.quiet_steps = SETTLING_STEPS;
        self.rests = true;
    }

    /// Starts the next grid step on the way to a plan; `changed` says whether the plan is a new one.
    pub fn head_for(&mut self, delay_samples: &[f64], weights: &[Weights], changed: bool) {
        self.quiet_steps = if changed { 0 } else { self.quiet_steps.saturating_add(1) };
        if !changed && self.rests {
            return;
        }
        let settled = self.quiet_steps >= SETTLING_STEPS;
        for ((tap, &delay), &weights) in self.taps.iter_mut().zip(delay_samples).zip(weights) {
            let delay = if settled { delay.round() } else { delay };
            tap.head_for(delay, weights, self.grid_frames);
        }
        self.rests = settled && self.taps.iter().all(Tap::rests);
    }

    /// Says whether all reflections rest.
    pub fn rests(&self) -> bool {
        self.rests
    }

    /// Adds all reflections of the frames last written to the ring.
    pub fn process(&mut self, ring: &LaneRing, segment: &Segment, scratch: &mut Scratch, output: &mut [f32]) {
        let frames = output.len();
        if self.rests {
            for tap in &self.taps {
                ring.add_delayed(tap.delay.target() as usize, frames, &tap.weights.targets(), output);
            }
            return;
        }
        for tap in &mut self.taps {
            tap.process(ring, segment, scratch, self.fade_frames, output);
        }
    }
}
