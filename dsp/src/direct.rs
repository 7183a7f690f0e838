//! The direct sound at one capsule: level, tone and the pair's small time difference, without latency.

use crate::bands::{LANES, Weights};
use crate::glide::{Glide, GlideOf};
use crate::lane_ring::LaneRing;
use crate::segment::Segment;

/// Delay that both capsules share, in samples.
///
/// A first-order all-pass holds its delay best from half a sample to one and a
/// half; half a sample on both sides leaves differences as they are.
const SHARED_SAMPLES: f64 = 0.5;
/// Half the stretch, in samples, over which one whole-sample delay gives way to the next (our choice).
const OVERLAP_SAMPLES: f64 = 0.1;
/// State below which the all-passes are silent, linear.
const SILENT: f32 = 1e-20;

/// A first-order all-pass behind a whole-sample delay.
///
/// y(n) = a x(n) + x(n - 1) - a y(n - 1), a = (1 - d)/(1 + d): delay d samples
/// at low frequencies.
///
/// # Source
/// Thiran (1971), order 1.
#[derive(Clone, Copy, Debug, Default)]
struct AllPass {
    x: f32,
    y: f32,
}

impl AllPass {
    fn step(&mut self, a: f32, x: f32) -> f32 {
        let y = a * (x - self.y) + self.x;
        self.x = x;
        self.y = y;
        y
    }
}

/// Where one of the two heads stands for a delay difference.
///
/// One head takes the even whole samples, the other the odd ones; which is
/// heard follows from the delay alone, never from how it was reached.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Head {
    whole: usize,
    coefficient: f32,
    weight: f32,
}

impl Head {
    fn at(difference_samples: f64, parity: usize) -> Self {
        let steps = f64::midpoint(difference_samples - parity as f64, OVERLAP_SAMPLES).floor();
        let whole = 2.0 * steps + parity as f64;
        if whole < 0.0 {
            return Self { whole: 0, coefficient: 0.0, weight: 0.0 };
        }
        // Within -overlap to 2 - overlap; heard alone from overlap to 1 - overlap.
        let within = difference_samples - whole;
        let rise = if whole == 0.0 { 1.0 } else { (within + OVERLAP_SAMPLES) / (2.0 * OVERLAP_SAMPLES) };
        let fall = (1.0 + OVERLAP_SAMPLES - within) / (2.0 * OVERLAP_SAMPLES);
        let delay = SHARED_SAMPLES + within;
        Self {
            whole: whole as usize,
            coefficient: ((1.0 - delay) / (1.0 + delay)) as f32,
            weight: rise.min(fall).clamp(0.0, 1.0) as f32,
        }
    }
}

/// The direct sound at one capsule.
#[derive(Clone, Debug)]
pub struct Direct {
    difference: Glide,
    weights: GlideOf<LANES>,
    all_passes: [AllPass; 2],
}

impl Direct {
    /// Starts at rest: `difference_samples` after the nearer capsule.
    pub fn new(difference_samples: f64, weights: Weights) -> Self {
        Self {
            difference: Glide::at(difference_samples),
            weights: GlideOf::at(weights),
            all_passes: [AllPass::default(); 2],
        }
    }

    /// Starts the next grid step on the way to a plan.
    pub fn head_for(&mut self, difference_samples: f64, weights: Weights) {
        self.difference.head_for(difference_samples);
        self.weights.head_for(weights);
    }

    /// Says whether the direct sound rests throughout the grid step.
    pub fn rests(&self) -> bool {
        self.difference.rests() && self.weights.rests()
    }

    /// Adds the direct sound of the frames last written to the ring.
    pub fn process(&mut self, ring: &LaneRing, segment: &Segment, scratch: &mut [f32], output: &mut [f32]) {
        let frames = output.len();
        let moving = !self.difference.rests();
        let still = self.difference.value(0.0);
        for parity in 0..2 {
            let heads = (!moving).then(|| Head::at(still, parity));
            if heads.is_some_and(|head| head.weight == 0.0) {
                self.all_passes[parity] = AllPass::default();
                continue;
            }
            if let Some(head) = heads {
                self.read(ring, head.whole, segment, &mut scratch[..frames]);
                for (out, &x) in output.iter_mut().zip(&*scratch) {
                    *out += head.weight * self.all_passes[parity].step(head.coefficient, x);
                }
            } else {
                self.sweep(parity, ring, segment, scratch, output);
            }
            let state = &mut self.all_passes[parity];
            if state.y.abs() < SILENT {
                state.y = 0.0;
            }
        }
    }

    /// Follows a changing delay, run by run of the same whole-sample delay.
    fn sweep(
        &mut self,
        parity: usize,
        ring: &LaneRing,
        segment: &Segment,
        scratch: &mut [f32],
        output: &mut [f32],
    ) {
        let frames = output.len();
        let head_at = |n: usize| Head::at(self.difference.value(segment.share(n)), parity);
        let mut first = 0;
        while first < frames {
            let whole = head_at(first).whole;
            let end = (first + 1..frames).find(|&n| head_at(n).whole != whole).unwrap_or(frames);
            self.read(ring, whole, segment, &mut scratch[..frames]);
            for n in first..end {
                let head = Head::at(self.difference.value(segment.share(n)), parity);
                output[n] += head.weight * self.all_passes[parity].step(head.coefficient, scratch[n]);
            }
            first = end;
        }
    }

    fn read(&self, ring: &LaneRing, whole: usize, segment: &Segment, sum: &mut [f32]) {
        sum.fill(0.0);
        let written = sum.len();
        if self.weights.rests() {
            ring.add_delayed(whole, written, &self.weights.targets(), sum);
        } else {
            let (from, step) = segment.ramp(&self.weights, 0.0);
            ring.add_delayed_ramp(whole, written, &from, &step, sum);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_weights_of_both_heads_add_up_to_one() {
        for step in 0..4000 {
            let difference = f64::from(step) * 0.01;
            let sum = Head::at(difference, 0).weight + Head::at(difference, 1).weight;
            assert!((sum - 1.0).abs() < 1e-5, "at {difference}: got {sum}");
        }
    }
}
