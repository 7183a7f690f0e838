//! Recordings read whole and checked.

use std::cell::Cell;
use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::panic::{self, AssertUnwindSafe};
use std::path::Path;
use std::sync::Once;

use anyhow::{Result, anyhow, bail, ensure};
use rostra_files::in_a_line;
use symphonia::core::audio::Channels;
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::errors::Error as DecoderError;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use crate::chunks::{Form, Place, places};
use crate::{RATES_HZ, Recording};

/// What every recording that can be placed is, for messages.
const READABLE: &str = "WAV, AIFF or FLAC";

/// Sound of a long file that is decoded at once, bytes: what a WAV can hold, and far from its end. Our choice.
const PART_BYTES: u64 = 1 << 30;

/// Most frames that a byte of a FLAC stands for.
///
/// RFC 9639, clause 9: a frame has at least 10 bytes (head 6, one subframe of a
/// constant 2, check sum 2) and at most 65 535 samples a channel.
const MOST_FLAC_FRAMES_A_BYTE: u64 = 65_535 / 10 + 1;

thread_local! {
    /// Whether a panic of this thread is told by whoever called, and by nobody else.
    static IS_TOLD: Cell<bool> = const { Cell::new(false) };
}

/// Reads, and turns a panic of the decoder into an error.
///
/// Symphonia 0.6 reckons with what a header says before it looks whether that
/// can be, and panics where it cannot (`tests/corpus/recordings`).
pub(crate) fn unwound(read: impl FnOnce() -> Result<Recording>) -> Result<Recording> {
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

/// Reads a recording whose sound takes at most `most_bytes` in memory.
pub(crate) fn read(path: &Path, most_bytes: u64) -> Result<Recording> {
    let metadata = fs::metadata(path).map_err(|error| match error.kind() {
        io::ErrorKind::NotFound => anyhow!("there is no such file; check the path"),
        _ => anyhow!("cannot be read ({error}); check its permissions"),
    })?;
    ensure!(!metadata.is_dir(), "is a folder; give the recordings in it by name");
    ensure!(metadata.len() > 0, "is empty (0 bytes); export it again");
    let open =
        || File::open(path).map_err(|error| anyhow!("cannot be read ({error}); check its permissions"));
    let mut file = open()?;
    let mut marker = [0_u8; 4];
    let is_whole = file.read_exact(&mut marker).is_ok();
    ensure!(
        !is_whole || marker != *b"riff",
        "is a W64 file, which is not supported; export it as WAV (RF64 or BW64 if it is longer than 4 GiB)"
    );
    let form = Form::of(marker);
    let looks_right = is_whole && (form.is_some() || marker == *b"fLaC");
    ensure!(looks_right, "is not a recording in {READABLE}; export it as one of these");

    let mut sound = Sound::new(most_bytes);
    match form {
        Some(Form::Rf64) => sound.add_long(&mut file, open)?,
        Some(Form::Iff) => sound.add_iff(&mut file, open, metadata.len())?,
        // A frame has at least a byte.
        Some(Form::Riff) => sound.add(Box::new(open()?), metadata.len())?,
        None => sound.add(Box::new(open()?), metadata.len().saturating_mul(MOST_FLAC_FRAMES_A_BYTE))?,
    }
    sound.whole()
}

fn damaged() -> anyhow::Error {
    anyhow!("its header cannot be read: cut off or damaged; export it again as {READABLE}")
}

/// A sound that grows by what is decoded.
struct Sound {
    most_bytes: u64,
    rate_hz: u32,
    channels: Vec<Vec<f32>>,
    /// Frames that headers promised.
    promised: u64,
}

impl Sound {
    fn new(most_bytes: u64) -> Self {
        Self { most_bytes, rate_hz: 0, channels: Vec::new(), promised: 0 }
    }

    fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// Refuses what would take more memory than is allowed.
    fn check_size(&self, frames: u64) -> Result<()> {
        let bytes = frames.saturating_mul(self.channels.len() as u64 * 4);
        let gib = |bytes: u64| bytes as f64 / f64::from(1 << 30);
        ensure!(
            bytes <= self.most_bytes,
            "is too long: it needs at least {:.2} GiB of memory, and {:.2} GiB are allowed; export it in parts, or allow more with --memory where the command has it",
            gib(bytes),
            gib(self.most_bytes)
        );
        Ok(())
    }

    /// Decodes a file that can hold at most `most_frames`, and adds what it holds.
    fn add(&mut self, source: Box<dyn MediaSource>, most_frames: u64) -> Result<()> {
        let stream = MediaSourceStream::new(source, MediaSourceStreamOptions::default());
        let mut format = symphonia::default::get_probe()
            .probe(&Hint::new(), stream, FormatOptions::default(), MetadataOptions::default())
            .map_err(|error| {
                anyhow!(
                    "its header cannot be read ({error}): cut off or damaged; export it again as {READABLE}"
                )
            })?;
        let track = format
            .default_track(TrackType::Audio)
            .ok_or_else(|| anyhow!("contains no audio; export it again as {READABLE}"))?;
        let (track_id, promised_frames) = (track.id, track.num_frames);
        let params = track
            .codec_params
            .as_ref()
            .and_then(|params| params.audio())
            .ok_or_else(|| anyhow!("contains no audio; export it again as {READABLE}"))?
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
        self.rate_hz = rate_hz;
        self.channels.resize(count, Vec::new());
        if let Some(promised) = promised_frames {
            self.promised += promised;
            // One that promises more than it can hold is cut off, which is said below.
            if promised <= most_frames {
                self.check_size(self.promised)?;
            }
        }

        let mut decoder = symphonia::default::get_codecs()
            .make_audio_decoder(&params, &AudioDecoderOptions::default())
            .map_err(|error| anyhow!("its encoding is not supported ({error}); export it as PCM or FLAC"))?;
        let mut block: Vec<Vec<f32>> = Vec::new();
        loop {
            let at_s = self.frames() as f64 / f64::from(rate_hz);
            let packet = match format.next_packet() {
                Ok(Some(packet)) => packet,
                Ok(None) => break,
                // The end of the file in the middle of something: the count of frames says it better.
                Err(DecoderError::IoError(error)) if error.kind() == io::ErrorKind::UnexpectedEof => break,
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
            self.check_size((self.frames() + decoded.frames()) as u64)?;
            decoded.copy_to_vecs_planar(&mut block);
            for (channel, block) in self.channels.iter_mut().zip(&block) {
                channel.extend_from_slice(block);
            }
        }
        Ok(())
    }

    /// Adds the sound of an AIFF: as one that holds nothing beside it, since the decoder stumbles over some of what may be
    /// there (comments of an odd length).
    fn add_iff(&mut self, file: &mut File, open: impl Fn() -> Result<File>, most_frames: u64) -> Result<()> {
        let mut kind = [0; 4];
        file.seek(SeekFrom::Start(8)).and_then(|_| file.read_exact(&mut kind)).map_err(|_| damaged())?;
        let places = places(file, Form::Iff).map_err(|_| damaged())?;
        let of = |id: &[u8; 4]| places.iter().find(|place| place.id == *id).copied();
        let format = of(b"COMM").filter(|place| place.bytes < MOST_FORMAT_BYTES).ok_or_else(damaged)?;
        let format = format.read(file).map_err(|_| damaged())?;
        let sound = of(b"SSND").ok_or_else(|| anyhow!("contains no audio; export it again as {READABLE}"))?;
        let padding = &[0][..format.len() % 2];
        let bytes = 4 + 8 + format.len() as u64 + padding.len() as u64 + 8 + sound.bytes;
        let mut head = b"FORM".to_vec();
        head.extend(u32::try_from(bytes).unwrap_or(u32::MAX).to_be_bytes());
        head.extend(kind);
        head.extend(b"COMM");
        head.extend((format.len() as u32).to_be_bytes());
        head.extend(&format);
        head.extend(padding);
        head.extend(b"SSND");
        head.extend((sound.bytes as u32).to_be_bytes());
        self.add(Box::new(Part { head, file: open()?, sound, at: 0 }), most_frames)
    }

    /// Adds the sound of an RF64 or BW64: as WAVs of a part each, since the decoder knows no longer ones.
    fn add_long(&mut self, file: &mut File, open: impl Fn() -> Result<File>) -> Result<()> {
        let places = places(file, Form::Rf64).map_err(|_| damaged())?;
        let of = |id: &[u8; 4]| places.iter().find(|place| place.id == *id).copied();
        let format = of(b"fmt ").filter(|place| place.bytes < MOST_FORMAT_BYTES).ok_or_else(damaged)?;
        let format = format.read(file).map_err(|_| damaged())?;
        let data = of(b"data").ok_or_else(|| anyhow!("contains no audio; export it again as {READABLE}"))?;
        let frame_bytes = u64::from(u16::from_le_bytes(
            format.get(12..14).and_then(|bytes| bytes.try_into().ok()).ok_or_else(damaged)?,
        ));
        ensure!(frame_bytes > 0, "its header gives a frame size of 0 bytes; export it again as {READABLE}");
        let held = file.metadata().map_err(|_| damaged())?.len().saturating_sub(data.start).min(data.bytes);
        let part_bytes = PART_BYTES / frame_bytes * frame_bytes;
        let padding = &[0][..format.len() % 2];
        let mut at = 0;
        while at == 0 || at < held {
            let bytes = part_bytes.min(held - at);
            let sound = Place { start: data.start + at, bytes, ..data };
            let mut head = b"RIFF".to_vec();
            head.extend(((4 + 8 + format.len() + padding.len() + 8) as u32 + bytes as u32).to_le_bytes());
            head.extend(b"WAVEfmt ");
            head.extend((format.len() as u32).to_le_bytes());
            head.extend(&format);
            head.extend(padding);
            head.extend(b"data");
            head.extend((bytes as u32).to_le_bytes());
            self.add(Box::new(Part { head, file: open()?, sound, at: 0 }), bytes)?;
            at += part_bytes;
        }
        // What all of it promises, and not what the file holds of it.
        self.promised = data.bytes / frame_bytes;
        Ok(())
    }

    /// Checks that all of it is there, and is sound.
    fn whole(self) -> Result<Recording> {
        let recording = Recording { rate_hz: self.rate_hz, channels: self.channels };
        let (held, promised) = (recording.frames() as u64, self.promised);
        ensure!(
            held >= promised,
            "is cut off: its header says {promised} frames, the file has {held} ({:.3} s); copy or export it again",
            recording.seconds()
        );
        ensure!(held > 0, "contains no audio (0 frames); export it again");
        check_finite(&recording)?;
        Ok(recording)
    }
}

/// Most bytes of a `fmt `: the longest known ones have 40 to 50. Our choice.
const MOST_FORMAT_BYTES: u64 = 1024;

/// A file's sound, or a part of it, behind a head of its own.
struct Part {
    head: Vec<u8>,
    file: File,
    sound: Place,
    at: u64,
}

impl Part {
    fn length(&self) -> u64 {
        self.head.len() as u64 + self.sound.bytes
    }
}

impl Read for Part {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let head = self.head.len() as u64;
        let count = if self.at < head {
            (&self.head[self.at as usize..]).read(bytes)?
        } else {
            let left = self.length().saturating_sub(self.at);
            self.file.seek(SeekFrom::Start(self.sound.start + self.at - head))?;
            self.file.by_ref().take(left).read(bytes)?
        };
        self.at += count as u64;
        Ok(count)
    }
}

impl Seek for Part {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let place = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.length().checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = place.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}

impl MediaSource for Part {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.length())
    }
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
        "has a sample that {what} at {:.3} s (channel {}); repair or export it again",
        frame as f64 / f64::from(recording.rate_hz),
        channel + 1
    )
}
