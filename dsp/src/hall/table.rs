//! Every parameter of the hall, once, in a table like the seat's.

use super::Hall;
use crate::acoustics::octave::BANDS;
use crate::settings::{BYPASS, Field, Grid, Group, Parameter, Row, Tabled, Unit, linear, logarithmic, named};

impl Tabled for Hall {
    const TABLE: &'static [Row<Self>] = &HALL_PARAMETERS;
}

const THOUSANDTHS: Grid = Grid::PerUnit(1000.0);
const HUNDREDTHS: Grid = Grid::PerUnit(100.0);
const TENTHS: Grid = Grid::PerUnit(10.0);
const WHOLE: Grid = Grid::PerUnit(1.0);

/// Makes the row of one octave's own decay.
macro_rules! octave {
    ($band:literal, $id:literal, $octave:literal) => {
        Row {
            parameter: Parameter {
                id: $id,
                old_ids: &[],
                name: concat!("Decay at ", $octave),
                short_name: $octave,
                group: Group::Hall,
                effect: concat!(
                    "Decay of the ",
                    $octave,
                    " octave, times what decay and ratios make of it, as far as air allows: for a hall whose octaves follow no curve."
                ),
                // Measured halls need 0.9 to 1.2.
                kind: logarithmic(Unit::Times, (0.5, 2.0), 1.0, HUNDREDTHS),
            },
            field: Some(Field {
                get: |hall| hall.octaves[$band],
                set: |hall, value| hall.octaves[$band] = value,
            }),
        }
    };
}

/// Every parameter of the hall, in the order in which hosts list them. New ones go before `bypass`; ids never change.
pub static HALL_PARAMETERS: [Row<Hall>; 17] = [
    Row {
        parameter: Parameter {
            id: "pre_delay",
            old_ids: &[],
            name: "Pre-delay",
            short_name: "Pre-delay",
            group: Group::Hall,
            // Common practice, no source.
            effect: "Time between a sound and the hall's first reflection. About 30 ms keeps attacks clear; at 0 the hall blurs them.",
            kind: linear(Unit::Milliseconds, (0.0, 120.0), 30.0, TENTHS),
        },
        field: Some(Field {
            get: |hall| hall.pre_delay_s * 1e3,
            // Whole tenths divided, not multiplied: 0.03 s is 300/10 000 to the bit.
            set: |hall, value_ms| hall.pre_delay_s = (value_ms * 10.0).round() / 10_000.0,
        }),
    },
    Row {
        parameter: Parameter {
            id: "decay",
            old_ids: &[],
            name: "Decay",
            short_name: "Decay",
            group: Group::Hall,
            effect: "Time for the hall's sound to fall by 60 dB, mean of 500 Hz and 1 kHz: longer for slow cues, shorter for fast ones.",
            // From a small auditorium to a cathedral.
            kind: logarithmic(Unit::Seconds, (0.3, 8.0), 3.5, THOUSANDTHS),
        },
        field: Some(Field { get: |hall| hall.decay_s, set: |hall, value| hall.decay_s = value }),
    },
    Row {
        parameter: Parameter {
            id: "bass",
            old_ids: &[],
            name: "Bass ratio",
            short_name: "Bass",
            group: Group::Hall,
            effect: "Decay of the bass (mean of 125 and 250 Hz) relative to the mid-band. Above 1 sounds warm.",
            // Halls in use lie between about 0.9 and 1.4 (Beranek 1996, from memory).
            kind: linear(Unit::Times, (0.7, 1.5), 1.1, HUNDREDTHS),
        },
        field: Some(Field { get: |hall| hall.bass_ratio, set: |hall, value| hall.bass_ratio = value }),
    },
    Row {
        parameter: Parameter {
            id: "treble",
            old_ids: &[],
            name: "Treble ratio",
            short_name: "Treble",
            group: Group::Hall,
            effect: "Decay of the treble (mean of 2 and 4 kHz) relative to the mid-band; the octaves above follow in the same steps, as far as air allows. Below 1 sounds mellow.",
            // Steeper, an octave filter hears its neighbours' longer decay and not the octave's own.
            kind: linear(Unit::Times, (0.6, 1.2), 0.8, HUNDREDTHS),
        },
        field: Some(Field { get: |hall| hall.treble_ratio, set: |hall, value| hall.treble_ratio = value }),
    },
    Row {
        parameter: Parameter {
            id: "size",
            old_ids: &[],
            name: "Hall size",
            short_name: "Size",
            group: Group::Hall,
            effect: "Volume of the hall. In a larger one the first reflections are further apart and take longer to become dense.",
            // From a chamber to a large concert hall.
            kind: logarithmic(Unit::CubicMetres, (2000.0, 30_000.0), 12_000.0, WHOLE),
        },
        field: Some(Field { get: |hall| hall.volume_m3, set: |hall, value| hall.volume_m3 = value }),
    },
    Row {
        parameter: Parameter {
            id: "early",
            old_ids: &[],
            name: "Early level",
            short_name: "Early",
            group: Group::Hall,
            effect: "Level of the early reflections and of everything else before the mixing time.",
            kind: linear(Unit::Decibels, (-24.0, 6.0), 0.0, THOUSANDTHS),
        },
        field: Some(Field { get: |hall| hall.early_db, set: |hall, value| hall.early_db = value }),
    },
    Row {
        parameter: Parameter {
            id: "width",
            old_ids: &[],
            name: "Hall width",
            short_name: "Width",
            group: Group::Hall,
            effect: "100 is as wide as a spaced pair of microphones picks up a hall; 0 is mono, at the same power.",
            kind: linear(Unit::PerCent, (0.0, 100.0), 100.0, THOUSANDTHS),
        },
        field: Some(Field { get: |hall| hall.width_pct, set: |hall, value| hall.width_pct = value }),
    },
    Row {
        parameter: Parameter {
            id: "wet",
            old_ids: &[],
            name: "Dry/wet",
            short_name: "Dry/wet",
            group: Group::Hall,
            effect: "Balance between dry input and hall: 100 on a send bus, less only where the hall is an insert.",
            kind: linear(Unit::PerCent, (0.0, 100.0), 100.0, THOUSANDTHS),
        },
        field: Some(Field { get: |hall| hall.wet_pct, set: |hall, value| hall.wet_pct = value }),
    },
    Row {
        parameter: Parameter {
            id: "trim",
            old_ids: &[],
            name: "Trim",
            short_name: "Trim",
            group: Group::Hall,
            effect: "Output level. At 0 dB as much mid-band energy returns as is sent, whatever the decay and size.",
            kind: linear(Unit::Decibels, (-24.0, 24.0), 0.0, THOUSANDTHS),
        },
        field: Some(Field { get: |hall| hall.trim_db, set: |hall, value| hall.trim_db = value }),
    },
    octave!(0, "decay_125", "125 Hz"),
    octave!(1, "decay_250", "250 Hz"),
    octave!(2, "decay_500", "500 Hz"),
    octave!(3, "decay_1k", "1 kHz"),
    octave!(4, "decay_2k", "2 kHz"),
    octave!(5, "decay_4k", "4 kHz"),
    octave!(6, "decay_8k", "8 kHz"),
    Row { parameter: BYPASS, field: None },
];

/// Ids of the octaves' own decays, 125 Hz first.
pub const OCTAVE_DECAYS: [&str; BANDS] =
    ["decay_125", "decay_250", "decay_500", "decay_1k", "decay_2k", "decay_4k", "decay_8k"];

/// The gap before the hall, ms.
pub static PRE_DELAY: &Parameter = named(&HALL_PARAMETERS, "pre_delay");
