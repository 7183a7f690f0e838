//! The tails of one engine: the one that plays, one that rings out, one that waits.

use crate::kernel::convolver::INPUTS;
use crate::kernel::stagger::Stagger;
use crate::plan::low_tail::LowTail;
use crate::tail::{TailSupply, TailVoice};

/// Time over which a new tail's input fades in and the old one's fades out, s.
const FADE_S: f64 = 0.05;

/// A voice and how far it has faded.
#[derive(Debug)]
struct Placed {
    voice: Box<TailVoice>,
    /// Gain of what goes in, and its change per frame.
    input_gain: f32,
    input_step: f32,
    /// Gain of what comes out, and its change per frame.
    output_gain: f32,
    output_step: f32,
}

impl Placed {
    /// Says whether nothing would be heard without new input.
    fn is_silent(&self) -> bool {
        self.output_gain <= 0.0 || self.voice.is_silent()
    }

    /// Says whether nothing will be heard any more, whatever comes in.
    fn is_over(&self) -> bool {
        self.output_gain <= 0.0 || (self.is_unfed() && self.voice.is_silent())
    }

    /// Says whether the input is faded out.
    fn is_unfed(&self) -> bool {
        self.input_gain <= 0.0 && self.input_step <= 0.0
    }

    /// Says whether the input goes in as it is.
    fn is_fully_fed(&self) -> bool {
        self.input_gain >= 1.0 && self.input_step >= 0.0
    }

    /// Feeds both parts and adds what is heard to `outputs`.
    fn process(&mut self, parts: [&[f32]; INPUTS], scratch: &mut Scratch, outputs: &mut [&mut [f32]]) {
        let frames = parts[0].len();
        let [first, second] = &mut scratch.fed;
        let fed = [&mut first[..frames], &mut second[..frames]];
        let parts = if self.is_fully_fed() { parts } else { self.feed(parts, fed) };
        if self.output_step == 0.0 {
            self.voice.process(parts, outputs);
            return;
        }
        let [left, right] = &mut scratch.heard;
        let mut heard = [&mut left[..frames], &mut right[..frames]];
        for heard in &mut heard {
            heard.fill(0.0);
        }
        self.voice.process(parts, &mut heard[..outputs.len()]);
        let (gain, step) = (self.output_gain, self.output_step);
        for (output, heard) in outputs.iter_mut().zip(&heard) {
            for (n, (out, x)) in output.iter_mut().zip(heard.iter()).enumerate() {
                *out += x * (gain + step * n as f32).clamp(0.0, 1.0);
            }
        }
        self.output_gain = (gain + step * frames as f32).clamp(0.0, 1.0);
    }

    /// Puts the input's gain on both parts and moves it on.
    fn feed<'a>(&mut self, parts: [&[f32]; INPUTS], fed: [&'a mut [f32]; INPUTS]) -> [&'a [f32]; INPUTS] {
        let frames = parts[0].len();
        let (gain, step) = (self.input_gain, self.input_step);
        self.input_gain = (gain + step * frames as f32).clamp(0.0, 1.0);
        let mut parts = parts.into_iter();
        fed.map(|fed| {
            for (n, (cell, x)) in fed.iter_mut().zip(parts.next().unwrap_or(&[])).enumerate() {
                *cell = x * (gain + step * n as f32).clamp(0.0, 1.0);
            }
            &*fed
        })
    }

    /// Moves voice and gains on by frames of silence.
    fn pass_silence(&mut self, frames: usize) {
        // One that is faded out may still ring, unheard; it is given back at the next grid sample.
        if self.voice.is_silent() {
            self.voice.pass_silence(frames);
        }
        self.input_gain = (self.input_gain + self.input_step * frames as f32).clamp(0.0, 1.0);
        self.output_gain = (self.output_gain + self.output_step * frames as f32).clamp(0.0, 1.0);
    }
}

/// Scratch memory of a block.
#[derive(Debug)]
struct Scratch {
    fed: [Vec<f32>; INPUTS],
    heard: [Vec<f32>; 2],
}

/// The tails of one engine.
#[derive(Debug)]
pub(crate) struct TailStage {
    playing: Option<Placed>,
    leaving: Option<Placed>,
    waiting: Option<Box<TailVoice>>,
    scratch: Scratch,
    fade_step: f32,
    stagger: Stagger,
}

impl TailStage {
    /// Allocates scratch memory for blocks of up to `block_frames`.
    pub(crate) fn new(block_frames: usize, sample_rate_hz: f64) -> Self {
        let scratch = || vec![0.0; block_frames];
        Self {
            playing: None,
            leaving: None,
            waiting: None,
            scratch: Scratch { fed: [scratch(), scratch()], heard: [scratch(), scratch()] },
            fade_step: (1.0 / (FADE_S * sample_rate_hz)) as f32,
            stagger: Stagger::default(),
        }
    }

    /// Forgets all sound; the voice that played last plays on, from silence.
    pub(crate) fn reset(&mut self) {
        for placed in self.playing.iter_mut().chain(&mut self.leaving) {
            placed.voice.reset();
        }
        if let Some(playing) = &mut self.playing {
            playing.input_gain = 1.0;
        }
        if let Some(leaving) = &mut self.leaving {
            // Silent from now on: given back at the next grid sample.
            leaving.output_gain = 0.0;
        }
    }

    /// Shifts the long transforms of all voices, before the first frame after a reset.
    pub(crate) fn stagger_by(&mut self, stagger: Stagger) {
        self.stagger = stagger;
        for placed in self.playing.iter_mut().chain(&mut self.leaving) {
            placed.voice.stagger_by(stagger);
        }
    }

    /// Returns the longest that a voice sounds after its input ended, in frames; one that waits is about to play.
    pub(crate) fn frames(&self) -> usize {
        let voices =
            self.playing.iter().chain(&self.leaving).map(|placed| &placed.voice).chain(&self.waiting);
        voices.map(|voice| voice.spectra().frames()).max().unwrap_or(0)
    }

    /// Returns the low octaves of the tail that plays, if there is one.
    pub(crate) fn low(&self) -> Option<&LowTail> {
        self.playing.as_ref().map(|playing| playing.voice.spectra().low())
    }

    /// Takes a finished voice from the supply and moves voices on; returns whether another one plays now.
    ///
    /// Called at grid samples, which are block boundaries.
    ///
    /// `at_once` is for the first grid sample after a reset, where nothing sounds yet.
    pub(crate) fn collect(&mut self, supply: &mut dyn TailSupply, at_once: bool) -> bool {
        if let Some(voice) = supply.take()
            && let Some(unheard) = self.waiting.replace(voice)
        {
            supply.give_back(unheard);
        }
        if let Some(gone) = self.leaving.take_if(|leaving| leaving.is_over()) {
            supply.give_back(gone.voice);
        }
        if at_once && self.waiting.is_some() {
            for old in self.playing.take().into_iter().chain(self.leaving.take()) {
                supply.give_back(old.voice);
            }
        }
        if self.waiting.is_some()
            && let Some(leaving) = &mut self.leaving
        {
            leaving.output_step = -self.fade_step;
            return false;
        }
        let Some(mut voice) = self.waiting.take() else {
            return false;
        };
        voice.stagger_by(self.stagger);
        self.leaving = self.playing.take().map(|playing| Placed { input_step: -self.fade_step, ..playing });
        self.playing = Some(Placed {
            voice,
            input_gain: if at_once { 1.0 } else { 0.0 },
            input_step: self.fade_step,
            output_gain: 1.0,
            output_step: 0.0,
        });
        true
    }

    /// Feeds both parts and adds the tails to `outputs`; a call stays within a block.
    pub(crate) fn process(&mut self, parts: [&[f32]; INPUTS], outputs: &mut [&mut [f32]]) {
        for placed in self.playing.iter_mut().chain(&mut self.leaving) {
            placed.process(parts, &mut self.scratch, outputs);
        }
    }

    /// Says whether nothing would sound without new input.
    pub(crate) fn is_silent(&self) -> bool {
        self.playing.iter().chain(&self.leaving).all(Placed::is_silent)
    }

    /// Moves on by frames of silence in both parts while nothing sounds, within a block as [`Self::process`] does.
    pub(crate) fn pass_silence(&mut self, frames: usize) {
        for placed in self.playing.iter_mut().chain(&mut self.leaving) {
            placed.pass_silence(frames);
        }
    }
}
