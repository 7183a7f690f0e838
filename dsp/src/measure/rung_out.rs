//! When a sound has rung out: nothing of it is heard any more, and nothing comes back.

use crate::acoustics::decibel::gain_of_db;
use crate::extremes::larger;

/// Level under its peak at which a sound has rung out, dB: below the least of 16-bit sound's steps.
const RUNG_OUT_DB: f64 = -90.0;

/// How long a sound stays below [`RUNG_OUT_DB`] before it has rung out, s.
///
/// Longer than any gap between two reflections on the largest platform.
const RUNG_OUT_S: f64 = 0.2;

/// Listens to a sound, block by block, for whether it has rung out.
#[derive(Clone, Copy, Debug)]
pub struct RungOut {
    rate_hz: f64,
    frames: usize,
    peak: f32,
    last_loud_frame: usize,
}

impl RungOut {
    /// Begins before the first frame.
    pub const fn new(rate_hz: f64) -> Self {
        Self { rate_hz, frames: 0, peak: 0.0, last_loud_frame: 0 }
    }

    /// Hears a block; all channels are as long.
    pub fn hear(&mut self, channels: &[&[f32]]) {
        for channel in channels {
            for sample in *channel {
                self.peak = larger(self.peak, sample.abs());
            }
        }
        let loud = self.peak * gain_of_db(RUNG_OUT_DB) as f32;
        for channel in channels {
            if let Some(frame) = channel.iter().rposition(|sample| sample.abs() > loud) {
                self.last_loud_frame = larger(self.last_loud_frame, self.frames + frame);
            }
        }
        self.frames += channels.first().map_or(0, |channel| channel.len());
    }

    /// Says whether 0.2 s stayed 90 dB below the sound's peak.
    pub fn is_over(&self) -> bool {
        let quiet_frames = self.frames.saturating_sub(self.last_loud_frame);
        quiet_frames as f64 > RUNG_OUT_S * self.rate_hz
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sound_is_over_a_fifth_of_a_second_after_it_fell_by_90_db() {
        let mut heard = RungOut::new(48_000.0);
        heard.hear(&[&[1.0, 0.0], &[0.0, 0.0]]);
        // 89 dB below: still heard.
        heard.hear(&[&vec![0.0; 10_000], &vec![3.5e-5; 10_000]]);
        assert!(!heard.is_over());
        // 91 dB below.
        heard.hear(&[&vec![2.8e-5; 9_599], &vec![0.0; 9_599]]);
        assert!(!heard.is_over());
        heard.hear(&[&[2.8e-5; 2], &[0.0; 2]]);
        assert!(heard.is_over());
    }
}
