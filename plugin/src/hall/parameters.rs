//! Every parameter of the hall, and the plain values that its engine takes.

use nice_plug::prelude::{BoolParam, FloatParam, Params};
use rostra_dsp::hall;
use rostra_dsp::hall::Hall;

use crate::carried::Carrier;
use crate::parameters::switch;
use crate::quantity::{Number, Spread, Unit};

/// All parameters of a hall, in the order in which hosts list them.
#[derive(Params)]
pub struct HallParameters {
    /// See [`PRE_DELAY`].
    #[id = "pre_delay"]
    pub pre_delay: FloatParam,
    /// See [`DECAY`].
    #[id = "decay"]
    pub decay: FloatParam,
    /// See [`BASS`].
    #[id = "bass"]
    pub bass: FloatParam,
    /// See [`TREBLE`].
    #[id = "treble"]
    pub treble: FloatParam,
    /// See [`SIZE`].
    #[id = "size"]
    pub size: FloatParam,
    /// See [`EARLY`].
    #[id = "early"]
    pub early: FloatParam,
    /// See [`WIDTH`].
    #[id = "width"]
    pub width: FloatParam,
    /// See [`WET`].
    #[id = "wet"]
    pub wet: FloatParam,
    /// See [`TRIM`].
    #[id = "trim"]
    pub trim: FloatParam,
    /// Lets the bus through at unity gain.
    #[id = "bypass"]
    pub bypass: BoolParam,
    /// What a newer version saved and this one does not know.
    #[persist = "newer"]
    pub newer: Carrier,
}

/// Gap before the hall answers, ms; about 30 keeps attacks clear (common practice, no source).
pub const PRE_DELAY: Number = number(
    ("pre_delay", "Pre-delay"),
    Unit::Milliseconds,
    (1e3 * hall::PRE_DELAY_S.0, 1e3 * hall::PRE_DELAY_S.1),
    30.0,
    Spread::Linear,
);
/// Mid-band decay, s.
pub const DECAY: Number = number(("decay", "Decay"), Unit::Seconds, hall::DECAY_S, 3.5, Spread::Logarithmic);
/// Decay of the bass against mid-band.
pub const BASS: Number = number(("bass", "Bass ratio"), Unit::Times, hall::BASS_RATIO, 1.1, Spread::Linear);
/// Decay of the treble against mid-band.
pub const TREBLE: Number =
    number(("treble", "Treble ratio"), Unit::Times, hall::TREBLE_RATIO, 0.8, Spread::Linear);
/// Volume of the hall, cubic metres.
pub const SIZE: Number =
    number(("size", "Hall volume"), Unit::CubicMetres, hall::VOLUME_M3, 12_000.0, Spread::Logarithmic);
/// Level of what comes before the mixing time, dB.
pub const EARLY: Number =
    number(("early", "Early level"), Unit::Decibels, hall::EARLY_DB, 0.0, Spread::Linear);
/// Width, per cent.
pub const WIDTH: Number =
    number(("width", "Hall width"), Unit::PerCent, hall::SHARE_PCT, 100.0, Spread::Linear);
/// Share of the hall in the output, per cent.
pub const WET: Number = number(("wet", "Wet share"), Unit::PerCent, hall::SHARE_PCT, 100.0, Spread::Linear);
/// Output gain, dB.
pub const TRIM: Number = number(("trim", "Trim"), Unit::Decibels, hall::TRIM_DB, 0.0, Spread::Linear);

/// Every numeric parameter, in the order in which hosts list them.
pub const HALL_NUMBERS: [&Number; 9] =
    [&PRE_DELAY, &DECAY, &BASS, &TREBLE, &SIZE, &EARLY, &WIDTH, &WET, &TRIM];

const fn number(
    (id, name): (&'static str, &'static str),
    unit: Unit,
    range: (f64, f64),
    default: f64,
    spread: Spread,
) -> Number {
    Number { id, name, unit, range, default, spread }
}

/// Values of [`HALL_NUMBERS`], in their units.
pub type HallValues = [f64; HALL_NUMBERS.len()];

/// Returns the hall of some values, in range and on the grid.
pub fn hall_of(values: &HallValues) -> Hall {
    let [pre_delay_ms, decay_s, bass_ratio, treble_ratio, volume_m3, early_db, width_pct, wet_pct, trim_db] =
        *values;
    let pre_delay_s = pre_delay_ms / 1e3;
    Hall { pre_delay_s, decay_s, bass_ratio, treble_ratio, volume_m3, early_db, width_pct, wet_pct, trim_db }
        .snapped()
}

impl Default for HallParameters {
    fn default() -> Self {
        Self {
            pre_delay: PRE_DELAY.parameter(),
            decay: DECAY.parameter(),
            bass: BASS.parameter(),
            treble: TREBLE.parameter(),
            size: SIZE.parameter(),
            early: EARLY.parameter(),
            width: WIDTH.parameter(),
            wet: WET.parameter(),
            trim: TRIM.parameter(),
            bypass: switch("Bypass").make_bypass(),
            newer: Carrier::default(),
        }
    }
}

impl HallParameters {
    /// Returns the framework's parameters of [`HALL_NUMBERS`].
    const fn all(&self) -> [&FloatParam; HALL_NUMBERS.len()] {
        let Self { pre_delay, decay, bass, treble, size, early, width, wet, trim, bypass: _, newer: _ } =
            self;
        [pre_delay, decay, bass, treble, size, early, width, wet, trim]
    }

    /// Returns the framework's parameter of a number; `None` for a number that is none of these.
    pub fn number(&self, number: &Number) -> Option<&FloatParam> {
        HALL_NUMBERS.iter().position(|other| other.id == number.id).map(|place| self.all()[place])
    }

    /// Returns the values in their units.
    pub fn values(&self) -> HallValues {
        let all = self.all();
        std::array::from_fn(|place| HALL_NUMBERS[place].value(all[place].value()))
    }

    /// Returns the hall, in range and on the grid, whatever a state or a host has put in.
    pub fn hall(&self) -> Hall {
        hall_of(&self.values())
    }
}

#[cfg(test)]
mod tests {
    use nice_plug::prelude::Param;

    use super::*;

    /// Ids and names of the first release; sessions depend on the ids.
    const EXPECTED: [(&str, &str, &str); 10] = [
        ("pre_delay", "Pre-delay", "30.0 ms"),
        ("decay", "Decay", "3.500 s"),
        ("bass", "Bass ratio", "1.10 x"),
        ("treble", "Treble ratio", "0.80 x"),
        ("size", "Hall volume", "12000 m3"),
        ("early", "Early level", "0.0 dB"),
        ("width", "Hall width", "100.0 %"),
        ("wet", "Wet share", "100.0 %"),
        ("trim", "Trim", "0.0 dB"),
        ("bypass", "Bypass", "off"),
    ];

    #[test]
    fn ids_names_and_defaults_are_those_of_the_first_release() {
        let parameters = HallParameters::default();
        let map = parameters.param_map();
        let ids: Vec<_> = map.iter().map(|(id, ..)| id.as_str()).collect();
        assert_eq!(ids, EXPECTED.map(|(id, ..)| id));
        for ((number, parameter), (_, name, text)) in HALL_NUMBERS.iter().zip(parameters.all()).zip(EXPECTED)
        {
            assert_eq!((parameter.name(), number.name), (name, name));
            assert_eq!(parameter.to_string(), text);
        }
    }

    #[test]
    fn a_new_instance_is_the_default_hall() {
        assert_eq!(HallParameters::default().hall(), Hall::default());
    }

    #[test]
    fn every_text_reads_back_to_itself() {
        let parameters = HallParameters::default();
        for parameter in parameters.all() {
            for share in 0..=100 {
                let text = parameter.normalized_value_to_string(share as f32 / 100.0, true);
                let back = parameter.string_to_normalized_value(&text);
                let again = back.map(|back| parameter.normalized_value_to_string(back, true));
                assert_eq!(again.as_deref(), Some(text.as_str()), "{}", parameter.name());
            }
        }
    }
}
