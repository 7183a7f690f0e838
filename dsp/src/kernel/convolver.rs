//! Convolution in two levels of partitions, whose latency the response's own onset hides.
//!
//! The response is one pair of channels for each of two inputs. Frames are
//! gathered into blocks of `block` frames. Small partitions (one block) are
//! worked out at each block's end and sound during the next block: they carry
//! the response from `block` frames on. Big partitions (eight blocks) are
//! worked out over the eight blocks that follow theirs, one piece of work a
//! block, and sound after that: they carry the response from sixteen blocks on.
//!
//! # Right-angle convolution
//!
//! The product of two real polynomials of N terms has 2N - 1 terms. Taken
//! modulo u^N = i, its upper half lands in the imaginary part: low + i high.
//! With w = e^(i pi/(2N)), w^N = i, that product is a circular one of `x[n] w^n`:
//! a complex transform of N points does the work of a real one of 2N, without
//! the separation of a real signal's halves and without a bin at half the rate.
//!
//! # Source
//! R. Crandall and B. Fagin, "Discrete weighted transforms and large-integer
//! arithmetic", Math. Comp. 62 (1994), 305-324 (from memory).

use std::f64::consts::PI;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use crate::kernel::instruction_set::{InstructionSet, Kernel, multiply_add};
use crate::kernel::stagger::{BLOCKS_IN_BIG, Stagger};

/// Inputs of a response: what sounds before and after the mixing time.
pub const INPUTS: usize = 2;
/// Bins that a kernel takes at once: a wide register of single precision.
const LANES: usize = 8;
/// Below this an input is silence, linear: -300 dB of full scale (our choice).
///
/// Times the faintest partition of a tail it is still a normal number, so no
/// product of a fading sound is subnormal.
const FAINTEST_INPUT: f32 = 1e-15;

/// A few bins of a spectrum, real and imaginary parts apart so that plain loops vectorise.
///
/// They fill a line of the cache, so none lies across two.
#[derive(Clone, Copy, Debug)]
#[repr(align(64))]
struct Bins {
    re: [f32; LANES],
    im: [f32; LANES],
}

impl Bins {
    const SILENT: Self = Self { re: [0.0; LANES], im: [0.0; LANES] };
}

/// One transform size with its plans.
#[derive(Clone)]
struct Transform {
    /// Frames of a partition, and points of the transform.
    frames: usize,
    forward: Arc<dyn Fft<f32>>,
    back: Arc<dyn Fft<f32>>,
    /// w^n = e^(i pi n/(2N)).
    turns: Arc<[Complex<f32>]>,
}

impl fmt::Debug for Transform {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Transform").field("frames", &self.frames).finish_non_exhaustive()
    }
}

impl Transform {
    fn new(frames: usize) -> Self {
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
    fn chunks(&self) -> usize {
        self.frames / LANES
    }
}

/// A transform with its working room.
#[derive(Debug)]
struct Transformer {
    plan: Transform,
    time: Vec<Complex<f32>>,
    bins: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl Transformer {
    fn new(plan: &Transform) -> Self {
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
    fn forward(&mut self, set: InstructionSet, block: &[f32], target: &mut [Bins], step: usize) {
        set.run(Turn { block, turns: &self.plan.turns, turned: &mut self.time });
        self.plan.forward.process_outofplace_with_scratch(&mut self.time, &mut self.bins, &mut self.scratch);
        set.run(Part { bins: &self.bins, target, step });
    }

    /// Transforms every `step`th of some sums back: the frames now, added to `carry`, and what they leave in it.
    fn back(
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
struct Turn<'a> {
    block: &'a [f32],
    turns: &'a [Complex<f32>],
    turned: &'a mut [Complex<f32>],
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
struct Part<'a> {
    bins: &'a [Complex<f32>],
    target: &'a mut [Bins],
    step: usize,
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
struct Join<'a> {
    sums: &'a [Bins],
    step: usize,
    bins: &'a mut [Complex<f32>],
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
struct TurnBack<'a> {
    turned: &'a [Complex<f32>],
    turns: &'a [Complex<f32>],
    carry: &'a mut [f32],
    ready: &'a mut [f32],
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

/// The spectra of one input's partitions at one level.
#[derive(Debug, Default)]
struct Partitions {
    /// Index of the first partition that is not silent.
    first: usize,
    /// Partitions from there on.
    count: usize,
    /// By bins, then partition, then channel: the order of use.
    bins: Vec<Bins>,
}

impl Partitions {
    /// Transforms the partitions of one input from frame `onset` up to frame `end`, silent ones at the start left out.
    fn new(plan: &Transform, onset: usize, end: usize, input: &[Vec<f32>]) -> Self {
        let end = response_frames(input).min(end);
        let count = end.saturating_sub(onset).div_ceil(plan.frames);
        let part = |index: usize, channel: usize| -> &[f32] {
            let from = onset + index * plan.frames;
            let channel = &input[channel];
            channel.get(from..(from + plan.frames).min(end).min(channel.len())).unwrap_or(&[])
        };
        let is_silent =
            |&index: &usize| (0..input.len()).all(|channel| part(index, channel).iter().all(|&x| x == 0.0));
        let first = (0..count).take_while(is_silent).count();
        let count = count - first;
        let channels = input.len();
        let mut bins = vec![Bins::SILENT; plan.chunks() * count * channels];
        let mut transformer = Transformer::new(plan);
        let mut block = vec![0.0; plan.frames];
        // The pair of transforms scales by its length; it is taken out here.
        let scale = 1.0 / plan.frames as f32;
        for index in 0..count {
            for channel in 0..channels {
                block.fill(0.0);
                for (cell, x) in block.iter_mut().zip(part(first + index, channel)) {
                    *cell = x * scale;
                }
                let target = &mut bins[index * channels + channel..];
                transformer.forward(InstructionSet::plain(), &block, target, count * channels);
            }
        }
        Self { first, count, bins }
    }

    fn end(&self) -> usize {
        self.first + self.count
    }
}

/// A response, transformed: shared by every voice that plays it.
#[derive(Debug)]
pub(crate) struct ResponseSpectra {
    small: Transform,
    big: Transform,
    channels: usize,
    small_parts: [Partitions; INPUTS],
    big_parts: [Partitions; INPUTS],
    frames: usize,
}

impl ResponseSpectra {
    /// Transforms responses, by input, then channel; frames before the onset are left out.
    ///
    /// # Panics
    /// When the inputs have different numbers of channels, or other than one or
    /// two, or when a block is no multiple of eight frames.
    pub(crate) fn new(block_frames: usize, responses: &[Vec<Vec<f32>>; INPUTS]) -> Self {
        let channels = responses[0].len();
        assert!(responses.iter().all(|input| input.len() == channels), "every input has the same channels");
        assert!((1..=2).contains(&channels), "a response is mono or stereo, got {channels} channels");
        assert!(block_frames.is_multiple_of(LANES), "a block is a multiple of {LANES}, got {block_frames}");
        let small = Transform::new(block_frames);
        let big = Transform::new(block_frames * BLOCKS_IN_BIG);
        let big_onset = 2 * big.frames;
        let small_parts = responses.each_ref().map(|input| {
            // A response that ends soon after the big onset costs less as a few small
            // partitions more than as a big level of its own.
            let end = response_frames(input);
            let end = if end <= big_onset + big.frames / 2 { end } else { big_onset };
            Partitions::new(&small, small.frames, end, input)
        });
        let big_parts: [Partitions; INPUTS] = std::array::from_fn(|input| {
            let covered = small.frames * (small_parts[input].end() + 1);
            if response_frames(&responses[input]) <= covered {
                return Partitions::default();
            }
            Partitions::new(&big, big_onset, usize::MAX, &responses[input])
        });
        let frames = responses.iter().map(|input| response_frames(input)).max().unwrap_or(0);
        Self { small, big, channels, small_parts, big_parts, frames }
    }

    /// Returns how long the response sounds, in frames.
    pub(crate) const fn frames(&self) -> usize {
        self.frames
    }
}

fn response_frames(input: &[Vec<f32>]) -> usize {
    let last = |channel: &Vec<f32>| channel.iter().rposition(|&x| x != 0.0).map_or(0, |index| index + 1);
    input.iter().map(last).max().unwrap_or(0)
}

/// Returns silence that has been written to: a fresh page costs a fault then, which is not to come while sound runs.
fn touched(frames: usize) -> Vec<f32> {
    let mut line = vec![0.0; frames];
    std::hint::black_box(&mut line).fill(0.0);
    line
}

/// The past of one input at one level: the block that comes in, the last whole one, and the spectra of those before.
#[derive(Debug)]
struct Past {
    gathering: Vec<f32>,
    /// Whether anything but silence has come into the block so far; until then its frames are not written.
    is_sounding: bool,
    gathered: Vec<f32>,
    gathered_sounds: bool,
    /// Blocks that are kept; none where nothing reads them.
    slots: usize,
    /// By bins, then slot: the newest block is at `newest`, older ones follow, in a ring.
    bins: Vec<Bins>,
    newest: usize,
    /// How many of the newest blocks are silent, up to all.
    silent_blocks: usize,
}

impl Past {
    fn new(plan: &Transform, partitions: &Partitions) -> Self {
        let slots = partitions.end();
        let frames = if slots == 0 { 0 } else { plan.frames };
        Self {
            gathering: touched(frames),
            is_sounding: false,
            gathered: touched(frames),
            gathered_sounds: false,
            slots,
            bins: vec![Bins::SILENT; slots * plan.chunks()],
            newest: 0,
            silent_blocks: slots,
        }
    }

    fn reset(&mut self) {
        self.is_sounding = false;
        self.gathered_sounds = false;
        self.bins.fill(Bins::SILENT);
        self.newest = 0;
        self.silent_blocks = self.slots;
    }

    /// Takes frames into the block that comes in.
    fn gather(&mut self, at: usize, samples: &[f32]) {
        if self.slots == 0 || (!self.is_sounding && samples.iter().all(|x| x.abs() < FAINTEST_INPUT)) {
            return;
        }
        if !self.is_sounding {
            self.gathering[..at].fill(0.0);
            self.is_sounding = true;
        }
        for (cell, &x) in self.gathering[at..][..samples.len()].iter_mut().zip(samples) {
            *cell = if x.abs() < FAINTEST_INPUT { 0.0 } else { x };
        }
    }

    /// Closes the block that came in.
    fn close_block(&mut self) {
        std::mem::swap(&mut self.gathering, &mut self.gathered);
        self.gathered_sounds = std::mem::take(&mut self.is_sounding);
    }

    /// Puts the last whole block's spectrum into the ring.
    fn transform(&mut self, set: InstructionSet, transformer: &mut Transformer) {
        if self.slots == 0 {
            return;
        }
        self.newest = (self.newest + self.slots - 1) % self.slots;
        if std::mem::take(&mut self.gathered_sounds) {
            self.silent_blocks = 0;
            transformer.forward(set, &self.gathered, &mut self.bins[self.newest..], self.slots);
        } else if self.sounds() {
            self.silent_blocks += 1;
            self.bins[self.newest..].iter_mut().step_by(self.slots).for_each(|bins| *bins = Bins::SILENT);
        }
    }

    /// Says whether any block in the ring is not silent.
    fn sounds(&self) -> bool {
        self.silent_blocks < self.slots
    }

    /// Says whether nothing but silence is left.
    fn is_silent(&self) -> bool {
        !(self.is_sounding || self.gathered_sounds || self.sounds())
    }
}

/// One input's share of a product: its past and the partitions that meet it.
#[derive(Clone, Copy)]
struct Factors<'a, const CHANNELS: usize> {
    past: &'a [Bins],
    slots: usize,
    /// Slot that meets the first partition.
    start: usize,
    partitions: &'a [[Bins; CHANNELS]],
    count: usize,
}

impl<'a, const CHANNELS: usize> Factors<'a, CHANNELS> {
    fn new(past: &'a Past, partitions: &'a Partitions) -> Self {
        if !past.sounds() || partitions.count == 0 {
            return Self { past: &[], slots: 0, start: 0, partitions: &[], count: 0 };
        }
        Self {
            past: &past.bins,
            slots: past.slots,
            start: (past.newest + partitions.first) % past.slots,
            partitions: partitions.bins.as_chunks().0,
            count: partitions.count,
        }
    }
}

/// Sums the products of past and partitions, all inputs, partitions and channels for a few bins at a time.
struct Multiply<'a, const CHANNELS: usize> {
    inputs: [Factors<'a, CHANNELS>; INPUTS],
    /// Which of the sums, in steps of [`LANES`] bins.
    chunks: Range<usize>,
    sums: &'a mut [[Bins; CHANNELS]],
}

/// Sums of a few bins of one channel.
///
/// Fused: products of real with real, imaginary with imaginary, real with
/// imaginary and imaginary with real parts, apart, because one chain of sums
/// each hides the latency of the multiply-add. Otherwise the first two are the
/// real and the imaginary part, and the others stay empty.
type Sums = [[f32; LANES]; 4];

impl<const CHANNELS: usize> Kernel for Multiply<'_, CHANNELS> {
    type Output = ();

    #[inline(always)]
    fn run<const FUSED: bool>(self) {
        for chunk in self.chunks {
            // Two names instead of an array: the sums stay in registers.
            let mut first: Sums = [[0.0; LANES]; 4];
            let mut last: Sums = [[0.0; LANES]; 4];
            for input in &self.inputs {
                let past = &input.past[chunk * input.slots..][..input.slots];
                let partitions = &input.partitions[chunk * input.count..][..input.count];
                let (fresh, wrapped) = partitions.split_at((input.slots - input.start).min(input.count));
                for (x, h) in past[input.start..].iter().zip(fresh) {
                    first = add_product::<FUSED>(first, x, &h[0]);
                    if CHANNELS > 1 {
                        last = add_product::<FUSED>(last, x, &h[CHANNELS - 1]);
                    }
                }
                for (x, h) in past.iter().zip(wrapped) {
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
fn add_product<const FUSED: bool>(sums: Sums, x: &Bins, h: &Bins) -> Sums {
    let [mut re, mut im, mut re_im, mut im_re] = sums;
    let (Bins { re: x_re, im: x_im }, Bins { re: h_re, im: h_im }) = (x, h);
    if FUSED {
        re = add_products::<FUSED>(re, x_re, h_re);
        im = add_products::<FUSED>(im, x_im, h_im);
        re_im = add_products::<FUSED>(re_im, x_re, h_im);
        im_re = add_products::<FUSED>(im_re, x_im, h_re);
    } else {
        for n in 0..LANES {
            re[n] += x_re[n] * h_re[n] - x_im[n] * h_im[n];
        }
        for n in 0..LANES {
            im[n] += x_re[n] * h_im[n] + x_im[n] * h_re[n];
        }
    }
    [re, im, re_im, im_re]
}

#[inline(always)]
fn add_products<const FUSED: bool>(
    mut sums: [f32; LANES],
    a: &[f32; LANES],
    b: &[f32; LANES],
) -> [f32; LANES] {
    for n in 0..LANES {
        sums[n] = multiply_add::<FUSED>(a[n], b[n], sums[n]);
    }
    sums
}

#[inline(always)]
fn close_sums<const FUSED: bool>([mut re, mut im, re_im, im_re]: Sums) -> Bins {
    if FUSED {
        for n in 0..LANES {
            re[n] -= im[n];
        }
        for n in 0..LANES {
            im[n] = re_im[n] + im_re[n];
        }
    }
    Bins { re, im }
}

/// The memory of one level: its inputs' past, what is being summed, and what sounds.
///
/// What is silent is not worked on, nor even written: flags say what counts.
#[derive(Debug)]
struct Level {
    transformer: Transformer,
    channels: usize,
    pasts: [Past; INPUTS],
    /// By bins, then channel.
    sums: Vec<Bins>,
    sums_sound: bool,
    /// By channel: the second half of the last block's product, which sounds with the next.
    carry: Vec<Vec<f32>>,
    carry_sounds: bool,
    /// By channel: what sounds next.
    ready: Vec<Vec<f32>>,
    ready_sounds: bool,
}

impl Level {
    fn new(plan: &Transform, partitions: &[Partitions; INPUTS], channels: usize) -> Self {
        let line = vec![0.0; plan.frames];
        Self {
            transformer: Transformer::new(plan),
            channels,
            pasts: partitions.each_ref().map(|partitions| Past::new(plan, partitions)),
            sums: vec![Bins::SILENT; plan.chunks() * channels],
            sums_sound: false,
            carry: vec![line.clone(); channels],
            carry_sounds: false,
            ready: vec![line; channels],
            ready_sounds: false,
        }
    }

    fn reset(&mut self) {
        self.pasts.iter_mut().for_each(Past::reset);
        self.sums_sound = false;
        self.carry_sounds = false;
        self.ready_sounds = false;
    }

    fn gather(&mut self, at: usize, inputs: [&[f32]; INPUTS]) {
        for (past, samples) in self.pasts.iter_mut().zip(inputs) {
            past.gather(at, samples);
        }
    }

    /// Puts the spectrum of an input's last whole block into its past.
    fn transform(&mut self, set: InstructionSet, input: usize) {
        self.pasts[input].transform(set, &mut self.transformer);
    }

    /// Sums the products of some bins, counted in steps of [`LANES`].
    fn multiply(&mut self, set: InstructionSet, partitions: &[Partitions; INPUTS], chunks: Range<usize>) {
        self.sums_sound = self.pasts.iter().any(Past::sounds);
        if !self.sums_sound {
            return;
        }
        if self.channels == 1 {
            self.multiply_channels::<1>(set, partitions, chunks);
        } else {
            self.multiply_channels::<2>(set, partitions, chunks);
        }
    }

    fn multiply_channels<const CHANNELS: usize>(
        &mut self,
        set: InstructionSet,
        partitions: &[Partitions; INPUTS],
        chunks: Range<usize>,
    ) {
        let inputs = std::array::from_fn(|input| Factors::new(&self.pasts[input], &partitions[input]));
        set.run(Multiply::<CHANNELS> { inputs, chunks, sums: self.sums.as_chunks_mut().0 });
    }

    /// Transforms a channel's sum back; the last channel closes the sums.
    fn transform_back(&mut self, set: InstructionSet, channel: usize) {
        let (carry, ready) = (&mut self.carry[channel], &mut self.ready[channel]);
        if self.sums_sound {
            if !self.carry_sounds {
                carry.fill(0.0);
            }
            self.transformer.back(set, &self.sums[channel..], self.channels, carry, ready);
        } else if self.carry_sounds {
            ready.copy_from_slice(carry);
        }
        if channel + 1 == self.channels {
            self.ready_sounds = self.sums_sound || self.carry_sounds;
            self.carry_sounds = std::mem::take(&mut self.sums_sound);
        }
    }

    fn is_silent(&self) -> bool {
        self.pasts.iter().all(Past::is_silent) && !(self.sums_sound || self.carry_sounds || self.ready_sounds)
    }
}

/// One instance's convolution with a shared response.
#[derive(Debug)]
pub(crate) struct Convolver {
    set: InstructionSet,
    response: Arc<ResponseSpectra>,
    small: Level,
    big: Level,
    /// What the big level sounds during the current big block, by channel.
    big_now: Vec<Vec<f32>>,
    big_now_sounds: bool,
    /// Frames of the current block already in.
    filled: usize,
    /// Block within the big block, 0 to 7.
    piece: usize,
}

impl Convolver {
    /// Allocates the memory of one instance.
    pub(crate) fn new(response: Arc<ResponseSpectra>) -> Self {
        let small = Level::new(&response.small, &response.small_parts, response.channels);
        let big = Level::new(&response.big, &response.big_parts, response.channels);
        Self {
            set: InstructionSet::widest(),
            small,
            big_now: big.ready.clone(),
            big_now_sounds: false,
            big,
            response,
            filled: 0,
            piece: 0,
        }
    }

    /// Runs with given instructions instead of the widest.
    #[must_use]
    pub(crate) fn with_instruction_set(self, set: InstructionSet) -> Self {
        Self { set, ..self }
    }

    /// Forgets all sound.
    pub(crate) fn reset(&mut self) {
        self.small.reset();
        self.big.reset();
        self.big_now_sounds = false;
        self.filled = 0;
        self.piece = 0;
    }

    /// Staggers: big blocks are counted from as many small ones before the next frame, which must be the first.
    ///
    /// Instances that are staggered differently do their long transforms in
    /// different blocks. The sound differs by rounding only.
    pub(crate) fn stagger_by(&mut self, stagger: Stagger) {
        self.piece = stagger.piece();
    }

    /// Returns how many frames fit before the next block boundary.
    pub(crate) fn room_frames(&self) -> usize {
        self.response.small.frames - self.filled
    }

    /// Says whether nothing would sound without new input.
    pub(crate) fn is_silent(&self) -> bool {
        !self.big_now_sounds && self.small.is_silent() && self.big.is_silent()
    }

    /// Takes frames of both inputs and adds the same number of frames to `outputs`; at most [`Self::room_frames`].
    pub(crate) fn process(&mut self, inputs: [&[f32]; INPUTS], outputs: &mut [&mut [f32]]) {
        let frames = inputs[0].len();
        debug_assert!(frames <= self.room_frames(), "a call stays within a block");
        let in_big = self.piece * self.response.small.frames + self.filled;
        self.small.gather(self.filled, inputs);
        self.big.gather(in_big, inputs);
        if self.small.ready_sounds {
            add(&self.small.ready, self.filled, outputs);
        }
        if self.big_now_sounds {
            add(&self.big_now, in_big, outputs);
        }
        self.advance(frames);
    }

    /// Moves on by frames of silence, of any number, while nothing sounds.
    pub(crate) fn pass_silence(&mut self, frames: usize) {
        debug_assert!(self.is_silent(), "what still sounds would be lost");
        let mut left = frames;
        while left > 0 {
            let passed = left.min(self.room_frames());
            self.advance(passed);
            left -= passed;
        }
    }

    fn advance(&mut self, frames: usize) {
        self.filled += frames;
        if self.filled == self.response.small.frames {
            self.filled = 0;
            self.end_block();
        }
    }

    fn end_block(&mut self) {
        for input in 0..INPUTS {
            self.small.pasts[input].close_block();
            self.small.transform(self.set, input);
        }
        let chunks = 0..self.response.small.chunks();
        self.small.multiply(self.set, &self.response.small_parts, chunks);
        for channel in 0..self.response.channels {
            self.small.transform_back(self.set, channel);
        }
        self.piece += 1;
        if self.piece == BLOCKS_IN_BIG {
            self.piece = 0;
            std::mem::swap(&mut self.big_now, &mut self.big.ready);
            self.big_now_sounds = std::mem::take(&mut self.big.ready_sounds);
            self.big.pasts.iter_mut().for_each(Past::close_block);
        }
        self.work_on_big(self.piece);
    }

    /// Does one of the eight pieces of work on the last whole big block: first transforms, then sums, then transforms back.
    fn work_on_big(&mut self, piece: usize) {
        let channels = self.response.channels;
        let heard = |input: &usize| self.response.big_parts[*input].count > 0;
        let forward = (0..INPUTS).filter(heard).count();
        let multiplying = BLOCKS_IN_BIG - channels - forward;
        if piece < forward {
            if let Some(input) = (0..INPUTS).filter(heard).nth(piece) {
                self.big.transform(self.set, input);
            }
        } else if piece < forward + multiplying {
            let chunks = self.response.big.chunks();
            let from = chunks * (piece - forward) / multiplying;
            let to = chunks * (piece - forward + 1) / multiplying;
            self.big.multiply(self.set, &self.response.big_parts, from..to);
        } else {
            self.big.transform_back(self.set, piece - forward - multiplying);
        }
    }
}

/// Adds what sounds from frame `from` on to `outputs`.
fn add(lines: &[Vec<f32>], from: usize, outputs: &mut [&mut [f32]]) {
    for (output, line) in outputs.iter_mut().zip(lines) {
        for (out, x) in output.iter_mut().zip(&line[from..]) {
            *out += x;
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

    /// A response whose parts overlap, by input, then channel.
    fn responses(
        block: usize,
        early_frames: usize,
        late_from: usize,
        late_frames: usize,
    ) -> [Vec<Vec<f32>>; INPUTS] {
        let mut early = noise(1, early_frames);
        early[..block].fill(0.0);
        let mut late = noise(2, late_frames);
        late[..late_from].fill(0.0);
        let right = late.iter().map(|x| -x).collect();
        [vec![early.clone(), early], vec![late, right]]
    }

    /// Runs a convolver over `frames` frames of inputs that are silent after their end, in calls of changing length.
    fn run(
        convolver: &mut Convolver,
        inputs: [&[f32]; INPUTS],
        frames: usize,
        longest: usize,
    ) -> [Vec<f32>; 2] {
        let (mut left, mut right) = (vec![0.0; frames], vec![0.0; frames]);
        let mut done = 0;
        let mut step = 1;
        while done < frames {
            step = step % longest + 1;
            let n = step.min(convolver.room_frames()).min(frames - done);
            let part =
                |input: &[f32]| (done..done + n).map(|i| *input.get(i).unwrap_or(&0.0)).collect::<Vec<f32>>();
            let parts = [part(inputs[0]), part(inputs[1])];
            let outputs = &mut [&mut left[done..done + n], &mut right[done..done + n]];
            convolver.process([&parts[0], &parts[1]], outputs);
            done += n;
        }
        [left, right]
    }

    const SHAPES: [(usize, usize, usize); 3] = [(300, 280, 900), (120, 100, 420), (700, 650, 1500)];
    const SETS: [fn() -> InstructionSet; 2] = [InstructionSet::plain, InstructionSet::widest];

    #[test]
    fn partitions_give_what_the_definition_gives() {
        let block = 16;
        for (early_frames, late_from, late_frames) in SHAPES {
            let responses = responses(block, early_frames, late_from, late_frames);
            let inputs = [noise(3, 400), noise(4, 400)];
            let frames = 2000;
            let from_early = direct(&inputs[0], &responses[0][0], frames);
            let from_late = direct(&inputs[1], &responses[1][0], frames);
            let spectra = Arc::new(ResponseSpectra::new(block, &responses));
            for (set, first_piece) in SETS.iter().flat_map(|set| [0, 3, 7].map(|piece| (set(), piece))) {
                let mut convolver = Convolver::new(Arc::clone(&spectra)).with_instruction_set(set);
                convolver.stagger_by(Stagger::nth(first_piece));
                let [left, right] = run(&mut convolver, [&inputs[0], &inputs[1]], frames, 7);
                for n in 0..frames {
                    // Sums of some hundred products in single precision.
                    let (l, r) = (from_early[n] + from_late[n], from_early[n] - from_late[n]);
                    let (left, right) = (f64::from(left[n]), f64::from(right[n]));
                    assert!((left - l).abs() < 2e-5, "frame {n}: expected {l}, got {left}");
                    assert!((right - r).abs() < 2e-5, "frame {n}: expected {r}, got {right}");
                }
            }
        }
    }

    #[test]
    fn a_mono_response_gives_what_the_left_of_a_stereo_one_gives() {
        let [early, late] = responses(16, 300, 280, 900);
        let inputs = [noise(3, 400), noise(4, 400)];
        let mono = [vec![early[0].clone()], vec![late[0].clone()]];
        let sound = |responses| {
            let mut convolver = Convolver::new(Arc::new(ResponseSpectra::new(16, responses)));
            let mut heard = vec![0.0; 1600];
            for (block, heard) in heard.chunks_mut(16).enumerate() {
                let part =
                    |input: &[f32]| (0..16).map(|n| *input.get(16 * block + n).unwrap_or(&0.0)).collect();
                let parts: [Vec<f32>; INPUTS] = [part(&inputs[0]), part(&inputs[1])];
                convolver.process([&parts[0], &parts[1]], &mut [heard]);
            }
            heard
        };
        let (mono, stereo) = (sound(&mono), sound(&[early, late]));
        assert!(mono.iter().any(|x| x.abs() > 1.0), "silence");
        for (n, (m, s)) in mono.iter().zip(&stereo).enumerate() {
            assert!((m - s).abs() < 2e-5, "frame {n}: mono {m}, left {s}");
        }
    }

    #[test]
    fn instruction_sets_agree() {
        // Full scale is the largest sum that could come out; a tail's is near 1.
        let responses = responses(16, 700, 650, 1500).map(|input| {
            input.into_iter().map(|channel| channel.iter().map(|x| x / 1500.0).collect()).collect()
        });
        let spectra = Arc::new(ResponseSpectra::new(16, &responses));
        let inputs = [noise(3, 1000), noise(4, 1000)];
        let [plain, wide] = SETS.map(|set| {
            let mut convolver = Convolver::new(Arc::clone(&spectra)).with_instruction_set(set());
            run(&mut convolver, [&inputs[0], &inputs[1]], 3000, 16)
        });
        for (plain, wide) in plain.iter().zip(&wide) {
            assert!(plain.iter().any(|x| x.abs() > 1e-3), "silence");
            for (n, (p, w)) in plain.iter().zip(wide).enumerate() {
                assert!((p - w).abs() < 1e-6, "frame {n}: plain {p}, wide {w}");
            }
        }
    }

    #[test]
    fn any_split_of_calls_gives_the_same_bits() {
        let spectra = Arc::new(ResponseSpectra::new(16, &responses(16, 700, 650, 1500)));
        let inputs = [noise(3, 777), noise(4, 1001)];
        let sound = |longest| {
            let mut convolver = Convolver::new(Arc::clone(&spectra));
            convolver.stagger_by(Stagger::nth(2));
            run(&mut convolver, [&inputs[0], &inputs[1]], 4000, longest)
        };
        let whole = sound(1);
        assert!([2, 7, 16].into_iter().all(|longest| sound(longest) == whole));
    }

    #[test]
    fn it_falls_silent_after_the_response_and_wakes_up_without_loss() {
        let (early_frames, late_frames) = (700, 1500);
        let spectra = Arc::new(ResponseSpectra::new(16, &responses(16, early_frames, 650, late_frames)));
        let cycle = BLOCKS_IN_BIG * 16;
        let burst = noise(5, 300);
        let mut convolver = Convolver::new(Arc::clone(&spectra));
        for input in 0..INPUTS {
            let mut inputs: [&[f32]; INPUTS] = [&[]; INPUTS];
            inputs[input] = &burst;
            assert!(convolver.is_silent(), "silent before any sound");
            let first = run(&mut convolver, inputs, 300, 16);
            assert!(!convolver.is_silent(), "rings on after input");
            // A partition may sound up to a block longer than the response, and is
            // worked out up to three big blocks after its frames.
            let rest = [late_frames + 4 * cycle, 300].iter().sum::<usize>().next_multiple_of(cycle) - 300;
            let rung_out = run(&mut convolver, [&[], &[]], rest, 16);
            assert!(convolver.is_silent(), "silent after the response");
            assert!(rung_out[0].iter().any(|&x| x.abs() > 0.1), "rings on audibly");
            assert!(rung_out[0][late_frames + 3 * cycle..].iter().all(|&x| x == 0.0), "all has sounded");
            convolver.pass_silence(3 * cycle);
            let again = run(&mut convolver, inputs, 300, 16);
            assert_eq!(first, again, "the same sound after silence, to the bit");
            assert_eq!(rung_out, run(&mut convolver, [&[], &[]], rest, 16));
        }
    }

    #[test]
    fn a_fading_sound_ends_in_silence_without_subnormal_numbers() {
        let spectra = Arc::new(ResponseSpectra::new(16, &responses(16, 700, 650, 1500)));
        let fading: Vec<f32> = (0..20_000_u16).map(|n| (-0.01 * f32::from(n)).exp()).collect();
        let mut convolver = Convolver::new(spectra);
        let [left, right] = run(&mut convolver, [&fading, &fading], 20_000, 16);
        assert!(left.iter().chain(&right).all(|x| !x.is_subnormal()));
        assert!(convolver.is_silent(), "what is fainter than -300 dB is silence");
    }
}
