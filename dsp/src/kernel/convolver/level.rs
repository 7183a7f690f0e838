//! One level of partitions: its delay lines, what is being summed, and what sounds.

use std::ops::Range;

use super::INPUTS;
use super::frequency_delay_line::Past;
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
    pub(super) pasts: [Past; INPUTS],
    /// By bins, then channel.
    pub(super) sums: Vec<Bins>,
    pub(super) sums_sound: bool,
    /// By channel: the second half of the last block's product, which sounds with the next.
    pub(super) carry: Vec<Vec<f32>>,
    pub(super) carry_sounds: bool,
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
            pasts: partitions.each_ref().map(|partitions| Past::new(plan, partitions)),
            sums: vec![Bins::SILENT; plan.chunks() * channels],
            sums_sound: false,
            carry: vec![line.clone(); channels],
            carry_sounds: false,
            ready: vec![line; channels],
            ready_sounds: false,
        }
    }

    pub(super) fn reset(&mut self) {
        self.pasts.iter_mut().for_each(Past::reset);
        self.sums_sound = false;
        self.carry_sounds = false;
        self.ready_sounds = false;
    }

    pub(super) fn gather(&mut self, at: usize, inputs: [&[f32]; INPUTS]) {
        for (past, samples) in self.pasts.iter_mut().zip(inputs) {
            past.gather(at, samples);
        }
    }

    /// Puts the spectrum of an input's last whole block into its past.
    pub(super) fn transform(&mut self, set: InstructionSet, input: usize) {
        self.pasts[input].transform(set, &mut self.transformer);
    }

    /// Sums the products of some bins, counted in steps of [`LANES`].
    pub(super) fn multiply(
        &mut self,
        set: InstructionSet,
        partitions: &[Partitions; INPUTS],
        chunks: Range<usize>,
    ) {
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

    pub(super) fn multiply_channels<const CHANNELS: usize>(
        &mut self,
        set: InstructionSet,
        partitions: &[Partitions; INPUTS],
        chunks: Range<usize>,
    ) {
        let inputs = std::array::from_fn(|input| Factors::new(&self.pasts[input], &partitions[input]));
        set.run(Multiply::<CHANNELS> { inputs, chunks, sums: self.sums.as_chunks_mut().0 });
    }

    /// Transforms a channel's sum back; the last channel closes the sums.
    pub(super) fn transform_back(&mut self, set: InstructionSet, channel: usize) {
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

    pub(super) fn is_silent(&self) -> bool {
        self.pasts.iter().all(Past::is_silent) && !(self.sums_sound || self.carry_sounds || self.ready_sounds)
    }
}
