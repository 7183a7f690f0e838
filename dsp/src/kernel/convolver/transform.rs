//! The transforms of right-angle convolution, on blocks of bins.

use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::LANES;
use crate::kernel::instruction_set::{InstructionSet, Kernel, multiply_add};

/// A few bins of a spectrum, real and imaginary parts apart so that plain loops vectorise.
///
/// They fill a line of the cache, so none lies across two.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
pub(super) struct Bins {
    pub(super) re: [f32; LANES],
    pub(super) im: [f32; LANES],
}

impl Bins {
    pub(super) const SILENT: Self = Self { re: [0.0; LANES], im: [0.0; LANES] };
}

/// One transform size with its plans.
#[derive(Clone)]
pub(super) struct Transform {
    /// Frames of a partition, and points of the transform.
    pub(super) frames: usize,
    pub(super) forward: Arc<dyn Fft<f32>>,
    pub(super) back: Arc<dyn Fft<f32>>,
    /// w^n = e^(i pi n/(2N)).
    pub(super) turns: Arc<[Complex<f32>]>,
}

impl fmt::Debug for Transform {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Transform").field("frames", &self.frames).finish_non_exhaustive()
    }
}

impl Transform {
    pub(super) fn new(frames: usize) -> Self {
        let mut planner = FftPlanner::<f32>::new();
        let turn = |n: usize| {
            let (sin, cos) = (PI * n as f64 / (2 * frames) as f64).sin_cos();
            Complex::new(cos as f32, sin as f32)
        };
        Self {
            frames,
            forward: planner.plan_fft_forward(frames),
            back: planner.plan_fft_inverse(frames),
            turns: (0..frames).map(turn).collect(),
        }
    }

    /// Returns how many times [`LANES`] bins there are.
    pub(super) fn chunks(&self) -> usize {
        self.frames / LANES
    }
}

/// A transform with its working room.
#[derive(Debug)]
pub(super) struct Transformer {
    pub(super) plan: Transform,
    pub(super) time: Vec<Complex<f32>>,
    pub(super) bins: Vec<Complex<f32>>,
    pub(super) scratch: Vec<Complex<f32>>,
}

impl Transformer {
    pub(super) fn new(plan: &Transform) -> Self {
        let room = |length| vec![Complex::default(); length];
        let (forward, back) = (&plan.forward, &plan.back);
        Self {
            plan: plan.clone(),
            time: room(plan.frames),
            bins: room(plan.frames),
            scratch: room(forward.get_outofplace_scratch_len().max(back.get_outofplace_scratch_len())),
        }
    }

    /// Transforms a block; its first bins go to `target[0]`, the next ones `step` further.
    pub(super) fn forward(&mut self, set: InstructionSet, block: &[f32], target: &mut [Bins], step: usize) {
        set.run(Turn { block, turns: &self.plan.turns, turned: &mut self.time });
        self.plan.forward.process_outofplace_with_scratch(&mut self.time, &mut self.bins, &mut self.scratch);
        set.run(Part { bins: &self.bins, target, step });
    }

    /// Transforms every `step`th of some sums back: the frames now, added to `carry`, and what they leave in it.
    pub(super) fn back(
        &mut self,
        set: InstructionSet,
        sums: &[Bins],
        step: usize,
        carry: &mut [f32],
        ready: &mut [f32],
    ) {
        set.run(Join { sums, step, bins: &mut self.bins });
        self.plan.back.process_outofplace_with_scratch(&mut self.bins, &mut self.time, &mut self.scratch);
        set.run(TurnBack { turned: &self.time, turns: &self.plan.turns, carry, ready });
    }
}

/// Weights a block: x\[n\] w^n.
pub(super) struct Turn<'a> {
    pub(super) block: &'a [f32],
    pub(super) turns: &'a [Complex<f32>],
    pub(super) turned: &'a mut [Complex<f32>],
}

impl Kernel for Turn<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        for ((turned, &x), turn) in self.turned.iter_mut().zip(self.block).zip(self.turns) {
            *turned = Complex::new(x * turn.re, x * turn.im);
        }
    }
}

/// Parts real from imaginary parts.
pub(super) struct Part<'a> {
    pub(super) bins: &'a [Complex<f32>],
    pub(super) target: &'a mut [Bins],
    pub(super) step: usize,
}

impl Kernel for Part<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let (chunks, _) = self.bins.as_chunks::<LANES>();
        for (target, chunk) in self.target.iter_mut().step_by(self.step).zip(chunks) {
            *target = Bins { re: chunk.map(|bin| bin.re), im: chunk.map(|bin| bin.im) };
        }
    }
}

/// Joins real and imaginary parts again.
pub(super) struct Join<'a> {
    pub(super) sums: &'a [Bins],
    pub(super) step: usize,
    pub(super) bins: &'a mut [Complex<f32>],
}

impl Kernel for Join<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let (chunks, _) = self.bins.as_chunks_mut::<LANES>();
        for (chunk, Bins { re, im }) in chunks.iter_mut().zip(self.sums.iter().step_by(self.step)) {
            for lane in 0..LANES {
                chunk[lane] = Complex::new(re[lane], im[lane]);
            }
        }
    }
}

/// Takes the weights off: y\[n\] w^-n is what sounds now and, times i, what sounds a block later.
pub(super) struct TurnBack<'a> {
    pub(super) turned: &'a [Complex<f32>],
    pub(super) turns: &'a [Complex<f32>],
    pub(super) carry: &'a mut [f32],
    pub(super) ready: &'a mut [f32],
}

impl Kernel for TurnBack<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let lines = self.ready.iter_mut().zip(self.carry.iter_mut());
        for ((ready, carry), (y, turn)) in lines.zip(self.turned.iter().zip(self.turns)) {
            *ready = multiply_add::<FUSED>(y.re, turn.re, multiply_add::<FUSED>(y.im, turn.im, *carry));
            *carry = multiply_add::<FUSED>(y.im, turn.re, -(y.re * turn.im));
        }
    }
}
