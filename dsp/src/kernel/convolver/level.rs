//! One level of partitions: its delay lines, what is being summed, and what sounds.

use std::ops::Range;

use super::INPUTS;
use super::frequency_delay_line::FrequencyDelayLine;
use super::partitions::Partitions;
use super::products::{Factors, Multiply};
use super::transform::{Bins, Transform, Transformer};
use crate::kernel::instruction_set::InstructionSet;

/// The memory of one level: its inputs' past, what is being summed, and what sounds.
///
/// What is silent is not worked on, nor even written: flags say what counts.
#[derive(Debug)]
pub(super) struct Level {
    pub(super) transformer: Transformer,
    pub(super) channels: usize,
    pub(super) delay_lines: [FrequencyDelayLine; INPUTS],
    /// By bins, then channel.
    pub(super) sums: Vec<Bins>,
    pub(super) sums_sound: bool,
    /// By channel: the second half of the last block's product, which sounds with the next.
    pub(super) overlap: Vec<Vec<f32>>,
    pub(super) overlap_sounds: bool,
    /// By channel: what sounds next.
    pub(super) ready: Vec<Vec<f32>>,
    pub(super) ready_sounds: bool,
}

impl Level {
    pub(super) fn new(plan: &Transform, partitions: &[Partitions; INPUTS], channels: usize) -> Self {
        let line = vec![0.0; plan.frames];
        Self {
            transformer: Transformer::new(plan),
            channels,
            delay_lines: partitions.each_ref().map(|partitions| FrequencyDelayLine::new(plan, partitions)),
            sums: vec![Bins::SILENT; plan.chunks() * channels],
            sums_sound: false,
            overlap: vec![line.clone(); channels],
            overlap_sounds: false,
            ready: vec![line; channels],
            ready_sounds: false,
        }
    }

    pub(super) fn reset(&mut self) {
        self.delay_lines.iter_mut().for_each(FrequencyDelayLine::reset);
        self.sums_sound = false;
        self.overlap_sounds = false;
        self.ready_sounds = false;
    }

    pub(super) fn gather(&mut self, at: usize, inputs: [&[f32]; INPUTS]) {
        for (delay_line, samples) in self.delay_lines.iter_mut().zip(inputs) {
            delay_line.gather(at, samples);
        }
    }

    /// Puts the spectrum of an input's last whole block into its delay line.
    pub(super) fn transform(&mut self, set: InstructionSet, input: usize) {
        self.delay_lines[input].transform(set, &mut self.transformer);
    }

    /// Sums the products of some bins, counted in steps of [`SIMD_WIDTH`].
    pub(super) fn multiply(
        &mut self,
        set: InstructionSet,
        partitions: &[Partitions; INPUTS],
        chunks: Range<usize>,
    ) {
        self.sums_sound = self.delay_lines.iter().any(FrequencyDelayLine::sounds);
        if !self.sums_sound {
            return;
        }
        if self.channels == 1 {
            self.multiply_channels::<1>(set, partitions, chunks);
        } else {
            self.multiply_channels::<2>(set, partitions, chunks);
        }
    }

    pub(super) fn multiply_channels<const CHANNELS: usize>(
        &mut self,
        set: InstructionSet,
        partitions: &[Partitions; INPUTS],
        chunks: Range<usize>,
    ) {
        let inputs = std::array::from_fn(|input| Factors::new(&self.delay_lines[input], &partitions[input]));
        set.run(Multiply::<CHANNELS> { inputs, chunks, sums: self.sums.as_chunks_mut().0 });
    }

    /// Transforms a channel's sum back; the last channel closes the sums.
    pub(super) fn transform_back(&mut self, set: InstructionSet, channel: usize) {
        let (overlap, ready) = (&mut self.overlap[channel], &mut self.ready[channel]);
        if self.sums_sound {
            if !self.overlap_sounds {
                overlap.fill(0.0);
            }
            self.transformer.back(set, &self.sums[channel..], self.channels, overlap, ready);
        } else if self.overlap_sounds {
            ready.copy_from_slice(overlap);
        }
        if channel + 1 == self.channels {
            self.ready_sounds = self.sums_sound || self.overlap_sounds;
            self.overlap_sounds = std::mem::take(&mut self.sums_sound);
        }
    }

    pub(super) fn is_silent(&self) -> bool {
        self.delay_lines.iter().all(FrequencyDelayLine::is_silent)
            && !(self.sums_sound || self.overlap_sounds || self.ready_sounds)
    }
}
