//! A response cut into partitions and transformed: what all instances share.

use super::INPUTS;
use super::transform::{Bins, Transform, Transformer};
use crate::kernel::instruction_set::InstructionSet;
use crate::kernel::instruction_set::SIMD_WIDTH;
use crate::kernel::stagger::BLOCKS_IN_BIG;

/// The spectra of one input's partitions at one level.
#[derive(Debug, Default)]
pub(super) struct Partitions {
    /// Index of the first partition that is not silent.
    pub(super) first: usize,
    /// Partitions from there on.
    pub(super) count: usize,
    /// By bins, then partition, then channel: the order of use.
    pub(super) bins: Vec<Bins>,
}

impl Partitions {
    /// Transforms the partitions of one input from frame `onset` up to frame `end`, silent ones at the start left out.
    pub(super) fn new(plan: &Transform, onset: usize, end: usize, input: &[Vec<f32>]) -> Self {
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

    pub(super) fn end(&self) -> usize {
        self.first + self.count
    }
}

/// A response, transformed: shared by every voice that plays it.
#[derive(Debug)]
pub(crate) struct ResponseSpectra {
    pub(super) small: Transform,
    pub(super) big: Transform,
    pub(super) channels: usize,
    pub(super) small_parts: [Partitions; INPUTS],
    pub(super) big_parts: [Partitions; INPUTS],
    pub(super) frames: usize,
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
        assert!(
            block_frames.is_multiple_of(SIMD_WIDTH),
            "a block is a multiple of {SIMD_WIDTH}, got {block_frames}"
        );
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

pub(super) fn response_frames(input: &[Vec<f32>]) -> usize {
    let last = |channel: &Vec<f32>| channel.iter().rposition(|&x| x != 0.0).map_or(0, |index| index + 1);
    input.iter().map(last).max().unwrap_or(0)
}

/// Returns silence that has been written to: a fresh page costs a fault then, which is not to come while sound runs.
pub(super) fn touched(frames: usize) -> Vec<f32> {
    let mut line = vec![0.0; frames];
    std::hint::black_box(&mut line).fill(0.0);
    line
}
