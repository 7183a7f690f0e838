//! The tail without the rest of the engine.

use std::sync::Arc;

use rostra_dsp::kernel::{INPUTS, Noise};
use rostra_dsp::tail::{TailSpectra, TailVoice};

use crate::block_work::BlockWork;
use crate::instance::noise_into;

/// A voice of a tail, fed with noise in both parts.
#[derive(Debug)]
pub struct TailAlone {
    voice: TailVoice,
    /// Frames that the voice takes at once.
    step_frames: usize,
    noise: Noise,
    parts: [Vec<f32>; INPUTS],
    outputs: [Vec<f32>; 2],
}

impl TailAlone {
    /// Prepares a stereo voice for the host's blocks.
    pub fn new(spectra: Arc<TailSpectra>, block_frames: usize) -> Self {
        let room = || vec![0.0; block_frames];
        Self {
            step_frames: spectra.spec().onset_frames.min(block_frames),
            voice: TailVoice::new(spectra),
            noise: Noise::new(1),
            parts: [room(), room()],
            outputs: [room(), room()],
        }
    }
}

impl BlockWork for TailAlone {
    fn prepare(&mut self) {
        self.parts.iter_mut().for_each(|part| noise_into(&mut self.noise, part));
        self.outputs.iter_mut().for_each(|output| output.fill(0.0));
    }

    fn process(&mut self) {
        let [early, late] = &self.parts;
        let [left, right] = &mut self.outputs;
        let step = self.step_frames;
        let inputs = early.chunks(step).zip(late.chunks(step));
        for ((early, late), (left, right)) in inputs.zip(left.chunks_mut(step).zip(right.chunks_mut(step))) {
            self.voice.process([early, late], &mut [left, right]);
        }
    }
}
