//! WAV files of 32-bit floats: RIFF up to 4 GiB, RF64 beyond.

use std::io::{self, Write};

use crate::Recording;
use crate::chunks::IN_DS64;

/// A chunk and its bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Chunk {
    /// What it is called.
    pub(crate) id: [u8; 4],
    /// Its bytes.
    pub(crate) bytes: Vec<u8>,
}

impl Chunk {
    /// Returns the bytes that it takes in a file: head, body, and one more where the body is odd.
    fn length(&self) -> u64 {
        8 + self.bytes.len() as u64 + self.bytes.len() as u64 % 2
    }

    fn write(&self, out: &mut impl Write) -> io::Result<()> {
        out.write_all(&self.id)?;
        out.write_all(&(self.bytes.len() as u32).to_le_bytes())?;
        out.write_all(&self.bytes)?;
        out.write_all(&[0][..self.bytes.len() % 2])
    }
}

/// Most bytes of a RIFF file: its length of 32 bits counts what follows it, and all ones stand for 'see ds64'.
pub(crate) const LONGEST_RIFF_BYTES: u64 = u32::MAX as u64 - 1;

/// Frames that are made ready at once (our choice).
const WRITTEN_FRAMES: usize = 4096;

/// Writes a recording of at least one channel, with chunks before and behind its sound.
///
/// A file of which more than `longest_riff` bytes would follow its length
/// becomes RF64: of both successors of RIFF the one that more programs read.
///
/// # Source
/// `fmt `: Microsoft, `WAVEFORMATEXTENSIBLE` with `KSDATAFORMAT_SUBTYPE_IEEE_FLOAT`. RF64: EBU Tech 3306, clause 2 (from
/// memory).
pub(crate) fn write(
    recording: &Recording,
    before: &[Chunk],
    behind: &[Chunk],
    longest_riff: u64,
    out: &mut impl Write,
) -> io::Result<()> {
    let count = recording.channels.len() as u64;
    let frames = recording.frames() as u64;
    let data_bytes = frames * count * 4;
    let format = format(count as u16, recording.rate_hz);
    let others: u64 = before.iter().chain(behind).map(Chunk::length).sum();
    let riff_bytes = 4 + format.length() + others + 8 + data_bytes;
    let is_long = riff_bytes > longest_riff;
    if is_long {
        let ds64 = Chunk { id: *b"ds64", bytes: vec![0; 28] };
        let mut bytes = Vec::new();
        for length in [riff_bytes + ds64.length(), data_bytes, frames] {
            bytes.extend(length.to_le_bytes());
        }
        // No other chunk is that long.
        bytes.extend(0_u32.to_le_bytes());
        out.write_all(b"RF64")?;
        out.write_all(&IN_DS64.to_le_bytes())?;
        out.write_all(b"WAVE")?;
        Chunk { bytes, ..ds64 }.write(out)?;
    } else {
        out.write_all(b"RIFF")?;
        out.write_all(&(riff_bytes as u32).to_le_bytes())?;
        out.write_all(b"WAVE")?;
    }
    format.write(out)?;
    before.iter().try_for_each(|chunk| chunk.write(out))?;
    out.write_all(b"data")?;
    out.write_all(&if is_long { IN_DS64 } else { data_bytes as u32 }.to_le_bytes())?;
    let mut ready = Vec::with_capacity(WRITTEN_FRAMES * recording.channels.len() * 4);
    let mut at = 0;
    while at < recording.frames() {
        let end = recording.frames().min(at + WRITTEN_FRAMES);
        ready.clear();
        for frame in at..end {
            for channel in &recording.channels {
                ready.extend(channel[frame].to_le_bytes());
            }
        }
        out.write_all(&ready)?;
        at = end;
    }
    behind.iter().try_for_each(|chunk| chunk.write(out))
}

fn format(count: u16, rate_hz: u32) -> Chunk {
    /// `KSDATAFORMAT_SUBTYPE_IEEE_FLOAT`, 00000003-0000-0010-8000-00aa00389b71.
    const FLOATS: [u8; 16] = [3, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];
    let frame_bytes = count * 4;
    let mut bytes = Vec::new();
    bytes.extend(0xFFFE_u16.to_le_bytes());
    bytes.extend(count.to_le_bytes());
    bytes.extend(rate_hz.to_le_bytes());
    bytes.extend((rate_hz * u32::from(frame_bytes)).to_le_bytes());
    bytes.extend(frame_bytes.to_le_bytes());
    bytes.extend(32_u16.to_le_bytes());
    // What follows, the bits that count, and the loudspeakers: the first ones from the left.
    bytes.extend(22_u16.to_le_bytes());
    bytes.extend(32_u16.to_le_bytes());
    bytes.extend(((1_u32 << count.min(18)) - 1).to_le_bytes());
    bytes.extend(FLOATS);
    Chunk { id: *b"fmt ", bytes }
}
