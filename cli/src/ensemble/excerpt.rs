//! What the report plays: the loudest stretch of a sound, dry and placed alike loud, as 16-bit FLAC.

use anyhow::{Result, anyhow};
use flacenc::bitsink::ByteSink;
use flacenc::component::BitRepr as _;
use flacenc::error::Verify as _;

use crate::recording::{Loudness, Recording};
use rostra_dsp::acoustics::gain_of_db;

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
/// Rates at which what is faster is played, Hz: what a browser needs, and the encoder takes. The first that divides a rate
/// counts, else the first of all.
const PLAYED_RATES_HZ: [u32; 2] = [48_000, 44_100];

/// Frames of a block of the FLAC encoder; stretches are whole blocks.
///
/// A shorter last block would be counted as the stream's smallest, which the
/// format (RFC 9639, clause 8.2) forbids and strict decoders refuse.
const BLOCK_FRAMES: usize = 4096;

/// Bytes that the players of the mixes, and of all stems, may take up in the report.
///
/// Our choice: with the third that base64 adds, and the picture, a report stays under 30 MB.
const BUDGETS: (f64, f64) = (8e6, 13e6);
/// Share of 16-bit samples that FLAC leaves, taken as high (about 0.3 for the demo's stems); noise leaves all of them, and
/// is then played shorter.
const CODED_SHARE: f64 = 0.5;
/// Share of its room that a stretch is cut to when it is coded again, so that it fits for sure. Our choice.
const CUT_SHARE: f64 = 0.9;
/// Shortest stretch that is played, s: below 0.4 s no loudness can be measured, and nothing can be compared. Our choice.
const SHORTEST_S: f64 = 0.5;
/// Most that is played of a mix, s.
const LONGEST_MIX_S: f64 = 30.0;
/// Least and most that is played of a stem, s: long enough to compare, short enough to load.
const STEM_S: (f64, f64) = (2.0, 8.0);

/// How much of a sound the report plays, dry and placed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Room {
    /// At most so long, s.
    pub(crate) length_s: f64,
    /// Both together at most so many bytes.
    pub(crate) bytes: f64,
}

/// Returns the room of the mixes and of each stem.
pub(crate) fn rooms(stems: usize, rate_hz: u32) -> (Room, Room) {
    let second = f64::from(played_rate_hz(rate_hz)) * 2.0 * CODED_SHARE;
    let stem_bytes = BUDGETS.1 / stems.max(1) as f64;
    // Two mixes of two channels; of each stem a dry channel and two placed ones.
    let mix_s = BUDGETS.0 / (second * 4.0);
    let stem_s = stem_bytes / (second * 3.0);
    (
        Room { length_s: mix_s.min(LONGEST_MIX_S), bytes: BUDGETS.0 },
        Room { length_s: stem_s.clamp(STEM_S.0, STEM_S.1), bytes: stem_bytes },
    )
}

/// Returns the rate at which the report plays sound of a rate, Hz.
pub(crate) fn played_rate_hz(rate_hz: u32) -> u32 {
    let [first, _] = PLAYED_RATES_HZ;
    let divides = |played: &u32| rate_hz.is_multiple_of(*played);
    if rate_hz <= first { rate_hz } else { PLAYED_RATES_HZ.into_iter().find(divides).unwrap_or(first) }
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

/// A coded sound, a FLAC.
#[derive(Clone, Debug)]
pub(crate) struct Coded {
    /// The file's bytes.
    pub(crate) bytes: Vec<u8>,
}

impl Compared {
    /// Takes the loudest stretch of the dry sound that has room, and the same of the placed one.
    ///
    /// Both are brought to -23 LUFS, or as near as their true peaks allow, and
    /// then as low as the lower of them. `None` where either cannot be
    /// measured: silence, or less than 0.4 s; or where even 0.5 s have no room.
    ///
    /// # Errors
    /// When a stretch cannot be measured or coded.
    pub(crate) fn of(dry: &Recording, placed: &Recording, room: &Room) -> Result<Option<Self>> {
        let mut length_s = room.length_s;
        loop {
            let Some(compared) = Self::of_length(dry, placed, length_s)? else { return Ok(None) };
            let bytes = (compared.dry.bytes.len() + compared.placed.bytes.len()) as f64;
            if bytes <= room.bytes {
                return Ok(Some(compared));
            }
            // As long as fits at this share; another stretch may be coded worse, and is cut again.
            length_s = compared.length_s * CUT_SHARE * room.bytes / bytes;
            if length_s < SHORTEST_S {
                return Ok(None);
            }
        }
    }

    fn of_length(dry: &Recording, placed: &Recording, length_s: f64) -> Result<Option<Self>> {
        let rate_hz = dry.rate_hz;
        let played_hz = played_rate_hz(rate_hz);
        let longest = dry.frames().max(placed.frames());
        let wished = (length_s * f64::from(rate_hz)) as usize;
        let played = (wished.min(longest) as u64 * u64::from(played_hz)).div_ceil(rate_hz.into()) as usize;
        let played_frames = played.next_multiple_of(BLOCK_FRAMES);
        let frames = (played_frames as u64 * u64::from(rate_hz)).div_ceil(played_hz.into()) as usize;
        let start = loudest_start(dry, frames);
        let cut = |whole: &Recording| -> Result<Recording> {
            let mut cut = stretch(whole, start, frames).at_rate(played_hz)?;
            cut.channels.iter_mut().for_each(|channel| channel.resize(played_frames, 0.0));
            Ok(cut)
        };
        let (dry, placed) = (cut(dry)?, cut(placed)?);
        let (Some(dry_gain), Some(placed_gain)) = (gains(&dry)?, gains(&placed)?) else { return Ok(None) };
        // How far each falls short of the loudness that is wished: both fall as short as the worse.
        let short_db = dry_gain.short_db.max(placed_gain.short_db);
        let coded = |cut: &Recording, gain: &Gain| code(&scaled(cut, gain_of_db(gain.wished_db - short_db)));
        Ok(Some(Self {
            start_s: start as f64 / f64::from(rate_hz),
            length_s: frames as f64 / f64::from(rate_hz),
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

/// Codes a sound in 16 bits.
fn code(recording: &Recording) -> Result<Coded> {
    let count = recording.channels.len();
    let steps = |sample: f32| (sample * 32_768.0).round().clamp(-32_768.0, 32_767.0) as i32;
    let samples: Vec<i32> = (0..recording.frames())
        .flat_map(|frame| recording.channels.iter().map(move |channel| steps(channel[frame])))
        .collect();
    let config = flacenc::config::Encoder::default()
        .into_verified()
        .map_err(|(_, error)| anyhow!("the FLAC encoder rejects its own settings ({error})"))?;
    let source = flacenc::source::MemSource::from_samples(&samples, count, 16, recording.rate_hz as usize);
    let stream = flacenc::encode_with_fixed_block_size(&config, source, BLOCK_FRAMES)
        .map_err(|error| anyhow!("the report's audio cannot be encoded ({error})"))?;
    let mut sink = ByteSink::new();
    stream.write(&mut sink).map_err(|error| anyhow!("the report's audio cannot be encoded ({error})"))?;
    Ok(Coded { bytes: sink.into_inner() })
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

    /// Room for all of a stretch of some length.
    fn long(length_s: f64) -> Room {
        Room { length_s, bytes: 1e9 }
    }

    fn decoded(coded: &Coded) -> Recording {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.flac");
        std::fs::write(&path, &coded.bytes).unwrap();
        Recording::read(&path).unwrap()
    }

    #[test]
    fn both_are_the_same_stretch_and_alike_loud() {
        let level = |t: f64| if (4.0..7.0).contains(&t) { 0.3 } else { 0.02 };
        let dry = tone(48_000, 1, 10.0, level);
        let placed = tone(48_000, 2, 11.0, |t| level(t) * 0.2);
        let compared = Compared::of(&dry, &placed, &long(3.0)).unwrap().unwrap();
        assert!((compared.start_s - 4.0).abs() < 0.11, "starts at {} s", compared.start_s);
        let (dry, placed) = (decoded(&compared.dry), decoded(&compared.placed));
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
        let compared = Compared::of(&dry, &placed, &long(3.0)).unwrap().unwrap();
        let [a, b] = [&compared.dry, &compared.placed].map(|coded| Loudness::of(&decoded(coded)).unwrap());
        assert!(a.true_peak < HIGHEST_TRUE_PEAK * 1.01, "{a:?}");
        let apart = a.integrated_lufs.unwrap() - b.integrated_lufs.unwrap();
        assert!(apart.abs() < 0.2 && a.integrated_lufs.unwrap() < -23.5, "{a:?} {b:?}");
    }

    #[test]
    fn silence_is_not_played() {
        let silence = tone(48_000, 1, 2.0, |_| 0.0);
        assert!(Compared::of(&silence, &silence, &long(2.0)).unwrap().is_none());
    }

    #[test]
    fn a_rate_above_those_of_players_is_brought_down_and_stays_the_same_sound() {
        for (rate_hz, played_hz) in [
            (192_000, 48_000),
            (176_400, 44_100),
            (96_000, 48_000),
            (88_200, 44_100),
            (100_000, 48_000),
            (48_000, 48_000),
            (44_100, 44_100),
            (22_050, 22_050),
        ] {
            let fast = tone(rate_hz, 2, 1.0, |_| 0.1);
            let compared = Compared::of(&fast, &fast, &long(1.0)).unwrap().unwrap();
            let played = decoded(&compared.placed);
            assert_eq!((played.rate_hz, played.frames() % BLOCK_FRAMES), (played_hz, 0), "{rate_hz} Hz");
            let length_s = played.seconds();
            assert!((length_s - compared.length_s).abs() < 1e-3, "{length_s} s of {} s", compared.length_s);
            let lufs = Loudness::of(&played).unwrap().integrated_lufs.unwrap();
            assert!((lufs + 23.0).abs() < 0.1, "expected -23 LUFS, got {lufs}");
        }
    }

    /// White noise, which no coding makes smaller.
    fn noise(rate_hz: u32, channels: usize, seconds: f64) -> Recording {
        let mut state = 1_u32;
        let channels = (0..channels)
            .map(|_| {
                (0..(seconds * f64::from(rate_hz)) as usize)
                    .map(|_| {
                        // Numerical Recipes' 'quick and dirty' generator: any will do.
                        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                        (f64::from(state) / f64::from(u32::MAX) - 0.5) as f32
                    })
                    .collect()
            })
            .collect();
        Recording { rate_hz, channels }
    }

    #[test]
    fn players_of_noise_keep_their_room_however_many_they_are() {
        for rate_hz in [192_000, 48_000] {
            let (dry, placed) = (noise(rate_hz, 1, 10.0), noise(rate_hz, 2, 11.0));
            for stems in [1, 14, 40] {
                let (_, room) = rooms(stems, rate_hz);
                let compared = Compared::of(&dry, &placed, &room).unwrap().unwrap();
                let bytes = compared.dry.bytes.len() + compared.placed.bytes.len();
                assert!(
                    (bytes * stems) as f64 <= BUDGETS.1,
                    "{stems} stems at {rate_hz} Hz: {bytes} bytes each"
                );
                assert!(
                    compared.length_s >= SHORTEST_S,
                    "{stems} stems at {rate_hz} Hz: {} s",
                    compared.length_s
                );
            }
            // Where there is room for nothing that could be compared, nothing is played.
            assert!(Compared::of(&dry, &placed, &rooms(400, rate_hz).1).unwrap().is_none());
            let mix = noise(rate_hz, 2, 40.0);
            let compared = Compared::of(&mix, &mix, &rooms(1, rate_hz).0).unwrap().unwrap();
            assert!((compared.dry.bytes.len() + compared.placed.bytes.len()) as f64 <= BUDGETS.0);
        }
    }
}
