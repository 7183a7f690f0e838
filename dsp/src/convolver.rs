//! Convolution in two levels of partitions, whose latency the response's own onset hides.
//!
//! The response is one pair of channels for each of two inputs. Frames are
//! gathered into blocks of `block` frames. Small partitions (one block) are
//! worked out at each block's end and sound during the next block: they carry
//! the response from `block` frames on. Big partitions (eight blocks) are
//! worked out over the eight blocks that follow theirs, one piece of work a
//! block, and sound after that: they carry the response from sixteen blocks on.

use std::fmt;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// Inputs of a response: what sounds before and after the mixing time.
pub const INPUTS: usize = 2;
/// Small blocks in a big one; also the pieces into which the work on a big block is split.
pub const BLOCKS_IN_BIG: usize = 8;
/// Pieces that multiply; the others transform: one forward, one back for each channel.
const MULTIPLYING_PIECES: usize = BLOCKS_IN_BIG - 3;

/// One transform size with its plans.
#[derive(Clone)]
struct Transform {
    /// Frames of a partition; the transform is twice as long.
    frames: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
}

impl fmt::Debug for Transform {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Transform").field("frames", &self.frames).finish_non_exhaustive()
    }
}

impl Transform {
    fn new(frames: usize) -> Self {
        let mut planner = RealFftPlanner::<f32>::new();
        Self {
            frames,
            forward: planner.plan_fft_forward(2 * frames),
            back: planner.plan_fft_inverse(2 * frames),
        }
    }

    fn bins(&self) -> usize {
        self.frames + 1
    }

    fn scratch(&self) -> Vec<Complex<f32>> {
        vec![Complex::default(); self.forward.get_scratch_len().max(self.back.get_scratch_len())]
    }
}

/// A spectrum with real and imaginary parts apart, so that plain loops vectorise.
#[derive(Clone, Debug)]
struct Spectrum {
    re: Vec<f32>,
    im: Vec<f32>,
}

impl Spectrum {
    fn zero(bins: usize) -> Self {
        Self { re: vec![0.0; bins], im: vec![0.0; bins] }
    }

    fn clear(&mut self) {
        self.re.fill(0.0);
        self.im.fill(0.0);
    }

    fn set(&mut self, interleaved: &[Complex<f32>]) {
        for ((re, im), value) in self.re.iter_mut().zip(&mut self.im).zip(interleaved) {
            *re = value.re;
            *im = value.im;
        }
    }

    /// Adds the product of two spectra.
    fn add_product(&mut self, a: &Self, b: &Self) {
        let bins = self.re.len();
        let (re, im) = (&mut self.re[..bins], &mut self.im[..bins]);
        let (ar, ai, br, bi) = (&a.re[..bins], &a.im[..bins], &b.re[..bins], &b.im[..bins]);
        for n in 0..bins {
            re[n] += ar[n] * br[n] - ai[n] * bi[n];
            im[n] += ar[n] * bi[n] + ai[n] * br[n];
        }
    }
}

/// The spectra of one input's partitions at one level.
#[derive(Debug, Default)]
struct Partitions {
    /// Index of the first partition that is not silent.
    first: usize,
    /// Spectra by partition, then channel.
    spectra: Vec<Vec<Spectrum>>,
}

impl Partitions {
    fn end(&self) -> usize {
        self.first + self.spectra.len()
    }
}

/// A response, transformed: shared by every voice that plays it.
#[derive(Debug)]
pub struct ResponseSpectra {
    small: Transform,
    big: Transform,
    channels: usize,
    small_parts: [Partitions; INPUTS],
    big_parts: [Partitions; INPUTS],
    frames: usize,
}

impl ResponseSpectra {
    /// Returns the first frame of a response that the small partitions carry.
    pub const fn onset_frames(block_frames: usize) -> usize {
        block_frames
    }

    /// Transforms responses, by input, then channel; frames before the onset are left out.
    ///
    /// # Panics
    /// When the inputs have different numbers of channels.
    pub fn new(block_frames: usize, responses: &[Vec<Vec<f32>>; INPUTS]) -> Self {
        let channels = responses[0].len();
        assert!(responses.iter().all(|input| input.len() == channels), "every input has the same channels");
        let small = Transform::new(block_frames);
        let big = Transform::new(block_frames * BLOCKS_IN_BIG);
        let big_onset = 2 * big.frames;
        let small_parts = responses.each_ref().map(|input| {
            // A response that ends soon after the big onset costs less as a few small
            // partitions more than as a big level of its own.
            let end = response_frames(input);
            let end = if end <= big_onset + big.frames / 2 { end } else { big_onset };
            partitions(&small, small.frames, end, input)
        });
        let big_parts: [Partitions; INPUTS] = std::array::from_fn(|input| {
            let covered = small.frames * (small_parts[input].end() + 1);
            if response_frames(&responses[input]) <= covered {
                return Partitions::default();
            }
            partitions(&big, big_onset, usize::MAX, &responses[input])
        });
        let frames = responses.iter().map(|input| response_frames(input)).max().unwrap_or(0);
        Self { small, big, channels, small_parts, big_parts, frames }
    }

    /// Returns how long the response sounds, in frames.
    pub const fn frames(&self) -> usize {
        self.frames
    }

    /// Returns the number of output channels.
    pub const fn channels(&self) -> usize {
        self.channels
    }

    /// Returns the frames of a small block.
    pub const fn block_frames(&self) -> usize {
        self.small.frames
    }
}

fn response_frames(input: &[Vec<f32>]) -> usize {
    let last = |channel: &Vec<f32>| channel.iter().rposition(|&x| x != 0.0).map_or(0, |index| index + 1);
    input.iter().map(last).max().unwrap_or(0)
}

/// Transforms the partitions of one input from frame `onset` up to frame `end`, silent ones at the start left out.
fn partitions(transform: &Transform, onset: usize, end: usize, input: &[Vec<f32>]) -> Partitions {
    let end = response_frames(input).min(end);
    let count = end.saturating_sub(onset).div_ceil(transform.frames);
    let silent = |index: usize| {
        let from = onset + index * transform.frames;
        let to = (from + transform.frames).min(end);
        input.iter().all(|channel| {
            channel.get(from..to.min(channel.len())).is_none_or(|x| x.iter().all(|&x| x == 0.0))
        })
    };
    let first = (0..count).find(|&index| !silent(index)).unwrap_or(count);
    let mut time = transform.forward.make_input_vec();
    let mut bins = transform.forward.make_output_vec();
    let mut scratch = transform.scratch();
    // The transform pair of realfft scales by its length; it is taken out here.
    let scale = 1.0 / (2 * transform.frames) as f32;
    let spectra = (first..count)
        .map(|index| {
            let from = onset + index * transform.frames;
            let to = (from + transform.frames).min(end);
            input
                .iter()
                .map(|channel| {
                    time.fill(0.0);
                    for (cell, &x) in
                        time.iter_mut().zip(channel.get(from..to.min(channel.len())).unwrap_or(&[]))
                    {
                        *cell = x * scale;
                    }
                    transform
                        .forward
                        .process_with_scratch(&mut time, &mut bins, &mut scratch)
                        // PANIC: the buffers were made by the plan itself.
                        .expect("buffers have the plan's lengths");
                    let mut spectrum = Spectrum::zero(transform.bins());
                    spectrum.set(&bins);
                    spectrum
                })
                .collect()
        })
        .collect();
    Partitions { first, spectra }
}

/// The spectra of the newest blocks of one input, in a ring.
#[derive(Debug)]
struct History {
    spectra: Vec<Spectrum>,
    newest: usize,
}

impl History {
    fn new(partitions: &Partitions, bins: usize) -> Self {
        Self { spectra: vec![Spectrum::zero(bins); partitions.end()], newest: 0 }
    }

    fn reset(&mut self) {
        self.spectra.iter_mut().for_each(Spectrum::clear);
        self.newest = 0;
    }

    /// Returns the spectrum of the block `age` blocks old.
    fn aged(&self, age: usize) -> &Spectrum {
        let count = self.spectra.len();
        &self.spectra[(self.newest + count - age) % count]
    }

    fn push(&mut self, bins: &[Complex<f32>]) {
        self.newest = (self.newest + 1) % self.spectra.len();
        self.spectra[self.newest].set(bins);
    }
}

/// The memory of one level: its inputs' past, what is being summed, and what sounds.
#[derive(Debug)]
struct Level {
    transform: Transform,
    /// The last two blocks of each input in time.
    time: [Vec<f32>; INPUTS],
    history: [History; INPUTS],
    sums: Vec<Spectrum>,
    ready: Vec<Vec<f32>>,
    work: Vec<f32>,
    bins: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl Level {
    fn new(transform: &Transform, parts: &[Partitions; INPUTS], channels: usize) -> Self {
        Self {
            time: std::array::from_fn(|_| vec![0.0; 2 * transform.frames]),
            history: std::array::from_fn(|input| History::new(&parts[input], transform.bins())),
            sums: vec![Spectrum::zero(transform.bins()); channels],
            ready: vec![vec![0.0; transform.frames]; channels],
            work: transform.forward.make_input_vec(),
            bins: transform.forward.make_output_vec(),
            scratch: transform.scratch(),
            transform: transform.clone(),
        }
    }

    fn reset(&mut self) {
        self.time.iter_mut().for_each(|time| time.fill(0.0));
        self.history.iter_mut().for_each(History::reset);
        self.sums.iter_mut().for_each(Spectrum::clear);
        self.ready.iter_mut().for_each(|ready| ready.fill(0.0));
    }

    /// Transforms the last two blocks of an input, unless nothing reads them.
    fn transform_input(&mut self, input: usize) {
        if self.history[input].spectra.is_empty() {
            return;
        }
        self.work.copy_from_slice(&self.time[input]);
        let done =
            self.transform.forward.process_with_scratch(&mut self.work, &mut self.bins, &mut self.scratch);
        debug_assert!(done.is_ok(), "buffers have the plan's lengths");
        self.history[input].push(&self.bins);
    }

    /// Makes room for the next block: the last one becomes the one before.
    fn shift_input(&mut self) {
        for time in &mut self.time {
            time.copy_within(self.transform.frames.., 0);
        }
    }

    /// Adds to the sums what partitions `range` (counted from the first that sounds) give.
    fn multiply(&mut self, parts: &[Partitions; INPUTS], input: usize, range: std::ops::Range<usize>) {
        let parts = &parts[input];
        for index in range {
            let past = self.history[input].aged(parts.first + index);
            for (sum, response) in self.sums.iter_mut().zip(&parts.spectra[index]) {
                sum.add_product(past, response);
            }
        }
    }

    /// Transforms a channel's sum back; its second half is what sounds next.
    fn transform_back(&mut self, channel: usize) {
        let sum = &mut self.sums[channel];
        for ((bin, &re), &im) in self.bins.iter_mut().zip(&sum.re).zip(&sum.im) {
            *bin = Complex::new(re, im);
        }
        // The first and last bin of a real signal's spectrum are real; rounding leaves none of the rest there.
        let last = self.bins.len() - 1;
        self.bins[0].im = 0.0;
        self.bins[last].im = 0.0;
        let done =
            self.transform.back.process_with_scratch(&mut self.bins, &mut self.work, &mut self.scratch);
        debug_assert!(done.is_ok(), "buffers have the plan's lengths");
        self.ready[channel].copy_from_slice(&self.work[self.transform.frames..]);
        sum.clear();
    }
}

/// One instance's convolution with a shared response.
#[derive(Debug)]
pub struct Convolver {
    response: Arc<ResponseSpectra>,
    small: Level,
    big: Level,
    /// What the big level sounds during the current big block.
    big_now: Vec<Vec<f32>>,
    /// Frames of the current block already in.
    filled: usize,
    /// Block within the big block, 0 to 7.
    piece: usize,
}

impl Convolver {
    /// Allocates the memory of one instance.
    pub fn new(response: Arc<ResponseSpectra>) -> Self {
        let small = Level::new(&response.small, &response.small_parts, response.channels);
        let big = Level::new(&response.big, &response.big_parts, response.channels);
        let big_now = big.ready.clone();
        Self { response, small, big, big_now, filled: 0, piece: 0 }
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.small.reset();
        self.big.reset();
        self.big_now.iter_mut().for_each(|now| now.fill(0.0));
        self.filled = 0;
        self.piece = 0;
    }

    /// Returns the response.
    pub fn response(&self) -> &Arc<ResponseSpectra> {
        &self.response
    }

    /// Returns how many frames fit before the next block boundary.
    pub fn room_frames(&self) -> usize {
        self.small.transform.frames - self.filled
    }

    /// Returns how long partitions may hold a frame back beyond the response itself, in frames.
    pub fn delay_frames(&self) -> usize {
        3 * self.big.transform.frames
    }

    /// Takes frames of both inputs and adds the same number of frames to `outputs`; at most [`Self::room_frames`].
    pub fn process(&mut self, inputs: [&[f32]; INPUTS], outputs: &mut [&mut [f32]]) {
        let frames = inputs[0].len();
        let block = self.small.transform.frames;
        debug_assert!(frames <= self.room_frames(), "a call stays within a block");
        let big_at = self.big.transform.frames + self.piece * block + self.filled;
        for (input, samples) in inputs.iter().enumerate() {
            self.small.time[input][block + self.filled..][..frames].copy_from_slice(samples);
            self.big.time[input][big_at..][..frames].copy_from_slice(samples);
        }
        let big_from = self.piece * block + self.filled;
        for (channel, output) in outputs.iter_mut().enumerate() {
            let small = &self.small.ready[channel][self.filled..][..frames];
            let big = &self.big_now[channel][big_from..][..frames];
            for ((out, s), b) in output.iter_mut().zip(small).zip(big) {
                *out += s + b;
            }
        }
        self.filled += frames;
        if self.filled == block {
            self.filled = 0;
            self.end_block();
        }
    }

    fn end_block(&mut self) {
        let response = &self.response;
        for input in 0..INPUTS {
            self.small.transform_input(input);
            let count = response.small_parts[input].spectra.len();
            self.small.multiply(&response.small_parts, input, 0..count);
        }
        self.small.shift_input();
        for channel in 0..response.channels {
            self.small.transform_back(channel);
        }
        // The pieces that follow the end of a big block work on it; the first is done at once.
        self.piece += 1;
        if self.piece == BLOCKS_IN_BIG {
            self.piece = 0;
            for (now, ready) in self.big_now.iter_mut().zip(&mut self.big.ready) {
                std::mem::swap(now, ready);
            }
            for input in 0..INPUTS {
                self.big.transform_input(input);
            }
            self.big.shift_input();
        } else {
            self.work_on_big(self.piece - 1);
        }
    }

    /// Does one of the seven pieces that follow the forward transform.
    fn work_on_big(&mut self, piece: usize) {
        let response = &self.response;
        if piece < MULTIPLYING_PIECES {
            for input in 0..INPUTS {
                let count = response.big_parts[input].spectra.len();
                let from = count * piece / MULTIPLYING_PIECES;
                let to = count * (piece + 1) / MULTIPLYING_PIECES;
                self.big.multiply(&response.big_parts, input, from..to);
            }
        } else {
            let channel = piece - MULTIPLYING_PIECES;
            if channel < response.channels {
                self.big.transform_back(channel);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Convolution as it is defined: the oracle.
    fn direct(input: &[f32], response: &[f32], frames: usize) -> Vec<f64> {
        (0..frames)
            .map(|n| {
                (0..=n)
                    .map(|k| {
                        f64::from(*input.get(k).unwrap_or(&0.0))
                            * f64::from(*response.get(n - k).unwrap_or(&0.0))
                    })
                    .sum()
            })
            .collect()
    }

    fn noise(seed: u32, frames: usize) -> Vec<f32> {
        let mut state = seed;
        (0..frames)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / 8_388_608.0 - 1.0
            })
            .collect()
    }

    #[test]
    fn partitions_give_what_the_definition_gives() {
        let block = 16;
        for (early_frames, late_from, late_frames) in [(300, 280, 900), (120, 100, 420), (700, 650, 1500)] {
            let mut early = noise(1, early_frames);
            early[..block].fill(0.0);
            let mut late = noise(2, late_frames);
            late[..late_from].fill(0.0);
            let right: Vec<f32> = late.iter().map(|x| -x).collect();
            let responses = [vec![early.clone(), early.clone()], vec![late.clone(), right]];
            let mut convolver = Convolver::new(Arc::new(ResponseSpectra::new(block, &responses)));
            let inputs = [noise(3, 400), noise(4, 400)];
            let frames = 2000;
            let (mut left, mut right) = (vec![0.0; frames], vec![0.0; frames]);
            let mut done = 0;
            let mut step = 1;
            while done < frames {
                step = step % 7 + 1;
                let n = step.min(convolver.room_frames()).min(frames - done);
                let part = |input: &Vec<f32>| {
                    (done..done + n).map(|i| *input.get(i).unwrap_or(&0.0)).collect::<Vec<f32>>()
                };
                let (a, b) = (part(&inputs[0]), part(&inputs[1]));
                convolver.process([&a, &b], &mut [&mut left[done..done + n], &mut right[done..done + n]]);
                done += n;
            }
            let from_early = direct(&inputs[0], &early, frames);
            let from_late = direct(&inputs[1], &late, frames);
            for n in 0..frames {
                // Sums of some hundred products in single precision.
                let (l, r) = (from_early[n] + from_late[n], from_early[n] - from_late[n]);
                assert!((f64::from(left[n]) - l).abs() < 2e-5, "frame {n}: expected {l}, got {}", left[n]);
                assert!((f64::from(right[n]) - r).abs() < 2e-5, "frame {n}: expected {r}, got {}", right[n]);
            }
        }
    }
}
