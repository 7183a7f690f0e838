//! Recordings: read whole and checked, written whole or not at all.

use rostra_dsp::extremes::larger;
use std::cell::Cell;
use std::fs;
use std::io::Read as _;
use std::panic::{self, AssertUnwindSafe};
use std::path::Path;
use std::sync::Once;

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use rostra_files::in_a_line;
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
        unwound(|| read(path)).with_context(|| path.display().to_string())
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
        self.channels.iter().flatten().fold(0.0, |peak, sample| larger(sample.abs(), peak))
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

thread_local! {
    /// Whether a panic of this thread is told by whoever called, and by nobody else.
    static IS_TOLD: Cell<bool> = const { Cell::new(false) };
}

/// Reads, and turns a panic of the decoder into an error.
///
/// Symphonia 0.6 reckons with what a header says before it looks whether that
/// can be, and panics where it cannot (`tests/corpus/recordings`).
fn unwound(read: impl FnOnce() -> Result<Recording>) -> Result<Recording> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let usual = panic::take_hook();
        panic::set_hook(Box::new(move |told| {
            if !IS_TOLD.get() {
                usual(told);
            }
        }));
    });
    IS_TOLD.set(true);
    // What was read so far is dropped, so nothing half done is left behind.
    let outcome = panic::catch_unwind(AssertUnwindSafe(read));
    IS_TOLD.set(false);
    outcome.unwrap_or_else(|told| {
        let why = told.downcast_ref::<&str>().copied().or(told.downcast_ref::<String>().map(String::as_str));
        let why = in_a_line(why.unwrap_or("the decoder gave up"));
        Err(anyhow!("is damaged, or its header is wrong ({why}); copy or export it again as {READABLE}"))
    })
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
        .map_err(|error| anyhow!("cannot be written ({}); choose another place", error.error))?;
    Ok(())
}

/// Writes a text: whole or not at all.
///
/// # Errors
/// When it cannot be written.
pub fn write_text(path: &Path, text: &str) -> Result<()> {
    use std::io::Write as _;
    let mut file = new_file_in(path.parent().unwrap_or(Path::new(".")))?;
    file.write_all(text.as_bytes()).with_context(|| format!("{} cannot be written", path.display()))?;
    file.persist(path).map_err(|error| anyhow!("{} cannot be written ({})", path.display(), error.error))?;
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
    builder.tempfile_in(folder).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => {
            anyhow!("the folder {} is not there; make it, or choose another", folder.display())
        }
        // The error's own words name a file that nobody knows of.
        kind => anyhow!("the folder {} cannot be written to ({kind}); choose another", folder.display()),
    })
}

#[cfg(test)]
mod tests {
    use proptest::collection::vec;
    use proptest::prelude::*;
    use proptest::sample::select;
    use rostra_fuzz::{Target, damaged};

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

    /// 48 000 as an 80-bit extended number: 2^15 times 1.46484375.
    const RATE: [u8; 10] = [0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0];

    /// Writes an AIFF of 16-bit PCM at 48 kHz, byte by byte.
    fn aiff_bytes(promised_frames: u32, samples: &[i16]) -> Vec<u8> {
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

    /// Memory in use, and the most that was.
    #[global_allocator]
    static MEMORY: peak_alloc::PeakAlloc = peak_alloc::PeakAlloc;

    /// Memory that reading may take beside the sound, bytes.
    ///
    /// Our choice: the reader of packets has blocks of some hundred kilobytes,
    /// a header that lies about its length would ask for gigabytes.
    const MOST_BESIDE_BYTES: usize = 16 << 20;
    /// Memory for each byte of a file: the smallest sample is one byte and becomes four, twice while a list grows, and a
    /// FLAC says a whole block of silence in a few bytes.
    const MOST_FOR_A_BYTE: usize = 64 * 1024;

    /// Reads a file of these bytes and holds what comes of it against the rules; says whether it was taken.
    fn check(bytes: &[u8], path: &Path) -> bool {
        fs::write(path, bytes).unwrap();
        let before = MEMORY.current_usage();
        MEMORY.reset_peak_usage();
        let read = Recording::read(path);
        let taken = MEMORY.peak_usage().saturating_sub(before);
        let allowed = MOST_BESIDE_BYTES + MOST_FOR_A_BYTE * bytes.len();
        assert!(taken <= allowed, "a file of {} bytes took {taken} bytes of memory", bytes.len());
        match read {
            Ok(recording) => {
                assert!(RATES_HZ.contains(&recording.rate_hz), "{} Hz", recording.rate_hz);
                assert!((1..=2).contains(&recording.channels.len()), "{} channels", recording.channels.len());
                assert!(recording.frames() > 0, "is empty");
                for channel in &recording.channels {
                    assert_eq!(channel.len(), recording.frames(), "channels of different lengths");
                    assert!(channel.iter().all(|sample| sample.is_finite()), "a sample that is not finite");
                }
                true
            }
            Err(error) => {
                let error = format!("{error:#}");
                assert!(error.starts_with(&path.display().to_string()), "does not name the file: {error:?}");
                assert!(!error.chars().any(char::is_control), "more than a line: {error:?}");
                let to_do = ["export", "convert it", "copy or", "repair"];
                assert!(
                    to_do.iter().any(|words| error.contains(words)),
                    "does not say what to do: {error:?}"
                );
                false
            }
        }
    }

    /// Chunks of a RIFF or FORM file, their lengths true or not, with any format.
    fn made_up() -> impl Strategy<Value = Vec<u8>> {
        let length = prop_oneof![3 => Just(None), 1 => select(vec![0, 1, 15, 17, 0x7FFF_FFFF, u32::MAX - 1, u32::MAX]).prop_map(Some)];
        let any_length = length.clone();
        let rate = select(vec![0_u32, 1, 8000, 22_050, 44_100, 48_000, 192_000, 192_001, u32::MAX]);
        let bits = select(vec![0_u16, 1, 4, 8, 12, 16, 20, 24, 32, 33, 64, 65, 0xFFFF]);
        let data = vec(any::<u8>(), 0..200);
        let format = (
            select(vec![1_u16, 1, 2, 3, 3, 6, 7, 0x11, 0xFFFE, 0xFFFE, 0, 0xFFFF]),
            select(vec![0_u16, 1, 1, 2, 2, 3, 8, 0xFFFF]),
            rate.clone(),
            bits.clone(),
            select(vec![0_u16, 1, 2, 3, 4, 6, 8, 0xFFFF]),
            vec(any::<u8>(), 0..30),
        );
        let wave = (format, data.clone(), length.clone(), any_length.clone(), any::<bool>()).prop_map(
            |((tag, channels, rate_hz, bits, align, extra), data, format_length, data_length, has_more)| {
                let mut format = Vec::new();
                format.extend(tag.to_le_bytes());
                format.extend(channels.to_le_bytes());
                format.extend(rate_hz.to_le_bytes());
                format.extend(rate_hz.wrapping_mul(u32::from(align)).to_le_bytes());
                format.extend(align.to_le_bytes());
                format.extend(bits.to_le_bytes());
                format.extend(extra);
                let chunk = |name: &[u8; 4], length: Option<u32>, body: &[u8]| {
                    [name, &length.unwrap_or(body.len() as u32).to_le_bytes()[..], body].concat()
                };
                let more =
                    if has_more { chunk(b"LIST", Some(data.len() as u32), b"INFO") } else { Vec::new() };
                let body = [chunk(b"fmt ", format_length, &format), more, chunk(b"data", data_length, &data)]
                    .concat();
                [&b"RIFF"[..], &(4 + body.len() as u32).to_le_bytes(), b"WAVE", &body].concat()
            },
        );
        let common = (
            select(vec![0_u16, 1, 2, 3, 0xFFFF]),
            prop_oneof![0..200_u32, select(vec![0x7FFF_FFFF, u32::MAX])],
            bits,
            prop_oneof![
                3 => Just(RATE.to_vec()),
                1 => vec(any::<u8>(), 10),
            ],
            select(vec![
                b"".to_vec(),
                b"NONE".to_vec(),
                b"sowt".to_vec(),
                b"fl32".to_vec(),
                b"FL64".to_vec(),
                b"ulaw".to_vec(),
                b"in24".to_vec(),
            ]),
        );
        let form = (common, data, length, any_length).prop_map(
            |((channels, frames, bits, rate, coding), data, common_length, data_length)| {
                let mut common = Vec::new();
                common.extend(channels.to_be_bytes());
                common.extend(frames.to_be_bytes());
                common.extend(bits.to_be_bytes());
                common.extend(rate);
                common.extend(&coding);
                if !coding.is_empty() {
                    common.extend([0, 0]);
                }
                let chunk = |name: &[u8; 4], length: Option<u32>, body: &[u8]| {
                    [name, &length.unwrap_or(body.len() as u32).to_be_bytes()[..], body].concat()
                };
                let kind = if coding.is_empty() { b"AIFF" } else { b"AIFC" };
                let sound = [&[0; 8][..], &data].concat();
                let body =
                    [chunk(b"COMM", common_length, &common), chunk(b"SSND", data_length, &sound)].concat();
                [&b"FORM"[..], &(4 + body.len() as u32).to_be_bytes(), kind, &body].concat()
            },
        );
        prop_oneof![wave, form]
    }

    /// Bits that a check sum of FLAC has, most significant first.
    fn check_sum(bytes: &[u8], polynomial: u16, bits: u32) -> u16 {
        let top = 1_u32 << (bits - 1);
        let mask = (top << 1) - 1;
        bytes.iter().fold(0_u32, |sum, &byte| {
            (0..8).fold(sum ^ (u32::from(byte) << (bits - 8)), |sum, _| {
                (if sum & top == 0 { sum << 1 } else { (sum << 1) ^ u32::from(polynomial) }) & mask
            })
        }) as u16
    }

    /// Sets both check sums of a FLAC's one frame right, so that what was damaged in it comes to the decoder.
    ///
    /// # Source
    /// RFC 9639, 9.1 (frame header, its CRC-8: x^8 + x^2 + x + 1) and 9.3 (CRC-16: x^16 + x^15 + x^2 + 1).
    fn with_check_sums(mut bytes: Vec<u8>) -> Vec<u8> {
        let at = bytes.windows(2).position(|pair| pair[0] == 0xFF && pair[1] & 0xFE == 0xF8);
        let Some(at) = at.filter(|at| bytes.len() >= at + 12) else { return bytes };
        let frame = &mut bytes[at..];
        let block_bytes =
            [(6, 1), (7, 2)].iter().find(|(code, _)| frame[2] >> 4 == *code).map_or(0, |(_, n)| *n);
        let rate_bytes = [(12, 1), (13, 2), (14, 2)]
            .iter()
            .find(|(code, _)| frame[2] & 15 == *code)
            .map_or(0, |(_, n)| *n);
        let header = 5 + block_bytes + rate_bytes;
        frame[header] = check_sum(&frame[..header], 0x07, 8) as u8;
        let end = frame.len() - 2;
        let sum = check_sum(&frame[..end], 0x8005, 16);
        frame[end..].copy_from_slice(&sum.to_be_bytes());
        bytes
    }

    /// Sound of a few frames in each coding that is read, and what once broke the reader.
    fn good() -> Vec<Vec<u8>> {
        let samples: Vec<i16> = (0..50).map(|n| n * 600 - 15_000).collect();
        let data: Vec<u8> = samples.iter().flat_map(|sample| sample.to_le_bytes()).collect();
        let mut files = vec![
            wav_bytes(1, 48_000, 100, &data),
            wav_bytes(2, 44_100, 100, &data),
            aiff_bytes(50, &samples),
        ];
        for (bits_per_sample, sample_format) in
            [(8, hound::SampleFormat::Int), (24, hound::SampleFormat::Int), (32, hound::SampleFormat::Float)]
        {
            let mut bytes = std::io::Cursor::new(Vec::new());
            let spec = hound::WavSpec { channels: 2, sample_rate: 96_000, bits_per_sample, sample_format };
            let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
            for n in 0..40_i16 {
                match sample_format {
                    hound::SampleFormat::Int => writer.write_sample(n - 20).unwrap(),
                    hound::SampleFormat::Float => writer.write_sample(f32::from(n) / 40.0).unwrap(),
                }
            }
            writer.finalize().unwrap();
            files.push(bytes.into_inner());
        }
        files
    }

    /// `ROSTRA_FUZZ_S=600 cargo test -p rostra-recording any_recording` tries for ten minutes.
    #[test]
    fn any_recording_is_read_or_refused_in_a_line() {
        const TARGET: Target = Target { name: "recordings", inputs: 6000 };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("any.wav");
        let corpus = TARGET.corpus();
        for (name, bytes) in &corpus {
            eprintln!("corpus: {name}");
            check(bytes, &path);
        }
        let flacs: Vec<Vec<u8>> = corpus
            .iter()
            .filter(|(_, bytes)| bytes.starts_with(b"fLaC"))
            .map(|(_, bytes)| bytes.clone())
            .collect();
        let good: Vec<Vec<u8>> =
            good().into_iter().chain(corpus.into_iter().map(|(_, bytes)| bytes)).collect();
        let words =
            ["RIFF", "WAVE", "fmt ", "data", "LIST", "fact", "FORM", "AIFF", "AIFC", "COMM", "SSND", "fLaC"];
        let inputs = prop_oneof![
            2 => made_up(),
            3 => damaged(good, &words),
            2 => damaged(flacs, &[]).prop_map(with_check_sums),
        ];
        TARGET.run(&inputs, Clone::clone, |bytes| check(bytes, &path));
    }
}
