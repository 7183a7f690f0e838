//! One engine as a host would run it: settings, noise in, blocks.

use std::sync::Arc;

use rostra_dsp::Settings;
use rostra_dsp::engine::{Config, Engine, Layout};
use rostra_dsp::kernel::{InstructionSet, Noise};
use rostra_dsp::tail::{TailSpec, TailSpectra, TailSupply, TailVoice};

use crate::block_work::BlockWork;

/// Sample rate of the budgets, Hz.
pub const RATE_HZ: f64 = 48_000.0;
/// Peak of the noise that goes in, full scale = 1: as loud as a full orchestra's channel (our choice).
const PEAK: f64 = 0.25;
/// Where the automated depth turns, m from the front edge: the default platform end to end, less its margins.
const DEPTHS_M: (f64, f64) = (2.0, 11.0);
/// Speed of the automated depth, m/s: a quick walk (our choice).
const SPEED_M_S: f64 = 2.0;

/// What goes in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// One channel.
    Mono,
    /// Two equal channels, which the engine sounds as one source.
    Alike,
    /// Two different channels: two sources.
    Stereo,
}

impl Input {
    /// Every input, cheapest first.
    pub const ALL: [Self; 3] = [Self::Mono, Self::Alike, Self::Stereo];

    /// Returns the words for it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Mono => "mono",
            Self::Alike => "stereo, both alike",
            Self::Stereo => "stereo",
        }
    }

    const fn layout(self) -> Layout {
        match self {
            Self::Mono => Layout::MonoToStereo,
            Self::Alike | Self::Stereo => Layout::StereoToStereo,
        }
    }
}

/// What the settings do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Movement {
    /// Nothing changes.
    Still,
    /// Depth goes to and fro between 2 and 11 m at 2 m/s; new settings with every block.
    Depth,
}

impl Movement {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Still, Self::Depth];

    /// Returns the words for it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Still => "still",
            Self::Depth => "moving",
        }
    }
}

/// A case of the whole engine.
#[derive(Clone, Copy, Debug)]
pub struct Case {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Frames of the host's block.
    pub block_frames: usize,
    /// What goes in.
    pub input: Input,
    /// What the settings do.
    pub movement: Movement,
    /// What the kernels run with.
    pub set: InstructionSet,
    /// The settings to start from.
    pub settings: Settings,
}

impl Case {
    /// Returns the case of the budgets: 48 kHz, blocks of 128, the widest instruction set, default settings.
    pub fn new(input: Input, movement: Movement) -> Self {
        Self {
            rate_hz: RATE_HZ,
            block_frames: 128,
            input,
            movement,
            set: InstructionSet::widest(),
            settings: Settings::default(),
        }
    }

    /// Returns what the engine is prepared for.
    pub fn config(&self) -> Config {
        Config { sample_rate_hz: self.rate_hz, layout: self.input.layout() }
    }

    /// Returns the tail that it plays.
    pub fn tail_spec(&self) -> TailSpec {
        Engine::tail_spec(&self.config(), &self.settings)
    }
}

/// Returns the settings of the n-th of many players on one platform: depths and bearings spread over it.
pub fn seat_of(n: usize) -> Settings {
    let mut settings = Settings::default();
    // Steps that have no common measure with the ranges, so that no two seats are alike.
    settings.seat.depth_m = 2.0 + (n as f64 * 2.39) % 9.0;
    settings.seat.bearing_deg = -40.0 + (n as f64 * 31.7) % 80.0;
    settings
}

/// Fills a channel with noise, evenly spread within +-0.25.
pub fn noise_into(noise: &mut Noise, channel: &mut [f32]) {
    for x in channel {
        *x = (PEAK * (2.0 * noise.uniform() - 1.0)) as f32;
    }
}

/// A supply of voices on shared spectra; any other tail is left unanswered.
#[derive(Debug)]
struct SharedTail {
    set: InstructionSet,
    spectra: Arc<TailSpectra>,
    ready: Option<Box<TailVoice>>,
}

impl TailSupply for SharedTail {
    fn ask(&mut self, spec: &TailSpec) {
        if self.spectra.spec() == spec {
            let voice = TailVoice::new(Arc::clone(&self.spectra));
            self.ready = Some(Box::new(voice.with_instruction_set(self.set)));
        }
    }

    fn take(&mut self) -> Option<Box<TailVoice>> {
        self.ready.take()
    }

    fn give_back(&mut self, voice: Box<TailVoice>) {
        drop(voice);
    }
}

/// An engine with its input.
#[derive(Debug)]
pub struct Instance {
    engine: Engine,
    supply: SharedTail,
    case: Case,
    settings: Settings,
    noise: [Noise; 2],
    channels: [Vec<f32>; 2],
    /// Frames since the pass started.
    clock_frames: usize,
    is_fed: bool,
}

impl Instance {
    /// Prepares an engine on shared spectra, with noise of its own; `None` where it cannot run as the case asks.
    pub fn new(case: &Case, spectra: Arc<TailSpectra>, seed: u64) -> Option<Self> {
        let engine = Engine::prepare_on(case.config(), case.set).ok()?;
        Some(Self {
            engine,
            supply: SharedTail { set: case.set, spectra, ready: None },
            case: *case,
            settings: case.settings,
            noise: [Noise::new(2 * seed), Noise::new(2 * seed + 1)],
            channels: [vec![0.0; case.block_frames], vec![0.0; case.block_frames]],
            clock_frames: 0,
            is_fed: true,
        })
    }

    /// Sounds, standing still, until nothing starts up any more: the tail is full, both stereo ends are decided, what is silent rests.
    pub fn warm_up(&mut self) {
        let movement = std::mem::replace(&mut self.case.movement, Movement::Still);
        // Twice the longest delay line is where an engine lets a silent source rest.
        let frames = self.engine.tail_frames() + (2.0 * self.case.rate_hz) as usize;
        for _ in 0..frames.div_ceil(self.case.block_frames) {
            self.prepare();
            self.process();
        }
        self.case.movement = movement;
    }

    /// Feeds silence from now on.
    pub fn fall_silent(&mut self) {
        self.is_fed = false;
    }

    /// Returns what came out of the last block.
    pub fn output(&self) -> &[Vec<f32>; 2] {
        &self.channels
    }
}

impl BlockWork for Instance {
    fn restart(&mut self) {
        self.clock_frames = 0;
    }

    fn prepare(&mut self) {
        let [left, right] = &mut self.channels;
        if self.is_fed {
            noise_into(&mut self.noise[0], left);
        } else {
            left.fill(0.0);
        }
        match self.case.input {
            Input::Alike => right.copy_from_slice(left),
            Input::Stereo if self.is_fed => noise_into(&mut self.noise[1], right),
            Input::Mono | Input::Stereo => right.fill(0.0),
        }
        if self.case.movement == Movement::Depth {
            self.settings.seat.depth_m = depth_m(self.clock_frames as f64 / self.case.rate_hz);
        }
        self.clock_frames += self.case.block_frames;
    }

    fn process(&mut self) {
        let [left, right] = &mut self.channels;
        self.engine.process(&self.settings, &mut self.supply, &mut [left, right]);
    }
}

/// Returns the automated depth after some seconds: to and fro, in metres.
fn depth_m(seconds: f64) -> f64 {
    let (near, far) = DEPTHS_M;
    let travelled = (SPEED_M_S * seconds) % (2.0 * (far - near));
    near + travelled.min(2.0 * (far - near) - travelled)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tail_maker::TailMaker;
    use rostra_dsp::extremes::larger;

    #[test]
    fn depth_goes_to_and_fro_at_its_speed() {
        for (seconds, expected) in [(0.0, 2.0), (1.0, 4.0), (4.5, 11.0), (5.0, 10.0), (9.0, 2.0), (10.0, 4.0)]
        {
            assert!((depth_m(seconds) - expected).abs() < 1e-9, "after {seconds} s: {}", depth_m(seconds));
        }
    }

    #[test]
    fn an_instance_plays_its_tail_and_an_unfed_one_falls_silent() {
        let case = Case::new(Input::Mono, Movement::Still);
        let spectra = TailMaker::default().make(&case.tail_spec());
        let mut instance = Instance::new(&case, spectra, 1).unwrap();
        instance.warm_up();
        let loudest =
            |instance: &Instance| instance.output()[0].iter().fold(0.0_f32, |peak, x| larger(peak, x.abs()));
        assert!(loudest(&instance) > 0.01, "peak {}", loudest(&instance));
        instance.fall_silent();
        instance.process();
        // 0.3 s after the input ended only the tail can sound.
        for _ in 0..(0.3 * RATE_HZ) as usize / case.block_frames {
            instance.prepare();
            instance.process();
        }
        assert!(loudest(&instance) > 1e-6, "peak {}", loudest(&instance));
        instance.warm_up();
        assert_eq!(loudest(&instance), 0.0);
    }
}
