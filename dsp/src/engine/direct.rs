//! The direct sound at both capsules: level, tone and the pair's small time difference, without latency.

use crate::engine::branch_bank::BUSES;
use crate::engine::delay_line::DelayLine;
use crate::engine::glide::{Glide, GlideOf};
use crate::engine::segment::Segment;
use crate::kernel::instruction_set::Eight;
use crate::plan::band_split::{BRANCHES, BranchFrame, Weights};

/// Delay that both capsules share, in samples.
///
/// A first-order all-pass holds its delay best from half a sample to one and a
/// half; half a sample on both sides leaves differences as they are.
const SHARED_SAMPLES: f32 = 0.5;
/// Half the stretch, in samples, over which one whole-sample delay gives way to the next (our choice).
const OVERLAP_SAMPLES: f32 = 0.1;
/// State below which the all-passes are silent, linear.
const SILENT: f32 = 1e-20;

/// Capsules of a pair.
const CAPSULES: usize = 2;
/// Heads of both capsules: one takes the even whole samples, the other the odd ones.
const HEADS: usize = 2 * CAPSULES;

/// Where one of the two heads of a capsule stands for a delay difference.
///
/// Which head is heard follows from the delay alone, never from how it was reached.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Head {
    whole_frames: u32,
    coefficient: f32,
    weight: f32,
}

impl Head {
    #[inline(always)]
    fn at(difference_samples: f32, parity: u32) -> Self {
        let parity_samples = parity as f32;
        // The pairs of whole samples before this one; -1 where an odd head would have to come before 0.
        let steps = (0.5 * (difference_samples - parity_samples + OVERLAP_SAMPLES) + 1.0) as i32 - 1;
        if steps < 0 {
            return Self::default();
        }
        let whole = 2 * steps as u32 + parity;
        // Within -overlap to 2 - overlap; heard alone from overlap to 1 - overlap.
        let within = difference_samples - whole as f32;
        let rise = if whole == 0 { 1.0 } else { (within + OVERLAP_SAMPLES) * (0.5 / OVERLAP_SAMPLES) };
        let fall = (1.0 + OVERLAP_SAMPLES - within) * (0.5 / OVERLAP_SAMPLES);
        let delay = SHARED_SAMPLES + within;
        Self {
            whole_frames: whole,
            coefficient: (1.0 - delay) / (1.0 + delay),
            weight: rise.min(fall).clamp(0.0, 1.0),
        }
    }
}

/// The direct sound of one source at both capsules.
#[derive(Clone, Debug)]
pub struct Direct {
    /// Delays after the nearer capsule, in samples.
    difference: [Glide; CAPSULES],
    weights: [GlideOf<BRANCHES>; CAPSULES],
    /// Heads at rest: even and odd of the left, then of the right.
    heads: [Head; HEADS],
    all_passes: AllPasses,
}

/// First-order all-passes behind whole-sample delays, one a head.
///
/// y(n) = a x(n) + x(n - 1) - a y(n - 1), a = (1 - d)/(1 + d): delay d samples
/// at low frequencies.
///
/// # Source
/// Thiran (1971), order 1.
#[derive(Clone, Copy, Debug, Default)]
struct AllPasses {
    x: [f32; HEADS],
    y: [f32; HEADS],
}

impl AllPasses {
    /// Takes one frame and returns what is heard at each capsule.
    #[inline(always)]
    fn step<E: Eight>(
        &mut self,
        eight: E,
        x: [f32; HEADS],
        coefficient: &[f32; HEADS],
        weight: &[f32; HEADS],
    ) -> [f32; CAPSULES] {
        let mut heard = [0.0; HEADS];
        for head in 0..HEADS {
            let a = coefficient[head];
            let fed = eight.multiply_add_one(a, x[head], self.x[head]);
            self.y[head] = eight.multiply_add_one(-a, self.y[head], fed);
            self.x[head] = x[head];
            heard[head] = weight[head] * self.y[head];
        }
        [heard[0] + heard[1], heard[2] + heard[3]]
    }
}

impl Direct {
    /// Starts at rest: delays after the nearer capsule, and branch weights, by capsule.
    pub fn new(difference_samples: [f64; CAPSULES], weights: [Weights; CAPSULES]) -> Self {
        let mut direct = Self {
            difference: difference_samples.map(Glide::at),
            weights: weights.map(GlideOf::at),
            heads: [Head::default(); HEADS],
            all_passes: AllPasses::default(),
        };
        direct.place_heads();
        direct
    }

    /// Starts the next grid step on the way to a plan.
    pub fn glide_to(&mut self, difference_samples: [f64; CAPSULES], weights: [&Weights; CAPSULES]) {
        for capsule in 0..CAPSULES {
            self.difference[capsule].glide_to(difference_samples[capsule]);
            self.weights[capsule].glide_to(*weights[capsule]);
        }
        self.place_heads();
    }

    fn place_heads(&mut self) {
        for head in 0..HEADS {
            self.heads[head] = Head::at(self.difference[head / 2].value(0.0) as f32, head as u32 % 2);
        }
    }

    /// Says whether the direct sound rests throughout the grid step.
    pub fn rests(&self) -> bool {
        self.differences_rest() && self.weights.iter().all(GlideOf::rests)
    }

    /// Says whether nothing is heard during the grid step: in a section, whose places are heard instead.
    fn is_silent(&self) -> bool {
        self.weights.iter().all(|weights| weights.rests() && weights.targets() == [0.0; BRANCHES])
    }

    fn differences_rest(&self) -> bool {
        self.difference.iter().all(Glide::rests)
    }

    /// Adds the direct sound of the frames last written to the line to the first two buses of `frames`.
    #[inline(always)]
    pub fn process<E: Eight>(
        &mut self,
        eight: E,
        line: &DelayLine,
        segment: &Segment,
        heard: &mut [[f32; CAPSULES]],
        frames: &mut [[BranchFrame; BUSES]],
    ) {
        if self.is_silent() {
            // As after a long silence: what comes next begins anew.
            self.all_passes = AllPasses::default();
            return;
        }
        let heard = &mut heard[..frames.len()];
        if self.differences_rest() {
            self.stand(eight, line, heard);
        } else {
            self.sweep(eight, line, segment, heard);
        }
        for state in &mut self.all_passes.y {
            if state.abs() < SILENT {
                *state = 0.0;
            }
        }
        for (capsule, weights) in self.weights.iter().enumerate() {
            add_to_bus(eight, weights, segment, capsule, frames, |n| heard[n][capsule]);
        }
    }

    /// Hears the line through heads that stand still: the even ones of both capsules, then the odd ones.
    #[inline(always)]
    fn stand<E: Eight>(&mut self, eight: E, line: &DelayLine, heard: &mut [[f32; CAPSULES]]) {
        let count = heard.len();
        heard.fill([0.0; CAPSULES]);
        for parity in 0..2 {
            let pair = [parity, parity + 2];
            if pair.iter().all(|&head| self.heads[head].weight == 0.0) {
                for head in pair {
                    (self.all_passes.x[head], self.all_passes.y[head]) = (0.0, 0.0);
                }
                continue;
            }
            let past = pair.map(|head| line.delayed(self.heads[head].whole_frames as usize, count));
            let coefficient = pair.map(|head| self.heads[head].coefficient);
            let weight = pair.map(|head| self.heads[head].weight);
            let mut before = pair.map(|head| self.all_passes.x[head]);
            let mut y = pair.map(|head| self.all_passes.y[head]);
            for (n, heard) in heard.iter_mut().enumerate() {
                for capsule in 0..CAPSULES {
                    let x = past[capsule][n];
                    let fed = eight.multiply_add_one(coefficient[capsule], x, before[capsule]);
                    y[capsule] = eight.multiply_add_one(-coefficient[capsule], y[capsule], fed);
                    before[capsule] = x;
                    heard[capsule] = eight.multiply_add_one(weight[capsule], y[capsule], heard[capsule]);
                }
            }
            for (capsule, head) in pair.into_iter().enumerate() {
                (self.all_passes.x[head], self.all_passes.y[head]) = (before[capsule], y[capsule]);
            }
        }
    }

    /// Hears the line through heads that move, frame by frame.
    #[inline(always)]
    fn sweep<E: Eight>(
        &mut self,
        eight: E,
        line: &DelayLine,
        segment: &Segment,
        heard: &mut [[f32; CAPSULES]],
    ) {
        let count = heard.len();
        let polynomial = self.difference.each_ref().map(|glide| glide.polynomial().map(|x| x as f32));
        let per_frame = 1.0 / segment.grid_frames as f32;
        let ring = line.ring();
        let mut all_passes = self.all_passes;
        for (n, heard) in heard.iter_mut().enumerate() {
            let share = (segment.offset_frames + n) as f32 * per_frame;
            let mut x = [0.0; HEADS];
            let mut coefficient = [0.0; HEADS];
            let mut weight = [0.0; HEADS];
            for head in 0..HEADS {
                let [start, slope, bend] = polynomial[head / 2];
                let difference = start + share * (slope + share * bend);
                let head_now = Head::at(difference, head as u32 % 2);
                x[head] = ring[line.start(head_now.whole_frames, count) as usize + n];
                coefficient[head] = head_now.coefficient;
                weight[head] = head_now.weight;
            }
            *heard = all_passes.step(eight, x, &coefficient, &weight);
        }
        self.all_passes = all_passes;
    }
}

/// Adds a sound, times branch weights that may be on their way, to a bus of `frames`.
#[inline(always)]
pub(crate) fn add_to_bus<E: Eight>(
    eight: E,
    weights: &GlideOf<BRANCHES>,
    segment: &Segment,
    bus: usize,
    frames: &mut [[BranchFrame; BUSES]],
    sound: impl Fn(usize) -> f32,
) {
    let (start, step) = segment.ramp_of_step(weights);
    let (start, step) = (eight.load(&start), eight.load(&step));
    let into_step = (segment.offset_frames - segment.step_frames().0) as f32;
    let rests = weights.rests();
    for (n, frame) in frames.iter_mut().enumerate() {
        let weights =
            if rests { start } else { eight.multiply_add(step, eight.splat(into_step + n as f32), start) };
        let sum = eight.load(&frame[bus]);
        eight.store(eight.multiply_add(weights, eight.splat(sound(n)), sum), &mut frame[bus]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_weights_of_both_heads_add_up_to_one() {
        for step in 0..4000_u16 {
            let difference = f32::from(step) * 0.01;
            let sum = Head::at(difference, 0).weight + Head::at(difference, 1).weight;
            assert!((sum - 1.0).abs() < 1e-4, "at {difference}: got {sum}");
        }
    }
}
