//! What is played again and again: a dry stem, or a strike every two seconds.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};
use rostra_recording::Recording;

use crate::strike::Strike;

/// Time from strike to strike, s: longer than the longest decay of a platform (our choice).
const STRIKES_S: f64 = 2.0;
/// Silence before the first strike, s (our choice): longer than the fades of a start and of a loop's ends, which would take it.
const LEAD_S: f64 = 0.025;

/// A dry loop in memory.
#[derive(Clone, Debug, PartialEq)]
pub struct SoundLoop {
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// One channel or two, of equal length, at least a frame.
    pub channels: Vec<Vec<f32>>,
}

/// Where a loop comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Origin {
    /// A recording.
    File(PathBuf),
    /// A strike every two seconds.
    Strikes(Strike),
}

/// A loop at hand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// What it is called.
    pub name: String,
    /// Where it comes from.
    pub origin: Origin,
}

impl Listed {
    /// Returns a recording as a loop at hand.
    pub fn of_file(path: PathBuf) -> Self {
        let name = path.file_stem().unwrap_or_default().to_string_lossy().replace('-', " ");
        Self { name, origin: Origin::File(path) }
    }

    /// Returns strikes as a loop at hand.
    pub fn of_strikes(strike: Strike) -> Self {
        let name = match strike {
            Strike::Click => "click every 2 s",
            Strike::Clap => "hand clap every 2 s",
        };
        Self { name: name.to_owned(), origin: Origin::Strikes(strike) }
    }

    /// Reads or makes the loop.
    ///
    /// # Errors
    /// As [`Recording::read`].
    pub fn load(&self) -> Result<SoundLoop> {
        match &self.origin {
            Origin::File(path) => {
                let Recording { rate_hz, channels } = Recording::read(path)?;
                Ok(SoundLoop { rate_hz, channels })
            }
            Origin::Strikes(strike) => Ok(struck(*strike)),
        }
    }
}

/// Returns the loops that come with the demo, in the order of their names, the strikes last.
///
/// # Errors
/// When the demo's folder cannot be read.
pub fn of_demo(demo: &Path) -> Result<Vec<Listed>> {
    let folder = demo.join("stems");
    let cannot = || format!("{}: cannot be read; give a recording with --stem", folder.display());
    let mut files: Vec<PathBuf> =
        fs::read_dir(&folder).with_context(cannot)?.flatten().map(|entry| entry.path()).collect();
    files.retain(|path| path.extension().is_some_and(|ending| ending == "flac"));
    files.sort();
    Ok(files.into_iter().map(Listed::of_file).chain(strikes()).collect())
}

/// Returns the strikes, which need no recording.
pub fn strikes() -> Vec<Listed> {
    Strike::ALL.map(Listed::of_strikes).into()
}

fn struck(strike: Strike) -> SoundLoop {
    const RATE_HZ: u32 = 48_000;
    let mut channel = vec![0.0; (LEAD_S * f64::from(RATE_HZ)) as usize];
    channel.extend(strike.sound(f64::from(RATE_HZ)));
    channel.resize((STRIKES_S * f64::from(RATE_HZ)) as usize, 0.0);
    SoundLoop { rate_hz: RATE_HZ, channels: vec![channel] }
}

impl SoundLoop {
    /// Returns the length, in frames.
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// Returns the loop at another rate; at its own it stays as it is, to the bit.
    ///
    /// # Errors
    /// When the resampler refuses.
    pub fn at_rate(self, rate_hz: u32) -> Result<Self> {
        let Recording { rate_hz, channels } =
            Recording { rate_hz: self.rate_hz, channels: self.channels }.at_rate(rate_hz)?;
        Ok(Self { rate_hz, channels })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rostra_dsp::extremes::larger;

    fn sine(rate_hz: u32, frames: usize) -> SoundLoop {
        let turn = std::f64::consts::TAU * 1000.0 / f64::from(rate_hz);
        let channel = (0..frames).map(|n| (0.5 * (turn * n as f64).sin()) as f32).collect();
        SoundLoop { rate_hz, channels: vec![channel] }
    }

    #[test]
    fn another_rate_is_the_same_sound_as_long_and_as_loud() {
        let at_44 = sine(48_000, 48_000).at_rate(44_100).unwrap();
        assert!(at_44.frames().abs_diff(44_100) <= 1, "{} frames", at_44.frames());
        // The sine of 1 kHz that lies nearest, whatever its phase: half a frame more or less is no fault of a loop.
        let fit = |sound: &[f32]| {
            let turn = std::f64::consts::TAU * 1000.0 / 44_100.0;
            let part = |wave: fn(f64) -> f64| {
                let sum: f64 =
                    sound.iter().enumerate().map(|(n, x)| f64::from(*x) * wave(turn * n as f64)).sum();
                2.0 * sum / sound.len() as f64
            };
            let (a, b) = (part(f64::sin), part(f64::cos));
            let wave = |n: usize| a * (turn * n as f64).sin() + b * (turn * n as f64).cos();
            let off = |(n, x): (usize, &f32)| (f64::from(*x) - wave(n)).abs();
            (a.hypot(b), sound.iter().enumerate().map(off).fold(0.0, larger))
        };
        let (amplitude, off) = fit(&at_44.channels[0][4410..39_690]);
        assert!((amplitude - 0.5).abs() < 1e-3 && off < 1e-3, "amplitude {amplitude}, {off} beside it");
        // The control: at its old rate the sine is another one.
        assert!(fit(&sine(48_000, 48_000).channels[0][4410..39_690]).1 > 0.1);
        let same = sine(48_000, 100);
        assert_eq!(same.clone().at_rate(48_000).unwrap(), same);
    }

    #[test]
    fn the_demo_has_its_stems_and_two_strikes() {
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../presets-demo");
        let names: Vec<_> = of_demo(&demo).unwrap().into_iter().map(|listed| listed.name).collect();
        assert!(names.contains(&"double basses".to_owned()), "{names:?}");
        assert_eq!(names[names.len() - 2..], ["click every 2 s", "hand clap every 2 s"]);
        let refused = format!("{:#}", of_demo(Path::new("nowhere")).unwrap_err());
        assert!(refused.contains("--stem") && !refused.contains('\n'), "{refused}");
    }

    #[test]
    fn a_stem_of_no_samples_is_refused_in_a_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("none.wav");
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        hound::WavWriter::create(&path, spec).unwrap().finalize().unwrap();
        let refused = format!("{:#}", Listed::of_file(path).load().unwrap_err());
        assert!(refused.contains("none.wav") && !refused.contains('\n'), "{refused}");
        eprintln!("{refused}");
    }
}
