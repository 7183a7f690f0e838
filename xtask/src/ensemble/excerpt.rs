//! What the report plays: the loudest stretch of a sound, dry and placed alike loud, as 16-bit FLAC.

use anyhow::{Context as _, Result, anyhow};
use flacenc::bitsink::ByteSink;
use flacenc::component::BitRepr as _;
use flacenc::error::Verify as _;

use crate::loudness::Loudness;
use crate::recording::Recording;

/// Loudness at which every player plays, LUFS (EBU R 128).
const PLAYED_LUFS: f64 = -23.0;
/// Highest true peak of a player, full scale = 1: -1 dBTP (EBU R 128).
pub(crate) const HIGHEST_TRUE_PEAK: f64 = 0.891_251;
/// Length of the steps in which the loudest stretch is looked for, s.
const STEP_S: f64 = 0.1;
/// Length over which a stretch is faded in and out, s, so that its ends do not click.
const FADE_S: f64 = 0.010;
/// Most that a stretch is raised, dB, so that a stretch of faint noise stays faint.
const MOST_DB: f64 = 40.0;
/// Highest rate that the FLAC encoder takes, Hz; above it a stretch is kept as WAV.
const FLAC_RATE_HZ: u32 = 96_000;

/// Frames of a block of the FLAC encoder; stretches are whole blocks.
///
/// A shorter last block would be counted as the stream's smallest, which the
/// format (RFC 9639, clause 8.2) forbids and strict decoders refuse.
const BLOCK_FRAMES: usize = 4096;

/// Bytes that the players of the mixes, and of all stems, may take up in the report.
///
/// Our choice: with the third that base64 adds, and the picture, a report stays under 30 MB.
const BUDGETS: (f64, f64) = (8e6, 13e6);
/// Share of 16-bit samples that FLAC leaves, taken as high (about 0.3 for the demo's stems).
const CODED_SHARE: f64 = 0.5;
/// Most that is played of a mix, s.
const LONGEST_MIX_S: f64 = 30.0;
/// Least and most that is played of a stem, s: long enough to compare, short enough to load.
const STEM_S: (f64, f64) = (2.0, 8.0);

/// Returns how much of the mixes and of each stem the report plays, s.
pub(crate) fn excerpt_lengths_s(stems: usize, rate_hz: u32) -> (f64, f64) {
    let second = f64::from(rate_hz) * 2.0 * CODED_SHARE;
    // Two mixes of two channels; of each stem a dry channel and two placed ones.
    let mix_s = BUDGETS.0 / (second * 4.0);
    let stem_s = BUDGETS.1 / (second * 3.0 * stems.max(1) as f64);
    (mix_s.min(LONGEST_MIX_S), stem_s.clamp(STEM_S.0, STEM_S.1))
}

/// A stretch of a sound, dry and placed.
#[derive(Clone, Debug)]
pub(crate) struct Compared {
    /// Where it starts, s.
    pub(crate) start_s: f64,
    /// Its length, s.
    pub(crate) length_s: f64,
    /// Dry, coded.
    pub(crate) dry: Coded,
    /// Placed, coded.
    pub(crate) placed: Coded,
}

/// A coded sound.
#[derive(Clone, Debug)]
pub(crate) struct Coded {
    /// Its media type.
    pub(crate) media_type: &'static str,
    /// The file's bytes.
    pub(crate) bytes: Vec<u8>,
}

impl Compared {
    /// Takes the loudest stretch of at most `length_s` of the dry sound, and the same of the placed one.
    ///
    /// Both are brought to -23 LUFS, or as near as their true peaks allow, and
    /// then as low as the lower of them. `None` where either cannot be
    /// measured: silence, or less than 0.4 s.
    ///
    /// # Errors
    /// When a stretch cannot be measured or coded.
    pub(crate) fn of(dry: &Recording, placed: &Recording, length_s: f64) -> Result<Option<Self>> {
        let longest = dry.frames().max(placed.frames());
        let wished = (length_s * f64::from(dry.rate_hz)) as usize;
        let frames = wished.min(longest).next_multiple_of(BLOCK_FRAMES);
        let start = loudest_start(dry, frames);
        let cut = |whole: &Recording| stretch(whole, start, frames);
        let (dry, placed) = (cut(dry), cut(placed));
        let (Some(dry_gain), Some(placed_gain)) = (gains(&dry)?, gains(&placed)?) else { return Ok(None) };
        // How far each falls short of the loudness that is wished: both fall as short as the worse.
        let short_db = dry_gain.short_db.max(placed_gain.short_db);
        let coded = |cut: &Recording, gain: &Gain| {
            code(&scaled(cut, 10_f64.powf((gain.wished_db - short_db) / 20.0)))
        };
        Ok(Some(Self {
            start_s: start as f64 / f64::from(dry.rate_hz),
            length_s: frames as f64 / f64::from(dry.rate_hz),
            dry: coded(&dry, &dry_gain)?,
            placed: coded(&placed, &placed_gain)?,
        }))
    }
}

/// The gain that brings a stretch to the loudness that is wished, and how far its peaks keep it below.
struct Gain {
    wished_db: f64,
    short_db: f64,
}

fn gains(cut: &Recording) -> Result<Option<Gain>> {
    let loudness = Loudness::of(cut)?;
    Ok(loudness.integrated_lufs.map(|lufs| {
        let wished_db = PLAYED_LUFS - lufs;
        let allowed_db = (20.0 * (HIGHEST_TRUE_PEAK / loudness.true_peak).log10()).min(MOST_DB);
        Gain { wished_db, short_db: (wished_db - allowed_db).max(0.0) }
    }))
}

/// Returns the frame at which the stretch of most energy starts.
fn loudest_start(sound: &Recording, frames: usize) -> usize {
    let step = ((STEP_S * f64::from(sound.rate_hz)) as usize).max(1);
    let energies: Vec<f64> = (0..sound.frames())
        .step_by(step)
        .map(|start| {
            let end = (start + step).min(sound.frames());
            let part = sound.channels.iter().flat_map(|channel| &channel[start..end]);
            part.map(|&sample| f64::from(sample).powi(2)).sum()
        })
        .collect();
    let steps = frames.div_ceil(step).max(1);
    let last = energies.len().saturating_sub(steps);
    let mut best = (0, f64::NEG_INFINITY);
    for start in 0..=last {
        let energy: f64 = energies[start..(start + steps).min(energies.len())].iter().sum();
        if energy > best.1 {
            best = (start, energy);
        }
    }
    best.0 * step
}

/// Cuts a stretch out, silence after the end, its ends faded.
fn stretch(whole: &Recording, start: usize, frames: usize) -> Recording {
    let fade = ((FADE_S * f64::from(whole.rate_hz)) as usize).min(frames / 2).max(1);
    let channels = whole
        .channels
        .iter()
        .map(|channel| {
            let mut part: Vec<f32> = channel.iter().skip(start).take(frames).copied().collect();
            part.resize(frames, 0.0);
            for n in 0..fade.min(frames) {
                let gain = n as f32 / fade as f32;
                // A sound that starts at its own beginning keeps its attack.
                if start > 0 {
                    part[n] *= gain;
                }
                part[frames - 1 - n] *= gain;
            }
            part
        })
        .collect();
    Recording { rate_hz: whole.rate_hz, channels }
}

fn scaled(recording: &Recording, gain: f64) -> Recording {
    let scale =
        |channel: &Vec<f32>| channel.iter().map(|&sample| (f64::from(sample) * gain) as f32).collect();
    Recording { rate_hz: recording.rate_hz, channels: recording.channels.iter().map(scale).collect() }
}

/// Codes a sound in 16 bits: FLAC, or WAV at rates that the encoder does not take.
fn code(recording: &Recording) -> Result<Coded> {
    let count = recording.channels.len();
    let steps = |sample: f32| (sample * 32_768.0).round().clamp(-32_768.0, 32_767.0) as i32;
    let samples: Vec<i32> = (0..recording.frames())
        .flat_map(|frame| recording.channels.iter().map(move |channel| steps(channel[frame])))
        .collect();
    if recording.rate_hz > FLAC_RATE_HZ {
        return Ok(Coded { media_type: "audio/wav", bytes: wav(&samples, count, recording.rate_hz)? });
    }
    let config = flacenc::config::Encoder::default()
        .into_verified()
        .map_err(|(_, error)| anyhow!("the FLAC encoder refuses its own settings ({error})"))?;
    let source = flacenc::source::MemSource::from_samples(&samples, count, 16, recording.rate_hz as usize);
    let stream = flacenc::encode_with_fixed_block_size(&config, source, BLOCK_FRAMES)
        .map_err(|error| anyhow!("the report's sound cannot be coded ({error})"))?;
    let mut sink = ByteSink::new();
    stream.write(&mut sink).map_err(|error| anyhow!("the report's sound cannot be coded ({error})"))?;
    Ok(Coded { media_type: "audio/flac", bytes: sink.into_inner() })
}

fn wav(samples: &[i32], count: usize, rate_hz: u32) -> Result<Vec<u8>> {
    let spec = hound::WavSpec {
        channels: count as u16,
        sample_rate: rate_hz,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).context("the report's sound cannot be coded")?;
    for &sample in samples {
        writer.write_sample(sample)?;
    }
    writer.finalize()?;
    Ok(bytes.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(rate_hz: u32, channels: usize, seconds: f64, level: impl Fn(f64) -> f64) -> Recording {
        let frames = (seconds * f64::from(rate_hz)) as usize;
        let channel: Vec<f32> = (0..frames)
            .map(|n| {
                let t = n as f64 / f64::from(rate_hz);
                (level(t) * (std::f64::consts::TAU * 997.0 * t).sin()) as f32
            })
            .collect();
        Recording { rate_hz, channels: vec![channel; channels] }
    }

    fn decoded(coded: &Coded, suffix: &str) -> Recording {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(format!("x.{suffix}"));
        std::fs::write(&path, &coded.bytes).unwrap();
        Recording::read(&path).unwrap()
    }

    #[test]
    fn both_are_the_same_stretch_and_alike_loud() {
        let level = |t: f64| if (4.0..7.0).contains(&t) { 0.3 } else { 0.02 };
        let dry = tone(48_000, 1, 10.0, level);
        let placed = tone(48_000, 2, 11.0, |t| level(t) * 0.2);
        let compared = Compared::of(&dry, &placed, 3.0).unwrap().unwrap();
        assert!((compared.start_s - 4.0).abs() < 0.11, "starts at {} s", compared.start_s);
        let (dry, placed) = (decoded(&compared.dry, "flac"), decoded(&compared.placed, "flac"));
        assert_eq!((dry.channels.len(), placed.channels.len()), (1, 2));
        // 3 s and what fills the last block.
        assert_eq!((dry.frames(), placed.frames()), (147_456, 147_456));
        for recording in [&dry, &placed] {
            let lufs = Loudness::of(recording).unwrap().integrated_lufs.unwrap();
            assert!((lufs + 23.0).abs() < 0.1, "expected -23 LUFS, got {lufs}");
        }
        assert!(compared.dry.bytes.len() < 147_456, "{} bytes", compared.dry.bytes.len());
    }

    #[test]
    fn peaks_bring_both_down_alike() {
        // Short loud clicks on a faint tone: the peak allows less than -23 LUFS.
        let dry = tone(48_000, 1, 3.0, |t| if (t * 2.0).fract() < 0.001 { 1.0 } else { 0.001 });
        let placed = tone(48_000, 2, 3.0, |_| 0.5);
        let compared = Compared::of(&dry, &placed, 3.0).unwrap().unwrap();
        let [a, b] =
            [&compared.dry, &compared.placed].map(|coded| Loudness::of(&decoded(coded, "flac")).unwrap());
        assert!(a.true_peak < HIGHEST_TRUE_PEAK * 1.01, "{a:?}");
        let apart = a.integrated_lufs.unwrap() - b.integrated_lufs.unwrap();
        assert!(apart.abs() < 0.2 && a.integrated_lufs.unwrap() < -23.5, "{a:?} {b:?}");
    }

    #[test]
    fn silence_is_not_played() {
        let silence = tone(48_000, 1, 2.0, |_| 0.0);
        assert!(Compared::of(&silence, &silence, 2.0).unwrap().is_none());
    }

    #[test]
    fn a_rate_above_the_encoders_is_kept_as_wav() {
        let fast = tone(192_000, 2, 1.0, |_| 0.1);
        let compared = Compared::of(&fast, &fast, 1.0).unwrap().unwrap();
        assert_eq!(compared.placed.media_type, "audio/wav");
        assert_eq!(decoded(&compared.placed, "wav").rate_hz, 192_000);
    }
}
