//! What a track's name says: the instrument, how many play it, how it radiates, and where it usually sits.
//!
//! The spellings, the numbers, the seats and the radiations are common practice, no source.

mod facts;
mod spellings;

mod reader;

mod players;

use rostra_dsp::acoustics::Seat;

pub use facts::{Instrument, Row};
pub use reader::read;

/// What a track's name was read as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Reading {
    /// The instrument.
    pub instrument: Instrument,
    /// The number of the desk or the part, 1 to 9: 2 for "Horns 2", the first for "Hn. 3+4".
    pub desk: Option<u8>,
    /// How many play, 1 to 16.
    pub players: u8,
}

impl Reading {
    /// Returns where that many of the instrument usually sit; common practice, no source.
    #[must_use]
    pub fn seat(&self) -> Seat {
        self.instrument.seat_of(self.players)
    }
}
