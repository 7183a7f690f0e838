//! Every parameter of the seat, once.
//!
//! Hosts, the editor, shared platforms, saved states, files and their schemas,
//! the command line and `docs/parameters.md` all follow this table.

use super::Settings;
use super::lists::{LINK, RADIATION, RECORDED, finishes, microphones};
use super::number::{Grid, Number, Spread};
use super::parameter::{Group, Kind, Parameter, linear, logarithmic};
use super::table::{Field, Row, Tabled, named};
use super::unit::Unit;
use crate::acoustics::microphones::Pair;
use crate::acoustics::radiation::Family;
use crate::acoustics::recorded_from::RecordedFrom;
use crate::acoustics::surface::Finish;

impl Tabled for Settings {
    const TABLE: &'static [Row<Self>] = &SEAT_PARAMETERS;
}

/// A seat or a microphone that moves: a coarser grid would be heard as roughness of a moving tone. 25 m times 2^-24 is
/// 1.5e-6 m.
const FINE_M: Grid = Grid::Step(1e-5);
const FINE_DEG: Grid = Grid::Step(1e-4);
const METRES: Grid = Grid::Step(0.01);
const ONE: Grid = Grid::Step(1.0);
const SECONDS: Grid = Grid::Step(0.001);
const DECIBELS: Grid = Grid::Step(0.001);
const PER_CENT: Grid = Grid::Step(0.001);
const HUMIDITY_PCT: Grid = Grid::Step(0.1);
const HERTZ: Grid = Grid::Step(0.1);
const CELSIUS: Grid = Grid::Step(0.1);
const TIMES: Grid = Grid::Step(0.01);

/// Distance of the close microphone at which it counts as off, m.
const CLOSE_MIC_OFF_M: f64 = 2.0;

/// Every parameter of the seat, in the order in which hosts list them. New ones go before `link`; ids never change.
pub static SEAT_PARAMETERS: [Row<Settings>; 33] = [
    Row {
        parameter: Parameter {
            id: "depth",
            old_ids: &[],
            name: "Depth",
            short_name: "Depth",
            group: Group::Seat,
            effect: "Distance upstage of the front edge. Deeper is later and darker, with more platform relative to the direct sound.",
            kind: logarithmic(Unit::Metres, (0.5, 25.0), 5.0, FINE_M),
        },
        field: Some(Field { get: |s| s.seat.depth_m, set: |s, value| s.seat.depth_m = value }),
    },
    Row {
        parameter: Parameter {
            id: "bearing",
            old_ids: &[],
            name: "Bearing",
            short_name: "Bearing",
            group: Group::Seat,
            effect: "Direction of the player from the main microphones, positive to the audience's right. They pick it up as a difference of level, of time or of both.",
            kind: linear(Unit::Degrees, (-60.0, 60.0), 0.0, FINE_DEG),
        },
        field: Some(Field { get: |s| s.seat.bearing_deg, set: |s, value| s.seat.bearing_deg = value }),
    },
    Row {
        parameter: Parameter {
            id: "riser",
            old_ids: &[],
            name: "Riser",
            short_name: "Riser",
            group: Group::Seat,
            effect: "Raises the player. The floor reflection comes later.",
            kind: linear(Unit::Metres, (0.0, 2.0), 0.0, FINE_M),
        },
        field: Some(Field { get: |s| s.seat.riser_m, set: |s, value| s.seat.riser_m = value }),
    },
    Row {
        parameter: Parameter {
            id: "facing",
            old_ids: &[],
            name: "Facing",
            short_name: "Facing",
            group: Group::Seat,
            effect: "Turns the player: 0 faces the main microphones, positive turns to the audience's right, 180 faces away. Has no effect if the radiation is omnidirectional.",
            kind: linear(Unit::Degrees, (-180.0, 180.0), 0.0, FINE_DEG),
        },
        field: Some(Field { get: |s| s.seat.facing_deg, set: |s, value| s.seat.facing_deg = value }),
    },
    Row {
        parameter: Parameter {
            id: "family",
            old_ids: &[],
            name: "Radiation",
            short_name: "Radiation",
            group: Group::Seat,
            effect: "Where the instrument radiates: a horn's bell to the rear, a violin's top plate upwards.",
            kind: Kind::List(RADIATION),
        },
        field: Some(Field {
            get: |s| place_of(&Family::ALL, s.seat.family),
            set: |s, place| s.seat.family = entry_of(&Family::ALL, place),
        }),
    },
    Row {
        parameter: Parameter {
            id: "recorded",
            old_ids: &[],
            name: "Recorded from",
            short_name: "Recorded",
            group: Group::Seat,
            effect: "The side of the instrument on which the dry signal was recorded. Towards that side nothing is darkened: what was recorded in front of a horn is not darkened twice. Has no effect if the radiation is omnidirectional.",
            kind: Kind::List(RECORDED),
        },
        field: Some(Field {
            get: |s| place_of(&RecordedFrom::ALL, s.seat.recorded),
            set: |s, place| s.seat.recorded = entry_of(&RecordedFrom::ALL, place),
        }),
    },
    Row {
        parameter: Parameter {
            id: "width",
            old_ids: &[],
            name: "Source width",
            short_name: "Width",
            group: Group::Seat,
            effect: "Width of the section, or distance between the left and right ends of a stereo channel if there is one player. One player on a channel with identical sides is one source, whatever the width.",
            kind: linear(Unit::Metres, (0.0, 8.0), 1.5, FINE_M),
        },
        field: Some(Field { get: |s| s.seat.width_m, set: |s, value| s.seat.width_m = value }),
    },
    Row {
        parameter: Parameter {
            id: "players",
            old_ids: &[],
            name: "Players",
            short_name: "Players",
            group: Group::Seat,
            effect: "How many play on this channel. More than one stand side by side on a footprint of source width by section depth, and are heard as so many players instead of one spot.",
            kind: linear(Unit::Count, (1.0, 16.0), 1.0, ONE),
        },
        field: Some(Field {
            get: |s| f64::from(s.seat.players),
            set: |s, value| s.seat.players = value.round() as u8,
        }),
    },
    Row {
        parameter: Parameter {
            id: "ranks",
            old_ids: &[],
            name: "Section depth",
            short_name: "Sec depth",
            group: Group::Seat,
            effect: "Depth of the section, over which its ranks are spread evenly. Has no effect with one player.",
            kind: linear(Unit::Metres, (0.0, 6.0), 1.5, FINE_M),
        },
        field: Some(Field { get: |s| s.seat.ranks_m, set: |s, value| s.seat.ranks_m = value }),
    },
    Row {
        parameter: Parameter {
            id: "lean",
            old_ids: &[],
            name: "Picture leans",
            short_name: "Leans",
            group: Group::Seat,
            effect: "How much stronger the right side of a stereo channel is than its left one as it was recorded, negative where the left one is. It is taken out, so that the picture lies at the seat. Has no effect on a mono channel or on identical sides.",
            kind: linear(Unit::Decibels, (-12.0, 12.0), 0.0, DECIBELS),
        },
        field: Some(Field { get: |s| s.seat.lean_db, set: |s, value| s.seat.lean_db = value }),
    },
    Row {
        parameter: Parameter {
            id: "plat_w",
            old_ids: &[],
            name: "Platform width",
            short_name: "Width",
            group: Group::Platform,
            effect: "Side wall to side wall: how late the side walls reflect, and how far apart.",
            kind: linear(Unit::Metres, (8.0, 30.0), 18.0, METRES),
        },
        field: Some(Field { get: |s| s.platform.width_m, set: |s, value| s.platform.width_m = value }),
    },
    Row {
        parameter: Parameter {
            id: "plat_d",
            old_ids: &[],
            name: "Platform depth",
            short_name: "Depth",
            group: Group::Platform,
            effect: "Front edge to rear wall: how late the rear wall reflects.",
            kind: linear(Unit::Metres, (5.0, 25.0), 12.0, METRES),
        },
        field: Some(Field { get: |s| s.platform.depth_m, set: |s, value| s.platform.depth_m = value }),
    },
    Row {
        parameter: Parameter {
            id: "plat_h",
            old_ids: &[],
            name: "Platform height",
            short_name: "Height",
            group: Group::Platform,
            effect: "Floor to canopy: how late the canopy reflects.",
            kind: linear(Unit::Metres, (4.0, 20.0), 10.0, METRES),
        },
        field: Some(Field { get: |s| s.platform.height_m, set: |s, value| s.platform.height_m = value }),
    },
    Row {
        parameter: Parameter {
            id: "floor",
            old_ids: &[],
            name: "Floor",
            short_name: "Floor",
            group: Group::Platform,
            effect: "Finish of the floor: how much it reflects, octave by octave.",
            kind: Kind::List(finishes(Finish::TimberPlatform)),
        },
        field: Some(Field {
            get: |s| place_of(&Finish::ALL, s.platform.floor),
            set: |s, place| s.platform.floor = entry_of(&Finish::ALL, place),
        }),
    },
    Row {
        parameter: Parameter {
            id: "rear",
            old_ids: &[],
            name: "Rear wall",
            short_name: "Rear",
            group: Group::Platform,
            effect: "Finish of the rear wall, which reflects a horn's sound forward: much of a horn's tone.",
            kind: Kind::List(finishes(Finish::Timber)),
        },
        field: Some(Field {
            get: |s| place_of(&Finish::ALL, s.platform.rear),
            set: |s, place| s.platform.rear = entry_of(&Finish::ALL, place),
        }),
    },
    Row {
        parameter: Parameter {
            id: "sides",
            old_ids: &[],
            name: "Side walls",
            short_name: "Sides",
            group: Group::Platform,
            effect: "Finish of both side walls.",
            kind: Kind::List(finishes(Finish::Timber)),
        },
        field: Some(Field {
            get: |s| place_of(&Finish::ALL, s.platform.sides),
            set: |s, place| s.platform.sides = entry_of(&Finish::ALL, place),
        }),
    },
    Row {
        parameter: Parameter {
            id: "canopy",
            old_ids: &[],
            name: "Canopy",
            short_name: "Canopy",
            group: Group::Platform,
            effect: "Finish of the canopy over the players: much of a violin's top.",
            kind: Kind::List(finishes(Finish::Plasterboard)),
        },
        field: Some(Field {
            get: |s| place_of(&Finish::ALL, s.platform.canopy),
            set: |s, place| s.platform.canopy = entry_of(&Finish::ALL, place),
        }),
    },
    Row {
        parameter: Parameter {
            id: "decay",
            old_ids: &[],
            name: "Decay",
            short_name: "Decay",
            group: Group::Platform,
            effect: "Time for the platform's sound to fall by 60 dB, mean of 500 Hz and 1 kHz. Players and chairs absorb what the finishes alone would leave ringing; the other octaves follow from finishes and air.",
            kind: linear(Unit::Seconds, (0.2, 2.0), 0.5, SECONDS),
        },
        field: Some(Field { get: |s| s.platform.decay_s, set: |s, value| s.platform.decay_s = value }),
    },
    Row {
        parameter: Parameter {
            id: "mics",
            old_ids: &["pickup"],
            name: "Main microphones",
            short_name: "Microphones",
            group: Group::Microphones,
            effect: "How wide the platform sounds and how sharp the bearing: coincident is safest in mono, spaced omnis are widest. A mono output uses a single omni instead.",
            kind: Kind::List(microphones(Pair::NearCoincident)),
        },
        field: Some(Field {
            get: |s| place_of(&Pair::ALL, s.microphones.pair),
            set: |s, place| s.microphones.pair = entry_of(&Pair::ALL, place),
        }),
    },
    Row {
        parameter: Parameter {
            id: "mics_y",
            old_ids: &["pick_y"],
            name: "Microphone depth",
            short_name: "Mic depth",
            group: Group::Microphones,
            effect: "Moves the main microphones upstage of the front edge, over the players.",
            kind: linear(Unit::Metres, (0.0, 4.0), 0.0, FINE_M),
        },
        field: Some(Field { get: |s| s.microphones.depth_m, set: |s, value| s.microphones.depth_m = value }),
    },
    Row {
        parameter: Parameter {
            id: "mics_z",
            old_ids: &["pick_z"],
            name: "Microphone height",
            short_name: "Mic height",
            group: Group::Microphones,
            effect: "Height of the main microphones above the floor. Higher makes near and far players more similar.",
            kind: linear(Unit::Metres, (1.5, 5.0), 3.0, FINE_M),
        },
        field: Some(Field {
            get: |s| s.microphones.height_m,
            set: |s, value| s.microphones.height_m = value,
        }),
    },
    Row {
        parameter: Parameter {
            id: "air",
            old_ids: &[],
            name: "Air loss",
            short_name: "Air loss",
            group: Group::Air,
            effect: "How strongly air absorbs the highs with distance: 1 is real air, 0 turns it off.",
            kind: linear(Unit::Times, (0.0, 8.0), 1.0, TIMES),
        },
        field: Some(Field { get: |s| s.platform.air.loss, set: |s, value| s.platform.air.loss = value }),
    },
    Row {
        parameter: Parameter {
            id: "temp",
            old_ids: &[],
            name: "Temperature",
            short_name: "Temperature",
            group: Group::Air,
            effect: "Temperature of the air: changes its absorption, and the speed of sound a little.",
            kind: linear(Unit::Celsius, (0.0, 40.0), 20.0, CELSIUS),
        },
        field: Some(Field {
            get: |s| s.platform.air.temperature_c,
            set: |s, value| s.platform.air.temperature_c = value,
        }),
    },
    Row {
        parameter: Parameter {
            id: "humid",
            old_ids: &[],
            name: "Humidity",
            short_name: "Humidity",
            group: Group::Air,
            effect: "Relative humidity: at room temperature, drier air absorbs more of the highs.",
            kind: linear(Unit::PerCent, (10.0, 100.0), 50.0, HUMIDITY_PCT),
        },
        field: Some(Field {
            get: |s| s.platform.air.humidity_pct,
            set: |s, value| s.platform.air.humidity_pct = value,
        }),
    },
    Row {
        parameter: Parameter {
            id: "close",
            old_ids: &[],
            name: "Close-mic distance",
            short_name: "Close mic",
            group: Group::Tone,
            effect: "Removes the proximity effect of a cardioid that recorded the dry sound at this distance: the weight that a close microphone adds. Off leaves it in.",
            kind: Kind::Number(Number {
                unit: Unit::Metres,
                range: (0.05, CLOSE_MIC_OFF_M),
                default: CLOSE_MIC_OFF_M,
                spread: Spread::Logarithmic,
                grid: METRES,
                top_word: Some("off"),
            }),
        },
        field: Some(Field {
            get: |s| s.tone.close_mic_m.unwrap_or(CLOSE_MIC_OFF_M),
            set: |s, value| s.tone.close_mic_m = (value < CLOSE_MIC_OFF_M).then_some(value),
        }),
    },
    Row {
        parameter: Parameter {
            id: "lowmid_f",
            old_ids: &[],
            name: "Low-mid frequency",
            short_name: "Low-mid",
            group: Group::Tone,
            effect: "Centre of a bell filter for the weight of close recordings.",
            kind: linear(Unit::Hertz, (150.0, 900.0), 450.0, HERTZ),
        },
        field: Some(Field { get: |s| s.tone.low_mid_hz, set: |s, value| s.tone.low_mid_hz = value }),
    },
    Row {
        parameter: Parameter {
            id: "lowmid_g",
            old_ids: &[],
            name: "Low-mid gain",
            short_name: "Low-mid gain",
            group: Group::Tone,
            effect: "Gain of that bell. Turn it down to take weight out of a close recording.",
            kind: linear(Unit::Decibels, (-18.0, 6.0), 0.0, DECIBELS),
        },
        field: Some(Field { get: |s| s.tone.low_mid_db, set: |s, value| s.tone.low_mid_db = value }),
    },
    Row {
        parameter: Parameter {
            id: "balance",
            old_ids: &[],
            name: "Platform balance",
            short_name: "Balance",
            group: Group::Level,
            effect: "Blend of direct sound and platform at one loudness: 50 is as in the room, 0 direct sound only, 100 platform only.",
            kind: linear(Unit::PerCent, (0.0, 100.0), 50.0, PER_CENT),
        },
        field: Some(Field { get: |s| s.level.balance_pct, set: |s, value| s.level.balance_pct = value }),
    },
    Row {
        parameter: Parameter {
            id: "law",
            old_ids: &[],
            name: "Distance fall-off",
            short_name: "Fall-off",
            group: Group::Level,
            effect: "How much the whole falls with distance: 0 keeps the loudness of your channel at every seat and balance, 100 follows the room, unity at 4 m.",
            kind: linear(Unit::PerCent, (0.0, 100.0), 0.0, PER_CENT),
        },
        field: Some(Field { get: |s| s.level.law_pct, set: |s, value| s.level.law_pct = value }),
    },
    Row {
        parameter: Parameter {
            id: "trim",
            old_ids: &[],
            name: "Trim",
            short_name: "Trim",
            group: Group::Level,
            effect: "Output level.",
            kind: linear(Unit::Decibels, (-24.0, 24.0), 0.0, DECIBELS),
        },
        field: Some(Field { get: |s| s.level.trim_db, set: |s, value| s.level.trim_db = value }),
    },
    Row {
        parameter: Parameter {
            id: "link",
            old_ids: &[],
            name: "Platform link",
            short_name: "Link",
            group: Group::Session,
            effect: "Shares one platform with every instance of the project on this number: size, finishes, decay, microphones and air. An edit on one changes all. Not automatable.",
            kind: Kind::List(LINK),
        },
        field: None,
    },
    Row {
        parameter: Parameter {
            id: "dry",
            old_ids: &[],
            name: "Compare dry",
            short_name: "Dry",
            group: Group::Session,
            effect: "Plays the dry input instead, matched in loudness to the placed sound (short-term loudness, EBU R 128). Not automatable, saved as off, ignored in offline renders.",
            kind: Kind::Switch,
        },
        field: None,
    },
    Row { parameter: BYPASS, field: None },
];

/// The bypass, which both plug-ins have.
pub(crate) const BYPASS: Parameter = Parameter {
    id: "bypass",
    old_ids: &[],
    name: "Bypass",
    short_name: "Bypass",
    group: Group::Session,
    effect: "Passes the input unchanged, over a 20 ms crossfade; the platform keeps running underneath. Mono to stereo copies it to both sides.",
    kind: Kind::Switch,
};

/// Returns the place of an entry, the first where the list has it not.
fn place_of<T: PartialEq + Copy>(all: &[T], entry: T) -> f64 {
    all.iter().position(|known| *known == entry).unwrap_or(0) as f64
}

/// Returns the entry at a place, the first where the list has none there.
fn entry_of<T: Copy>(all: &[T], place: f64) -> T {
    all.get(place as usize).copied().unwrap_or(all[0])
}

macro_rules! names {
    ($($(#[$doc:meta])* $name:ident = $id:literal;)*) => {
        $($(#[$doc])* pub static $name: &Parameter = named(&SEAT_PARAMETERS, $id);)*
    };
}

// Those that a drawing, a suggestion or a switch handles by name. A new parameter needs none.
names! {
    /// Depth of the seat, m.
    DEPTH = "depth";
    /// Bearing of the seat, degrees.
    BEARING = "bearing";
    /// Height of the riser, m.
    RISER = "riser";
    /// Turn of the player, degrees.
    FACING = "facing";
    /// How the instrument radiates.
    FAMILY = "family";
    /// Distance between the ends of a stereo channel, m.
    WIDTH = "width";
    /// Players of the section.
    PLAYERS = "players";
    /// Depth of the section, m.
    RANKS = "ranks";
    /// Lean of a stereo channel's picture as recorded, dB.
    LEAN = "lean";
    /// Depth of the platform, m.
    PLATFORM_DEPTH = "plat_d";
    /// Output level, dB.
    TRIM = "trim";
    /// The shared platform.
    LINKED = "link";
    /// The dry signal at the loudness of the placed one.
    DRY = "dry";
    /// The dry signal at unity gain.
    BYPASSED = "bypass";
}
