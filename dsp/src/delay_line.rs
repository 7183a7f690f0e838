//! The recent past of a channel, on a grid of quarter samples.
//!
//! A delay at rest reads whole samples. A delay that glides reads between: the
//! channel is kept three more times, late by a quarter, a half and three
//! quarters of a sample, and a parabola joins the three nearest points of that
//! grid. So a glide costs three reads whatever the quality of the filters that
//! made the grid.

use crate::instruction_set::Eight;

/// Points of the grid per sample.
pub const PHASES: usize = 4;
/// Samples that are read together: the width of a vector.
pub const GROUP: usize = 8;

/// Samples that make a point of the grid.
const SPAN: usize = 8;
/// How many frames a point between samples comes after them: its span lies half before it and half behind.
const LATE_FRAMES: usize = SPAN / 2 - 1;
/// Least delay that can glide, in quarter samples: the parabola reads one point before.
const LEAST_QUARTER: i32 = (PHASES * LATE_FRAMES) as i32 + 2;

/// A ring of samples, and the same ring three times later by quarters of a sample.
#[derive(Debug)]
pub struct DelayLine {
    /// Phase after phase; the first frames of each stand once more after its end, so that a run of frames is one slice.
    cells: Vec<f32>,
    /// Cells of a phase.
    stride: usize,
    filters: [[f32; SPAN]; PHASES - 1],
    /// Frames in use, a power of two.
    size: usize,
    /// Frames that stand twice.
    doubled: usize,
    /// Where the next frame goes.
    head: usize,
    longest_run_frames: usize,
}

/// Where frames of a run lie in a line.
#[derive(Clone, Copy, Debug)]
pub struct Place<'a> {
    cells: &'a [f32],
    stride: u32,
    mask: u32,
    first: u32,
}

impl Place<'_> {
    /// Returns one group of frames at a point of the grid.
    #[inline(always)]
    fn point(&self, quarter: i32) -> &[f32; GROUP] {
        let phase = quarter as u32 & (PHASES as u32 - 1);
        let start = phase * self.stride + (self.first.wrapping_sub((quarter >> 2) as u32) & self.mask);
        let cells = &self.cells[start as usize..][..GROUP];
        // PANIC: the slice was cut to a group.
        cells.try_into().expect("a group")
    }

    /// Reads a group of frames at a gliding delay.
    ///
    /// The delay is `middle` + `first` + n `step` in quarter samples, n the frame
    /// within the group; `middle` is the nearest point in the middle of the group.
    #[inline(always)]
    pub fn glide<E: Eight>(&self, eight: E, middle: i32, first: f32, step: f32) -> E::Numbers {
        const COUNTING: [f32; GROUP] = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0];
        let middle = middle.max(LEAST_QUARTER);
        let before = eight.load(self.point(middle - 1));
        let at = eight.load(self.point(middle));
        let after = eight.load(self.point(middle + 1));
        let half = eight.splat(0.5);
        let share = eight.multiply_add(eight.load(&COUNTING), eight.splat(step), eight.splat(first));
        let slope = eight.multiply(half, eight.subtract(after, before));
        let bend = eight.subtract(eight.multiply(half, eight.add(after, before)), at);
        eight.multiply_add(share, eight.multiply_add(share, bend, slope), at)
    }
}

/// Returns the frames of a ring that reaches `delay_frames` back.
fn frames_for(delay_frames: usize, run_frames: usize) -> usize {
    // A group begins up to a group before the run and ends as far after it.
    (delay_frames + run_frames + SPAN + 2 * GROUP).next_power_of_two()
}

/// Returns the filter of a delay of 3 + `phase`/4 samples.
///
/// `h_k` = `prod_(m != k)` (d - m)/(k - m), d the delay, k and m from 0 to 7.
///
/// # Source
/// Lagrange's interpolation (closed form). Within 0.02 % up to 6 kHz at 48 kHz.
fn interpolating_filter(phase: usize) -> [f32; SPAN] {
    let delay = LATE_FRAMES as f64 + phase as f64 / PHASES as f64;
    std::array::from_fn(|k| {
        let factor = |m: usize| (delay - m as f64) / (k as f64 - m as f64);
        (0..SPAN).filter(|&m| m != k).map(factor).product::<f64>() as f32
    })
}

impl DelayLine {
    /// Allocates a line that can reach `longest_delay_frames` back while runs of up to `longest_run_frames` are written.
    pub fn new(longest_delay_frames: usize, longest_run_frames: usize) -> Self {
        let most = frames_for(longest_delay_frames, longest_run_frames);
        let doubled = (longest_run_frames + SPAN + 2 * GROUP).min(most);
        Self {
            cells: vec![0.0; PHASES * (most + doubled)],
            stride: most + doubled,
            filters: std::array::from_fn(|phase| interpolating_filter(phase + 1)),
            size: frames_for(0, longest_run_frames).min(most),
            doubled,
            head: 0,
            longest_run_frames,
        }
    }

    /// Forgets all sound and all room that it took.
    pub fn reset(&mut self) {
        let used = self.size + self.doubled;
        for phase in self.cells.chunks_mut(self.stride) {
            phase[..used].fill(0.0);
        }
        self.head = 0;
        self.size = frames_for(0, self.longest_run_frames).min(self.most());
    }

    const fn most(&self) -> usize {
        self.stride - self.doubled
    }

    /// Returns the number of frames kept.
    pub const fn frames(&self) -> usize {
        self.size
    }

    /// Takes as much of the allocated room as a delay needs; what is remembered stays.
    pub fn reach(&mut self, delay_frames: usize) {
        let size = frames_for(delay_frames, self.longest_run_frames).min(self.most());
        if size <= self.size {
            return;
        }
        let (old, head, doubled) = (self.size, self.head, self.doubled);
        for phase in self.cells.chunks_mut(self.stride) {
            // The older part, behind the head, moves to the new end; between lies silence.
            phase.copy_within(head..old, size - old + head);
            phase[head..size - old + head].fill(0.0);
            let (ring, again) = phase.split_at_mut(size);
            again[..doubled].copy_from_slice(&ring[..doubled]);
        }
        self.size = size;
    }

    /// Appends frames, at most a run.
    #[inline(always)]
    pub fn write<E: Eight>(&mut self, eight: E, frames: &[f32]) {
        let (size, doubled, head, count) = (self.size, self.doubled, self.head, frames.len());
        let (raw, later) = self.cells.split_at_mut(self.stride);
        store(raw, size, doubled, head, frames);
        // Where the filters' oldest sample of the first frame stands.
        let oldest = (head + size - (SPAN - 1)) & (size - 1);
        let past = &raw[oldest..oldest + count + SPAN - 1];
        let start = (head + size - LATE_FRAMES) & (size - 1);
        let first = count.min(size - start);
        for (phase, filter) in later.chunks_mut(self.stride).zip(&self.filters) {
            convolve(eight, filter, past, &mut phase[start..start + first]);
            convolve(eight, filter, &past[first..], &mut phase[..count - first]);
            mirror(phase, size, doubled, start, count);
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

    /// Returns the ring of whole samples.
    #[inline(always)]
    pub fn ring(&self) -> &[f32] {
        &self.cells[..self.size + self.doubled]
    }

    #[inline(always)]
    fn first(&self, run_frames: usize, ahead: i32) -> u32 {
        (self.head as u32).wrapping_sub(run_frames as u32).wrapping_add(ahead as u32)
    }

    /// Returns the place of the group that begins `ahead` frames after the first of the last `run_frames` written.
    #[inline(always)]
    pub fn place(&self, run_frames: usize, ahead: i32) -> Place<'_> {
        Place {
            cells: &self.cells,
            stride: self.stride as u32,
            mask: self.size as u32 - 1,
            first: self.first(run_frames, ahead),
        }
    }
}

/// Returns a delay in quarter samples.
pub fn quarters(delay_samples: f64) -> f64 {
    PHASES as f64 * delay_samples
}

/// Writes frames into a ring and, where they stand in its beginning, once more after its end.
#[inline(always)]
fn store(ring: &mut [f32], size: usize, doubled: usize, head: usize, frames: &[f32]) {
    let first = frames.len().min(size - head);
    ring[head..head + first].copy_from_slice(&frames[..first]);
    ring[..frames.len() - first].copy_from_slice(&frames[first..]);
    mirror(ring, size, doubled, head, frames.len());
}

/// Repeats what was written in the beginning of a ring after its end.
#[inline(always)]
fn mirror(ring: &mut [f32], size: usize, doubled: usize, head: usize, count: usize) {
    let wrapped = (head + count).saturating_sub(size);
    if head < doubled {
        let end = (head + count).min(doubled);
        ring.copy_within(head..end, size + head);
    }
    if wrapped > 0 {
        ring.copy_within(0..wrapped.min(doubled), size);
    }
}

/// Filters: `past` holds the frames of `out` and the span before them.
#[inline(always)]
fn convolve<E: Eight>(eight: E, filter: &[f32; SPAN], past: &[f32], out: &mut [f32]) {
    let (groups, rest) = out.as_chunks_mut::<GROUP>();
    let first_of_rest = groups.len() * GROUP;
    for (index, group) in groups.iter_mut().enumerate() {
        let mut sum = eight.splat(0.0);
        for (k, &weight) in filter.iter().enumerate() {
            let late = &past[index * GROUP + SPAN - 1 - k..][..GROUP];
            // PANIC: the slice was cut to a group.
            let late = eight.load(late.try_into().expect("a group"));
            sum = eight.multiply_add(eight.splat(weight), late, sum);
        }
        eight.store(sum, group);
    }
    for (n, cell) in rest.iter_mut().enumerate() {
        let newest = first_of_rest + n + SPAN - 1;
        *cell = filter
            .iter()
            .enumerate()
            .fold(0.0, |sum, (k, &weight)| eight.multiply_add_one(weight, past[newest - k], sum));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::instruction_set::{EightKernel, InstructionSet};

    struct Write<'a>(&'a mut DelayLine, &'a [f32]);

    impl EightKernel for Write<'_> {
        type Output = ();

        #[inline(always)]
        fn run<E: Eight>(self, eight: E) {
            self.0.write(eight, self.1);
        }
    }

    struct GlideAt<'a>(&'a DelayLine, f64, f32);

    impl EightKernel for GlideAt<'_> {
        type Output = [f32; GROUP];

        #[inline(always)]
        fn run<E: Eight>(self, eight: E) -> [f32; GROUP] {
            let middle = f64::round(self.1) as i32;
            let first = (self.1 - f64::from(middle)) as f32;
            let mut heard = [0.0; GROUP];
            eight.store(self.0.place(GROUP, 0).glide(eight, middle, first, self.2), &mut heard);
            heard
        }
    }

    /// Writes frames of a function of time in runs of changing length; returns the last run's.
    fn fill(line: &mut DelayLine, total: usize, sound: impl Fn(f64) -> f64) -> usize {
        let (mut done, mut run) = (0, 1);
        while done < total {
            run = (run * 5 + 3) % 61 + 3;
            let run = run.min(total - done);
            let frames: Vec<f32> = (done..done + run).map(|n| sound(n as f64) as f32).collect();
            InstructionSet::widest().run_eight(Write(line, &frames));
            done += run;
        }
        run.min(total)
    }

    #[test]
    fn a_whole_delay_is_exact() {
        let mut line = DelayLine::new(300, 64);
        line.reach(300);
        for total in [400_usize, 900, 901, 1400] {
            line.reset();
            line.reach(300);
            fill(&mut line, total, |n| n);
            for delay in [0, 5, 250, 300] {
                let run = line.delayed(delay, 3);
                let expected: Vec<f32> = (total - 3..total).map(|n| (n - delay) as f32).collect();
                assert_eq!(run, &expected[..], "{total} frames, {delay} late");
            }
        }
    }

    /// A sine at 1 kHz, and 6 kHz: the filters are within 0.02 % there, the parabola within 0.04 %.
    #[test]
    fn a_gliding_delay_is_where_it_should_be() {
        for (hz, within) in [(1000.0, 2e-6), (6000.0, 6e-4)] {
            let omega = std::f64::consts::TAU * hz / 48_000.0;
            let mut line = DelayLine::new(1000, 64);
            line.reach(1000);
            let total = 1500;
            fill(&mut line, total, |n| (omega * n).sin());
            for quarter in [14.0, 15.3, 77.49, 80.0, 2500.6] {
                let heard = InstructionSet::widest().run_eight(GlideAt(&line, quarter, 0.004));
                for (n, got) in heard.iter().enumerate() {
                    let delay = (quarter + 0.004 * n as f64) / 4.0;
                    let expected = (omega * ((total - GROUP + n) as f64 - delay)).sin();
                    let error = (f64::from(*got) - expected).abs();
                    assert!(error < within, "{hz} Hz, {delay} samples: expected {expected}, got {got}");
                }
            }
        }
    }

    #[test]
    fn a_line_that_takes_more_room_remembers() {
        let mut line = DelayLine::new(2000, 64);
        line.reach(100);
        let total = 777;
        fill(&mut line, total, |n| n);
        let before = line.delayed(100, 4).to_vec();
        line.reach(1500);
        assert_eq!(line.delayed(100, 4), &before[..]);
        fill(&mut line, 64, |n| n + 777.0);
        assert_eq!(line.delayed(120, 1), &[(777 + 64 - 1 - 120) as f32]);
        assert_eq!(line.delayed(1200, 4), &[0.0; 4]);
    }
}
