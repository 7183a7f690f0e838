//! The products of a delay line and the partitions, summed.

use std::ops::Range;

use super::INPUTS;
use super::frequency_delay_line::FrequencyDelayLine;
use super::partitions::Partitions;
use super::transform::Bins;
use crate::kernel::instruction_set::SIMD_WIDTH;
use crate::kernel::instruction_set::{Kernel, multiply_add};

/// One input's share of a product: its delay line and the partitions that meet it.
#[derive(Clone, Copy)]
pub(super) struct Factors<'a, const CHANNELS: usize> {
    pub(super) delay_line: &'a [Bins],
    pub(super) slots: usize,
    /// Slot that meets the first partition.
    pub(super) start: usize,
    pub(super) partitions: &'a [[Bins; CHANNELS]],
    pub(super) count: usize,
}

impl<'a, const CHANNELS: usize> Factors<'a, CHANNELS> {
    pub(super) fn new(delay_line: &'a FrequencyDelayLine, partitions: &'a Partitions) -> Self {
        if !delay_line.sounds() || partitions.count == 0 {
            return Self { delay_line: &[], slots: 0, start: 0, partitions: &[], count: 0 };
        }
        Self {
            delay_line: &delay_line.bins,
            slots: delay_line.slots,
            start: (delay_line.newest + partitions.first) % delay_line.slots,
            partitions: partitions.bins.as_chunks().0,
            count: partitions.count,
        }
    }
}

/// Sums the products of delay line and partitions, all inputs, partitions and channels for a few bins at a time.
pub(super) struct Multiply<'a, const CHANNELS: usize> {
    pub(super) inputs: [Factors<'a, CHANNELS>; INPUTS],
    /// Which of the sums, in steps of [`SIMD_WIDTH`] bins.
    pub(super) chunks: Range<usize>,
    pub(super) sums: &'a mut [[Bins; CHANNELS]],
}

/// Sums of a few bins of one channel.
///
/// Fused: products of real with real, imaginary with imaginary, real with
/// imaginary and imaginary with real parts, apart, because one chain of sums
/// each hides the latency of the multiply-add. Otherwise the first two are the
/// real and the imaginary part, and the others stay empty.
pub(super) type Sums = [[f32; SIMD_WIDTH]; 4];

impl<const CHANNELS: usize> Kernel for Multiply<'_, CHANNELS> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        for chunk in self.chunks {
            // Two names instead of an array: the sums stay in registers.
            let mut first: Sums = [[0.0; SIMD_WIDTH]; 4];
            let mut last: Sums = [[0.0; SIMD_WIDTH]; 4];
            for input in &self.inputs {
                let delay_line = &input.delay_line[chunk * input.slots..][..input.slots];
                let partitions = &input.partitions[chunk * input.count..][..input.count];
                let (fresh, wrapped) = partitions.split_at((input.slots - input.start).min(input.count));
                for (x, h) in delay_line[input.start..].iter().zip(fresh) {
                    first = add_product::<FUSED>(first, x, &h[0]);
                    if CHANNELS > 1 {
                        last = add_product::<FUSED>(last, x, &h[CHANNELS - 1]);
                    }
                }
                for (x, h) in delay_line.iter().zip(wrapped) {
                    first = add_product::<FUSED>(first, x, &h[0]);
                    if CHANNELS > 1 {
                        last = add_product::<FUSED>(last, x, &h[CHANNELS - 1]);
                    }
                }
            }
            let sums = &mut self.sums[chunk];
            if CHANNELS > 1 {
                sums[CHANNELS - 1] = close_sums::<FUSED>(last);
            }
            sums[0] = close_sums::<FUSED>(first);
        }
    }
}

/// Adds the product of a few bins.
#[inline(always)]
pub(super) fn add_product<const FUSED: bool>(sums: Sums, x: &Bins, h: &Bins) -> Sums {
    let [mut re, mut im, mut re_im, mut im_re] = sums;
    let (Bins { re: x_re, im: x_im }, Bins { re: h_re, im: h_im }) = (x, h);
    if FUSED {
        re = add_products::<FUSED>(re, x_re, h_re);
        im = add_products::<FUSED>(im, x_im, h_im);
        re_im = add_products::<FUSED>(re_im, x_re, h_im);
        im_re = add_products::<FUSED>(im_re, x_im, h_re);
    } else {
        for n in 0..SIMD_WIDTH {
            re[n] += x_re[n] * h_re[n] - x_im[n] * h_im[n];
        }
        for n in 0..SIMD_WIDTH {
            im[n] += x_re[n] * h_im[n] + x_im[n] * h_re[n];
        }
    }
    [re, im, re_im, im_re]
}

#[inline(always)]
pub(super) fn add_products<const FUSED: bool>(
    mut sums: [f32; SIMD_WIDTH],
    a: &[f32; SIMD_WIDTH],
    b: &[f32; SIMD_WIDTH],
) -> [f32; SIMD_WIDTH] {
    for n in 0..SIMD_WIDTH {
        sums[n] = multiply_add::<FUSED>(a[n], b[n], sums[n]);
    }
    sums
}

#[inline(always)]
pub(super) fn close_sums<const FUSED: bool>([mut re, mut im, re_im, im_re]: Sums) -> Bins {
    if FUSED {
        for n in 0..SIMD_WIDTH {
            re[n] -= im[n];
        }
        for n in 0..SIMD_WIDTH {
            im[n] = re_im[n] + im_re[n];
        }
    }
    Bins { re, im }
}
