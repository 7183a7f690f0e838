//! What is known of each instrument: its name, how it radiates, and where it usually sits.

use rostra_dsp::acoustics::{Family, Seat};

/// One instrument of the orchestra, or one section of it.
#[allow(missing_docs, reason = "each variant is the instrument that it names")]
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Instrument {
    Violins1,
    Violins2,
    Violas,
    Cellos,
    DoubleBasses,
    Harp,
    Flute,
    Piccolo,
    Oboe,
    CorAnglais,
    Clarinet,
    BassClarinet,
    Bassoon,
    Contrabassoon,
    Saxophone,
    Horn,
    Trumpet,
    Trombone,
    BassTrombone,
    Tuba,
    Euphonium,
    Timpani,
    BassDrum,
    SnareDrum,
    Cymbals,
    TamTam,
    Glockenspiel,
    Xylophone,
    Marimba,
    Vibraphone,
    TubularBells,
    Triangle,
    Piano,
    Celesta,
    Organ,
    Choir,
    Guitar,
}

/// The part of the platform an instrument sits in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Row {
    /// The strings at the front edge: first violins and cellos.
    Front,
    /// The inner strings, the basses, and what sits behind the violins: harp, keyboards, guitar.
    Strings,
    /// The woodwinds, in the middle.
    Woodwinds,
    /// The brass, behind the woodwinds.
    Brass,
    /// The back: percussion, organ and choir.
    Percussion,
}

/// Width that a desk of violins or violas takes up, m (common practice, no source: with the ranks 0.5 to 0.7 square metres a
/// player).
const DESK_M: f64 = 1.4;
/// Width that a desk of cellos or two double basses take up, m (common practice, no source).
const WIDE_DESK_M: f64 = 1.6;
/// Desks of a section's rank (common practice, no source).
const DESKS_ABREAST: u8 = 2;
/// Width that a wind player takes up, with a chair and a stand, m (common practice, no source).
const WIND_M: f64 = 1.0;
/// Width that a singer takes up, m (common practice, no source).
const SINGER_M: f64 = 0.6;
/// Most who have no desks in one rank, as the section lays them out.
const MOST_ABREAST: u8 = 6;
/// Distance from rank to rank for which a section's depth has room, m (common practice, no source).
const RANK_M: f64 = 1.2;

/// What is known of one instrument: name, radiation, row; depth, bearing and riser of its seat.
type Facts = (&'static str, Family, Row, (f64, f64, f64));

/// What is known of each instrument, in the order of [`Instrument::ALL`]; common practice, no source.
const FACTS: [Facts; 37] = [
    ("first violins", Family::TopPlate, Row::Front, (3.2, -58.0, 0.0)),
    ("second violins", Family::TopPlate, Row::Strings, (3.6, -20.0, 0.0)),
    ("violas", Family::TopPlate, Row::Strings, (3.2, 33.0, 0.0)),
    ("cellos", Family::FrontPlate, Row::Front, (2.7, 58.0, 0.0)),
    ("double basses", Family::FrontPlate, Row::Strings, (5.6, 46.0, 0.0)),
    ("harp", Family::Harp, Row::Strings, (6.0, -43.0, 0.0)),
    ("flute", Family::Flute, Row::Woodwinds, (6.0, -10.5, 0.2)),
    ("piccolo", Family::Flute, Row::Woodwinds, (6.0, -23.0, 0.2)),
    ("oboe", Family::ToneHoles, Row::Woodwinds, (6.0, 10.5, 0.2)),
    ("cor anglais", Family::ToneHoles, Row::Woodwinds, (6.0, 23.0, 0.2)),
    ("clarinet", Family::ToneHoles, Row::Woodwinds, (7.0, -9.0, 0.4)),
    ("bass clarinet", Family::ToneHoles, Row::Woodwinds, (7.0, -20.0, 0.4)),
    ("bassoon", Family::Bassoon, Row::Woodwinds, (7.0, 9.0, 0.4)),
    ("contrabassoon", Family::Bassoon, Row::Woodwinds, (7.0, 20.0, 0.4)),
    ("saxophone", Family::ToneHoles, Row::Woodwinds, (7.0, -27.0, 0.4)),
    ("horn", Family::RearBell, Row::Brass, (9.0, -22.0, 0.6)),
    ("trumpet", Family::ForwardBell, Row::Brass, (9.3, 3.0, 0.6)),
    ("trombone", Family::WideForwardBell, Row::Brass, (9.6, 21.0, 0.8)),
    ("bass trombone", Family::WideForwardBell, Row::Brass, (10.0, 30.0, 0.9)),
    ("tuba", Family::UpwardBell, Row::Brass, (10.0, 35.0, 0.9)),
    ("euphonium", Family::UpwardBell, Row::Brass, (10.0, 39.0, 0.8)),
    ("timpani", Family::Drumhead, Row::Percussion, (10.5, 0.0, 0.9)),
    ("bass drum", Family::Drumhead, Row::Percussion, (10.5, -8.0, 0.9)),
    ("snare drum", Family::Drumhead, Row::Percussion, (10.5, -14.0, 0.9)),
    ("cymbals", Family::Omnidirectional, Row::Percussion, (10.5, -11.0, 0.9)),
    ("tam-tam", Family::Omnidirectional, Row::Percussion, (10.8, -18.0, 0.9)),
    ("glockenspiel", Family::Bars, Row::Percussion, (10.5, -24.0, 0.9)),
    ("xylophone", Family::Bars, Row::Percussion, (10.5, -27.0, 0.9)),
    ("marimba", Family::Bars, Row::Percussion, (10.5, -33.0, 0.9)),
    ("vibraphone", Family::Bars, Row::Percussion, (10.5, -30.0, 0.9)),
    ("tubular bells", Family::Omnidirectional, Row::Percussion, (10.8, -21.0, 0.9)),
    ("triangle", Family::Omnidirectional, Row::Percussion, (10.5, -16.0, 0.9)),
    ("piano", Family::Lid, Row::Strings, (6.5, -37.0, 0.0)),
    ("celesta", Family::Omnidirectional, Row::Strings, (6.5, -31.0, 0.0)),
    ("organ", Family::Omnidirectional, Row::Percussion, (11.0, 20.0, 1.0)),
    ("choir", Family::Mouth, Row::Percussion, (11.0, 0.0, 1.0)),
    ("guitar", Family::FrontPlate, Row::Strings, (5.6, -32.0, 0.0)),
];

impl Instrument {
    /// All instruments, in the order of a table of seats from the front.
    pub const ALL: [Self; 37] = [
        Self::Violins1,
        Self::Violins2,
        Self::Violas,
        Self::Cellos,
        Self::DoubleBasses,
        Self::Harp,
        Self::Flute,
        Self::Piccolo,
        Self::Oboe,
        Self::CorAnglais,
        Self::Clarinet,
        Self::BassClarinet,
        Self::Bassoon,
        Self::Contrabassoon,
        Self::Saxophone,
        Self::Horn,
        Self::Trumpet,
        Self::Trombone,
        Self::BassTrombone,
        Self::Tuba,
        Self::Euphonium,
        Self::Timpani,
        Self::BassDrum,
        Self::SnareDrum,
        Self::Cymbals,
        Self::TamTam,
        Self::Glockenspiel,
        Self::Xylophone,
        Self::Marimba,
        Self::Vibraphone,
        Self::TubularBells,
        Self::Triangle,
        Self::Piano,
        Self::Celesta,
        Self::Organ,
        Self::Choir,
        Self::Guitar,
    ];

    /// Returns the English name, in lower case as within a sentence.
    #[must_use]
    pub const fn name(self) -> &'static str {
        FACTS[self as usize].0
    }

    /// Returns the part of the platform it sits in; common practice, no source.
    #[must_use]
    pub const fn row(self) -> Row {
        FACTS[self as usize].2
    }

    /// Returns where it sits in one usual arrangement, turned to the conductor, and its nearest radiation; common
    /// practice, no source.
    ///
    /// Metal, celesta and organ have no radiation of their own: even. A piano is turned so that its lid opens to the
    /// microphones.
    #[must_use]
    pub fn seat(self) -> Seat {
        let (_, family, _, (depth_m, bearing_deg, riser_m)) = FACTS[self as usize];
        let facing_deg = if family == Family::Lid { 90.0 } else { 0.0 };
        Seat { depth_m, bearing_deg, riser_m, facing_deg, family, ..Seat::default() }
    }

    /// Returns that seat for so many players, on the footprint that they usually take up; common practice, no source.
    ///
    /// Strings sit in ranks of two desks, 0.45 to 0.7 square metres a player; winds sit side by side, 1 m each.
    #[must_use]
    pub fn seat_of(self, players: u8) -> Seat {
        let seat = Seat { players, ..self.seat() };
        if players == 1 {
            return seat;
        }
        let (abreast, each_m, ranks) = if self.has_desks() {
            let desks = players.div_ceil(2);
            let desk_m = if seat.family == Family::FrontPlate { WIDE_DESK_M } else { DESK_M };
            (desks.min(DESKS_ABREAST), desk_m, desks.div_ceil(DESKS_ABREAST))
        } else {
            let ranks = if players > MOST_ABREAST { 2 } else { 1 };
            let each_m = if seat.family == Family::Mouth { SINGER_M } else { WIND_M };
            (players.div_ceil(ranks), each_m, ranks)
        };
        let width_m = f64::from(abreast) * each_m;
        // One rank has no depth of its own; the default is kept for more players.
        let ranks_m = if ranks > 1 { f64::from(ranks - 1) * RANK_M } else { seat.ranks_m };
        Seat { width_m, ranks_m, ..seat }
    }

    /// Returns how many usually play it together, 1 where nobody does; common practice, no source.
    #[must_use]
    pub const fn section(self) -> u8 {
        match self {
            Self::Choir => 16,
            Self::Violins1 => 14,
            Self::Violins2 => 12,
            Self::Violas => 10,
            Self::Cellos => 8,
            Self::DoubleBasses => 6,
            Self::Horn => 4,
            Self::Trumpet | Self::Trombone => 3,
            Self::Flute | Self::Oboe | Self::Clarinet | Self::Bassoon => 2,
            _ => 1,
        }
    }

    /// Whether two of them share a desk: bowed strings.
    pub(super) const fn has_desks(self) -> bool {
        matches!(self, Self::Violins1 | Self::Violins2 | Self::Violas | Self::Cellos | Self::DoubleBasses)
    }
}
