//! Sums of stems, and two mixes brought to one loudness.

use anyhow::{Result, ensure};

use super::excerpt::HIGHEST_TRUE_PEAK;
use crate::recording::{Loudness, Recording, decibels};
use rostra_dsp::acoustics::gain_of_db;

/// Gain of a mono stem on either side of the centre, as a mixer's pan control at equal power has it.
pub(crate) const CENTRED: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// A stereo sum that grows with what is added to it.
pub(crate) struct Sum {
    /// What was added so far.
    pub(crate) recording: Recording,
}

impl Sum {
    /// Starts with nothing.
    pub(crate) fn new(rate_hz: u32) -> Self {
        Self { recording: Recording { rate_hz, channels: vec![Vec::new(); 2] } }
    }

    /// Adds a stem with a gain; a mono stem stands in the centre, at equal power ([`CENTRED`] on both sides).
    ///
    /// # Errors
    /// When the stem has another rate.
    pub(crate) fn add(&mut self, stem: &Recording, gain: f64) -> Result<()> {
        let rate_hz = self.recording.rate_hz;
        ensure!(stem.rate_hz == rate_hz, "has a sample rate of {} Hz, the mix {rate_hz} Hz", stem.rate_hz);
        let gain = if stem.channels.len() == 1 { CENTRED * gain } else { gain };
        for (index, sum) in self.recording.channels.iter_mut().enumerate() {
            let channel = &stem.channels[index.min(stem.channels.len() - 1)];
            if sum.len() < channel.len() {
                sum.resize(channel.len(), 0.0);
            }
            for (sum, &sample) in sum.iter_mut().zip(channel) {
                *sum += (f64::from(sample) * gain) as f32;
            }
        }
        Ok(())
    }

    /// Adds silence up to a length.
    pub(crate) fn pad(&mut self, frames: usize) {
        for channel in &mut self.recording.channels {
            let frames = frames.max(channel.len());
            channel.resize(frames, 0.0);
        }
    }
}

/// What was done to bring two mixes to one loudness.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Levelled {
    /// The dry mix as summed.
    pub(crate) dry: Loudness,
    /// The placed mix as summed.
    pub(crate) placed: Loudness,
    /// Gain on the dry mix, dB.
    pub(crate) dry_gain_db: f64,
    /// Gain on the placed mix, dB.
    pub(crate) placed_gain_db: f64,
}

impl Levelled {
    /// Brings the placed mix to the dry one's integrated loudness, then both down alike until no true peak is above -1 dBTP.
    ///
    /// Where either cannot be measured (silence, less than 0.4 s) their levels stay as summed.
    ///
    /// # Errors
    /// When the library cannot measure such a recording.
    pub(crate) fn of(dry: &mut Recording, placed: &mut Recording) -> Result<Self> {
        let before = [Loudness::of(dry)?, Loudness::of(placed)?];
        let to_dry_db = match before.map(|loudness| loudness.integrated_lufs) {
            [Some(dry), Some(placed)] => dry - placed,
            _ => 0.0,
        };
        let highest = before[0].true_peak.max(before[1].true_peak * gain_of_db(to_dry_db));
        let common_db = decibels(HIGHEST_TRUE_PEAK / highest.max(f64::MIN_POSITIVE)).min(0.0);
        let levelled = Self {
            dry: before[0],
            placed: before[1],
            dry_gain_db: common_db,
            placed_gain_db: to_dry_db + common_db,
        };
        dry.scale(gain_of_db(levelled.dry_gain_db));
        placed.scale(gain_of_db(levelled.placed_gain_db));
        Ok(levelled)
    }

    /// Returns the loudness at which both mixes ended, LUFS.
    pub(crate) fn ended_lufs(&self) -> Option<f64> {
        self.placed.integrated_lufs?;
        self.dry.integrated_lufs.map(|lufs| lufs + self.dry_gain_db)
    }

    /// Returns the true peaks at which they ended, dBTP: dry, placed.
    pub(crate) fn ended_dbtp(&self) -> [f64; 2] {
        [
            decibels(self.dry.true_peak) + self.dry_gain_db,
            decibels(self.placed.true_peak) + self.placed_gain_db,
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(channels: usize, seconds: f64, level: f64) -> Recording {
        let frames = (seconds * 48_000.0) as usize;
        let channel: Vec<f32> = (0..frames)
            .map(|n| (level * (std::f64::consts::TAU * 997.0 * n as f64 / 48_000.0).sin()) as f32)
            .collect();
        Recording { rate_hz: 48_000, channels: vec![channel; channels] }
    }

    #[test]
    fn both_mixes_end_at_one_loudness_and_under_the_highest_peak() {
        for (dry, placed) in [(0.1, 0.4), (0.9, 0.2), (2.0, 0.5)] {
            let (mut dry, mut placed) = (tone(2, 2.0, dry), tone(2, 2.0, placed));
            let levelled = Levelled::of(&mut dry, &mut placed).unwrap();
            let after = [&dry, &placed].map(|mix| Loudness::of(mix).unwrap());
            let lufs = after.map(|loudness| loudness.integrated_lufs.unwrap());
            assert!((lufs[0] - lufs[1]).abs() < 0.01, "{lufs:?}");
            assert!((levelled.ended_lufs().unwrap() - lufs[0]).abs() < 0.01, "{levelled:?}, {lufs:?}");
            for (loudness, said_dbtp) in after.iter().zip(levelled.ended_dbtp()) {
                assert!(loudness.true_peak <= HIGHEST_TRUE_PEAK * 1.001, "{loudness:?}");
                assert!((decibels(loudness.true_peak) - said_dbtp).abs() < 0.01, "{loudness:?}");
            }
        }
    }

    #[test]
    fn what_needs_no_gain_gets_none() {
        let (mut dry, mut placed) = (tone(2, 2.0, 0.3), tone(2, 2.0, 0.3));
        let levelled = Levelled::of(&mut dry, &mut placed).unwrap();
        assert!(levelled.dry_gain_db == 0.0 && levelled.placed_gain_db.abs() < 1e-9, "{levelled:?}");
    }

    #[test]
    fn stems_of_all_lengths_are_summed_and_mono_stands_in_the_centre() {
        let mut sum = Sum::new(48_000);
        sum.add(&Recording { rate_hz: 48_000, channels: vec![vec![1.0, 2.0]] }, 0.5 / CENTRED).unwrap();
        sum.add(&Recording { rate_hz: 48_000, channels: vec![vec![1.0; 3], vec![-1.0; 3]] }, 1.0).unwrap();
        sum.pad(4);
        assert_eq!(sum.recording.channels, [[1.5, 2.0, 1.0, 0.0], [-0.5, 0.0, -1.0, 0.0]]);
        assert!(sum.add(&Recording { rate_hz: 44_100, channels: vec![vec![1.0]] }, 1.0).is_err());
    }

    #[test]
    fn silence_is_left_alone() {
        let (mut dry, mut placed) = (tone(2, 1.0, 0.0), tone(2, 1.0, 0.1));
        let levelled = Levelled::of(&mut dry, &mut placed).unwrap();
        assert_eq!((levelled.placed_gain_db, levelled.ended_lufs()), (0.0, None));
    }
}
