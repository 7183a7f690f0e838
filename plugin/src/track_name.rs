//! What a track's name says: the instrument, how it radiates, and where it usually sits.
//!
//! The spellings, the seats and the radiations are common practice, no source.

mod facts;
mod spellings;

mod reader;

pub use facts::{Instrument, Row};
pub use reader::read;

/// What a track's name was read as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Reading {
    /// The instrument.
    pub instrument: Instrument,
    /// The number of the desk or the part, 1 to 9: 2 for "Horns 2", the first for "Hn. 3+4".
    pub desk: Option<u8>,
}
