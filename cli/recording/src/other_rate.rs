//! A sound at another rate.

use anyhow::{Result, anyhow};
use audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft, FixedSync, Resampler};

use crate::Recording;

/// Frames that the resampler takes at once (our choice; nobody waits for it).
const RESAMPLED_FRAMES: usize = 1024;

impl Recording {
    /// Returns the sound at another rate; at its own it stays as it is, to the bit.
    ///
    /// # Errors
    /// When the resampler refuses.
    pub fn at_rate(self, rate_hz: u32) -> Result<Self> {
        if rate_hz == self.rate_hz {
            return Ok(self);
        }
        let refused = |why: String| {
            anyhow!("the sound cannot be converted from {} to {rate_hz} Hz ({why})", self.rate_hz)
        };
        let (count, frames) = (self.channels.len(), self.frames());
        let (from, to) = (self.rate_hz as usize, rate_hz as usize);
        let mut resampler = Fft::<f32>::new(from, to, RESAMPLED_FRAMES, 1, count, FixedSync::Both)
            .map_err(|error| refused(error.to_string()))?;
        let room = resampler.process_all_needed_output_len(frames);
        let mut channels = vec![vec![0.0; room]; count];
        let input = SequentialSliceOfVecs::new(&self.channels, count, frames)
            .map_err(|error| refused(error.to_string()))?;
        let mut output = SequentialSliceOfVecs::new_mut(&mut channels, count, room)
            .map_err(|error| refused(error.to_string()))?;
        let (_, held) = resampler
            .process_all_into_buffer(&input, &mut output, frames, None)
            .map_err(|error| refused(error.to_string()))?;
        for channel in &mut channels {
            channel.truncate(held.max(1));
        }
        Ok(Self { rate_hz, channels })
    }
}
