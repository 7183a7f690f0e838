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

/// What is known of one instrument: name, radiation, row; depth, bearing and riser of its seat.
type Facts = (&'static str, Family, Row, (f64, f64, f64));

/// What is known of each instrument, in the order of [`Instrument::ALL`]; common practice, no source.
const FACTS: [Facts; 37] = [
    ("first violins", Family::TopPlate, Row::Front, (3.0, -35.0, 0.0)),
    ("second violins", Family::TopPlate, Row::Strings, (4.0, -14.0, 0.0)),
    ("violas", Family::TopPlate, Row::Strings, (4.0, 8.0, 0.0)),
    ("cellos", Family::FrontPlate, Row::Front, (3.2, 25.0, 0.0)),
    ("double basses", Family::FrontPlate, Row::Strings, (5.0, 42.0, 0.0)),
    ("harp", Family::Harp, Row::Strings, (6.0, -40.0, 0.0)),
    ("flute", Family::Flute, Row::Woodwinds, (6.0, -4.0, 0.2)),
    ("piccolo", Family::Flute, Row::Woodwinds, (6.0, -10.0, 0.2)),
    ("oboe", Family::ToneHoles, Row::Woodwinds, (6.0, 4.0, 0.2)),
    ("cor anglais", Family::ToneHoles, Row::Woodwinds, (6.0, 10.0, 0.2)),
    ("clarinet", Family::ToneHoles, Row::Woodwinds, (7.0, -4.0, 0.4)),
    ("bass clarinet", Family::ToneHoles, Row::Woodwinds, (7.0, -10.0, 0.4)),
    ("bassoon", Family::Bassoon, Row::Woodwinds, (7.0, 4.0, 0.4)),
    ("contrabassoon", Family::Bassoon, Row::Woodwinds, (7.0, 10.0, 0.4)),
    ("saxophone", Family::ToneHoles, Row::Woodwinds, (7.0, -15.0, 0.4)),
    ("horn", Family::RearBell, Row::Brass, (9.0, -22.0, 0.6)),
    ("trumpet", Family::ForwardBell, Row::Brass, (9.5, 7.0, 0.6)),
    ("trombone", Family::WideForwardBell, Row::Brass, (9.8, 16.0, 0.8)),
    ("bass trombone", Family::WideForwardBell, Row::Brass, (10.0, 22.0, 0.9)),
    ("tuba", Family::UpwardBell, Row::Brass, (10.0, 27.0, 0.9)),
    ("euphonium", Family::UpwardBell, Row::Brass, (9.5, 28.0, 0.8)),
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
    ("piano", Family::Lid, Row::Strings, (6.5, -32.0, 0.0)),
    ("celesta", Family::Omnidirectional, Row::Strings, (6.5, -25.0, 0.0)),
    ("organ", Family::Omnidirectional, Row::Percussion, (11.0, 20.0, 1.0)),
    ("choir", Family::Mouth, Row::Percussion, (11.0, 0.0, 1.0)),
    ("guitar", Family::FrontPlate, Row::Strings, (5.5, -20.0, 0.0)),
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
}
