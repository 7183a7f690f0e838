//! The recent past of a channel, read at whole delays or between them.
//!
//! A delay at rest reads whole samples. A delay that glides reads between: a
//! straight line from sample to sample, bent by a cubic that the three samples
//! on either side decide.

use crate::kernel::instruction_set::{Eight, SIMD_WIDTH};
use crate::plan::copies::READ_AHEAD_SAMPLES;

/// Samples that decide what lies between the middle two.
const POINTS: usize = 6;
/// Points that come before the earlier one of the middle two.
const BEFORE: usize = POINTS / 2 - 1;
/// Least delay that can glide, in whole frames: points come that much later.
const LEAST_FRAMES: i32 = BEFORE as i32;
const _: () = assert!(LEAST_FRAMES as f64 <= READ_AHEAD_SAMPLES, "what moves of a section can be read");

/// Factors of the cubic on sums and differences of the samples at half a sample, one and a half and two and a half.
///
/// Made by `dsp/design/glide_points.py`: least squares over delay and frequency
/// up to 0.21 of the sample rate, errors weighted by 1/f. At 48 kHz the largest
/// error is -107 dB at 250 Hz, -84 dB at 1 kHz, -67 dB at 6 kHz and -47 dB at 10 kHz.
const ON_SUMS: [f32; POINTS / 2] = [-0.3799, 0.4488, -0.0689];
const ON_DIFFERENCES: [f32; POINTS / 2] = [-0.7441, 0.2907, -0.0257];

/// A ring of samples.
#[derive(Debug)]
pub struct DelayLine {
    /// The first frames stand once more after the end, so that a run of frames is one slice.
    cells: Vec<f32>,
    /// Frames of the ring, a power of two.
    size: usize,
    /// Where the next frame goes.
    head: usize,
}

/// Where frames of a run lie in a line.
#[derive(Clone, Copy, Debug)]
pub struct ReadPoint<'a> {
    cells: &'a [f32],
    mask: u32,
    first: u32,
}

impl ReadPoint<'_> {
    /// Reads a group of frames at a gliding delay.
    ///
    /// The delay is `whole` + 1/2 + t, t = `first` + n `step`, in samples, n the
    /// frame within the group. With s1, s2, s3 and d1, d2, d3 the sums and
    /// differences of the samples half a sample, one and a half, two and a half
    /// later and earlier than `whole` + 1/2:
    /// s1/2 + t d1 + (t^2 - 1/4)(a1 s1 + a2 s2 + a3 s3 + t (b1 d1 + b2 d2 + b3 d3)),
    /// which is a sample itself where t is 1/2 or -1/2.
    #[inline(always)]
    pub fn glide<E: Eight>(&self, eight: E, whole: i32, first: f32, step: f32) -> E::Numbers {
        const COUNTING: [f32; SIMD_WIDTH] = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
        let oldest = whole.max(LEAST_FRAMES) as u32 + (POINTS - BEFORE - 1) as u32;
        let start = (self.first.wrapping_sub(oldest) & self.mask) as usize;
        let span = &self.cells[start..start + SIMD_WIDTH + POINTS - 1];
        let point = |n: usize| {
            // PANIC: the span holds a group at each of the points.
            let cells: &[f32; SIMD_WIDTH] = span[n..n + SIMD_WIDTH].try_into().expect("a group");
            eight.load(cells)
        };
        let [s1, s2, s3]: [E::Numbers; 3] = std::array::from_fn(|n| eight.add(point(2 - n), point(3 + n)));
        let [d1, d2, d3]: [E::Numbers; 3] =
            std::array::from_fn(|n| eight.subtract(point(2 - n), point(3 + n)));
        let t = eight.multiply_add(eight.load(&COUNTING), eight.splat(step), eight.splat(first));
        let weigh = |by: [f32; 3], [one, two, three]: [E::Numbers; 3]| {
            let sum = eight.multiply(eight.splat(by[2]), three);
            let sum = eight.multiply_add(eight.splat(by[1]), two, sum);
            eight.multiply_add(eight.splat(by[0]), one, sum)
        };
        let cubic = eight.multiply_add(t, weigh(ON_DIFFERENCES, [d1, d2, d3]), weigh(ON_SUMS, [s1, s2, s3]));
        let straight = eight.multiply_add(t, d1, eight.multiply(eight.splat(0.5), s1));
        eight.multiply_add(eight.multiply_add(t, t, eight.splat(-0.25)), cubic, straight)
    }
}

impl DelayLine {
    /// Allocates a line that reaches `longest_delay_frames` back while runs of up to `longest_run_frames` are written.
    pub fn new(longest_delay_frames: usize, longest_run_frames: usize) -> Self {
        // A group begins up to a group before the run and ends as far after it.
        let around = longest_run_frames + POINTS + 2 * SIMD_WIDTH;
        let size = (longest_delay_frames + around).next_power_of_two();
        let mut line = Self { cells: vec![0.0; size + around], size, head: 0 };
        // A fresh page costs a fault when it is first written; that is done here, not while sound runs.
        std::hint::black_box(&mut line.cells).fill(0.0);
        line
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.cells.fill(0.0);
        self.head = 0;
    }

    /// Returns the number of frames kept.
    pub const fn frames(&self) -> usize {
        self.size
    }

    /// Appends frames, at most a run.
    #[inline(always)]
    pub fn write(&mut self, frames: &[f32]) {
        let (size, head, count) = (self.size, self.head, frames.len());
        let doubled = self.cells.len() - size;
        let first = count.min(size - head);
        self.cells[head..head + first].copy_from_slice(&frames[..first]);
        self.cells[..count - first].copy_from_slice(&frames[first..]);
        // What stands in the beginning of the ring stands once more after its end.
        if head < doubled {
            self.cells.copy_within(head..(head + count).min(doubled), size + head);
        }
        if count > first {
            self.cells.copy_within(0..(count - first).min(doubled), size);
        }
        self.head = (head + count) & (size - 1);
    }

    /// Returns the frames `delay_frames` before the last `run_frames` written.
    #[inline(always)]
    pub fn delayed(&self, delay_frames: usize, run_frames: usize) -> &[f32] {
        let start = self.start(delay_frames as u32, run_frames) as usize;
        &self.cells[start..start + run_frames]
    }

    /// Returns where a run of `run_frames` begins in the ring, `delay_frames` late; it lies there in one piece.
    #[inline(always)]
    pub fn start(&self, delay_frames: u32, run_frames: usize) -> u32 {
        self.first(run_frames, 0).wrapping_sub(delay_frames) & (self.size as u32 - 1)
    }

    /// Returns the ring, and after its end its beginning once more.
    #[inline(always)]
    pub fn ring(&self) -> &[f32] {
        &self.cells
    }

    #[inline(always)]
    fn first(&self, run_frames: usize, ahead: i32) -> u32 {
        (self.head as u32).wrapping_sub(run_frames as u32).wrapping_add(ahead as u32)
    }

    /// Returns where the group is read that begins `ahead` frames after the first of the last `run_frames` written.
    #[inline(always)]
    pub fn read_point(&self, run_frames: usize, ahead: i32) -> ReadPoint<'_> {
        ReadPoint { cells: &self.cells, mask: self.size as u32 - 1, first: self.first(run_frames, ahead) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::extremes::larger;
    use crate::kernel::instruction_set::{EightKernel, InstructionSet};

    struct GlideAt<'a>(&'a DelayLine, f64, f32);

    impl EightKernel for GlideAt<'_> {
        type Output = [f32; SIMD_WIDTH];

        #[inline(always)]
        fn run<E: Eight>(self, eight: E) -> [f32; SIMD_WIDTH] {
            let whole = self.1.floor() as i32;
            let first = (self.1 - f64::from(whole) - 0.5) as f32;
            let mut heard = [0.0; SIMD_WIDTH];
            eight.store(self.0.read_point(SIMD_WIDTH, 0).glide(eight, whole, first, self.2), &mut heard);
            heard
        }
    }

    /// Writes frames of a function of time in runs of changing length.
    fn fill(line: &mut DelayLine, total: usize, sound: impl Fn(f64) -> f64) {
        let (mut done, mut run) = (0, 1);
        while done < total {
            run = (run * 5 + 3) % 61 + 3;
            let run = run.min(total - done);
            let frames: Vec<f32> = (done..done + run).map(|n| sound(n as f64) as f32).collect();
            line.write(&frames);
            done += run;
        }
    }

    #[test]
    fn a_whole_delay_is_exact() {
        let mut line = DelayLine::new(300, 64);
        for total in [400_usize, 900, 901, 1400] {
            line.reset();
            fill(&mut line, total, |n| n);
            for delay in [0, 5, 250, 300] {
                let run = line.delayed(delay, 3);
                let expected: Vec<f32> = (total - 3..total).map(|n| (n - delay) as f32).collect();
                assert_eq!(run, &expected[..], "{total} frames, {delay} late");
            }
        }
    }

    /// A glide that stands on a whole delay reads what a rest there reads: no step where one becomes the other.
    #[test]
    fn a_glide_at_a_whole_delay_is_that_sample() {
        let mut line = DelayLine::new(300, 64);
        fill(&mut line, 700, |n| (0.9 * n).sin());
        for delay in [2_u16, 3, 40, 299] {
            let heard = InstructionSet::widest().run_eight(GlideAt(&line, f64::from(delay), 0.0));
            for (n, (got, expected)) in
                heard.iter().zip(line.delayed(usize::from(delay), SIMD_WIDTH)).enumerate()
            {
                // One rounding of single precision.
                assert!(
                    (got - expected).abs() < 2e-7,
                    "{delay} late, frame {n}: expected {expected}, got {got}"
                );
            }
        }
    }

    /// The bounds are the errors of the design, see [`ON_SUMS`], rounded up.
    #[test]
    fn a_gliding_delay_is_where_it_should_be() {
        for (hz, within) in [(250.0, 5e-6), (1000.0, 7e-5), (6000.0, 5e-4), (10_000.0, 4.5e-3)] {
            let omega = std::f64::consts::TAU * hz / 48_000.0;
            let mut line = DelayLine::new(1000, 64);
            let total = 1500;
            fill(&mut line, total, |n| (omega * n).sin());
            let mut worst: f64 = 0.0;
            for sixteenth in 0..16 {
                for whole in [3.0, 19.0, 650.0] {
                    let first = whole + f64::from(sixteenth) / 16.0;
                    let heard = InstructionSet::widest().run_eight(GlideAt(&line, first, 0.001));
                    for (n, got) in heard.iter().enumerate() {
                        let delay = first + 0.001 * n as f64;
                        let expected = (omega * ((total - SIMD_WIDTH + n) as f64 - delay)).sin();
                        worst = larger(worst, (f64::from(*got) - expected).abs());
                    }
                }
            }
            assert!(worst < within, "{hz} Hz: {worst}");
            // Reading the nearest sample instead would be off by up to half a sample.
            assert!(worst < 0.1 * omega / 2.0, "{hz} Hz: no better than no interpolation");
        }
    }
}
