//! The seat's table of parameters as the framework wants it: a field each.

use nice_plug::prelude::{BoolParam, EnumParam, FloatParam, ParamSetter, Params};
use rostra_dsp::Settings;
use rostra_dsp::settings::{Field, Parameter, Row, SEAT_PARAMETERS, Tabled, is_in_order, named, place_named};

use crate::carried::Carrier;
use crate::choice::{self, Chosen, ListParameter, OfSeat};
use crate::platform_link::{Link, Membership, SessionId, place_of, put_into, shared_of};
use crate::stored::{self, Stored as _};

/// What the framework has for a row of a table.
#[derive(Clone, Copy)]
pub enum HostParameter<'p> {
    /// A number.
    Number(&'p FloatParam),
    /// One of a list.
    List(&'p dyn ListParameter),
    /// On or off.
    Switch(&'p BoolParam),
}

impl HostParameter<'_> {
    /// Returns the value of its row, in the parameter's unit; of a list the place, of a switch 0 or 1.
    fn value(&self, parameter: &Parameter) -> f64 {
        match self {
            Self::Number(host) => parameter.number().map_or(0.0, |number| number.value(host.value())),
            Self::List(host) => host.place() as f64,
            Self::Switch(host) => f64::from(u8::from(host.value())),
        }
    }
}

/// The parameters of an instance as the framework has them, for a table.
pub trait HostParameters {
    /// What the table sets.
    type Settings: Tabled;

    /// Calls `each` with every row of the table and what the framework has for it, in the order of the table.
    fn each(&self, each: impl FnMut(&'static Row<Self::Settings>, HostParameter<'_>));

    /// What a newer version saved and this one does not know.
    fn newer(&self) -> &Carrier;

    /// Notes what a hand has set in the editor.
    fn set_by_hand(&self, _parameter: &Parameter, _value: f64) {}

    /// Calls `tell` with what the framework has for a parameter.
    fn with(&self, parameter: &Parameter, tell: impl FnOnce(HostParameter<'_>)) {
        let mut tell = Some(tell);
        self.each(|row, host| {
            if row.parameter.id == parameter.id
                && let Some(tell) = tell.take()
            {
                tell(host);
            }
        });
    }

    /// Returns what the instance's own parameters say, in range and snapped, whatever a state or a host has put in.
    fn own_settings(&self) -> Self::Settings {
        let mut settings = Self::Settings::default();
        self.each(|Row { parameter, field }, host| {
            if let Some(Field { set, .. }) = field {
                set(&mut settings, parameter.snap(host.value(parameter)));
            }
        });
        settings
    }

    /// Returns the value of every row, as the instance's own parameters have it.
    fn own_values(&self) -> Vec<f64> {
        let mut values = Vec::with_capacity(Self::Settings::TABLE.len());
        self.each(|row, host| values.push(host.value(&row.parameter)));
        values
    }

    /// Begins a gesture on a number.
    fn begin(&self, setter: &ParamSetter, parameter: &Parameter) {
        self.with(parameter, |host| {
            if let HostParameter::Number(host) = host {
                setter.begin_set_parameter(host);
            }
        });
    }

    /// Ends a gesture on a number.
    fn end(&self, setter: &ParamSetter, parameter: &Parameter) {
        self.with(parameter, |host| {
            if let HostParameter::Number(host) = host {
                setter.end_set_parameter(host);
            }
        });
    }

    /// Sets a value by hand; an entry and a switch are gestures of their own.
    fn set(&self, setter: &ParamSetter, parameter: &Parameter, value: f64) {
        self.with(parameter, |host| match host {
            HostParameter::Number(host) => {
                if let Some(number) = parameter.number() {
                    setter.set_parameter(host, number.stored(value));
                }
            }
            HostParameter::List(host) => host.choose(setter, value as usize),
            HostParameter::Switch(host) => {
                setter.begin_set_parameter(host);
                setter.set_parameter(host, value >= 0.5);
                setter.end_set_parameter(host);
            }
        });
        self.newer().forget(parameter.id);
        self.set_by_hand(parameter, parameter.on_grid(value));
    }
}

/// The framework's type for a kind of parameter.
macro_rules! host_type {
    (number $table:ident $id:tt) => { FloatParam };
    (list $table:ident $id:tt) => { EnumParam<Chosen<OfSeat<{ place_named(&$table, $id) }>>> };
    (switch $table:ident $id:tt) => { BoolParam };
}
pub(crate) use host_type;

/// The framework's parameter of an id.
macro_rules! host_parameter {
    (number $table:ident $id:tt) => {
        stored::number(const { named(&$table, $id) }, const { stored::number_of(named(&$table, $id)) })
    };
    (list $table:ident $id:tt) => {
        choice::list(const { named(&$table, $id) })
    };
    (switch $table:ident $id:tt) => {
        stored::switch(const { named(&$table, $id) })
    };
}
pub(crate) use host_parameter;

/// What the framework has for a kind of parameter, as a table's row has it.
macro_rules! as_host {
    (number $host:expr) => {
        HostParameter::Number(&$host)
    };
    (list $host:expr) => {
        HostParameter::List(&$host)
    };
    (switch $host:expr) => {
        HostParameter::Switch(&$host)
    };
}
pub(crate) use as_host;

/// Makes the structs of the framework out of a line for each parameter: a kind, a name for the field, and the id.
macro_rules! seat_parameters {
    (
        $($group:literal $member:ident: $type:ident { $($kind:ident $field:ident $id:tt;)* })*
        of the session { $($own_kind:ident $own_field:ident $own_id:tt $($flag:ident)?;)* }
    ) => {
        $(
            #[doc = concat!("The group ", $group, " of the table.")]
            #[derive(Params)]
            pub struct $type {
                $(
                    #[doc = concat!("The parameter `", $id, "`.")]
                    #[id = $id]
                    pub $field: host_type!($kind SEAT_PARAMETERS $id),
                )*
            }
        )*

        /// All parameters of an instance, in the order in which hosts list them.
        #[derive(Params)]
        pub struct Parameters {
            $(
                #[doc = concat!("The group ", $group, ".")]
                #[nested(group = $group)]
                pub $member: $type,
            )*
            $(
                #[doc = concat!("The parameter `", $own_id, "`.")]
                #[id = $own_id]
                pub $own_field: host_type!($own_kind SEAT_PARAMETERS $own_id),
            )*
            /// The session whose platform it is. Fields are loaded in the order of their names, so it is known before
            /// the place.
            #[persist = "group"]
            pub session: SessionId,
            /// Its place there; a state holds the values that it stood on.
            #[persist = "platform"]
            pub place: Membership,
            /// What a newer version saved and this one does not know.
            #[persist = "newer"]
            pub newer: Carrier,
        }

        const IDS: [&str; SEAT_PARAMETERS.len()] = [$($($id,)*)* $($own_id,)*];
        const _: () = assert!(is_in_order(&SEAT_PARAMETERS, &IDS), "a line here is not that of the table");

        impl Default for Parameters {
            fn default() -> Self {
                let place = Membership::new(&shared_of(&Settings::default().snapped()));
                Self {
                    $($member: $type { $($field: host_parameter!($kind SEAT_PARAMETERS $id),)* },)*
                    $($own_field: host_parameter!($own_kind SEAT_PARAMETERS $own_id)$(.$flag())?,)*
                    session: SessionId::of(&place),
                    place,
                    newer: Carrier::default(),
                }
            }
        }

        impl Parameters {
            /// Returns what the framework has for every row of the table.
            pub fn all(&self) -> [HostParameter<'_>; SEAT_PARAMETERS.len()] {
                [
                    $($(as_host!($kind self.$member.$field),)*)*
                    $(as_host!($own_kind self.$own_field),)*
                ]
            }
        }
    };
}

// In the order of the table, or it does not compile.
seat_parameters! {
    "Seat" seat: SeatParameters {
        number depth "depth";
        number bearing "bearing";
        number riser "riser";
        number facing "facing";
        list family "family";
        list recorded "recorded";
        number width "width";
        number players "players";
        number ranks "ranks";
        number lean "lean";
    }
    "Platform" platform: PlatformParameters {
        number width "plat_w";
        number depth "plat_d";
        number height "plat_h";
        list floor "floor";
        list rear "rear";
        list sides "sides";
        list canopy "canopy";
        number decay "decay";
    }
    "Microphones" microphones: MicrophoneParameters {
        list arrangement "mics";
        number depth "mics_y";
        number height "mics_z";
    }
    "Air" air: AirParameters {
        number loss "air";
        number temperature "temp";
        number humidity "humid";
    }
    "Tone" tone: ToneParameters {
        number close_mic "close";
        number low_mid_frequency "lowmid_f";
        number low_mid_gain "lowmid_g";
    }
    "Level" level: LevelParameters {
        number balance "balance";
        number law "law";
        number trim "trim";
    }
    of the session {
        list link "link" non_automatable;
        switch dry "dry" non_automatable;
        switch bypass "bypass" make_bypass;
    }
}

impl HostParameters for Parameters {
    type Settings = Settings;

    fn each(&self, mut each: impl FnMut(&'static Row<Settings>, HostParameter<'_>)) {
        for (row, host) in SEAT_PARAMETERS.iter().zip(self.all()) {
            each(row, host);
        }
    }

    fn newer(&self) -> &Carrier {
        &self.newer
    }

    /// Tells the shared platform; what is not shared is told nobody.
    fn set_by_hand(&self, parameter: &Parameter, value: f64) {
        if let Some(place) = place_of(parameter.id) {
            self.place.edit(self.link(), place, value);
        }
    }
}

impl Parameters {
    /// Returns which shared platform the instance is to stand on.
    pub fn link(&self) -> Link {
        Link::of_place(self.link.place())
    }

    /// Returns the plain settings, in range and snapped, whatever a state or a host has put in; what is shared is that
    /// of the linked platform.
    pub fn settings(&self) -> Settings {
        let mut settings = self.own_settings();
        put_into(&self.place.look(self.link(), &shared_of(&settings)), &mut settings);
        settings
    }

    /// Joins or leaves the shared platform as the link says, and tells and takes over edits: once a block, on one thread.
    ///
    /// `elapsed_s` of sound have passed since the last call.
    pub fn follow(&self, elapsed_s: f64) {
        self.place.follow(|| (self.link(), shared_of(&self.own_settings())), elapsed_s);
    }
}

#[cfg(test)]
mod tests {
    use nice_plug::prelude::{Param, ParamFlags};
    use rostra_dsp::settings::{Kind, Number, Spread};

    use super::*;

    /// Ids, names and groups of the first release; sessions depend on the ids.
    const EXPECTED: [(&str, &str, &str); 33] = [
        ("depth", "Depth", "Seat"),
        ("bearing", "Bearing", "Seat"),
        ("riser", "Riser", "Seat"),
        ("facing", "Facing", "Seat"),
        ("family", "Radiation", "Seat"),
        ("recorded", "Recorded from", "Seat"),
        ("width", "Source width", "Seat"),
        ("players", "Players", "Seat"),
        ("ranks", "Section depth", "Seat"),
        ("lean", "Picture leans", "Seat"),
        ("plat_w", "Platform width", "Platform"),
        ("plat_d", "Platform depth", "Platform"),
        ("plat_h", "Platform height", "Platform"),
        ("floor", "Floor", "Platform"),
        ("rear", "Rear wall", "Platform"),
        ("sides", "Side walls", "Platform"),
        ("canopy", "Canopy", "Platform"),
        ("decay", "Decay", "Platform"),
        ("mics", "Main microphones", "Microphones"),
        ("mics_y", "Microphone depth", "Microphones"),
        ("mics_z", "Microphone height", "Microphones"),
        ("air", "Air loss", "Air"),
        ("temp", "Temperature", "Air"),
        ("humid", "Humidity", "Air"),
        ("close", "Close-mic distance", "Tone"),
        ("lowmid_f", "Low-mid frequency", "Tone"),
        ("lowmid_g", "Low-mid gain", "Tone"),
        ("balance", "Platform balance", "Level"),
        ("law", "Distance fall-off", "Level"),
        ("trim", "Trim", "Level"),
        ("link", "Platform link", ""),
        ("dry", "Compare dry", ""),
        ("bypass", "Bypass", ""),
    ];

    /// Range, default and text of the default of the first release's numbers, as the design fixes them.
    const EXPECTED_NUMBERS: [(&str, f64, f64, f64, &str); 23] = [
        ("depth", 0.5, 25.0, 5.0, "5.00 m"),
        ("bearing", -60.0, 60.0, 0.0, "0.0°"),
        ("riser", 0.0, 2.0, 0.0, "0.00 m"),
        ("facing", -180.0, 180.0, 0.0, "0.0°"),
        ("width", 0.0, 8.0, 1.5, "1.50 m"),
        ("players", 1.0, 16.0, 1.0, "1"),
        ("ranks", 0.0, 6.0, 1.5, "1.50 m"),
        ("lean", -12.0, 12.0, 0.0, "0.0 dB"),
        ("plat_w", 8.0, 30.0, 18.0, "18.00 m"),
        ("plat_d", 5.0, 25.0, 12.0, "12.00 m"),
        ("plat_h", 4.0, 20.0, 10.0, "10.00 m"),
        ("decay", 0.2, 2.0, 0.5, "0.500 s"),
        ("mics_y", 0.0, 4.0, 0.0, "0.00 m"),
        ("mics_z", 1.5, 5.0, 3.0, "3.00 m"),
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

    /// The numbers of the table, each with the framework's parameter.
    fn numbers(parameters: &Parameters) -> Vec<(&'static Parameter, &'static Number, &FloatParam)> {
        let rows = SEAT_PARAMETERS.iter().zip(parameters.all());
        rows.filter_map(|(row, host)| match host {
            HostParameter::Number(host) => Some((&row.parameter, row.parameter.number()?, host)),
            HostParameter::List(_) | HostParameter::Switch(_) => None,
        })
        .collect()
    }

    #[test]
    fn ids_and_groups_are_those_of_the_first_release() {
        let map = Parameters::default().param_map();
        // What came since stands between them.
        let is_of_then = |id: &str| EXPECTED.iter().any(|(known, ..)| *known == id);
        let got: Vec<_> = map
            .iter()
            .map(|(id, _, group)| (id.as_str(), group.as_str()))
            .filter(|(id, _)| is_of_then(id))
            .collect();
        let expected: Vec<_> = EXPECTED.iter().map(|&(id, _, group)| (id, group)).collect();
        assert_eq!(got, expected);
    }

    #[test]
    fn names_are_those_of_the_first_release_and_kinds_and_groups_those_of_the_table() {
        let parameters = Parameters::default();
        let map = parameters.param_map();
        for ((row, host), (id, _, group)) in SEAT_PARAMETERS.iter().zip(parameters.all()).zip(&map) {
            let (is_of_its_kind, shown) = match host {
                HostParameter::Number(host) => (row.parameter.number().is_some(), host.name()),
                HostParameter::List(host) => (row.parameter.list().is_some(), host.name()),
                HostParameter::Switch(host) => (row.parameter.kind == Kind::Switch, host.name()),
            };
            assert!(is_of_its_kind, "{id}");
            assert_eq!((row.parameter.id, row.parameter.group.name()), (id.as_str(), group.as_str()));
            assert_eq!(row.parameter.name, shown);
            if let Some((_, name, _)) = EXPECTED.iter().find(|(known, ..)| known == id) {
                assert_eq!(shown, *name, "{id}");
            }
        }
    }

    #[test]
    fn ranges_defaults_and_texts_are_the_designs() {
        let parameters = Parameters::default();
        let numbers = numbers(&parameters);
        for (id, low, high, default, text) in EXPECTED_NUMBERS {
            let (_, number, host) = *numbers
                .iter()
                .find(|(parameter, ..)| parameter.id == id)
                .unwrap_or_else(|| panic!("{id} is no longer a number"));
            assert_eq!((number.range, number.default), ((low, high), default), "{id}");
            let end = |normalized| number.value(host.preview_plain(normalized));
            assert!((end(0.0) - low).abs() < 1e-6 * high.abs(), "{id}: {} instead of {low}", end(0.0));
            assert!((end(1.0) - high).abs() < 1e-6 * high.abs(), "{id}: {} instead of {high}", end(1.0));
            assert_eq!(host.to_string(), text, "{id}");
        }
    }

    #[test]
    fn a_new_instance_has_the_engines_default_settings() {
        assert_eq!(Parameters::default().settings(), Settings::default().snapped());
    }

    #[test]
    fn comparison_and_link_are_kept_from_automation_and_only_bypass_is_bypass() {
        let parameters = Parameters::default();
        assert_eq!(Param::flags(&parameters.link), ParamFlags::NON_AUTOMATABLE);
        assert_eq!(parameters.dry.flags(), ParamFlags::NON_AUTOMATABLE);
        assert_eq!(parameters.bypass.flags(), ParamFlags::BYPASS);
    }

    #[test]
    fn every_text_reads_back_to_itself_with_its_unit_and_without() {
        let parameters = Parameters::default();
        for (parameter, _, host) in numbers(&parameters) {
            for share in 0..=200 {
                let normalized = share as f32 / 200.0;
                for with_unit in [true, false] {
                    let text = host.normalized_value_to_string(normalized, with_unit);
                    let back = host.string_to_normalized_value(&text);
                    let again = back.map(|back| host.normalized_value_to_string(back, with_unit));
                    assert_eq!(again.as_deref(), Some(text.as_str()), "{}", parameter.id);
                }
                let shown = parameter.shown(
                    parameter.number().map_or(0.0, |number| number.value(host.preview_plain(normalized))),
                );
                assert_eq!(host.normalized_value_to_string(normalized, true), shown, "{}", parameter.id);
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
        assert_eq!(typed(&seat.bearing, "-12 deg").as_deref(), Some("-12.0°"));
        assert_eq!(typed(&platform.decay, "650 ms").as_deref(), Some("0.650 s"));
        assert_eq!(typed(&tone.close_mic, "12cm").as_deref(), Some("0.12 m"));
        assert_eq!(typed(&tone.close_mic, "Off").as_deref(), Some("off"));
        assert_eq!(typed(&tone.close_mic, "2 m").as_deref(), Some("off"));
        for (_, _, host) in numbers(&parameters) {
            assert_eq!(typed(host, "far"), None);
            assert_eq!(typed(host, "nan"), None);
            assert_eq!(typed(host, ""), None);
        }
        assert_eq!(parameters.bypass.string_to_normalized_value("on"), Some(1.0));
        assert_eq!(parameters.bypass.string_to_normalized_value("perhaps"), None);
        assert_eq!(seat.family.string_to_normalized_value("rear bell"), Some(2.0 / 24.0));
        assert_eq!(seat.family.string_to_normalized_value("trumpet"), None);
    }

    #[test]
    fn equal_travel_is_equal_ratio_where_the_design_says_logarithmic() {
        let parameters = Parameters::default();
        let logarithmic = ["depth", "close"];
        for (parameter, number, host) in numbers(&parameters) {
            if EXPECTED_NUMBERS.iter().any(|(known, ..)| *known == parameter.id) {
                let is_expected = logarithmic.contains(&parameter.id);
                assert_eq!(number.spread == Spread::Logarithmic, is_expected, "{}", parameter.id);
            }
            if number.spread == Spread::Linear {
                continue;
            }
            let (low, high) = number.range;
            for share in 0..=100 {
                let normalized = share as f32 / 100.0;
                // v = low (high/low)^t, the definition of a logarithmic scale.
                let expected = low * (high / low).powf(f64::from(normalized));
                let got = number.value(host.preview_plain(normalized));
                assert!(
                    (got / expected - 1.0).abs() < 1e-6,
                    "{}: expected {expected}, got {got}",
                    parameter.id
                );
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
        let mut hashes: Vec<_> = SEAT_PARAMETERS.iter().map(|row| hash(row.parameter.id)).collect();
        hashes.sort_unstable();
        hashes.dedup();
        assert_eq!(hashes.len(), SEAT_PARAMETERS.len());
    }
}
