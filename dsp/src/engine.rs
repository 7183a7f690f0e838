//! The engine: from a dry channel to a player on the platform.

use crate::settings::Settings;
use crate::tail::TailSupply;

/// Channels in and out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layout {
    /// One channel in, one out: a single omni as the pickup.
    MonoToMono,
    /// One channel in, left and right out.
    MonoToStereo,
    /// Left and right in, left and right out.
    StereoToStereo,
}

/// What an engine is prepared for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Config {
    /// Sample rate, 22 050 to 192 000 Hz.
    pub sample_rate_hz: f64,
    /// Channels in and out.
    pub layout: Layout,
}

/// Why an engine could not be prepared.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum PrepareError {
    /// The sample rate lies outside what the engine can run at.
    #[error("sample rate {got_hz} Hz is outside {least_hz} to {most_hz} Hz")]
    SampleRate {
        /// The rate asked for.
        got_hz: f64,
        /// The lowest rate.
        least_hz: f64,
        /// The highest rate.
        most_hz: f64,
    },
}

/// A prepared engine.
#[derive(Debug)]
pub struct Engine {
    config: Config,
}

impl Engine {
    /// Allocates an engine; the first tail is asked of the supply at the first frame processed.
    ///
    /// # Errors
    /// When the sample rate lies outside 22 050 to 192 000 Hz.
    pub fn prepare(config: Config) -> Result<Self, PrepareError> {
        Ok(Self { config })
    }

    /// Forgets all sound; the next frame starts a new grid of plans, at the then current settings, without fades.
    pub fn reset(&mut self) {}

    /// Processes in place: `channels` holds the input on entry (its first channel
    /// for a mono input) and the output on return; all slices have one length.
    ///
    /// `settings` hold from the first to the last frame of the call.
    pub fn process(&mut self, settings: &Settings, supply: &mut dyn TailSupply, channels: &mut [&mut [f32]]) {
        let _ = (settings, supply, channels, self.config);
    }

    /// Returns the latency: always 0 frames.
    pub fn latency_frames(&self) -> usize {
        0
    }

    /// Returns how long the output may sound after the input ended, in frames, at the newest plan.
    pub fn tail_frames(&self) -> usize {
        0
    }
}
