//! Recordings: read whole and checked, written whole or not at all.

mod chunks;
mod same_file;

mod loudness;
mod metadata;
mod other_rate;
mod reading;
mod wav;

use std::path::Path;

use anyhow::{Context as _, Result, anyhow};
use rostra_dsp::extremes::larger;
use rostra_files::{NewFile, Twin};

pub use loudness::Loudness;
pub use metadata::Metadata;
pub use same_file::{is_same_file, is_same_name};

/// Sound in memory: one or two channels of equal length.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// Sample rate, Hz.
    pub rate_hz: u32,
    /// The channels, left first.
    pub channels: Vec<Vec<f32>>,
}

/// Rates of recordings, Hz: those that sound is meant for; the engine itself starts lower.
pub const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=768_000;

/// Most memory that the sound of a recording may take, bytes, where nothing else is asked for: 90 minutes of stereo at 48 kHz.
///
/// Our choice: what is placed takes as much again or twice as much, and a
/// machine that makes music has at least 8 GiB.
pub const MOST_BYTES: u64 = 2 << 30;

impl Recording {
    /// Reads a WAV (RF64 and BW64 as well), AIFF or FLAC file whose sound takes at most [`MOST_BYTES`] of memory.
    ///
    /// # Errors
    /// As [`Self::read_within`].
    pub fn read(path: &Path) -> Result<Self> {
        Self::read_within(path, MOST_BYTES)
    }

    /// Reads such a file whose sound takes at most `most_bytes` of memory, and, while it is read, not more than that again.
    ///
    /// # Errors
    /// In one line that names the file, what is wrong, where, and what to do:
    /// when the file is missing, empty, not such a recording, cut off,
    /// damaged, too long, without sound, of more than two channels, of a rate
    /// outside 8000 to 768 000 Hz, or holds a value that is not a finite number.
    pub fn read_within(path: &Path, most_bytes: u64) -> Result<Self> {
        reading::unwound(|| reading::read(path, most_bytes)).with_context(|| path.display().to_string())
    }

    /// Writes a 32-bit float WAV, RF64 where it is longer than 4 GiB: first under another name in the same folder, then
    /// renamed.
    ///
    /// # Errors
    /// When the folder cannot be written to, or the disk is full.
    pub fn write(&self, path: &Path) -> Result<()> {
        self.write_with(&Metadata::default(), path)
    }

    /// Writes it with what the file of another recording held beside its sound.
    ///
    /// # Errors
    /// As [`Self::write`].
    pub fn write_with(&self, metadata: &Metadata, path: &Path) -> Result<()> {
        write(self, metadata, path).with_context(|| path.display().to_string())
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

fn write(recording: &Recording, metadata: &Metadata, path: &Path) -> Result<()> {
    const FULL: &str = "cannot be written; is the disk full?";
    let mut file = new_file_in(folder_of(path))?;
    let Metadata { before, behind, .. } = metadata;
    wav::write(recording, before, behind, wav::LONGEST_RIFF_BYTES, &mut file).context(FULL)?;
    file.keep(path, Twin::Replaced)
        .map_err(|error| anyhow!("cannot be written ({error}); choose another place"))
}

/// Returns the folder in which a file lies.
fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Writes a text, or other bytes: whole or not at all.
///
/// # Errors
/// When it cannot be written.
pub fn write_whole(path: &Path, bytes: impl AsRef<[u8]>) -> Result<()> {
    use std::io::Write as _;
    let cannot = |error| anyhow!("{} cannot be written ({error})", path.display());
    let mut file = new_file_in(folder_of(path))?;
    file.write_all(bytes.as_ref()).map_err(cannot)?;
    file.keep(path, Twin::Replaced).map_err(cannot)
}

/// Makes a file in `folder` that vanishes unless it is kept.
///
/// # Errors
/// When the folder cannot be written to.
pub fn new_file_in(folder: &Path) -> Result<NewFile> {
    NewFile::within(folder).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => {
            anyhow!("the folder {} does not exist; create it, or choose another", folder.display())
        }
        // The error's own words name a file that nobody knows of.
        kind => anyhow!("the folder {} cannot be written to ({kind}); choose another", folder.display()),
    })
}

#[cfg(test)]
mod tests {
    use std::fs;

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

    /// Writing straight to the place would change the file under its other name, too.
    #[test]
    fn a_recording_takes_the_place_of_another_and_leaves_that_one_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let [path, other] = ["a.wav", "other name of a.wav"].map(|name| folder.path().join(name));
        let [before, after] = [tone(48_000, 1, 3000), tone(48_000, 2, 5000)];
        before.write(&path).unwrap();
        fs::hard_link(&path, &other).unwrap();
        after.write(&path).unwrap();
        // Not by `assert_eq`, which would print them.
        assert!(Recording::read(&path).unwrap() == after, "is not what was written");
        assert!(Recording::read(&other).unwrap() == before, "was written over");
        write_whole(&path, "text").unwrap();
        assert_eq!(
            (fs::read(&path).unwrap(), Recording::read(&other).unwrap().frames()),
            (b"text".into(), 3000)
        );
    }

    #[test]
    fn a_writer_that_stops_half_way_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        // Longer than what is made ready at once, so that some of it is written before the shorter channel ends.
        let mut recording = tone(48_000, 2, 20_000);
        recording.channels[1].truncate(15_000);
        let stopped = std::panic::catch_unwind(|| recording.write(&path));
        assert!(stopped.is_err(), "the channels are of one length");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn what_is_written_without_metadata_is_what_other_writers_write() {
        let folder = tempfile::tempdir().unwrap();
        let [ours, theirs] = ["ours.wav", "theirs.wav"].map(|name| folder.path().join(name));
        for channels in [1, 2] {
            let recording = tone(44_100, channels, 9001);
            recording.write(&ours).unwrap();
            let spec = hound::WavSpec {
                channels: channels as u16,
                sample_rate: 44_100,
                bits_per_sample: 32,
                sample_format: hound::SampleFormat::Float,
            };
            let mut writer = hound::WavWriter::create(&theirs, spec).unwrap();
            for frame in 0..recording.frames() {
                for channel in &recording.channels {
                    writer.write_sample(channel[frame]).unwrap();
                }
            }
            writer.finalize().unwrap();
            assert!(fs::read(&ours).unwrap() == fs::read(&theirs).unwrap(), "{channels} channels");
        }
    }

    fn written(recording: &Recording, before: &[wav::Chunk], longest_riff: u64) -> Vec<u8> {
        let mut bytes = Vec::new();
        wav::write(recording, before, &[], longest_riff, &mut bytes).unwrap();
        bytes
    }

    #[test]
    fn what_is_too_long_for_a_riff_is_written_as_rf64_and_read_back() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.wav");
        let recording = tone(96_000, 2, 10_001);
        let note = wav::Chunk { id: *b"axml", bytes: b"odd".to_vec() };
        let short = written(&recording, std::slice::from_ref(&note), u64::MAX);
        let riff_bytes = short.len() as u64 - 8;
        assert_eq!(&short[..4], b"RIFF");
        assert_eq!(u64::from(u32::from_le_bytes(short[4..8].try_into().unwrap())), riff_bytes);
        assert_eq!(&written(&recording, std::slice::from_ref(&note), riff_bytes)[..4], b"RIFF");
        let long = written(&recording, std::slice::from_ref(&note), riff_bytes - 1);
        // EBU Tech 3306: all ones where ds64 counts; ds64 first, with the file's length less 8, that of the sound, and the frames.
        assert_eq!(&long[..20], b"RF64\xFF\xFF\xFF\xFFWAVEds64\x1c\0\0\0");
        let counted = [20, 28, 36].map(|at| u64::from_le_bytes(long[at..at + 8].try_into().unwrap()));
        assert_eq!(counted, [long.len() as u64 - 8, 10_001 * 8, 10_001]);
        let at = long.windows(4).position(|id| id == b"data").unwrap();
        assert_eq!(long[at + 4..at + 8], [0xFF; 4]);
        // BW64 counts alike.
        for marker in [b"RF64", b"BW64"] {
            let mut long = long.clone();
            long[..4].copy_from_slice(marker);
            fs::write(&path, &long).unwrap();
            assert!(Recording::read(&path).unwrap() == recording, "is another one");
            fs::write(&path, &long[..long.len() - 800]).unwrap();
            let error = refusal(&path);
            assert!(error.contains("says 10001 frames, the file has 9901"), "{error}");
        }
        for at in [20, 28, 44, 60, 90, at + 4] {
            fs::write(&path, &long[..at]).unwrap();
            refusal(&path);
        }
    }

    #[test]
    fn a_w64_is_refused_with_a_way_out() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x.w64");
        fs::write(&path, [&b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\0\0"[..], &[0; 100]].concat())
            .unwrap();
        assert!(refusal(&path).contains("export it as WAV (RF64 or BW64"));
    }

    /// Writes a FLAC of frames of 65 535 zeros, 13 or 14 bytes each (RFC 9639, clauses 8.2 and 9).
    fn flac_of_zeros(frames: u32, promised: u64) -> Vec<u8> {
        let mut bytes = b"fLaC\x80\0\0\x22\xff\xff\xff\xff\0\0\0\0\0\0".to_vec();
        // 20 bits rate, 3 bits channels less one, 5 bits bits less one, 36 bits samples of each channel.
        bytes.extend((48_000_u64 << 44 | 15 << 36 | promised).to_be_bytes());
        bytes.extend([0; 16]);
        for frame in 0..frames {
            let mut head = vec![0xFF, 0xF8, 0x70, 0x00];
            head.extend(char::from_u32(frame).unwrap().to_string().bytes());
            head.extend(65_534_u16.to_be_bytes());
            head.push(check_sum(&head, 0x07, 8) as u8);
            head.extend([0, 0, 0]);
            let sum = check_sum(&head, 0x8005, 16);
            head.extend(sum.to_be_bytes());
            bytes.extend(head);
        }
        bytes
    }

    #[test]
    fn a_small_file_of_much_sound_is_refused_before_it_is_in_memory() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("zeros.flac");
        let sound_bytes = 300 * 65_535 * 4;
        // With its length in the header, and without: then it is found out on the way.
        for promised in [300 * 65_535, 0] {
            fs::write(&path, flac_of_zeros(300, promised)).unwrap();
            MEMORY.reset_peak_usage();
            let before = MEMORY.current_usage();
            let error = format!("{:#}", Recording::read_within(&path, sound_bytes - 1).err().unwrap());
            assert!(
                error.contains("is too long: it needs at least 0.07 GiB") && error.contains("--memory"),
                "{error}"
            );
            if promised > 0 {
                let taken = MEMORY.peak_usage().saturating_sub(before);
                assert!(taken < MOST_BESIDE_BYTES, "took {taken} bytes");
            }
            let read = Recording::read_within(&path, sound_bytes).unwrap();
            assert_eq!((read.frames(), read.peak()), (300 * 65_535, 0.0));
        }
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
            assert!(error.contains("says 2000 frames"), "held {held} bytes: {error}");
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
        fs::write(&path, wav_bytes(1, 5_000, 1200, &[0; 1200])).unwrap();
        assert!(refusal(&path).contains("5000 Hz"));
        fs::write(&path, wav_bytes(1, 48_000, 0, &[])).unwrap();
        assert!(refusal(&path).contains("no audio"));
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
    /// Memory that the sound of a file may take here, bytes. Our choice: more than any good one among the inputs takes, and
    /// far less than what a FLAC of silence can ask for.
    const MOST_SOUND_BYTES: usize = 1 << 20;

    /// Reads a file of these bytes and holds what comes of it against the rules; says whether it was taken.
    fn check(bytes: &[u8], path: &Path) -> bool {
        fs::write(path, bytes).unwrap();
        let before = MEMORY.current_usage();
        MEMORY.reset_peak_usage();
        let read = Recording::read_within(path, MOST_SOUND_BYTES as u64);
        let taken = MEMORY.peak_usage().saturating_sub(before);
        // A list that grows is there twice; what stands beside the sound is as long as in the file.
        let allowed = MOST_BESIDE_BYTES + 3 * MOST_SOUND_BYTES + 2 * bytes.len();
        assert!(taken <= allowed, "a file of {} bytes took {taken} bytes of memory", bytes.len());
        match read {
            Ok(recording) => {
                assert!(RATES_HZ.contains(&recording.rate_hz), "{} Hz", recording.rate_hz);
                assert!((1..=2).contains(&recording.channels.len()), "{} channels", recording.channels.len());
                assert!(recording.frames() > 0, "is empty");
                let sound_bytes = recording.frames() * recording.channels.len() * 4;
                assert!(sound_bytes <= MOST_SOUND_BYTES, "{sound_bytes} bytes of sound");
                // What stands beside it is carried or told, and what is written with it is read back.
                let metadata = Metadata::of_placed(path, &recording, &recording);
                let note = metadata.note().unwrap_or_default();
                assert!(!note.contains('\n'), "more than a line: {note:?}");
                let mut written = Vec::new();
                let Metadata { before, behind, .. } = &metadata;
                wav::write(&recording, before, behind, wav::LONGEST_RIFF_BYTES, &mut written).unwrap();
                fs::write(path, written).unwrap();
                assert!(Recording::read(path).unwrap() == recording, "is another one once it is written");
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
            flac_of_zeros(300, 0),
            metadata::tests::broadcast_wav(),
            metadata::tests::aiff_with_marks(),
            metadata::tests::flac_with_blocks(),
        ];
        let mut long = Vec::new();
        wav::write(&tone(48_000, 2, 30), &[], &[], 0, &mut long).unwrap();
        files.push(long);
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
        let words = [
            "RIFF", "RF64", "BW64", "WAVE", "fmt ", "data", "ds64", "LIST", "INFO", "adtl", "cue ", "bext",
            "iXML", "fact", "FORM", "AIFF", "AIFC", "COMM", "SSND", "MARK", "COMT", "INST", "fLaC", "riff",
        ];
        let inputs = prop_oneof![
            2 => made_up(),
            3 => damaged(good, &words),
            2 => damaged(flacs, &[]).prop_map(with_check_sums),
        ];
        TARGET.run(&inputs, Clone::clone, |bytes| check(bytes, &path));
    }
}
