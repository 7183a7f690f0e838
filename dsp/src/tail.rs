//! The platform's tail: noise that decays as the platform does, in two parts, as coherent as a diffuse field.
//!
//! A tail belongs to the platform and the microphones, never to the seat: the seat
//! only sets how much of each octave goes into each part. Both parts have unit
//! energy density: a part fed with white noise returns as much energy in every
//! octave as went in, left and right together. A hall's parts have the levels
//! of its octaves instead: there is no seat to set them.

mod diffuse_field;
mod filtered_decay;
mod octave_masks;
mod octave_noise;
mod transforms;
mod workshop;

use std::sync::Arc;

use crate::acoustics::decibel::energy_of_db;
use crate::acoustics::microphones::Pair;
use crate::acoustics::octave::{WithTop, bands_at_rate, exact_midband_hz};
use crate::acoustics::platform::{DECAY_EXPONENT, Platform};
use crate::kernel::convolver::{Convolver, INPUTS, ResponseSpectra};
use crate::kernel::instruction_set::InstructionSet;
use crate::kernel::stagger::Stagger;
use crate::plan::low_tail::LowTail;
use crate::plan::tail_feed::LATE_BEGINS;

pub use crate::plan::tail_feed::onset_frames;
pub use diffuse_field::DiffuseField;
pub use workshop::TailWorkshop;

/// What a tail depends on: the platform and the microphones, never the seat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TailSpec {
    /// Sample rate, Hz.
    pub sample_rate_hz: f64,
    /// The main microphones' pair; `None` is the single omni of a mono output.
    pub pair: Option<Pair>,
    /// Decay of each octave band and of the top, s.
    pub decay_s: WithTop,
    /// Where the first part gives way to the second, s after the direct sound.
    pub mixing_time_s: f64,
    /// Decay of the first part, s, where it is a burst of its own, as what a face scatters; else it decays as the second does.
    pub burst_s: Option<f64>,
    /// Speed of sound, m/s.
    pub speed_of_sound_m_s: f64,
    /// Frames of the convolver's block, which is where the tail starts: a power of two.
    pub onset_frames: usize,
    /// Time over which the first part grows to its full level, s; 0 is at once.
    pub build_up_s: f64,
    /// Least time after which the tail's noise may repeat itself, s.
    pub least_period_s: f64,
    /// Energy of each octave in each part, left and right together; 1 returns as much as went in.
    pub levels: [WithTop; INPUTS],
    /// Seed of the noise: the same one in every session.
    pub seed: u64,
}

impl TailSpec {
    /// Returns the tail of a platform heard by a pair, or by a single omni.
    pub fn new(platform: &Platform, pair: Option<Pair>, sample_rate_hz: f64) -> Self {
        Self {
            sample_rate_hz,
            pair,
            decay_s: platform.octave_decay_s(),
            mixing_time_s: LATE_BEGINS * platform.mixing_time_s(),
            burst_s: Some(DECAY_EXPONENT * platform.scattered_s()),
            speed_of_sound_m_s: platform.air.speed_of_sound_m_s(),
            onset_frames: onset_frames(sample_rate_hz),
            build_up_s: 0.0,
            least_period_s: LEAST_PERIOD_S,
            levels: platform_levels(platform, sample_rate_hz),
            seed: SEED,
        }
    }

    /// Returns the number of output channels.
    pub fn channels(&self) -> usize {
        if self.pair.is_some() { 2 } else { 1 }
    }

    /// Returns how much energy each octave has of what decays, up to a common factor.
    ///
    /// A platform's second part is level; all octaves of a hall begin alike, so
    /// that each has as much as it decays.
    fn decaying_energies(&self) -> WithTop {
        if self.burst_s.is_some() { self.levels[1] } else { self.decay_s }
    }
}

/// Returns the energy of each octave of a platform's tail: 1 in those that seats set, and above them what the highest has there.
///
/// A seat's filters end with the highest octave that fits the rate. Beyond, the
/// tail has less: of the burst what the air leaves of it on a path across the
/// platform, V^(1/3), and of late sound exp(-13.82 t/`T_b`) `T_b`, t the mixing time.
fn platform_levels(platform: &Platform, sample_rate_hz: f64) -> [WithTop; INPUTS] {
    let decay_s = platform.octave_decay_s();
    let bands = bands_at_rate(sample_rate_hz);
    let across_m = platform.volume_m3().cbrt();
    let burst =
        |octave: usize| energy_of_db(-platform.air.attenuation_db_per_m(exact_midband_hz(octave)) * across_m);
    let late = |octave: usize| {
        decay_s[octave] * (-DECAY_EXPONENT * platform.mixing_time_s() / decay_s[octave]).exp()
    };
    let beyond = |energy: &dyn Fn(usize) -> f64| {
        std::array::from_fn(|octave| if octave < bands { 1.0 } else { energy(octave) / energy(octave - 1) })
    };
    [beyond(&burst), beyond(&late)]
}

/// Least time after which a platform's noise may repeat itself, s: half its longest decay, so that it has fallen by 30 dB.
const LEAST_PERIOD_S: f64 = 1.0;

/// Seed of a platform's noise, fixed so that every session sounds the same.
///
/// One noise scatters where the mean of many does not; of a dozen tried, this one's
/// tails are furthest within what decay (5 %), coherence (0.1) and reflected
/// energy (2.5 dB) are held to on all platforms, pairs and rates of the checks.
const SEED: u64 = 0x526f_7374_7261_07dc;

/// Blocks of a platform's tail in one of a hall's, whose first reflections cover a later start.
///
/// A hall lasts up to sixteen times as long as a platform: longer blocks
/// halve its work twice (3.5 s at 48 kHz: 14 small and 41 big partitions).
const BLOCKS_IN_HALLS: usize = 4;

/// Returns where a hall's tail starts after its first reflection, in frames: within 12 ms.
pub fn hall_onset_frames(sample_rate_hz: f64) -> usize {
    BLOCKS_IN_HALLS * onset_frames(sample_rate_hz)
}

/// The spectra of one tail, shared by all instances on a platform.
#[derive(Debug)]
pub struct TailSpectra {
    spec: TailSpec,
    response: Arc<ResponseSpectra>,
    low: LowTail,
}

impl TailSpectra {
    /// Makes a single tail in a [`TailWorkshop`] of its own; whoever makes many keeps one open.
    pub fn build(spec: &TailSpec) -> Self {
        TailWorkshop::new().build(spec)
    }

    /// Transforms the parts of a tail, by part, then channel.
    fn new(spec: &TailSpec, parts: &[Vec<Vec<f32>>; INPUTS]) -> Self {
        let response = Arc::new(ResponseSpectra::new(spec.onset_frames, parts));
        Self { spec: *spec, response, low: LowTail::new(parts, spec.sample_rate_hz) }
    }

    /// Returns what the tail was built for.
    pub fn spec(&self) -> &TailSpec {
        &self.spec
    }

    /// Returns the low octaves, for the gains of the seats.
    pub fn low(&self) -> &LowTail {
        &self.low
    }

    /// Returns how long the tail sounds, in frames.
    pub fn frames(&self) -> usize {
        self.response.frames()
    }
}

/// A tail that can sound: shared spectra and the memory of one instance's input.
#[derive(Debug)]
pub struct TailVoice {
    spectra: Arc<TailSpectra>,
    convolver: Convolver,
}

impl TailVoice {
    /// Allocates a voice, for any thread but the audio thread.
    pub fn new(spectra: Arc<TailSpectra>) -> Self {
        let convolver = Convolver::new(Arc::clone(&spectra.response));
        Self { spectra, convolver }
    }

    /// Runs with given instructions instead of the widest.
    #[must_use]
    pub fn with_instruction_set(self, set: InstructionSet) -> Self {
        Self { convolver: self.convolver.with_instruction_set(set), ..self }
    }

    /// Returns the spectra that the voice plays.
    pub fn spectra(&self) -> &Arc<TailSpectra> {
        &self.spectra
    }

    /// Forgets all sound.
    pub fn reset(&mut self) {
        self.convolver.reset();
    }

    /// Shifts the long transforms, before the first frame: see `Stagger`.
    pub fn stagger_by(&mut self, stagger: Stagger) {
        self.convolver.stagger_by(stagger);
    }

    /// Says whether nothing would sound without new input.
    pub fn is_silent(&self) -> bool {
        self.convolver.is_silent()
    }

    /// Moves on by frames of silence while nothing sounds.
    pub fn pass_silence(&mut self, frames: usize) {
        self.convolver.pass_silence(frames);
    }

    /// Takes frames for both parts and adds the tail's frames to `outputs`; a call stays within a block.
    pub fn process(&mut self, parts: [&[f32]; INPUTS], outputs: &mut [&mut [f32]]) {
        self.convolver.process(parts, outputs);
    }
}

/// Where the engine gets its tails from, and where it leaves those that fell silent.
///
/// All three are called on the audio thread and must neither allocate, free,
/// lock nor wait; only an offline supply may build at once.
pub trait TailSupply {
    /// Asks for a tail; a newer wish replaces an older one that is not yet built.
    fn ask(&mut self, spec: &TailSpec);
    /// Takes the newest finished voice, if there is one.
    fn take(&mut self) -> Option<Box<TailVoice>>;
    /// Takes back a voice that is no longer heard, to be freed elsewhere.
    fn give_back(&mut self, voice: Box<TailVoice>);
}

/// A supply that builds at once, for offline use and tests.
#[derive(Debug, Default)]
pub struct BuildAtOnce {
    workshop: TailWorkshop,
    ready: Option<Box<TailVoice>>,
}

impl TailSupply for BuildAtOnce {
    fn ask(&mut self, spec: &TailSpec) {
        self.ready = Some(Box::new(TailVoice::new(Arc::new(self.workshop.build(spec)))));
    }
    fn take(&mut self) -> Option<Box<TailVoice>> {
        self.ready.take()
    }
    fn give_back(&mut self, voice: Box<TailVoice>) {
        drop(voice);
    }
}

/// Synthesises both parts of a single tail: by part, then channel, frames from the direct sound on.
pub fn synthesise(spec: &TailSpec) -> [Vec<Vec<f32>>; INPUTS] {
    TailWorkshop::new().synthesise(spec)
}

/// Returns the decays that octave filters measure where each octave of a tail decays as it is to, s: their skirts let the neighbours in.
///
/// Where that is far from an octave's own decay, no tail can be measured as the platform wants it.
pub fn decays_through_filters(spec: &TailSpec) -> WithTop {
    let masks = octave_masks::OctaveMasks::at_rate(spec.sample_rate_hz);
    let shares = octave_masks::shares_through_filters(masks, spec.sample_rate_hz);
    filtered_decay::measured_decays_s(&spec.decay_s, &spec.decaying_energies(), &shares, masks.count())
}

/// Pressure decay exponent of a 60 dB decay, 3 ln 10 per decay time.
const PRESSURE_EXPONENT: f64 = 3.0 * std::f64::consts::LN_10;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tail_starts_within_three_milliseconds_at_any_rate() {
        for rate in [
            8_000.0, 11_025.0, 16_000.0, 22_050.0, 32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0,
            176_400.0, 192_000.0, 384_000.0, 768_000.0,
        ] {
            let seconds = onset_frames(rate) as f64 / rate;
            assert!((0.0014..=0.003).contains(&seconds), "rate {rate}: got {seconds} s");
        }
    }
}
