//! Recordings: read whole and checked, written whole or not at all.

use std::fs;
use std::io::Read as _;
use std::path::Path;

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use symphonia::core::audio::Channels;
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::errors::Error as DecoderError;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

/// Sound in memory: one or two channels of equal length.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// The channels, left first.
    pub channels: Vec<Vec<f32>>,
}

/// Rates at which the plug-in runs, Hz (the engine's own limits).
pub const RATES_HZ: std::ops::RangeInclusive<u32> = 22_050..=192_000;

/// What every recording that can be placed is, for messages.
const READABLE: &str = "WAV, AIFF or FLAC";

impl Recording {
    /// Reads a WAV, AIFF or FLAC file.
    ///
    /// # Errors
    /// In one line that names the file, what is wrong, where, and what to do:
    /// when the file is missing, empty, not such a recording, cut off,
    /// damaged, without sound, of more than two channels, of a rate outside
    /// 22 050 to 192 000 Hz, or holds a value that is not a finite number.
    pub fn read(path: &Path) -> Result<Self> {
        read(path).with_context(|| path.display().to_string())
    }

    /// Writes a 32-bit float WAV: first under another name in the same folder, then renamed.
    ///
    /// # Errors
    /// When the folder cannot be written to, the disk is full, or the sound
    /// does not fit a WAV file (4 GiB).
    pub fn write(&self, path: &Path) -> Result<()> {
        write(self, path).with_context(|| path.display().to_string())
    }

    /// Returns the length of each channel, in frames.
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// Returns the length, in seconds.
    pub fn seconds(&self) -> f64 {
        self.frames() as f64 / f64::from(self.rate_hz)
    }

    /// Returns the largest magnitude of any sample.
    pub fn peak(&self) -> f32 {
        self.channels.iter().flatten().fold(0.0, |peak, sample| sample.abs().max(peak))
    }

    /// Multiplies every sample by a gain.
    pub fn scale(&mut self, gain: f64) {
        if gain != 1.0 {
            self.channels
                .iter_mut()
                .flatten()
                .for_each(|sample| *sample = (f64::from(*sample) * gain) as f32);
        }
    }
}

/// Returns 20 log10 of a linear gain, in decibels.
pub fn decibels(gain: f64) -> f64 {
    20.0 * gain.log10()
}

fn read(path: &Path) -> Result<Recording> {
    let metadata = fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => anyhow!("there is no such file; check the path"),
        _ => anyhow!("cannot be read ({error}); check who may read it"),
    })?;
    ensure!(!metadata.is_dir(), "is a folder; name the recordings in it");
    ensure!(metadata.len() > 0, "is empty (0 bytes); export it again");
    let mut file =
        fs::File::open(path).map_err(|error| anyhow!("cannot be read ({error}); check who may read it"))?;
    let mut marker = [0_u8; 4];
    let looks_right =
        file.read_exact(&mut marker).is_ok() && [*b"RIFF", *b"FORM", *b"fLaC"].contains(&marker);
    ensure!(looks_right, "is not a recording in {READABLE}; export it as one of these");

    let file = fs::File::open(path).context("cannot be read; check who may read it")?;
    let stream = MediaSourceStream::new(Box::new(file), MediaSourceStreamOptions::default());
    let mut format = symphonia::default::get_probe()
        .probe(&Hint::new(), stream, FormatOptions::default(), MetadataOptions::default())
        .map_err(|error| {
            anyhow!("its header cannot be read ({error}): cut off or damaged; export it again as {READABLE}")
        })?;
    let track = format
        .default_track(TrackType::Audio)
        .ok_or_else(|| anyhow!("holds no sound; export it again as {READABLE}"))?;
    let (track_id, promised_frames) = (track.id, track.num_frames);
    let params = track
        .codec_params
        .as_ref()
        .and_then(|params| params.audio())
        .ok_or_else(|| anyhow!("holds no sound; export it again as {READABLE}"))?
        .clone();

    let rate_hz =
        params.sample_rate.ok_or_else(|| anyhow!("does not say its sample rate; export it again"))?;
    ensure!(
        RATES_HZ.contains(&rate_hz),
        "has a sample rate of {rate_hz} Hz; convert it to a rate from {} to {} Hz",
        RATES_HZ.start(),
        RATES_HZ.end()
    );
    let count = params.channels.as_ref().map_or(0, Channels::count);
    ensure!(
        (1..=2).contains(&count),
        "has {count} channels; only mono and stereo can be placed: export its channels as separate files"
    );

    let mut decoder = symphonia::default::get_codecs()
        .make_audio_decoder(&params, &AudioDecoderOptions::default())
        .map_err(|error| anyhow!("its coding cannot be read ({error}); export it as PCM or FLAC"))?;
    let mut channels: Vec<Vec<f32>> = vec![Vec::new(); count];
    let mut block: Vec<Vec<f32>> = Vec::new();
    loop {
        let at_s = channels[0].len() as f64 / f64::from(rate_hz);
        let packet = match format.next_packet() {
            Ok(Some(packet)) => packet,
            Ok(None) => break,
            // The end of the file in the middle of something: the count of frames below says it better.
            Err(DecoderError::IoError(error)) if error.kind() == std::io::ErrorKind::UnexpectedEof => break,
            Err(error) => bail!("is damaged at {at_s:.3} s ({error}); copy or export it again"),
        };
        if packet.track_id != track_id {
            continue;
        }
        let decoded = decoder
            .decode(&packet)
            .map_err(|error| anyhow!("is damaged at {at_s:.3} s ({error}); copy or export it again"))?;
        ensure!(
            decoded.num_planes() == count,
            "changes its number of channels at {at_s:.3} s; export it again"
        );
        decoded.copy_to_vecs_planar(&mut block);
        for (channel, block) in channels.iter_mut().zip(&block) {
            channel.extend_from_slice(block);
        }
    }

    let recording = Recording { rate_hz, channels };
    let held = recording.frames() as u64;
    if let Some(promised) = promised_frames {
        ensure!(
            held >= promised,
            "is cut off: its header promises {promised} frames, the file holds {held} ({:.3} s); copy or export it again",
            recording.seconds()
        );
    }
    ensure!(held > 0, "holds no sound (0 frames); export it again");
    check_finite(&recording)?;
    Ok(recording)
}

fn check_finite(recording: &Recording) -> Result<()> {
    let first_bad = recording
        .channels
        .iter()
        .enumerate()
        .filter_map(|(channel, samples)| {
            samples.iter().position(|sample| !sample.is_finite()).map(|frame| (frame, channel))
        })
        .min();
    let Some((frame, channel)) = first_bad else {
        return Ok(());
    };
    let what = if recording.channels[channel][frame].is_nan() { "is not a number" } else { "is infinite" };
    bail!(
        "holds a sample that {what} at {:.3} s (channel {}); repair or export it again",
        frame as f64 / f64::from(recording.rate_hz),
        channel + 1
    )
}

/// Bytes that a WAV file's lengths can count, less a generous header.
const LARGEST_WAV_BYTES: u64 = u32::MAX as u64 - 4096;

fn write(recording: &Recording, path: &Path) -> Result<()> {
    let count = recording.channels.len();
    let bytes = recording.frames() as u64 * count as u64 * 4;
    ensure!(bytes < LARGEST_WAV_BYTES, "would be longer than a WAV file can be (4 GiB); split the recording");
    let folder = path.parent().unwrap_or(Path::new("."));
    let spec = hound::WavSpec {
        channels: count as u16,
        sample_rate: recording.rate_hz,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let file = new_file_in(folder)?;
    let mut writer =
        hound::WavWriter::new(std::io::BufWriter::new(file.as_file()), spec).context("cannot be written")?;
    for frame in 0..recording.frames() {
        for channel in &recording.channels {
            writer.write_sample(channel[frame]).context("cannot be written; is the disk full?")?;
        }
    }
    writer.finalize().context("cannot be written; is the disk full?")?;
    file.persist(path)
        .map_err(|error| anyhow!("cannot be written ({}); choose another --out", error.error))?;
    Ok(())
}

/// Makes a file in `folder` that vanishes unless it is renamed.
///
/// # Errors
/// When the folder cannot be written to.
pub fn new_file_in(folder: &Path) -> Result<tempfile::NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(".rostra-").suffix(".part");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        // What any program's new file gets; the temporary file's own default hides it from the group.
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    builder.tempfile_in(folder).map_err(|error| {
        anyhow!("the folder {} cannot be written to ({error}); choose another --out", folder.display())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(rate_hz: u32, channels: usize, frames: usize) -> Recording {
        let channel = |c: usize| (0..frames).map(|n| ((n * (c + 1)) as f32 * 0.05).sin() * 0.5).collect();
        Recording { rate_hz, channels: (0..channels).map(channel).collect() }
    }

    fn refusal(path: &Path) -> String {
        let error = format!("{:#}", Recording::read(path).unwrap_err());
        assert!(error.starts_with(&path.display().to_string()), "does not name the file: {error}");
        assert!(!error.contains('\n'), "more than a line: {error}");
        error
    }

    /// Writes a WAV of 16-bit PCM, byte by byte, so that its header can promise anything.
    fn wav_bytes(channels: u16, rate_hz: u32, promised_bytes: u32, data: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::new();
        bytes.extend(b"RIFF");
        bytes.extend((36 + promised_bytes).to_le_bytes());
        bytes.extend(b"WAVEfmt ");
        bytes.extend(16_u32.to_le_bytes());
        bytes.extend(1_u16.to_le_bytes());
        bytes.extend(channels.to_le_bytes());
        bytes.extend(rate_hz.to_le_bytes());
        bytes.extend((rate_hz * u32::from(channels) * 2).to_le_bytes());
        bytes.extend((channels * 2).to_le_bytes());
        bytes.extend(16_u16.to_le_bytes());
        bytes.extend(b"data");
        bytes.extend(promised_bytes.to_le_bytes());
        bytes.extend(data);
        bytes
    }

    #[test]
    fn what_is_written_is_read_back_bit_for_bit() {
        let folder = tempfile::tempdir().unwrap();
        for (rate_hz, channels) in [(22_050, 1), (48_000, 2), (192_000, 2)] {
            let path = folder.path().join(format!("{rate_hz} {channels}.wav"));
            let written = tone(rate_hz, channels, 5000);
            written.write(&path).unwrap();
            assert_eq!(Recording::read(&path).unwrap(), written);
        }
        let left: Vec<_> = fs::read_dir(folder.path()).unwrap().collect();
        assert_eq!(left.len(), 3, "temporary files are left: {left:?}");
    }

    #[test]
    fn a_missing_an_empty_and_a_foreign_file_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        assert!(refusal(&folder.path().join("missing.wav")).contains("no such file"));
        assert!(refusal(folder.path()).contains("is a folder"));
        let path = folder.path().join("empty.wav");
        fs::write(&path, b"").unwrap();
        assert!(refusal(&path).contains("is empty"));
        for text in ["x", "This is a letter, not a recording."] {
            fs::write(&path, text).unwrap();
            assert!(refusal(&path).contains("is not a recording"));
        }
        fs::write(&path, b"RIFF\x24\0\0\0WAVEfmt ").unwrap();
        assert!(refusal(&path).contains("cut off"));
    }

    #[test]
    fn a_wav_whose_header_promises_more_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cut.wav");
        for held in [0, 1, 2000, 3999] {
            fs::write(&path, wav_bytes(1, 48_000, 4000, &vec![1_u8; held])).unwrap();
            let error = refusal(&path);
            assert!(error.contains("promises 2000 frames"), "held {held} bytes: {error}");
        }
        fs::write(&path, wav_bytes(1, 48_000, 4000, &vec![1_u8; 4000])).unwrap();
        assert_eq!(Recording::read(&path).unwrap().frames(), 2000);
    }

    /// Writes an AIFF of 16-bit PCM at 48 kHz, byte by byte.
    fn aiff_bytes(promised_frames: u32, samples: &[i16]) -> Vec<u8> {
        // 48 000 as an 80-bit extended number: 2^15 times 1.46484375.
        const RATE: [u8; 10] = [0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0];
        let mut bytes = Vec::new();
        bytes.extend(b"FORM");
        bytes.extend((4 + 26 + 16 + promised_frames * 2).to_be_bytes());
        bytes.extend(b"AIFFCOMM");
        bytes.extend(18_u32.to_be_bytes());
        bytes.extend(1_u16.to_be_bytes());
        bytes.extend(promised_frames.to_be_bytes());
        bytes.extend(16_u16.to_be_bytes());
        bytes.extend(RATE);
        bytes.extend(b"SSND");
        bytes.extend((8 + promised_frames * 2).to_be_bytes());
        bytes.extend([0; 8]);
        bytes.extend(samples.iter().flat_map(|sample| sample.to_be_bytes()));
        bytes
    }

    #[test]
    fn an_aiff_is_read_and_refused_when_cut_off() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.aiff");
        let samples: Vec<i16> = (0..3000).map(|n| (n * 7 % 2000) as i16 - 1000).collect();
        fs::write(&path, aiff_bytes(3000, &samples)).unwrap();
        let read = Recording::read(&path).unwrap();
        assert_eq!((read.rate_hz, read.channels.len(), read.frames()), (48_000, 1, 3000));
        for (got, sample) in read.channels[0].iter().zip(&samples) {
            assert_eq!(*got, f32::from(*sample) / 32_768.0);
        }
        fs::write(&path, aiff_bytes(3000, &samples[..1700])).unwrap();
        assert!(refusal(&path).contains("cut off"));
    }

    #[test]
    fn a_flac_that_is_cut_off_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let whole =
            fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../presets-demo/stems/bassoon.flac"))
                .unwrap();
        let path = folder.path().join("cut.flac");
        for share in [0.3, 0.9, 0.999] {
            fs::write(&path, &whole[..(whole.len() as f64 * share) as usize]).unwrap();
            let error = refusal(&path);
            assert!(error.contains("cut off") || error.contains("damaged"), "share {share}: {error}");
        }
        fs::write(&path, &whole).unwrap();
        assert_eq!(Recording::read(&path).unwrap().frames(), 24 * 48_000);
    }

    #[test]
    fn six_channels_and_odd_rates_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("six.wav");
        fs::write(&path, wav_bytes(6, 48_000, 1200, &[0; 1200])).unwrap();
        assert!(refusal(&path).contains("6 channels"));
        fs::write(&path, wav_bytes(1, 11_025, 1200, &[0; 1200])).unwrap();
        assert!(refusal(&path).contains("11025 Hz"));
        fs::write(&path, wav_bytes(1, 48_000, 0, &[])).unwrap();
        assert!(refusal(&path).contains("no sound"));
    }

    #[test]
    fn what_is_not_finite_is_refused_with_its_second() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("nan.wav");
        for (value, words) in [(f32::NAN, "not a number"), (f32::INFINITY, "infinite")] {
            let mut recording = tone(48_000, 2, 48_000);
            recording.channels[1][24_000] = value;
            recording.write(&path).unwrap();
            let error = refusal(&path);
            assert!(error.contains(words) && error.contains("0.500 s (channel 2)"), "got {error}");
        }
    }

    #[test]
    fn a_folder_that_is_missing_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("nowhere").join("x.wav");
        assert!(tone(48_000, 1, 10).write(&path).is_err());
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
