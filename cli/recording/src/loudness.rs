//! Loudness and true peak of a whole recording.

use anyhow::{Context as _, Result};
use ebur128::{EbuR128, Mode};

use crate::Recording;

/// How loud a recording is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Loudness {
    /// Integrated loudness, LUFS; `None` for silence and for less than 0.4 s, which fills no gating block.
    pub integrated_lufs: Option<f64>,
    /// True peak, full scale = 1.
    pub true_peak: f64,
}

/// Frames that are measured at once.
const BLOCK_FRAMES: usize = 4096;

impl Loudness {
    /// Measures a recording of one or two channels; a mono one as it sounds from both of two loudspeakers.
    ///
    /// Integrated loudness is gated at -70 LUFS and 10 LU under the ungated
    /// level; a true peak is looked for between the samples, four times as
    /// dense (twice from 96 kHz on).
    ///
    /// # Source
    /// EBU R 128 (2020); ITU-R BS.1770-4, annexes 1 and 2, by the crate `ebur128`.
    ///
    /// # Errors
    /// When the library cannot measure such a recording.
    pub fn of(recording: &Recording) -> Result<Self> {
        let channels = [0, recording.channels.len() - 1].map(|index| &recording.channels[index]);
        let mut meter = EbuR128::new(2, recording.rate_hz, Mode::I | Mode::TRUE_PEAK)
            .with_context(|| format!("loudness cannot be measured at {} Hz", recording.rate_hz))?;
        let frames = recording.frames();
        for start in (0..frames).step_by(BLOCK_FRAMES) {
            let end = frames.min(start + BLOCK_FRAMES);
            meter.add_frames_planar_f32(&channels.map(|channel| &channel[start..end]))?;
        }
        let integrated_lufs = meter.loudness_global()?;
        let true_peak = meter.true_peak(0)?.max(meter.true_peak(1)?);
        Ok(Self { integrated_lufs: integrated_lufs.is_finite().then_some(integrated_lufs), true_peak })
    }

    /// Returns the loudness at a gain that is not so low that the gate leaves something out.
    #[must_use]
    pub fn scaled(&self, gain: f64) -> Self {
        Self {
            integrated_lufs: self.integrated_lufs.map(|lufs| lufs + 20.0 * gain.log10()),
            true_peak: self.true_peak * gain,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::acoustics::gain_of_db;

    /// A sine of stretches, each a length in s and a peak level in dBFS, the same on `channels` channels.
    fn sine(rate_hz: u32, channels: usize, frequency_hz: f64, stretches: &[(f64, f64)]) -> Recording {
        let mut samples = Vec::new();
        for &(length_s, level_db) in stretches {
            for _ in 0..(length_s * f64::from(rate_hz)) as usize {
                let turn = samples.len() as f64 * frequency_hz / f64::from(rate_hz);
                let sample = gain_of_db(level_db) * (std::f64::consts::TAU * turn.fract()).sin();
                samples.push(sample as f32);
            }
        }
        Recording { rate_hz, channels: vec![samples; channels] }
    }

    fn integrated(recording: &Recording) -> f64 {
        Loudness::of(recording).unwrap().integrated_lufs.unwrap()
    }

    /// EBU Tech 3341 (2023), table 1, minimum requirements: test signals 1 to 5, each within 0.1 LU.
    ///
    /// Stereo sines of 1 kHz in phase; signal 6 is in surround, 7 and 8 are programmes, and these are left
    /// out. The signals are made anew; lengths and levels from memory, the fifth also worked out by hand.
    #[test]
    fn the_minimum_requirements_of_ebu_tech_3341_are_met() {
        let signals = [
            ("1", vec![(20.0, -23.0)], -23.0),
            ("2", vec![(20.0, -33.0)], -33.0),
            ("3", vec![(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)], -23.0),
            ("5", vec![(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)], -23.0),
            ("4", vec![(10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)], -23.0),
        ];
        for (name, stretches, expected) in signals {
            let got = integrated(&sine(48_000, 2, 1000.0, &stretches));
            assert!((got - expected).abs() <= 0.1, "signal {name}: expected {expected} LUFS, got {got}");
        }
    }

    /// ITU-R BS.1770-4, annex 1: a 0 dBFS sine of 1 kHz (997 Hz) in one channel gives -3.01 LKFS.
    #[test]
    fn one_channel_at_full_scale_gives_what_bs_1770_says() {
        for rate_hz in [44_100, 48_000, 96_000] {
            let mut recording = sine(rate_hz, 2, 997.0, &[(5.0, 0.0)]);
            recording.channels[1].fill(0.0);
            let got = integrated(&recording);
            assert!((got + 3.01).abs() < 0.05, "{rate_hz} Hz: expected -3.01 LKFS, got {got}");
        }
    }

    #[test]
    fn a_mono_recording_sounds_as_loud_as_from_both_channels() {
        let stretches = [(5.0, -20.0)];
        let (mono, stereo) = (sine(48_000, 1, 1000.0, &stretches), sine(48_000, 2, 1000.0, &stretches));
        assert_eq!(Loudness::of(&mono).unwrap(), Loudness::of(&stereo).unwrap());
    }

    /// EBU Tech 3341 (2023), table 1, signals 15 and 16 (from memory): a quarter of the rate at -6.0 dBFS, met at 0 and at 45 degrees, has a true peak of -6.0 dBTP, +0.2/-0.4 dB.
    #[test]
    fn a_true_peak_between_the_samples_is_found() {
        for shift in [0.0, 0.125] {
            let samples: Vec<f32> = (0..48_000)
                .map(|n| (0.501_187 * (std::f64::consts::TAU * (f64::from(n) / 4.0 + shift)).sin()) as f32)
                .collect();
            let recording = Recording { rate_hz: 48_000, channels: vec![samples; 2] };
            let got_db = 20.0 * Loudness::of(&recording).unwrap().true_peak.log10();
            assert!((-6.4..=-5.8).contains(&got_db), "shift {shift}: got {got_db} dBTP");
        }
    }

    #[test]
    fn silence_and_what_is_too_short_have_no_loudness() {
        let silence = Recording { rate_hz: 48_000, channels: vec![vec![0.0; 96_000]; 2] };
        assert_eq!(Loudness::of(&silence).unwrap(), Loudness { integrated_lufs: None, true_peak: 0.0 });
        let short = sine(48_000, 1, 1000.0, &[(0.3, -20.0)]);
        assert_eq!(Loudness::of(&short).unwrap().integrated_lufs, None);
    }
}
