//! The peer: a fixed stereo response as long as the tail, convolved by a well-kept crate.
//!
//! One mono input goes into two convolvers, one for each output channel.

use std::fmt;

use fft_convolver::{FFTConvolver, FFTConvolverError, TwoStageFFTConvolver};
use rostra_dsp::kernel::Noise;

use crate::block_work::BlockWork;
use crate::instance::noise_into;

/// How the peer cuts its response.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PeerForm {
    /// Into partitions of one size, that of the host's block.
    Uniform,
    /// Into a head of the host's block and a tail whose size the crate works out (Garcia 2002).
    TwoStage,
}

impl PeerForm {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Uniform, Self::TwoStage];

    /// Returns the words for it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Uniform => "uniform",
            Self::TwoStage => "two-stage",
        }
    }
}

#[derive(Debug)]
enum Pair {
    Uniform(Box<[FFTConvolver<f32>; 2]>),
    TwoStage(Box<[TwoStageFFTConvolver<f32>; 2]>),
}

/// Two convolvers fed with one channel of noise.
pub struct Peer {
    pair: Pair,
    noise: Noise,
    input: Vec<f32>,
    outputs: [Vec<f32>; 2],
}

impl fmt::Debug for Peer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Peer").field("block_frames", &self.input.len()).finish_non_exhaustive()
    }
}

impl Peer {
    /// Prepares the peer for the host's blocks and a response of so many frames of decaying noise.
    ///
    /// # Errors
    /// When the crate refuses the block or the response.
    pub fn new(
        form: PeerForm,
        block_frames: usize,
        response_frames: usize,
    ) -> Result<Self, FFTConvolverError> {
        let mut noise = Noise::new(1);
        let mut response = || -> Vec<f32> {
            (0..response_frames)
                // -60 dB at the end.
                .map(|n| noise.gaussian() * 10_f64.powf(-3.0 * n as f64 / response_frames as f64))
                .map(|x| (0.01 * x) as f32)
                .collect()
        };
        let responses = [response(), response()];
        let pair = match form {
            PeerForm::Uniform => {
                let mut pair = Box::<[FFTConvolver<f32>; 2]>::default();
                for (convolver, response) in pair.iter_mut().zip(&responses) {
                    convolver.init(block_frames, response)?;
                }
                Pair::Uniform(pair)
            }
            PeerForm::TwoStage => {
                let mut pair = Box::<[TwoStageFFTConvolver<f32>; 2]>::default();
                for (convolver, response) in pair.iter_mut().zip(&responses) {
                    convolver.init_default(block_frames, response)?;
                }
                Pair::TwoStage(pair)
            }
        };
        let room = || vec![0.0; block_frames];
        Ok(Self { pair, noise: Noise::new(2), input: room(), outputs: [room(), room()] })
    }

    /// Returns what came out of the last block.
    pub fn output(&self) -> &[Vec<f32>; 2] {
        &self.outputs
    }
}

impl BlockWork for Peer {
    fn prepare(&mut self) {
        noise_into(&mut self.noise, &mut self.input);
    }

    fn process(&mut self) {
        for (channel, output) in self.outputs.iter_mut().enumerate() {
            let done = match &mut self.pair {
                Pair::Uniform(pair) => pair[channel].process(&self.input, output),
                Pair::TwoStage(pair) => pair[channel].process(&self.input, output),
            };
            // PANIC: the crate refuses only buffers of different lengths.
            done.expect("both buffers are as long as the block");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::extremes::larger;

    #[test]
    fn both_forms_convolve_with_the_same_response() {
        let [mut uniform, mut two_stage] = PeerForm::ALL.map(|form| Peer::new(form, 128, 24_000).unwrap());
        let (mut difference, mut sum) = (0.0_f32, 0.0_f32);
        for _ in 0..400 {
            for peer in [&mut uniform, &mut two_stage] {
                peer.prepare();
                peer.process();
            }
            for (a, b) in uniform.output()[1].iter().zip(&two_stage.output()[1]) {
                difference = larger(difference, (a - b).abs());
                sum += a * a;
            }
        }
        let rms = (sum / (400.0 * 128.0)).sqrt();
        assert!(rms > 0.01 && difference < 1e-4 * rms.max(1.0), "rms {rms}, difference {difference}");
    }
}
