//! The spectra of the blocks that came in before: the frequency-domain delay line.

use super::FAINTEST_INPUT;
use super::partitions::{Partitions, touched};
use super::transform::{Bins, Transform, Transformer};
use crate::kernel::instruction_set::InstructionSet;

/// The past of one input at one level: the block that comes in, the last whole one, and the spectra of those before.
#[derive(Debug)]
pub(super) struct FrequencyDelayLine {
    pub(super) gathering: Vec<f32>,
    /// Whether anything but silence has come into the block so far; until then its frames are not written.
    pub(super) is_sounding: bool,
    pub(super) gathered: Vec<f32>,
    pub(super) gathered_sounds: bool,
    /// Blocks that are kept; none where nothing reads them.
    pub(super) slots: usize,
    /// By bins, then slot: the newest block is at `newest`, older ones follow, in a ring.
    pub(super) bins: Vec<Bins>,
    pub(super) newest: usize,
    /// How many of the newest blocks are silent, up to all.
    pub(super) silent_blocks: usize,
}

impl FrequencyDelayLine {
    pub(super) fn new(plan: &Transform, partitions: &Partitions) -> Self {
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

    pub(super) fn reset(&mut self) {
        self.is_sounding = false;
        self.gathered_sounds = false;
        self.bins.fill(Bins::SILENT);
        self.newest = 0;
        self.silent_blocks = self.slots;
    }

    /// Takes frames into the block that comes in.
    pub(super) fn gather(&mut self, at: usize, samples: &[f32]) {
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
    pub(super) fn close_block(&mut self) {
        std::mem::swap(&mut self.gathering, &mut self.gathered);
        self.gathered_sounds = std::mem::take(&mut self.is_sounding);
    }

    /// Puts the last whole block's spectrum into the ring.
    pub(super) fn transform(&mut self, set: InstructionSet, transformer: &mut Transformer) {
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
    pub(super) fn sounds(&self) -> bool {
        self.silent_blocks < self.slots
    }

    /// Says whether nothing but silence is left.
    pub(super) fn is_silent(&self) -> bool {
        !(self.is_sounding || self.gathered_sounds || self.sounds())
    }
}
