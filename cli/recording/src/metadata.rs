//! What a file holds beside its sound, and what of it still holds once the sound was placed.
//!
//! # Source
//! WAV: Microsoft and IBM, 'Multimedia Programming Interface and Data
//! Specifications 1.0' (`cue `, `plst`, `LIST`), and 'New Multimedia Data Types
//! and Data Techniques' (`smpl`, `inst`); `bext`: EBU Tech 3285 v2, coding
//! history: EBU R 98; `iXML` 2; `axml` and `chna`: ITU-R BS.2088. AIFF: Apple,
//! 'Audio Interchange File Format 1.3'. FLAC: RFC 9639, clause 8. All but the
//! last from memory.

use std::fs::File;
use std::io::{BufReader, Read as _};
use std::path::Path;

use rostra_files::in_a_line;

use crate::Recording;
use crate::chunks::{Form, places};
use crate::wav::Chunk;

/// Most bytes that are carried of a file beside its sound. Our choice: a scene of some hundred objects as `axml` has a few
/// million.
const MOST_BYTES: u64 = 64 << 20;
/// Chunks that are the sound, fill up, or are worked out from the sound (its peaks): the new file has its own, or none.
const OWN: [&[u8; 4]; 13] = [
    b"fmt ", b"data", b"ds64", b"fact", b"JUNK", b"junk", b"PAD ", b"FLLR", b"filr", b"PEAK", b"levl",
    b"slnt", b"wavl",
];
/// Chunks that say nothing which a longer or wider sound makes false.
const LASTING: [&[u8; 4]; 12] = [
    b"smpl", b"inst", b"plst", b"axml", b"bxml", b"sxml", b"cart", b"CSET", b"DISP", b"id3 ", b"ID3 ",
    b"r64m",
];
/// Comments of a FLAC and the chunks of a `LIST` of `INFO` that say the same (common practice, no source).
const COMMENTS: [(&str, &[u8; 4]); 12] = [
    ("TITLE", b"INAM"),
    ("ARTIST", b"IART"),
    ("ALBUM", b"IPRD"),
    ("DATE", b"ICRD"),
    ("COMMENT", b"ICMT"),
    ("DESCRIPTION", b"ICMT"),
    ("COPYRIGHT", b"ICOP"),
    ("GENRE", b"IGNR"),
    ("TRACKNUMBER", b"ITRK"),
    ("ORGANIZATION", b"ICMS"),
    ("PERFORMER", b"ISTR"),
    ("ENCODED-BY", b"IENG"),
];

/// What a file holds beside its sound, as chunks of a WAV.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Metadata {
    /// Chunks that stood before the sound.
    pub(crate) before: Vec<Chunk>,
    /// Chunks that stood behind it.
    pub(crate) behind: Vec<Chunk>,
    left_out: Vec<String>,
}

/// Channels and rate of a sound.
#[derive(Clone, Copy, Debug)]
struct Shape {
    channels: usize,
    rate_hz: u32,
}

impl Shape {
    fn of(recording: &Recording) -> Self {
        Self { channels: recording.channels.len(), rate_hz: recording.rate_hz }
    }
}

impl Metadata {
    /// Reads what the file of a recording holds beside its sound, and makes it true for the placed sound.
    ///
    /// The placed sound starts when the recording did, at its rate, so times and
    /// positions stay. Measured loudness, unique identifiers, lists of tracks
    /// and the like are brought up to date or taken out. What is broken, or not
    /// known to hold any more, is left out ([`Metadata::note`]).
    pub fn of_placed(path: &Path, recording: &Recording, placed: &Recording) -> Self {
        let (from, to) = (Shape::of(recording), Shape::of(placed));
        let mut metadata = Self::default();
        // The sound was read, so the file is there; what cannot be read of the rest is not carried.
        let Ok(file) = File::open(path) else { return metadata };
        let mut file = BufReader::new(file);
        let mut marker = [0; 4];
        let is_marked = file.read_exact(&mut marker).is_ok();
        let is_read = is_marked
            && match Form::of(marker) {
                Some(form) => metadata.read_chunks(&mut file, form, from, to),
                None if marker == *b"fLaC" => metadata.read_flac(&mut file, from, to).is_ok(),
                None => false,
            };
        if !is_read {
            metadata.left_out.push("unreadable data".to_owned());
        }
        metadata
    }

    /// Says what of the file is not in the new one; `None` where all of it is.
    pub fn note(&self) -> Option<String> {
        let mut names = self.left_out.clone();
        names.dedup();
        (!names.is_empty()).then(|| format!("note: not carried over: {}", names.join(", ")))
    }

    fn leave_out(&mut self, id: [u8; 4], why: &str) {
        let name = in_a_line(String::from_utf8_lossy(&id).trim());
        self.left_out.push(if why.is_empty() { name } else { format!("{name} ({why})") });
    }

    fn read_chunks(&mut self, file: &mut BufReader<File>, form: Form, from: Shape, to: Shape) -> bool {
        let Ok(places) = places(file, form) else { return false };
        let mut left_bytes = MOST_BYTES;
        let (mut before, mut behind) = (Vec::new(), Vec::new());
        let mut is_behind = false;
        for place in places {
            if OWN.contains(&&place.id) || place.id == *b"SSND" {
                is_behind |= [*b"data", *b"SSND"].contains(&place.id);
                continue;
            }
            if place.bytes > left_bytes {
                self.leave_out(place.id, "too large");
                continue;
            }
            let Ok(bytes) = place.read(file) else {
                self.leave_out(place.id, "cut off");
                continue;
            };
            left_bytes -= place.bytes;
            let chunks = if is_behind { &mut behind } else { &mut before };
            chunks.push(Chunk { id: place.id, bytes });
        }
        self.take(form, before, behind, from, to);
        true
    }

    /// Takes chunks of a WAV over, and translates those of an AIFF.
    fn take(&mut self, form: Form, before: Vec<Chunk>, behind: Vec<Chunk>, from: Shape, to: Shape) {
        if form == Form::Iff {
            // A marker and its comment may stand on both sides of the sound.
            self.translate([before, behind].concat(), from);
            return;
        }
        self.before = before.into_iter().filter_map(|chunk| self.carried(chunk, from, to)).collect();
        self.behind = behind.into_iter().filter_map(|chunk| self.carried(chunk, from, to)).collect();
    }

    /// Returns a chunk of a WAV as it is true for the placed sound; `None` where it is left out.
    fn carried(&mut self, chunk: Chunk, from: Shape, to: Shape) -> Option<Chunk> {
        let Chunk { id, bytes } = chunk;
        let kept = match &id {
            b"bext" => broadcast(bytes, to).ok_or("too short"),
            b"iXML" => ixml(&bytes, from, to).ok_or("not UTF-8"),
            b"cue " => Ok(cues(bytes)),
            b"LIST" if bytes.starts_with(b"INFO") => Ok(with_software(&bytes)),
            b"LIST" if bytes.starts_with(b"adtl") => Ok(bytes),
            b"chna" if from.channels == to.channels => Ok(bytes),
            b"chna" => Err("different channels"),
            _ if LASTING.contains(&&id) => Ok(bytes),
            _ => Err(""),
        };
        kept.map_err(|why| self.leave_out(id, why)).ok().map(|bytes| Chunk { id, bytes })
    }

    /// Says as chunks of a WAV what chunks of an AIFF say.
    fn translate(&mut self, chunks: Vec<Chunk>, from: Shape) {
        let (mut marks, mut notes, mut info) = (Vec::new(), Vec::new(), Vec::new());
        let (mut instrument, mut id3) = (None, None);
        for Chunk { id, bytes } in chunks {
            match &id {
                b"COMM" | b"FVER" => {}
                b"NAME" => info.push((*b"INAM", bytes)),
                b"AUTH" => info.push((*b"IART", bytes)),
                b"(c) " => info.push((*b"ICOP", bytes)),
                b"ANNO" => info.push((*b"ICMT", bytes)),
                b"MARK" => marks.extend(aiff_marks(&bytes)),
                b"COMT" => {
                    for (mark, text) in aiff_comments(&bytes) {
                        match mark {
                            0 => info.push((*b"ICMT", text)),
                            mark => notes.push((mark, text)),
                        }
                    }
                    // A WAV has no place for the time at which each was written.
                    self.leave_out(id, "its timestamps");
                }
                b"INST" if bytes.len() >= 20 => instrument = Some(bytes),
                b"ID3 " => id3 = Some(bytes),
                _ => self.leave_out(id, ""),
            }
        }
        if let Some(bytes) = instrument {
            self.behind.extend(aiff_instrument(&bytes, &marks, from.rate_hz));
        }
        self.behind.extend(cue_chunks(&marks, &notes));
        self.behind.extend(info_chunk(info));
        self.behind.extend(id3.map(|bytes| Chunk { id: *b"id3 ", bytes }));
    }

    /// Reads the blocks of a FLAC behind its marker.
    fn read_flac(&mut self, file: &mut BufReader<File>, from: Shape, to: Shape) -> std::io::Result<()> {
        let (mut foreign, mut marks, mut info) = (Vec::new(), Vec::new(), Vec::new());
        let mut left_bytes = MOST_BYTES;
        loop {
            let mut head = [0; 4];
            file.read_exact(&mut head)?;
            let length = u64::from(u32::from_be_bytes([0, head[1], head[2], head[3]]));
            let mut bytes = Vec::new();
            file.by_ref().take(length).read_to_end(&mut bytes)?;
            if (bytes.len() as u64) < length {
                return Err(std::io::ErrorKind::UnexpectedEof.into());
            }
            let is_large = length > left_bytes;
            left_bytes = left_bytes.saturating_sub(length);
            match head[0] & 0x7F {
                // What describes the sound, fills up, or finds places in the coded sound.
                0 | 1 | 3 => {}
                _ if is_large => self.left_out.push("blocks too large".to_owned()),
                2 if [&b"riff"[..], b"aiff"].iter().any(|kind| bytes.starts_with(kind)) => {
                    foreign.push(bytes);
                }
                2 => self.leave_out(bytes.get(..4).and_then(|id| id.try_into().ok()).unwrap_or(*b"APPL"), ""),
                4 => self.comments(&bytes, &mut info),
                5 => marks = flac_marks(&bytes),
                6 => self.left_out.push("a picture".to_owned()),
                _ => self.left_out.push("a block of unknown kind".to_owned()),
            }
            if head[0] & 0x80 != 0 {
                break;
            }
        }
        self.take_foreign(&foreign, from, to);
        let has_info = self.before.iter().chain(&self.behind).any(|chunk| chunk.bytes.starts_with(b"INFO"));
        let has_cues = self.before.iter().chain(&self.behind).any(|chunk| chunk.id == *b"cue ");
        if !has_cues {
            self.behind.extend(cue_chunks(&marks, &[]));
        }
        if !has_info {
            self.behind.extend(info_chunk(info));
        }
        Ok(())
    }

    /// Takes the chunks over that the file had before it became a FLAC, a block each.
    fn take_foreign(&mut self, blocks: &[Vec<u8>], from: Shape, to: Shape) {
        let form = if blocks.iter().any(|block| block.starts_with(b"aiff")) { Form::Iff } else { Form::Riff };
        let (mut before, mut behind, mut is_behind) = (Vec::new(), Vec::new(), false);
        for block in blocks {
            let Some((head, bytes)) = block.get(4..).and_then(<[u8]>::split_first_chunk::<8>) else {
                continue;
            };
            let (Ok(id), Ok(length)) = (<[u8; 4]>::try_from(&head[..4]), <[u8; 4]>::try_from(&head[4..]))
            else {
                continue;
            };
            let length =
                if form == Form::Iff { u32::from_be_bytes(length) } else { u32::from_le_bytes(length) };
            is_behind |= [*b"data", *b"SSND"].contains(&id);
            // The head of the whole file, and what stands for the sound.
            if Form::of(id).is_some() || OWN.contains(&&id) || id == *b"SSND" {
                continue;
            }
            match bytes.get(..length as usize) {
                Some(bytes) if is_behind => behind.push(Chunk { id, bytes: bytes.to_vec() }),
                Some(bytes) => before.push(Chunk { id, bytes: bytes.to_vec() }),
                None => self.leave_out(id, "cut off"),
            }
        }
        self.take(form, before, behind, from, to);
    }

    /// Reads comments of a FLAC, `NAME=text` each.
    fn comments(&mut self, block: &[u8], info: &mut Vec<([u8; 4], Vec<u8>)>) {
        for comment in flac_comments(block) {
            let Some((name, text)) = comment.split_once('=') else { continue };
            let name = name.to_ascii_uppercase();
            match COMMENTS.iter().find(|(known, _)| *known == name) {
                Some((_, id)) => info.push((**id, text.as_bytes().to_vec())),
                // Which program coded the file: it is another file now.
                None if name == "ENCODER" => {}
                None => self.left_out.push(in_a_line(&name)),
            }
        }
    }
}

/// What placed the sound, for whoever reads the file.
fn software() -> String {
    format!("Rostra {}", env!("CARGO_PKG_VERSION"))
}

/// Brings a `bext` up to date; `None` where it is too short to be one.
///
/// Description, originator, date and time reference stay: the placed sound
/// starts when the recording did. The unique identifier of the material and the
/// loudness are those of another sound, so they are set to what says that there
/// are none. The history of the coding grows by a line.
fn broadcast(mut bytes: Vec<u8>, to: Shape) -> Option<Vec<u8>> {
    /// Where the fields lie: EBU Tech 3285 v2, clause 2.3 (from memory).
    const VERSION: std::ops::Range<usize> = 346..348;
    const UMID: std::ops::Range<usize> = 348..412;
    const LOUDNESS: std::ops::Range<usize> = 412..422;
    const HISTORY: usize = 602;
    /// A loudness that was not measured.
    const NO_LOUDNESS: [u8; 2] = 0x7FFF_u16.to_le_bytes();
    if bytes.len() < HISTORY {
        return None;
    }
    let version = u16::from_le_bytes([bytes[VERSION.start], bytes[VERSION.start + 1]]);
    if version >= 1 {
        bytes[UMID].fill(0);
    }
    if version >= 2 {
        bytes[LOUDNESS].chunks_exact_mut(2).for_each(|value| value.copy_from_slice(&NO_LOUDNESS));
    }
    let end = bytes.iter().rposition(|byte| *byte != 0).map_or(HISTORY, |last| (last + 1).max(HISTORY));
    bytes.truncate(end);
    if end > HISTORY && !bytes.ends_with(b"\r\n") {
        bytes.extend(b"\r\n");
    }
    let mode = if to.channels == 1 { "mono" } else { "stereo" };
    let line = format!("A=PCM,F={},W=32,M={mode},T=32-bit float; placed by {}\r\n", to.rate_hz, software());
    bytes.extend(line.as_bytes());
    Some(bytes)
}

/// Brings an `iXML` up to date; `None` where it is no UTF-8.
fn ixml(bytes: &[u8], from: Shape, to: Shape) -> Option<Vec<u8>> {
    /// What speaks of another file, or was measured on another sound.
    const GONE: [&str; 10] = [
        "FILE_UID",
        "CURRENT_FILENAME",
        "LOUDNESS",
        "BWF_UMID",
        "BWF_CODING_HISTORY",
        "BWF_LOUDNESS_VALUE",
        "BWF_LOUDNESS_RANGE",
        "BWF_MAX_TRUE_PEAK_LEVEL",
        "BWF_MAX_MOMENTARY_LOUDNESS",
        "BWF_MAX_SHORT_TERM_LOUDNESS",
    ];
    let end = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
    let mut text = std::str::from_utf8(&bytes[..end]).ok()?.to_owned();
    text = with_text(&text, "AUDIO_BIT_DEPTH", "32");
    for gone in GONE {
        text = without(&text, gone);
    }
    if from.channels != to.channels {
        text = without(&text, "TRACK_LIST");
    }
    Some(text.into_bytes())
}

/// Returns where an element of that name begins and ends, and its content, from a place on.
fn element(xml: &str, name: &str, from: usize) -> Option<(std::ops::Range<usize>, std::ops::Range<usize>)> {
    let (open, close) = (format!("<{name}>"), format!("</{name}>"));
    let start = from + xml.get(from..)?.find(&open)?;
    let content = start + open.len();
    let end = content + xml[content..].find(&close)?;
    Some((start..end + close.len(), content..end))
}

fn with_text(xml: &str, name: &str, text: &str) -> String {
    let mut xml = xml.to_owned();
    let mut at = 0;
    while let Some((_, content)) = element(&xml, name, at) {
        xml.replace_range(content.clone(), text);
        at = content.start + text.len();
    }
    xml
}

fn without(xml: &str, name: &str) -> String {
    let mut xml = xml.to_owned();
    let mut at = 0;
    while let Some((whole, _)) = element(&xml, name, at) {
        at = whole.start;
        xml.replace_range(whole, "");
    }
    xml
}

/// Brings the points of a `cue ` up to date: their places in the sound stay, and the sound is one chunk without blocks.
fn cues(mut bytes: Vec<u8>) -> Vec<u8> {
    if let Some(points) = bytes.get_mut(4..) {
        for point in points.chunks_exact_mut(24).filter(|point| point[8..12] == *b"data") {
            point[12..20].fill(0);
        }
    }
    bytes
}

/// Says in a `LIST` of `INFO` that names a program that it is another one now.
fn with_software(list: &[u8]) -> Vec<u8> {
    let mut written = list[..4].to_vec();
    let mut at = 4;
    while let Some((head, rest)) = list.get(at..).and_then(<[u8]>::split_first_chunk::<8>) {
        let length = u32::from_le_bytes([head[4], head[5], head[6], head[7]]) as usize;
        let Some(bytes) = rest.get(..length) else { break };
        if head[..4] == *b"ISFT" {
            push_text(&mut written, *b"ISFT", &[], software().as_bytes());
        } else {
            written.extend(head);
            written.extend(bytes);
            written.extend(&[0][..length % 2]);
        }
        at += 8 + length + length % 2;
    }
    written
}

/// Adds a chunk of a list: a number or none, and a text that ends with a zero.
fn push_text(list: &mut Vec<u8>, id: [u8; 4], number: &[u8], text: &[u8]) {
    let text = text.split(|byte| *byte == 0).next().unwrap_or_default();
    let length = number.len() + text.len() + 1;
    list.extend(id);
    list.extend((length as u32).to_le_bytes());
    list.extend(number);
    list.extend(text);
    list.extend(&[0, 0][..=length % 2]);
}

/// Makes a `LIST` of `INFO`; texts of one kind become one, a line each.
fn info_chunk(texts: Vec<([u8; 4], Vec<u8>)>) -> Option<Chunk> {
    let mut merged: Vec<([u8; 4], Vec<u8>)> = Vec::new();
    for (id, text) in texts {
        match merged.iter_mut().find(|(known, _)| *known == id) {
            Some((_, before)) => *before = [before, &b"\r\n"[..], &text].concat(),
            None => merged.push((id, text)),
        }
    }
    let mut bytes = b"INFO".to_vec();
    for (id, text) in &merged {
        push_text(&mut bytes, *id, &[], text);
    }
    (!merged.is_empty()).then_some(Chunk { id: *b"LIST", bytes })
}

/// A marked place in a sound.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Mark {
    id: u32,
    frame: u32,
    name: Vec<u8>,
}

/// Makes a `cue ` of marks, and a `LIST` of `adtl` of their names and of what is noted of them.
fn cue_chunks(marks: &[Mark], notes: &[(u32, Vec<u8>)]) -> Vec<Chunk> {
    if marks.is_empty() {
        return Vec::new();
    }
    let mut cue = (marks.len() as u32).to_le_bytes().to_vec();
    let mut list = b"adtl".to_vec();
    for mark in marks {
        for number in [mark.id, mark.frame] {
            cue.extend(number.to_le_bytes());
        }
        cue.extend(b"data");
        for number in [0, 0, mark.frame] {
            cue.extend(number.to_le_bytes());
        }
        if !mark.name.is_empty() {
            push_text(&mut list, *b"labl", &mark.id.to_le_bytes(), &mark.name);
        }
    }
    for (id, text) in notes {
        push_text(&mut list, *b"note", &id.to_le_bytes(), text);
    }
    let mut chunks = vec![Chunk { id: *b"cue ", bytes: cue }];
    if list.len() > 4 {
        chunks.push(Chunk { id: *b"LIST", bytes: list });
    }
    chunks
}

/// Numbers and texts one after another, big end first.
struct Big<'a>(&'a [u8]);

impl<'a> Big<'a> {
    fn bytes(&mut self, count: usize) -> Option<&'a [u8]> {
        let (bytes, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        Some(bytes)
    }

    fn short(&mut self) -> Option<u16> {
        self.bytes(2).map(|bytes| u16::from_be_bytes([bytes[0], bytes[1]]))
    }

    fn longest(&mut self) -> Option<u64> {
        Some(u64::from(self.long()?) << 32 | u64::from(self.long()?))
    }

    fn long(&mut self) -> Option<u32> {
        self.bytes(4).map(|bytes| u32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]))
    }
}

/// Reads the markers of an AIFF: a count; of each a number, a frame, and a name with its length in front, in even bytes.
fn aiff_marks(bytes: &[u8]) -> Vec<Mark> {
    let mut bytes = Big(bytes);
    let count = bytes.short().unwrap_or_default();
    let mark = || {
        let (id, frame) = (u32::from(bytes.short()?), bytes.long()?);
        let length = usize::from(bytes.bytes(1)?[0]);
        let name = bytes.bytes(length)?.to_vec();
        // The last one may lack what makes it even.
        let _ = bytes.bytes(1 - length % 2);
        Some(Mark { id, frame, name })
    };
    std::iter::from_fn(mark).take(count.into()).collect()
}

/// Reads the comments of an AIFF: of each when it was written, the marker or 0, and the text, in even bytes.
fn aiff_comments(bytes: &[u8]) -> Vec<(u32, Vec<u8>)> {
    let mut bytes = Big(bytes);
    let count = bytes.short().unwrap_or_default();
    let comment = || {
        let (_written, mark, length) = (bytes.long()?, bytes.short()?, usize::from(bytes.short()?));
        let text = bytes.bytes(length)?.to_vec();
        let _ = bytes.bytes(length % 2);
        Some((u32::from(mark), text))
    };
    std::iter::from_fn(comment).take(count.into()).collect()
}

/// Says an AIFF's `INST` of at least 20 bytes as `inst`, and its loops, which name marks, as `smpl`.
fn aiff_instrument(bytes: &[u8], marks: &[Mark], rate_hz: u32) -> Vec<Chunk> {
    let &[base, detune, low, high, low_velocity, high_velocity, gain_high, gain_low, ..] = bytes else {
        return Vec::new();
    };
    // Decibels; a byte holds what an instrument needs of them.
    let gain_db = i16::from_be_bytes([gain_high, gain_low]).clamp(-128, 127) as i8;
    let inst = vec![base, detune, gain_db.to_le_bytes()[0], low, high, low_velocity, high_velocity];
    let mut chunks = vec![Chunk { id: *b"inst", bytes: inst }];
    let frame_of = |id: u16| marks.iter().find(|mark| mark.id == u32::from(id)).map(|mark| mark.frame);
    let loops: Vec<[u32; 3]> = bytes[8..20]
        .chunks_exact(6)
        .filter_map(|part| {
            let mut part = Big(part);
            let (mode, start, end) = (part.short()?, part.short()?, part.short()?);
            // 1 forward, 2 to and fro; a mark stands before its frame, so the last frame is the one before the end.
            let kind = u32::from(mode.checked_sub(1).filter(|kind| *kind < 2)?);
            Some([kind, frame_of(start)?, frame_of(end)?.checked_sub(1)?])
        })
        .collect();
    if !loops.is_empty() {
        let mut smpl = Vec::new();
        let period_ns = (1e9 / f64::from(rate_hz)).round() as u32;
        for number in [0, 0, period_ns, u32::from(base), 0, 0, 0, loops.len() as u32, 0] {
            smpl.extend(number.to_le_bytes());
        }
        for (id, [kind, start, end]) in (0_u32..).zip(loops) {
            for number in [id, kind, start, end, 0, 0] {
                smpl.extend(number.to_le_bytes());
            }
        }
        chunks.push(Chunk { id: *b"smpl", bytes: smpl });
    }
    chunks
}

/// Reads the comments of a FLAC; what is cut off or no UTF-8 ends them.
fn flac_comments(block: &[u8]) -> Vec<String> {
    /// Takes a text with its length in front, little end first.
    fn text(rest: &mut &[u8]) -> Option<String> {
        let bytes = count(rest).and_then(|length| {
            let (text, after) = rest.split_at_checked(length)?;
            *rest = after;
            Some(text)
        })?;
        String::from_utf8(bytes.to_vec()).ok()
    }
    fn count(rest: &mut &[u8]) -> Option<usize> {
        let (count, after) = rest.split_first_chunk::<4>()?;
        *rest = after;
        Some(u32::from_le_bytes(*count) as usize)
    }
    let mut rest = block;
    // The program that wrote them comes first.
    let Some(count) = text(&mut rest).and_then(|_| count(&mut rest)) else { return Vec::new() };
    std::iter::from_fn(|| text(&mut rest)).take(count).collect()
}

/// Reads the cue sheet of a FLAC (RFC 9639, clause 8.7): every index point of its tracks but the lead-out.
fn flac_marks(block: &[u8]) -> Vec<Mark> {
    /// Catalogue number, lead-in, flags.
    const HEAD: usize = 128 + 8 + 259;
    let mut marks: Vec<Mark> = Vec::new();
    let mut bytes = Big(block);
    let count = bytes.bytes(HEAD + 1).map_or(0, |head| head[HEAD]);
    for _ in 0..count {
        // What is cut off ends the list.
        if flac_track(&mut bytes, &mut marks).is_none() {
            break;
        }
    }
    marks
}

fn flac_track(bytes: &mut Big, marks: &mut Vec<Mark>) -> Option<()> {
    /// Number of the lead-out, on a disc and elsewhere.
    const LEAD_OUT: [u8; 2] = [170, 255];
    let start = bytes.longest()?;
    let number = bytes.bytes(1)?[0];
    // Recording code, flags.
    bytes.bytes(12 + 14)?;
    for _ in 0..bytes.bytes(1)?[0] {
        let offset = bytes.longest()?;
        let point = bytes.bytes(4)?[0];
        // A cue counts 32 bits: a day at 48 kHz.
        let frame = u32::try_from(start.saturating_add(offset)).ok().filter(|_| !LEAD_OUT.contains(&number));
        if let Some(frame) = frame {
            let index = if point == 1 { String::new() } else { format!(", index {point}") };
            let name = format!("Track {number}{index}").into_bytes();
            marks.push(Mark { id: marks.len() as u32 + 1, frame, name });
        }
    }
    Some(())
}

#[cfg(test)]
pub(crate) mod tests {
    use std::fs;

    use super::*;

    #[allow(clippy::trivially_copy_pass_by_ref, reason = "ids are written as literals, which are references")]
    fn chunk(id: &[u8; 4], bytes: &[u8]) -> Vec<u8> {
        let mut written = id.to_vec();
        written.extend((bytes.len() as u32).to_le_bytes());
        written.extend(bytes);
        written.extend(&[0][..bytes.len() % 2]);
        written
    }

    #[allow(clippy::trivially_copy_pass_by_ref, reason = "as above")]
    fn big_chunk(id: &[u8; 4], bytes: &[u8]) -> Vec<u8> {
        let mut written = chunk(id, bytes);
        written[4..8].copy_from_slice(&(bytes.len() as u32).to_be_bytes());
        written
    }

    /// A day's third hour at 48 kHz, which needs more than 32 bits of no other field.
    const START_FRAMES: u64 = 3 * 3600 * 48_000 + 7;

    fn bext(version: u16) -> Vec<u8> {
        let mut bytes = vec![0; 602];
        bytes[..10].copy_from_slice(b"Cue 4, dry");
        bytes[338..346].copy_from_slice(&START_FRAMES.to_le_bytes());
        bytes[346..348].copy_from_slice(&version.to_le_bytes());
        bytes[348..412].fill(7);
        bytes[412..422].fill(9);
        bytes.extend(b"A=PCM,F=48000,W=24,M=mono,T=recorder\r\n");
        bytes
    }

    const IXML: &str = "<?xml version=\"1.0\" encoding=\"UTF-8\"?><BWFXML><SCENE>4</SCENE><FILE_SET><FAMILY_UID>F</FAMILY_UID><FILE_UID>X</FILE_UID></FILE_SET><SPEED><AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH><FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE><TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>7</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED><TRACK_LIST><TRACK_COUNT>1</TRACK_COUNT></TRACK_LIST></BWFXML>";

    fn cue() -> Vec<u8> {
        let mut bytes = 1_u32.to_le_bytes().to_vec();
        for number in [1_u32, 20] {
            bytes.extend(number.to_le_bytes());
        }
        bytes.extend(b"data");
        // The start of the block in bytes, which are others now.
        for number in [0_u32, 40, 20] {
            bytes.extend(number.to_le_bytes());
        }
        bytes
    }

    fn software_list() -> Vec<u8> {
        [
            &b"INFO"[..],
            &chunk(b"INAM", b"Cue 4\0"),
            &chunk(b"ISFT", b"A recorder\0"),
            &chunk(b"ICRD", b"2026\0"),
        ]
        .concat()
    }

    fn wav_of(before: &[u8], behind: &[u8]) -> Vec<u8> {
        let format =
            [&[1, 0, 1, 0][..], &48_000_u32.to_le_bytes(), &96_000_u32.to_le_bytes(), &[2, 0, 16, 0]]
                .concat();
        let sound: Vec<u8> = (0..50_i16).flat_map(|n| (n * 600).to_le_bytes()).collect();
        let body = [b"WAVE", before, &chunk(b"fmt ", &format), &chunk(b"data", &sound), behind].concat();
        chunk(b"RIFF", &body)
    }

    /// A recorder's WAV, with nearly all that can stand beside the sound.
    pub(crate) fn broadcast_wav() -> Vec<u8> {
        let adtl = [&b"adtl"[..], &chunk(b"labl", b"\x01\0\0\0Bar 5\0")].concat();
        wav_of(
            &[chunk(b"bext", &bext(2)), chunk(b"iXML", IXML.as_bytes()), chunk(b"JUNK", &[0; 9])].concat(),
            &[
                chunk(b"cue ", &cue()),
                chunk(b"LIST", &adtl),
                chunk(b"LIST", &software_list()),
                chunk(b"smpl", &[3; 36]),
                chunk(b"axml", b"<axml/>"),
                chunk(b"id3 ", b"ID3"),
                chunk(b"PEAK", &[0; 16]),
                chunk(b"chna", &[1; 44]),
                chunk(b"abcd", b"?"),
            ]
            .concat(),
        )
    }

    /// An AIFF with two markers, a comment on one of them and one on all, a name, and an instrument that loops between both.
    pub(crate) fn aiff_with_marks() -> Vec<u8> {
        let rate = [0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0];
        let common = [&1_u16.to_be_bytes()[..], &50_u32.to_be_bytes(), &16_u16.to_be_bytes(), &rate].concat();
        let mut marks = 2_u16.to_be_bytes().to_vec();
        for (id, frame, name) in [(1_u16, 10_u32, &b"\x05Intro"[..]), (2, 40, b"\x04Ends\0")] {
            marks.extend(id.to_be_bytes());
            marks.extend(frame.to_be_bytes());
            marks.extend(name);
        }
        let comments = b"\0\x02\0\0\0\0\0\0\0\x03all\0\0\0\0\0\0\x02\0\x04here";
        let instrument = [&[60, 0, 0, 127, 1, 127, 0xFF, 0xFA][..], &[0, 1, 0, 1, 0, 2], &[0; 6]].concat();
        let sound: Vec<u8> = (0..50_i16).flat_map(|n| (n * 600).to_be_bytes()).collect();
        let body = [
            b"AIFF",
            &big_chunk(b"COMM", &common)[..],
            &big_chunk(b"NAME", b"Cue 4"),
            &big_chunk(b"SSND", &[&[0; 8][..], &sound].concat()),
            &big_chunk(b"MARK", &marks),
            &big_chunk(b"COMT", comments),
            &big_chunk(b"INST", &instrument),
            &big_chunk(b"APPL", b"abcd"),
        ]
        .concat();
        big_chunk(b"FORM", &body)
    }

    fn flac_block(kind: u8, bytes: &[u8]) -> Vec<u8> {
        let length = (bytes.len() as u32).to_be_bytes();
        [&[kind][..], &length[1..], bytes].concat()
    }

    fn flac_comment_block() -> Vec<u8> {
        let text = |text: &str| [&(text.len() as u32).to_le_bytes()[..], text.as_bytes()].concat();
        let comments =
            ["title=Cue 4", "COMMENT=one", "DESCRIPTION=two", "ENCODER=x", "REPLAYGAIN_TRACK_GAIN=-3 dB"];
        [text("coder"), (comments.len() as u32).to_le_bytes().to_vec(), comments.map(text).concat()].concat()
    }

    fn flac_cue_block() -> Vec<u8> {
        let track = |start: u64, number: u8, points: &[(u64, u8)]| {
            let mut bytes = [&start.to_be_bytes()[..], &[number], &[0; 26], &[points.len() as u8]].concat();
            for (offset, point) in points {
                bytes.extend(offset.to_be_bytes());
                bytes.extend([*point, 0, 0, 0]);
            }
            bytes
        };
        [
            &[0; 395][..],
            &[3],
            &track(0, 1, &[(0, 1)]),
            &track(1000, 2, &[(5, 1), (9, 2)]),
            &track(2000, 255, &[]),
        ]
        .concat()
    }

    /// The corpus' smallest FLAC with blocks of every kind before its sound.
    pub(crate) fn flac_with_blocks() -> Vec<u8> {
        flac_of(&[
            flac_block(4, &flac_comment_block()),
            flac_block(5, &flac_cue_block()),
            flac_block(6, &[0; 40]),
        ])
    }

    fn flac_of(blocks: &[Vec<u8>]) -> Vec<u8> {
        let whole = fs::read(
            Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/corpus/recordings/constant.flac"),
        )
        .unwrap();
        // Marker, head and 34 bytes of the stream's own block, which is not the last one now.
        let mut bytes = whole[..42].to_vec();
        assert_eq!(bytes[4] & 0x7F, 0);
        let was_last = bytes[4] & 0x80;
        assert!(was_last != 0, "there are other blocks");
        bytes[4] = 0;
        for (index, block) in blocks.iter().enumerate() {
            let mut block = block.clone();
            block[0] |= if index + 1 == blocks.len() { 0x80 } else { 0 };
            bytes.extend(block);
        }
        bytes.extend(&whole[42..]);
        bytes
    }

    /// Reads what stands beside a file's sound, for a placed sound of two channels.
    fn placed(bytes: &[u8]) -> Metadata {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("x");
        fs::write(&path, bytes).unwrap();
        let recording = Recording::read(&path).unwrap();
        let placed = Recording { rate_hz: recording.rate_hz, channels: vec![vec![0.5; 99]; 2] };
        let metadata = Metadata::of_placed(&path, &recording, &placed);
        // Written, it is a WAV that is read again and holds the same.
        placed.write_with(&metadata, &path).unwrap();
        assert_eq!(Recording::read(&path).unwrap(), placed);
        let mut file = BufReader::new(File::open(&path).unwrap());
        let ids: Vec<[u8; 4]> = places(&mut file, Form::Riff).unwrap().iter().map(|place| place.id).collect();
        let of = |chunks: &[Chunk]| chunks.iter().map(|chunk| chunk.id).collect::<Vec<_>>();
        assert_eq!(
            ids,
            [&[*b"fmt "][..], &of(&metadata.before), &[*b"data"], &of(&metadata.behind)].concat()
        );
        metadata
    }

    #[allow(clippy::trivially_copy_pass_by_ref, reason = "as above")]
    fn bytes_of<'a>(metadata: &'a Metadata, id: &[u8; 4], begins: &[u8]) -> &'a [u8] {
        let chunks = metadata.before.iter().chain(&metadata.behind);
        &chunks.clone().find(|chunk| chunk.id == *id && chunk.bytes.starts_with(begins)).unwrap().bytes
    }

    fn ids(chunks: &[Chunk]) -> Vec<String> {
        chunks.iter().map(|chunk| String::from_utf8_lossy(&chunk.id).into_owned()).collect()
    }

    #[test]
    fn what_stands_in_a_wav_goes_along_and_stays_true() {
        let metadata = placed(&broadcast_wav());
        assert_eq!(ids(&metadata.before), ["bext", "iXML"]);
        assert_eq!(ids(&metadata.behind), ["cue ", "LIST", "LIST", "smpl", "axml", "id3 "]);
        assert_eq!(metadata.note().unwrap(), "note: not carried over: chna (different channels), abcd");

        let (was, is) = (bext(2), bytes_of(&metadata, b"bext", b""));
        assert_eq!(is[..348], was[..348], "description, time reference, version");
        assert_eq!(is[348..412], [0; 64], "the identifier of another material");
        assert_eq!(is[412..422], [0xFF, 0x7F, 0xFF, 0x7F, 0xFF, 0x7F, 0xFF, 0x7F, 0xFF, 0x7F], "loudness");
        let history = String::from_utf8_lossy(&is[602..]);
        let lines: Vec<&str> = history.split_terminator("\r\n").collect();
        assert_eq!(lines[0], "A=PCM,F=48000,W=24,M=mono,T=recorder");
        assert!(lines.len() == 2 && lines[1].starts_with("A=PCM,F=48000,W=32,M=stereo,T="), "{history}");

        let xml = String::from_utf8_lossy(bytes_of(&metadata, b"iXML", b""));
        for stays in [
            "<SCENE>4</SCENE>",
            "<FAMILY_UID>F<",
            "<FILE_SAMPLE_RATE>48000<",
            "MIDNIGHT_LO>7<",
            "<AUDIO_BIT_DEPTH>32<",
        ] {
            assert!(xml.contains(stays), "{stays}: {xml}");
        }
        assert!(!xml.contains("FILE_UID>") && !xml.contains("TRACK"), "{xml}");

        let points = bytes_of(&metadata, b"cue ", b"");
        assert_eq!(points[4..12], cue()[4..12]);
        assert_eq!(points[12..], [&b"data"[..], &[0; 8], &20_u32.to_le_bytes()].concat());
        let info = String::from_utf8_lossy(bytes_of(&metadata, b"LIST", b"INFO"));
        assert!(
            info.contains("Cue 4")
                && info.contains("2026")
                && info.contains("Rostra")
                && !info.contains("recorder"),
            "{info}"
        );
    }

    #[test]
    fn what_an_older_or_broken_bext_does_not_have_is_not_written() {
        let older = placed(&wav_of(&chunk(b"bext", &bext(0)), &[]));
        assert_eq!(bytes_of(&older, b"bext", b"")[346..602], bext(0)[346..602]);
        let short = placed(&wav_of(&chunk(b"bext", &bext(2)[..500]), &[]));
        assert_eq!(short.note().unwrap(), "note: not carried over: bext (too short)");
        // Cut off behind the sound, by a length that lies.
        let mut cut = wav_of(&[], &chunk(b"cue ", &cue()));
        let at = cut.len() - 28 - 4;
        cut[at..at + 4].copy_from_slice(&9999_u32.to_le_bytes());
        assert_eq!(placed(&cut).note().unwrap(), "note: not carried over: cue (cut off)");
        assert_eq!(placed(&wav_of(&[], &[])), Metadata::default());
    }

    #[test]
    fn markers_names_and_loops_of_an_aiff_become_those_of_a_wav() {
        let metadata = placed(&aiff_with_marks());
        assert_eq!(ids(&metadata.behind), ["inst", "smpl", "cue ", "LIST", "LIST"]);
        assert_eq!(metadata.note().unwrap(), "note: not carried over: COMT (its timestamps), APPL");
        let cue = bytes_of(&metadata, b"cue ", b"");
        let number = |bytes: &[u8], at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
        assert_eq!([0, 4, 8, 24, 28, 32, 48].map(|at| number(cue, at)), [2, 1, 10, 10, 2, 40, 40]);
        let expected = [
            &b"adtl"[..],
            &chunk(b"labl", b"\x01\0\0\0Intro\0"),
            &chunk(b"labl", b"\x02\0\0\0Ends\0"),
            &chunk(b"note", b"\x02\0\0\0here\0"),
        ];
        assert_eq!(bytes_of(&metadata, b"LIST", b"adtl"), expected.concat());
        let expected = [&b"INFO"[..], &chunk(b"INAM", b"Cue 4\0"), &chunk(b"ICMT", b"all\0")].concat();
        assert_eq!(bytes_of(&metadata, b"LIST", b"INFO"), expected);
        assert_eq!(bytes_of(&metadata, b"inst", b""), [60, 0, 0xFA, 0, 127, 1, 127]);
        let smpl = bytes_of(&metadata, b"smpl", b"");
        // The period of 48 kHz in ns, the note, one loop, forward, from the first mark to the frame before the second.
        assert_eq!([8, 12, 28, 40, 44, 48].map(|at| number(smpl, at)), [20_833, 60, 1, 0, 10, 39]);
    }

    #[test]
    fn comments_and_cues_of_a_flac_become_those_of_a_wav() {
        let metadata = placed(&flac_with_blocks());
        assert_eq!(ids(&metadata.behind), ["cue ", "LIST", "LIST"]);
        assert_eq!(metadata.note().unwrap(), "note: not carried over: REPLAYGAIN_TRACK_GAIN, a picture");
        let expected = [&b"INFO"[..], &chunk(b"INAM", b"Cue 4\0"), &chunk(b"ICMT", b"one\r\ntwo\0")].concat();
        assert_eq!(bytes_of(&metadata, b"LIST", b"INFO"), expected);
        let labels = String::from_utf8_lossy(bytes_of(&metadata, b"LIST", b"adtl"));
        assert!(labels.contains("Track 1\0") && labels.contains("Track 2, index 2\0"), "{labels}");
        let frames: Vec<u32> = bytes_of(&metadata, b"cue ", b"")[4..]
            .chunks(24)
            .map(|point| u32::from_le_bytes(point[20..].try_into().unwrap()))
            .collect();
        assert_eq!(frames, [0, 1005, 1009]);
    }

    #[test]
    fn what_a_wav_held_before_it_became_a_flac_goes_along() {
        let whole = [&b"RIFF\0\0\0\0WAVE"[..]].concat();
        let foreign = [
            whole,
            chunk(b"bext", &bext(1)),
            b"data\x64\0\0\0".to_vec(),
            chunk(b"cue ", &cue()),
            chunk(b"LIST", &software_list()),
        ];
        let mut blocks: Vec<Vec<u8>> =
            foreign.iter().map(|bytes| flac_block(2, &[&b"riff"[..], bytes].concat())).collect();
        blocks.push(flac_block(4, &flac_comment_block()));
        let metadata = placed(&flac_of(&blocks));
        assert_eq!(
            (ids(&metadata.before), ids(&metadata.behind)),
            (vec!["bext".into()], vec!["cue ".into(), "LIST".into()])
        );
        assert_eq!(bytes_of(&metadata, b"bext", b"")[338..346], START_FRAMES.to_le_bytes());
    }
}
