//! The transforms of right-angle convolution, on blocks of bins.

use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use crate::kernel::instruction_set::SIMD_WIDTH;
use crate::kernel::instruction_set::{InstructionSet, Kernel, multiply_add};

/// A few bins of a spectrum, real and imaginary parts apart so that plain loops vectorise.
///
/// They fill a line of the cache, so none lies across two.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
pub(super) struct Bins {
    pub(super) re: [f32; SIMD_WIDTH],
    pub(super) im: [f32; SIMD_WIDTH],
}

impl Bins {
    pub(super) const SILENT: Self = Self { re: [0.0; SIMD_WIDTH], im: [0.0; SIMD_WIDTH] };
}

/// One transform size with its plans.
#[derive(Clone)]
pub(super) struct Transform {
    /// Frames of a partition, and points of the transform.
    pub(super) frames: usize,
    pub(super) forward: Arc<dyn Fft<f32>>,
    pub(super) back: Arc<dyn Fft<f32>>,
    /// w^n = e^(i pi n/(2N)).
    pub(super) twiddles: Arc<[Complex<f32>]>,
}

impl fmt::Debug for Transform {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Transform").field("frames", &self.frames).finish_non_exhaustive()
    }
}

impl Transform {
    pub(super) fn new(frames: usize) -> Self {
        let mut planner = FftPlanner::<f32>::new();
        let twiddle = |n: usize| {
            let (sin, cos) = (PI * n as f64 / (2 * frames) as f64).sin_cos();
            Complex::new(cos as f32, sin as f32)
        };
        Self {
            frames,
            forward: planner.plan_fft_forward(frames),
            back: planner.plan_fft_inverse(frames),
            twiddles: (0..frames).map(twiddle).collect(),
        }
    }

    /// Returns how many times [`SIMD_WIDTH`] bins there are.
    pub(super) fn chunks(&self) -> usize {
        self.frames / SIMD_WIDTH
    }
}

/// A transform with its scratch memory.
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
        set.run(Twist { block, twiddles: &self.plan.twiddles, twisted: &mut self.time });
        self.plan.forward.process_outofplace_with_scratch(&mut self.time, &mut self.bins, &mut self.scratch);
        set.run(Part { bins: &self.bins, target, step });
    }

    /// Transforms every `step`th of some sums back: the frames now, added to `overlap`, and what they leave in it.
    pub(super) fn back(
        &mut self,
        set: InstructionSet,
        sums: &[Bins],
        step: usize,
        overlap: &mut [f32],
        ready: &mut [f32],
    ) {
        set.run(Join { sums, step, bins: &mut self.bins });
        self.plan.back.process_outofplace_with_scratch(&mut self.bins, &mut self.time, &mut self.scratch);
        set.run(TwistBack { twisted: &self.time, twiddles: &self.plan.twiddles, overlap, ready });
    }
}

/// Weights a block: x\[n\] w^n.
pub(super) struct Twist<'a> {
    pub(super) block: &'a [f32],
    pub(super) twiddles: &'a [Complex<f32>],
    pub(super) twisted: &'a mut [Complex<f32>],
}

impl Kernel for Twist<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        for ((twisted, &x), twiddle) in self.twisted.iter_mut().zip(self.block).zip(self.twiddles) {
            *twisted = Complex::new(x * twiddle.re, x * twiddle.im);
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
        let (chunks, _) = self.bins.as_chunks::<SIMD_WIDTH>();
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
        let (chunks, _) = self.bins.as_chunks_mut::<SIMD_WIDTH>();
        for (chunk, Bins { re, im }) in chunks.iter_mut().zip(self.sums.iter().step_by(self.step)) {
            for n in 0..SIMD_WIDTH {
                chunk[n] = Complex::new(re[n], im[n]);
            }
        }
    }
}

/// Takes the weights off: y\[n\] w^-n is what sounds now and, times i, what sounds a block later.
pub(super) struct TwistBack<'a> {
    pub(super) twisted: &'a [Complex<f32>],
    pub(super) twiddles: &'a [Complex<f32>],
    pub(super) overlap: &'a mut [f32],
    pub(super) ready: &'a mut [f32],
}

impl Kernel for TwistBack<'_> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        let lines = self.ready.iter_mut().zip(self.overlap.iter_mut());
        for ((ready, overlap), (y, twiddle)) in lines.zip(self.twisted.iter().zip(self.twiddles)) {
            *ready =
                multiply_add::<FUSED>(y.re, twiddle.re, multiply_add::<FUSED>(y.im, twiddle.im, *overlap));
            *overlap = multiply_add::<FUSED>(y.im, twiddle.re, -(y.re * twiddle.im));
        }
    }
}
