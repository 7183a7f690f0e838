//! Every parameter of an instance, and the plain settings that the engine takes.

use std::sync::Arc;

use nice_plug::prelude::{BoolParam, EnumParam, FloatParam, Params};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Air, Family, Finish, Pair, Pickup, Platform, Seat};
use rostra_dsp::settings::{CLOSE_MIC_M, Level, Tone};

use crate::carried::Carrier;
use crate::choice::Listed;
use crate::platform_link::{Link, Membership, SessionId, place_of, put_into, shared_of};
use crate::quantity::{Number, Spread, Unit};

/// All parameters of an instance, in the order in which hosts list them.
#[derive(Params)]
pub struct Parameters {
    /// Where the player sits.
    #[nested(group = "Seat")]
    pub seat: SeatParameters,
    /// What the player sits on.
    #[nested(group = "Platform")]
    pub platform: PlatformParameters,
    /// Who listens.
    #[nested(group = "Pickup")]
    pub pickup: PickupParameters,
    /// What the sound travels through.
    #[nested(group = "Air")]
    pub air: AirParameters,
    /// What is done to the tone before the platform.
    #[nested(group = "Tone")]
    pub tone: ToneParameters,
    /// How loud the parts are.
    #[nested(group = "Level")]
    pub level: LevelParameters,
    /// The shared platform that the instance stands on.
    #[id = "link"]
    pub link: EnumParam<Listed<Link>>,
    /// The session whose platform it is. Fields are loaded in the order of their names, so it is known before the place.
    #[persist = "group"]
    pub session: SessionId,
    /// Its place there; a state holds the values that it stood on.
    #[persist = "platform"]
    pub place: Membership,
    /// What a newer version saved and this one does not know.
    #[persist = "newer"]
    pub newer: Carrier,
    /// Lets the dry signal be heard for comparison; always off in a loaded state, ignored offline.
    #[id = "dry"]
    pub dry: BoolParam,
    /// Lets the dry signal through at unity gain.
    #[id = "bypass"]
    pub bypass: BoolParam,
}

/// Where the player sits and how the instrument radiates.
#[derive(Params)]
pub struct SeatParameters {
    /// Distance upstage of the front edge, see [`DEPTH`].
    #[id = "depth"]
    pub depth: FloatParam,
    /// Bearing from the pickup, see [`BEARING`].
    #[id = "bearing"]
    pub bearing: FloatParam,
    /// Height of the riser, see [`RISER`].
    #[id = "riser"]
    pub riser: FloatParam,
    /// Turn of the player, see [`FACING`].
    #[id = "facing"]
    pub facing: FloatParam,
    /// How the instrument radiates.
    #[id = "family"]
    pub family: EnumParam<Listed<Family>>,
    /// Distance between the two sources of a stereo channel, see [`WIDTH`].
    #[id = "width"]
    pub width: FloatParam,
}

/// Size, finishes and decay of the platform.
#[derive(Params)]
pub struct PlatformParameters {
    /// Side wall to side wall, see [`PLATFORM_WIDTH`].
    #[id = "plat_w"]
    pub width: FloatParam,
    /// Front edge to rear wall, see [`PLATFORM_DEPTH`].
    #[id = "plat_d"]
    pub depth: FloatParam,
    /// Floor to canopy, see [`PLATFORM_HEIGHT`].
    #[id = "plat_h"]
    pub height: FloatParam,
    /// Finish of the floor.
    #[id = "floor"]
    pub floor: EnumParam<Listed<Finish>>,
    /// Finish of the rear wall.
    #[id = "rear"]
    pub rear: EnumParam<Listed<Finish>>,
    /// Finish of both side walls.
    #[id = "sides"]
    pub sides: EnumParam<Listed<Finish>>,
    /// Finish of the canopy.
    #[id = "canopy"]
    pub canopy: EnumParam<Listed<Finish>>,
    /// Mid-band decay, see [`DECAY`].
    #[id = "decay"]
    pub decay: FloatParam,
}

/// The main microphones and where they stand.
#[derive(Params)]
pub struct PickupParameters {
    /// The arrangement of the capsules.
    #[id = "pickup"]
    pub pair: EnumParam<Listed<Pair>>,
    /// Distance upstage of the front edge, see [`PICKUP_DEPTH`].
    #[id = "pick_y"]
    pub depth: FloatParam,
    /// Height above the floor, see [`PICKUP_HEIGHT`].
    #[id = "pick_z"]
    pub height: FloatParam,
}

/// The air on the platform.
#[derive(Params)]
pub struct AirParameters {
    /// Multiplier of the air's attenuation, see [`AIR_LOSS`].
    #[id = "air"]
    pub loss: FloatParam,
    /// Temperature, see [`TEMPERATURE`].
    #[id = "temp"]
    pub temperature: FloatParam,
    /// Relative humidity, see [`HUMIDITY`].
    #[id = "humid"]
    pub humidity: FloatParam,
}

/// The close microphone and the weight of the low middle.
#[derive(Params)]
pub struct ToneParameters {
    /// Distance of the close microphone, see [`CLOSE_MIC`].
    #[id = "close"]
    pub close_mic: FloatParam,
    /// Centre of the low-mid bell, see [`LOW_MID_FREQUENCY`].
    #[id = "lowmid_f"]
    pub low_mid_frequency: FloatParam,
    /// Gain of the low-mid bell, see [`LOW_MID_GAIN`].
    #[id = "lowmid_g"]
    pub low_mid_gain: FloatParam,
}

/// How loud the parts are.
#[derive(Params)]
pub struct LevelParameters {
    /// Direct sound against platform, see [`BALANCE`].
    #[id = "balance"]
    pub balance: FloatParam,
    /// How far the level follows the distance, see [`LAW`].
    #[id = "law"]
    pub law: FloatParam,
    /// Output gain, see [`TRIM`].
    #[id = "trim"]
    pub trim: FloatParam,
}

/// Depth of the seat, m.
pub const DEPTH: Number = logarithmic("depth", "Depth", Unit::Metres, (0.5, 25.0), 5.0);
/// Bearing of the seat, degrees.
pub const BEARING: Number = linear("bearing", "Bearing", Unit::Degrees, (-60.0, 60.0), 0.0);
/// Height of the riser, m.
pub const RISER: Number = linear("riser", "Riser", Unit::Metres, (0.0, 2.0), 0.0);
/// Turn of the player, degrees.
pub const FACING: Number = linear("facing", "Facing", Unit::Degrees, (-180.0, 180.0), 0.0);
/// Distance between the sources of a stereo channel, m.
pub const WIDTH: Number = linear("width", "Source width", Unit::Metres, (0.0, 8.0), 1.5);
/// Width of the platform, m.
pub const PLATFORM_WIDTH: Number = linear("plat_w", "Platform width", Unit::Metres, (8.0, 30.0), 18.0);
/// Depth of the platform, m.
pub const PLATFORM_DEPTH: Number = linear("plat_d", "Platform depth", Unit::Metres, (5.0, 25.0), 12.0);
/// Height of the platform, m.
pub const PLATFORM_HEIGHT: Number = linear("plat_h", "Platform height", Unit::Metres, (4.0, 20.0), 10.0);
/// Mid-band decay of the platform, s.
pub const DECAY: Number = linear("decay", "Decay", Unit::Seconds, (0.2, 2.0), 0.5);
/// Distance of the pickup upstage of the front edge, m.
pub const PICKUP_DEPTH: Number = linear("pick_y", "Pickup depth", Unit::Metres, (0.0, 4.0), 0.0);
/// Height of the pickup, m.
pub const PICKUP_HEIGHT: Number = linear("pick_z", "Pickup height", Unit::Metres, (1.5, 5.0), 3.0);
/// Multiplier of the air's attenuation.
pub const AIR_LOSS: Number = linear("air", "Air loss", Unit::Times, (0.0, 8.0), 1.0);
/// Temperature, degrees Celsius.
pub const TEMPERATURE: Number = linear("temp", "Temperature", Unit::Celsius, (0.0, 40.0), 20.0);
/// Relative humidity, per cent.
pub const HUMIDITY: Number = linear("humid", "Humidity", Unit::PerCent, (10.0, 100.0), 50.0);
/// Distance of the close microphone, m; the top is 'off'.
pub const CLOSE_MIC: Number = Number {
    id: "close",
    name: "Close-mic distance",
    unit: Unit::Metres,
    range: CLOSE_MIC_M,
    default: CLOSE_MIC_M.1,
    spread: Spread::LogarithmicTopIsOff,
};
/// Centre of the low-mid bell, Hz.
pub const LOW_MID_FREQUENCY: Number =
    linear("lowmid_f", "Low-mid frequency", Unit::Hertz, (150.0, 900.0), 450.0);
/// Gain of the low-mid bell, dB.
pub const LOW_MID_GAIN: Number = linear("lowmid_g", "Low-mid gain", Unit::Decibels, (-18.0, 6.0), 0.0);
/// Platform balance, per cent.
pub const BALANCE: Number = linear("balance", "Platform balance", Unit::PerCent, (0.0, 100.0), 50.0);
/// Level with distance, per cent.
pub const LAW: Number = linear("law", "Level with distance", Unit::PerCent, (0.0, 100.0), 0.0);
/// Output gain, dB.
pub const TRIM: Number = linear("trim", "Trim", Unit::Decibels, (-24.0, 24.0), 0.0);

/// Every numeric parameter, in the order in which hosts list them.
pub const NUMBERS: [&Number; 20] = [
    &DEPTH,
    &BEARING,
    &RISER,
    &FACING,
    &WIDTH,
    &PLATFORM_WIDTH,
    &PLATFORM_DEPTH,
    &PLATFORM_HEIGHT,
    &DECAY,
    &PICKUP_DEPTH,
    &PICKUP_HEIGHT,
    &AIR_LOSS,
    &TEMPERATURE,
    &HUMIDITY,
    &CLOSE_MIC,
    &LOW_MID_FREQUENCY,
    &LOW_MID_GAIN,
    &BALANCE,
    &LAW,
    &TRIM,
];

const fn linear(id: &'static str, name: &'static str, unit: Unit, range: (f64, f64), default: f64) -> Number {
    Number { id, name, unit, range, default, spread: Spread::Linear }
}

const fn logarithmic(
    id: &'static str,
    name: &'static str,
    unit: Unit,
    range: (f64, f64),
    default: f64,
) -> Number {
    Number { id, name, unit, range, default, spread: Spread::Logarithmic }
}

impl Default for Parameters {
    fn default() -> Self {
        let settings = Settings::default();
        let platform = settings.platform;
        let place = Membership::new(&shared_of(&settings.snapped()));
        Self {
            seat: SeatParameters {
                depth: DEPTH.parameter(),
                bearing: BEARING.parameter(),
                riser: RISER.parameter(),
                facing: FACING.parameter(),
                family: EnumParam::new("Radiation", Listed(settings.seat.family)),
                width: WIDTH.parameter(),
            },
            platform: PlatformParameters {
                width: PLATFORM_WIDTH.parameter(),
                depth: PLATFORM_DEPTH.parameter(),
                height: PLATFORM_HEIGHT.parameter(),
                floor: EnumParam::new("Floor", Listed(platform.floor)),
                rear: EnumParam::new("Rear wall", Listed(platform.rear)),
                sides: EnumParam::new("Side walls", Listed(platform.sides)),
                canopy: EnumParam::new("Canopy", Listed(platform.canopy)),
                decay: DECAY.parameter(),
            },
            pickup: PickupParameters {
                pair: EnumParam::new("Pickup", Listed(settings.pickup.pair)),
                depth: PICKUP_DEPTH.parameter(),
                height: PICKUP_HEIGHT.parameter(),
            },
            air: AirParameters {
                loss: AIR_LOSS.parameter(),
                temperature: TEMPERATURE.parameter(),
                humidity: HUMIDITY.parameter(),
            },
            tone: ToneParameters {
                close_mic: CLOSE_MIC.parameter(),
                low_mid_frequency: LOW_MID_FREQUENCY.parameter(),
                low_mid_gain: LOW_MID_GAIN.parameter(),
            },
            level: LevelParameters {
                balance: BALANCE.parameter(),
                law: LAW.parameter(),
                trim: TRIM.parameter(),
            },
            link: EnumParam::new("Platform link", Listed(Link::Off)).non_automatable(),
            session: SessionId::of(&place),
            place,
            newer: Carrier::default(),
            dry: switch("Compare dry").non_automatable(),
            bypass: switch("Bypass").make_bypass(),
        }
    }
}

impl Parameters {
    /// Returns the framework's parameter of a number; `None` for a number that is none of these.
    pub fn number(&self, number: &Number) -> Option<&FloatParam> {
        let Self { seat, platform, pickup, air, tone, level, .. } = self;
        // In the order of NUMBERS.
        let parameters = [
            &seat.depth,
            &seat.bearing,
            &seat.riser,
            &seat.facing,
            &seat.width,
            &platform.width,
            &platform.depth,
            &platform.height,
            &platform.decay,
            &pickup.depth,
            &pickup.height,
            &air.loss,
            &air.temperature,
            &air.humidity,
            &tone.close_mic,
            &tone.low_mid_frequency,
            &tone.low_mid_gain,
            &level.balance,
            &level.law,
            &level.trim,
        ];
        NUMBERS.iter().position(|other| other.id == number.id).map(|place| parameters[place])
    }

    /// Returns the plain settings, in range and snapped, whatever a state or a host has put in; platform, pickup and air
    /// are those of the linked platform.
    pub fn settings(&self) -> Settings {
        let mut settings = self.own_settings();
        put_into(&self.place.look(self.link.value().0, &shared_of(&settings)), &mut settings);
        settings
    }

    /// Joins or leaves the shared platform as the link says, and tells and takes over edits: once a block, on one thread.
    ///
    /// `elapsed_s` of sound have passed since the last call.
    pub fn follow(&self, elapsed_s: f64) {
        self.place.follow(|| (self.link.value().0, shared_of(&self.own_settings())), elapsed_s);
    }

    /// Tells the shared platform what a hand has set in the editor; what is not shared is told nobody.
    pub fn tell_platform(&self, id: &str, value: f64) {
        if let Some(place) = place_of(id) {
            self.place.edit(self.link.value().0, place, value);
        }
    }

    /// Returns what the instance's own parameters say.
    fn own_settings(&self) -> Settings {
        let Self { seat, platform, pickup, air, tone, level, .. } = self;
        let close_mic_m = CLOSE_MIC.value(tone.close_mic.value());
        Settings {
            seat: Seat {
                depth_m: DEPTH.value(seat.depth.value()),
                bearing_deg: BEARING.value(seat.bearing.value()),
                riser_m: RISER.value(seat.riser.value()),
                facing_deg: FACING.value(seat.facing.value()),
                family: seat.family.value().0,
                width_m: WIDTH.value(seat.width.value()),
            },
            platform: Platform {
                width_m: PLATFORM_WIDTH.value(platform.width.value()),
                depth_m: PLATFORM_DEPTH.value(platform.depth.value()),
                height_m: PLATFORM_HEIGHT.value(platform.height.value()),
                floor: platform.floor.value().0,
                rear: platform.rear.value().0,
                sides: platform.sides.value().0,
                canopy: platform.canopy.value().0,
                decay_s: DECAY.value(platform.decay.value()),
                air: Air {
                    temperature_c: TEMPERATURE.value(air.temperature.value()),
                    humidity_pct: HUMIDITY.value(air.humidity.value()),
                    loss: AIR_LOSS.value(air.loss.value()),
                },
            },
            pickup: Pickup {
                pair: pickup.pair.value().0,
                depth_m: PICKUP_DEPTH.value(pickup.depth.value()),
                height_m: PICKUP_HEIGHT.value(pickup.height.value()),
            },
            tone: Tone {
                close_mic_m: (close_mic_m < CLOSE_MIC.range.1).then_some(close_mic_m),
                low_mid_hz: LOW_MID_FREQUENCY.value(tone.low_mid_frequency.value()),
                low_mid_db: LOW_MID_GAIN.value(tone.low_mid_gain.value()),
            },
            level: Level {
                balance_pct: BALANCE.value(level.balance.value()),
                law_pct: LAW.value(level.law.value()),
                trim_db: TRIM.value(level.trim.value()),
            },
        }
        .snapped()
    }
}

/// Makes a parameter that is on or off, off at first, and says so in words.
pub(crate) fn switch(name: &'static str) -> BoolParam {
    BoolParam::new(name, false)
        .with_value_to_string(Arc::new(|on| if on { "on" } else { "off" }.to_owned()))
        .with_string_to_value(Arc::new(|text| match text.trim().to_lowercase().as_str() {
            "on" | "yes" | "true" | "1" => Some(true),
            "off" | "no" | "false" | "0" => Some(false),
            _ => None,
        }))
}

#[cfg(test)]
mod tests {
    use nice_plug::prelude::{Param, ParamFlags};

    use super::*;

    /// Ids, names and groups of the first release; sessions depend on the ids.
    const EXPECTED: [(&str, &str, &str); 29] = [
        ("depth", "Depth", "Seat"),
        ("bearing", "Bearing", "Seat"),
        ("riser", "Riser", "Seat"),
        ("facing", "Facing", "Seat"),
        ("family", "Radiation", "Seat"),
        ("width", "Source width", "Seat"),
        ("plat_w", "Platform width", "Platform"),
        ("plat_d", "Platform depth", "Platform"),
        ("plat_h", "Platform height", "Platform"),
        ("floor", "Floor", "Platform"),
        ("rear", "Rear wall", "Platform"),
        ("sides", "Side walls", "Platform"),
        ("canopy", "Canopy", "Platform"),
        ("decay", "Decay", "Platform"),
        ("pickup", "Pickup", "Pickup"),
        ("pick_y", "Pickup depth", "Pickup"),
        ("pick_z", "Pickup height", "Pickup"),
        ("air", "Air loss", "Air"),
        ("temp", "Temperature", "Air"),
        ("humid", "Humidity", "Air"),
        ("close", "Close-mic distance", "Tone"),
        ("lowmid_f", "Low-mid frequency", "Tone"),
        ("lowmid_g", "Low-mid gain", "Tone"),
        ("balance", "Platform balance", "Level"),
        ("law", "Level with distance", "Level"),
        ("trim", "Trim", "Level"),
        ("link", "Platform link", ""),
        ("dry", "Compare dry", ""),
        ("bypass", "Bypass", ""),
    ];

    /// Range, default and text of the default, as the design fixes them.
    const EXPECTED_NUMBERS: [(&str, f64, f64, f64, &str); 20] = [
        ("depth", 0.5, 25.0, 5.0, "5.00 m"),
        ("bearing", -60.0, 60.0, 0.0, "0.0 deg"),
        ("riser", 0.0, 2.0, 0.0, "0.00 m"),
        ("facing", -180.0, 180.0, 0.0, "0.0 deg"),
        ("width", 0.0, 8.0, 1.5, "1.50 m"),
        ("plat_w", 8.0, 30.0, 18.0, "18.00 m"),
        ("plat_d", 5.0, 25.0, 12.0, "12.00 m"),
        ("plat_h", 4.0, 20.0, 10.0, "10.00 m"),
        ("decay", 0.2, 2.0, 0.5, "0.500 s"),
        ("pick_y", 0.0, 4.0, 0.0, "0.00 m"),
        ("pick_z", 1.5, 5.0, 3.0, "3.00 m"),
        ("air", 0.0, 8.0, 1.0, "1.00 x"),
        ("temp", 0.0, 40.0, 20.0, "20.0 °C"),
        ("humid", 10.0, 100.0, 50.0, "50.0 %"),
        ("close", 0.05, 2.0, 2.0, "off"),
        ("lowmid_f", 150.0, 900.0, 450.0, "450.0 Hz"),
        ("lowmid_g", -18.0, 6.0, 0.0, "0.0 dB"),
        ("balance", 0.0, 100.0, 50.0, "50.0 %"),
        ("law", 0.0, 100.0, 0.0, "0.0 %"),
        ("trim", -24.0, 24.0, 0.0, "0.0 dB"),
    ];

    fn named(parameters: &Parameters) -> [(&'static Number, &FloatParam); NUMBERS.len()] {
        NUMBERS.map(|number| (number, parameters.number(number).expect("every number has its parameter")))
    }

    #[test]
    fn ids_and_groups_are_those_of_the_first_release() {
        let map = Parameters::default().param_map();
        let got: Vec<_> = map.iter().map(|(id, _, group)| (id.as_str(), group.as_str())).collect();
        let expected: Vec<_> = EXPECTED.iter().map(|&(id, _, group)| (id, group)).collect();
        assert_eq!(got, expected);
    }

    #[test]
    fn names_are_those_of_the_first_release() {
        let parameters = Parameters::default();
        let Parameters { seat, platform, pickup, .. } = &parameters;
        let numbers = named(&parameters).map(|(number, parameter)| (number.id, parameter.name()));
        let lists = [
            ("family", seat.family.name()),
            ("floor", platform.floor.name()),
            ("rear", platform.rear.name()),
            ("sides", platform.sides.name()),
            ("canopy", platform.canopy.name()),
            ("pickup", pickup.pair.name()),
            ("link", parameters.link.name()),
            ("dry", parameters.dry.name()),
            ("bypass", parameters.bypass.name()),
        ];
        let got: Vec<_> = numbers.into_iter().chain(lists).collect();
        assert_eq!(got.len(), EXPECTED.len());
        for (id, name, _) in EXPECTED {
            assert!(got.contains(&(id, name)), "expected {name:?} for {id:?}, got {got:?}");
        }
    }

    #[test]
    fn ranges_defaults_and_texts_are_the_designs() {
        let parameters = Parameters::default();
        for ((number, parameter), (id, low, high, default, text)) in
            named(&parameters).into_iter().zip(EXPECTED_NUMBERS)
        {
            assert_eq!((number.id, number.range, number.default), (id, (low, high), default));
            let end = |normalized| number.value(parameter.preview_plain(normalized));
            assert!((end(0.0) - low).abs() < 1e-6 * high.abs(), "{id}: {} instead of {low}", end(0.0));
            assert!((end(1.0) - high).abs() < 1e-6 * high.abs(), "{id}: {} instead of {high}", end(1.0));
            assert_eq!(parameter.to_string(), text, "{id}");
        }
    }

    #[test]
    fn a_new_instance_has_the_engines_default_settings() {
        assert_eq!(Parameters::default().settings(), Settings::default().snapped());
    }

    #[test]
    fn comparison_and_link_are_kept_from_automation_and_only_bypass_is_bypass() {
        let parameters = Parameters::default();
        assert_eq!(parameters.link.flags(), ParamFlags::NON_AUTOMATABLE);
        assert_eq!(parameters.dry.flags(), ParamFlags::NON_AUTOMATABLE);
        assert_eq!(parameters.bypass.flags(), ParamFlags::BYPASS);
    }

    #[test]
    fn every_text_reads_back_to_itself_with_its_unit_and_without() {
        let parameters = Parameters::default();
        for (number, parameter) in named(&parameters) {
            for share in 0..=200 {
                let normalized = share as f32 / 200.0;
                for with_unit in [true, false] {
                    let text = parameter.normalized_value_to_string(normalized, with_unit);
                    let back = parameter.string_to_normalized_value(&text);
                    let again = back.map(|back| parameter.normalized_value_to_string(back, with_unit));
                    assert_eq!(again.as_deref(), Some(text.as_str()), "{}", number.id);
                }
            }
        }
    }

    #[test]
    fn what_is_typed_is_taken_in_other_units_brought_inside_and_letters_are_not() {
        let parameters = Parameters::default();
        let typed = |parameter: &FloatParam, text: &str| {
            parameter
                .string_to_normalized_value(text)
                .map(|normalized| parameter.normalized_value_to_string(normalized, true))
        };
        let Parameters { seat, tone, platform, .. } = &parameters;
        assert_eq!(typed(&seat.depth, "750 cm").as_deref(), Some("7.50 m"));
        assert_eq!(typed(&seat.depth, "7,5").as_deref(), Some("7.50 m"));
        assert_eq!(typed(&seat.depth, "0").as_deref(), Some("0.50 m"));
        assert_eq!(typed(&seat.depth, "-3 m").as_deref(), Some("0.50 m"));
        assert_eq!(typed(&seat.depth, "900").as_deref(), Some("25.00 m"));
        assert_eq!(typed(&seat.bearing, "-12").as_deref(), Some("-12.0 deg"));
        assert_eq!(typed(&platform.decay, "650 ms").as_deref(), Some("0.650 s"));
        assert_eq!(typed(&tone.close_mic, "12cm").as_deref(), Some("0.12 m"));
        assert_eq!(typed(&tone.close_mic, "Off").as_deref(), Some("off"));
        assert_eq!(typed(&tone.close_mic, "2 m").as_deref(), Some("off"));
        for (_, parameter) in named(&parameters) {
            assert_eq!(typed(parameter, "far"), None);
            assert_eq!(typed(parameter, "nan"), None);
            assert_eq!(typed(parameter, ""), None);
        }
        assert_eq!(parameters.bypass.string_to_normalized_value("on"), Some(1.0));
        assert_eq!(parameters.bypass.string_to_normalized_value("perhaps"), None);
        assert_eq!(seat.family.string_to_normalized_value("rear bell"), Some(2.0 / 24.0));
        assert_eq!(seat.family.string_to_normalized_value("trumpet"), None);
    }

    #[test]
    fn equal_travel_is_equal_ratio_where_the_design_says_logarithmic() {
        let parameters = Parameters::default();
        for (number, parameter) in
            [(&DEPTH, &parameters.seat.depth), (&CLOSE_MIC, &parameters.tone.close_mic)]
        {
            let (low, high) = number.range;
            for share in 0..=100 {
                let normalized = share as f32 / 100.0;
                // v = low (high/low)^t, the definition of a logarithmic scale.
                let expected = low * (high / low).powf(f64::from(normalized));
                let got = number.value(parameter.preview_plain(normalized));
                assert!((got / expected - 1.0).abs() < 1e-6, "{}: expected {expected}, got {got}", number.id);
            }
        }
    }

    #[test]
    fn ids_stay_apart_once_hashed() {
        // The framework tells parameters apart by h = 31 h + byte over the id, 31 bits (read in its source).
        let hash = |id: &str| {
            id.bytes().fold(0_u32, |hash, byte| hash.wrapping_mul(31).wrapping_add(u32::from(byte)))
                & 0x7fff_ffff
        };
        let mut hashes: Vec<_> = EXPECTED.iter().map(|&(id, ..)| hash(id)).collect();
        hashes.sort_unstable();
        hashes.dedup();
        assert_eq!(hashes.len(), EXPECTED.len());
    }
}
