//! The hall on a bus that carries noise.

use rostra_dsp::hall::{Hall, HallEngine};
use rostra_dsp::kernel::{InstructionSet, Noise};
use rostra_dsp::tail::BuildAtOnce;

use crate::block_work::BlockWork;
use crate::instance::{RATE_HZ, noise_into};

/// A hall with its input: both sides of a bus, nothing in common.
#[derive(Debug)]
pub struct HallBus {
    engine: HallEngine,
    supply: BuildAtOnce,
    hall: Hall,
    noise: [Noise; 2],
    channels: [Vec<f32>; 2],
}

impl HallBus {
    /// Prepares a hall at 48 kHz for the host's blocks; `None` where it cannot run.
    pub fn new(hall: Hall, set: InstructionSet, block_frames: usize) -> Option<Self> {
        Some(Self {
            engine: HallEngine::prepare_on(RATE_HZ, set).ok()?,
            supply: BuildAtOnce::default(),
            hall,
            noise: [Noise::new(1), Noise::new(2)],
            channels: [vec![0.0; block_frames], vec![0.0; block_frames]],
        })
    }

    /// Plays until the whole tail sounds.
    pub fn warm_up(&mut self) {
        let blocks = (1.1 * self.hall.decay_s * RATE_HZ) as usize / self.channels[0].len() + 1;
        for _ in 0..blocks {
            self.prepare();
            self.process();
        }
    }
}

impl BlockWork for HallBus {
    fn prepare(&mut self) {
        for (noise, channel) in self.noise.iter_mut().zip(&mut self.channels) {
            noise_into(noise, channel);
        }
    }

    fn process(&mut self) {
        let [left, right] = &mut self.channels;
        self.engine.process(&self.hall, &mut self.supply, [left, right]);
    }
}
