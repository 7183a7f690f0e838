//! Chunks of a RIFF, RF64, BW64 or FORM file: where each lies, and its bytes.
//!
//! # Source
//! RIFF: Microsoft and IBM, 'Multimedia Programming Interface and Data
//! Specifications 1.0'. RF64: EBU Tech 3306, clause 2. BW64: ITU-R BS.2088,
//! clause 4. FORM: 'EA IFF 85'. All from memory.

use std::io::{self, Read, Seek, SeekFrom};

/// Most chunks that are looked at: files hold a dozen or two. Our choice.
const MOST_CHUNKS: usize = 1000;
/// What stands for a length that `ds64` holds.
pub(crate) const IN_DS64: u32 = u32::MAX;

/// How a file of chunks begins, and so how it counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Form {
    /// `RIFF`: lengths of 32 bits, little end first.
    Riff,
    /// `RF64` or `BW64`: the same with some lengths of 64 bits in `ds64`.
    Rf64,
    /// `FORM`: lengths of 32 bits, big end first.
    Iff,
}

impl Form {
    /// Returns the form that a file's first four bytes say.
    pub(crate) fn of(marker: [u8; 4]) -> Option<Self> {
        match &marker {
            b"RIFF" => Some(Self::Riff),
            b"RF64" | b"BW64" => Some(Self::Rf64),
            b"FORM" => Some(Self::Iff),
            _ => None,
        }
    }
}

/// Where a chunk lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Place {
    /// What it is called.
    pub(crate) id: [u8; 4],
    /// Where its bytes begin, from the start of the file.
    pub(crate) start: u64,
    /// How many it says that it has; the file may hold fewer.
    pub(crate) bytes: u64,
}

impl Place {
    /// Reads the bytes of the chunk, where the file holds all of them.
    pub(crate) fn read(&self, file: &mut (impl Read + Seek)) -> io::Result<Vec<u8>> {
        file.seek(SeekFrom::Start(self.start))?;
        // So that a length that lies asks for no memory.
        let mut bytes = Vec::new();
        file.by_ref().take(self.bytes).read_to_end(&mut bytes)?;
        if (bytes.len() as u64) < self.bytes {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        Ok(bytes)
    }
}

/// Lists the chunks of a file, in turn, up to its end or the first that is cut off.
pub(crate) fn places(file: &mut (impl Read + Seek), form: Form) -> io::Result<Vec<Place>> {
    let end = file.seek(SeekFrom::End(0))?;
    let mut places: Vec<Place> = Vec::new();
    // Lengths that stand in `ds64`, by chunk.
    let mut long: Vec<([u8; 4], u64)> = Vec::new();
    let mut at = 12_u64;
    while at + 8 <= end && places.len() < MOST_CHUNKS {
        let mut head = [0; 8];
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(&mut head)?;
        let id = [head[0], head[1], head[2], head[3]];
        let length = [head[4], head[5], head[6], head[7]];
        let short = if form == Form::Iff { u32::from_be_bytes(length) } else { u32::from_le_bytes(length) };
        let mut place = Place { id, start: at + 8, bytes: u64::from(short) };
        if form == Form::Rf64 && short == IN_DS64 {
            place.bytes = long.iter().find(|(known, _)| *known == id).map_or(u64::MAX, |(_, bytes)| *bytes);
        }
        places.push(place);
        let next = place.start.saturating_add(place.bytes).saturating_add(place.bytes % 2);
        if next > end {
            break;
        }
        if form == Form::Rf64 && id == *b"ds64" {
            long = lengths(&place.read(file)?);
        }
        at = next;
    }
    Ok(places)
}

/// Reads a `ds64`: the lengths of the file and of `data`, the count of frames, and a table of other chunks.
fn lengths(ds64: &[u8]) -> Vec<([u8; 4], u64)> {
    let long =
        |at: usize| ds64.get(at..at + 8).and_then(|bytes| Some(u64::from_le_bytes(bytes.try_into().ok()?)));
    let mut lengths: Vec<_> = long(8).map(|bytes| (*b"data", bytes)).into_iter().collect();
    let rows = ds64.get(28..).unwrap_or_default().chunks_exact(12);
    lengths.extend(
        rows.filter_map(|row| {
            Some((row[..4].try_into().ok()?, u64::from_le_bytes(row[4..].try_into().ok()?)))
        }),
    );
    lengths
}
