//! The tails of one engine: the one that plays, one that rings out, one that waits.

use crate::convolver::INPUTS;
use crate::low_octaves::LowTail;
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
    /// Frames without input so far.
    unfed_frames: usize,
}

impl Placed {
    fn is_silent(&self) -> bool {
        // The convolver sounds up to two big blocks after what went in; the
        // response itself says how many frames that is at most.
        self.output_gain <= 0.0
            || self.unfed_frames > self.voice.spectra().frames() + self.voice.delay_frames()
    }

    fn process(&mut self, parts: [&[f32]; INPUTS], room: &mut Room, outputs: &mut [&mut [f32]]) {
        let frames = parts[0].len();
        let (gain, step) = (self.input_gain, self.input_step);
        for (fed, part) in room.fed.iter_mut().zip(parts) {
            for (n, (cell, x)) in fed.iter_mut().zip(part).enumerate() {
                *cell = x * (gain + step * n as f32).clamp(0.0, 1.0);
            }
        }
        self.input_gain = (gain + step * frames as f32).clamp(0.0, 1.0);
        self.unfed_frames = if self.input_gain > 0.0 { 0 } else { self.unfed_frames + frames };
        let [first, second] = &room.fed;
        if self.output_step == 0.0 {
            self.voice.process([&first[..frames], &second[..frames]], outputs);
            return;
        }
        for heard in &mut room.heard {
            heard[..frames].fill(0.0);
        }
        let [left, right] = &mut room.heard;
        let mut heard = [&mut left[..frames], &mut right[..frames]];
        self.voice.process([&first[..frames], &second[..frames]], &mut heard[..outputs.len()]);
        let (gain, step) = (self.output_gain, self.output_step);
        for (output, heard) in outputs.iter_mut().zip(&room.heard) {
            for (n, (out, x)) in output.iter_mut().zip(heard).enumerate() {
                *out += x * (gain + step * n as f32).clamp(0.0, 1.0);
            }
        }
        self.output_gain = (gain + step * frames as f32).clamp(0.0, 1.0);
    }
}

/// Working room of a block.
#[derive(Debug)]
struct Room {
    fed: [Vec<f32>; INPUTS],
    heard: [Vec<f32>; 2],
}

/// The tails of one engine.
#[derive(Debug)]
pub struct TailStage {
    playing: Option<Placed>,
    leaving: Option<Placed>,
    waiting: Option<Box<TailVoice>>,
    room: Room,
    fade_step: f32,
}

impl TailStage {
    /// Allocates working room for blocks of up to `block_frames`.
    pub fn new(block_frames: usize, sample_rate_hz: f64) -> Self {
        let room = || vec![0.0; block_frames];
        Self {
            playing: None,
            leaving: None,
            waiting: None,
            room: Room { fed: [room(), room()], heard: [room(), room()] },
            fade_step: (1.0 / (FADE_S * sample_rate_hz)) as f32,
        }
    }

    /// Forgets all sound; the voice that played last plays on, from silence.
    pub fn reset(&mut self) {
        for placed in self.playing.iter_mut().chain(&mut self.leaving) {
            placed.voice.reset();
            placed.unfed_frames = 0;
        }
        if let Some(playing) = &mut self.playing {
            playing.input_gain = 1.0;
        }
        if let Some(leaving) = &mut self.leaving {
            // Silent from now on: given back at the next grid sample.
            leaving.output_gain = 0.0;
        }
    }

    /// Returns the longest that a voice sounds after its input ended, in frames.
    pub fn frames(&self) -> usize {
        let frames = |placed: &Placed| placed.voice.spectra().frames();
        self.playing.iter().chain(&self.leaving).map(frames).max().unwrap_or(0)
    }

    /// Returns the low octaves of the tail that plays, if there is one.
    pub fn low(&self) -> Option<&LowTail> {
        self.playing.as_ref().map(|playing| playing.voice.spectra().low())
    }

    /// Takes a finished voice from the supply and moves voices on; returns whether another one plays now.
    ///
    /// Called at grid samples, which are block boundaries.
    ///
    /// `at_once` is for the first grid sample after a reset, where nothing sounds yet.
    pub fn collect(&mut self, supply: &mut dyn TailSupply, at_once: bool) -> bool {
        if let Some(voice) = supply.take()
            && let Some(unheard) = self.waiting.replace(voice)
        {
            supply.give_back(unheard);
        }
        if let Some(gone) = self.leaving.take_if(|leaving| leaving.is_silent()) {
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
        let Some(voice) = self.waiting.take() else {
            return false;
        };
        self.leaving = self.playing.take().map(|playing| Placed { input_step: -self.fade_step, ..playing });
        self.playing = Some(Placed {
            voice,
            input_gain: if at_once { 1.0 } else { 0.0 },
            input_step: self.fade_step,
            output_gain: 1.0,
            output_step: 0.0,
            unfed_frames: 0,
        });
        true
    }

    /// Feeds both parts and adds the tails to `outputs`; a call stays within a block.
    pub fn process(&mut self, parts: [&[f32]; INPUTS], outputs: &mut [&mut [f32]]) {
        for placed in self.playing.iter_mut().chain(&mut self.leaving) {
            placed.process(parts, &mut self.room, outputs);
        }
    }
}
