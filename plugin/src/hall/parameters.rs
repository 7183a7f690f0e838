//! The hall's table of parameters as the framework wants it: a field each.

use nice_plug::prelude::{BoolParam, FloatParam, Params};
use rostra_dsp::hall::{HALL_PARAMETERS, Hall};
use rostra_dsp::settings::{Row, is_in_order, named};

use crate::carried::Carrier;
use crate::parameters::{HostParameter, HostParameters, as_host, host_parameter, host_type};
use crate::stored;

/// Makes the struct of the framework out of a line for each parameter: a kind, a name for the field, and the id.
macro_rules! hall_parameters {
    ($($kind:ident $field:ident $id:tt $($flag:ident)?;)*) => {
        /// All parameters of a hall, in the order in which hosts list them.
        #[derive(Params)]
        pub struct HallParameters {
            $(
                #[doc = concat!("The parameter `", $id, "`.")]
                #[id = $id]
                pub $field: host_type!($kind HALL_PARAMETERS $id),
            )*
            /// What a newer version saved and this one does not know.
            #[persist = "newer"]
            pub newer: Carrier,
        }

        const _: () = assert!(is_in_order(&HALL_PARAMETERS, &[$($id,)*]), "a line here is not that of the table");

        impl Default for HallParameters {
            fn default() -> Self {
                Self {
                    $($field: host_parameter!($kind HALL_PARAMETERS $id)$(.$flag())?,)*
                    newer: Carrier::default(),
                }
            }
        }

        impl HallParameters {
            /// Returns what the framework has for every row of the table.
            pub const fn all(&self) -> [HostParameter<'_>; HALL_PARAMETERS.len()] {
                [$(as_host!($kind self.$field),)*]
            }
        }
    };
}

// In the order of the table, or it does not compile.
hall_parameters! {
    number pre_delay "pre_delay";
    number decay "decay";
    number bass "bass";
    number treble "treble";
    number size "size";
    number early "early";
    number width "width";
    number wet "wet";
    number trim "trim";
    number decay_125 "decay_125";
    number decay_250 "decay_250";
    number decay_500 "decay_500";
    number decay_1k "decay_1k";
    number decay_2k "decay_2k";
    number decay_4k "decay_4k";
    number decay_8k "decay_8k";
    switch bypass "bypass" make_bypass;
}

impl HostParameters for HallParameters {
    type Settings = Hall;

    fn each(&self, mut each: impl FnMut(&'static Row<Hall>, HostParameter<'_>)) {
        for (row, host) in HALL_PARAMETERS.iter().zip(self.all()) {
            each(row, host);
        }
    }

    fn newer(&self) -> &Carrier {
        &self.newer
    }
}

impl HallParameters {
    /// Returns the hall, in range and on the grid, whatever a state or a host has put in.
    pub fn hall(&self) -> Hall {
        self.own_settings()
    }
}

#[cfg(test)]
mod tests {
    use nice_plug::prelude::Param as _;

    use super::*;

    /// Ids, names and texts of the defaults of the first release; sessions depend on the ids.
    const EXPECTED: [(&str, &str, &str); 10] = [
        ("pre_delay", "Pre-delay", "30.0 ms"),
        ("decay", "Decay", "3.500 s"),
        ("bass", "Bass ratio", "1.10 x"),
        ("treble", "Treble ratio", "0.80 x"),
        ("size", "Hall size", "12000 m³"),
        ("early", "Early level", "0.0 dB"),
        ("width", "Hall width", "100.0 %"),
        ("wet", "Dry/wet", "100.0 %"),
        ("trim", "Trim", "0.0 dB"),
        ("bypass", "Bypass", "off"),
    ];

    #[test]
    fn ids_names_and_defaults_are_those_of_the_first_release() {
        let parameters = HallParameters::default();
        let map = parameters.param_map();
        let shown = parameters.all().map(|host| match host {
            HostParameter::Number(host) => (host.name(), host.to_string()),
            HostParameter::Switch(host) => (host.name(), host.to_string()),
            HostParameter::List(_) => panic!("the hall has no lists"),
        });
        // What came since stands between them.
        let is_of_then = |id: &str| EXPECTED.iter().any(|(known, ..)| *known == id);
        let got: Vec<_> = map
            .iter()
            .zip(&shown)
            .map(|((id, ..), (name, text))| (id.as_str(), *name, text.as_str()))
            .filter(|(id, ..)| is_of_then(id))
            .collect();
        assert_eq!(got, EXPECTED);
    }

    #[test]
    fn a_new_instance_is_the_default_hall() {
        assert_eq!(HallParameters::default().hall(), Hall::default());
    }

    #[test]
    fn every_text_reads_back_to_itself() {
        for host in HallParameters::default().all() {
            let HostParameter::Number(parameter) = host else { continue };
            for share in 0..=100 {
                let text = parameter.normalized_value_to_string(share as f32 / 100.0, true);
                let back = parameter.string_to_normalized_value(&text);
                let again = back.map(|back| parameter.normalized_value_to_string(back, true));
                assert_eq!(again.as_deref(), Some(text.as_str()), "{}", parameter.name());
            }
        }
    }
}
