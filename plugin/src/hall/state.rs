//! What a saved hall may hold, and how a foreign or damaged one is repaired before it is loaded.

use nice_plug::prelude::PluginState;
use rostra_dsp::hall::Hall;

use crate::state::{mend_values, not_understood, unpack};

/// Mends a state so that loading it gives one sound, whatever the instance held before: numbers are brought inside, and
/// everything missing, unknown or of a wrong kind becomes the default. Of a state of a newer version, what is not known
/// here is carried along.
pub fn repair(state: &mut PluginState) {
    let before = unpack::<Hall>(state);
    before.put_back(state);
    let found = state.clone();
    mend_values::<Hall>(state);
    not_understood::<Hall>(&found, state, &[]).pack(state);
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use nice_plug::plugin::ParamValue;
    use rostra_dsp::settings::Tabled as _;

    use super::*;
    use crate::carried::Carried;
    use crate::stored::Stored as _;

    #[test]
    fn what_is_missing_foreign_or_out_of_range_is_mended() {
        let params = [
            ("decay", ParamValue::F32(f32::NAN)),
            ("size", ParamValue::F32(1e9)),
            ("bass", ParamValue::String("loud".to_owned())),
            ("bypass", ParamValue::I32(7)),
        ];
        let mut state = PluginState {
            version: String::new(),
            params: params.iter().map(|(id, value)| ((*id).to_owned(), value.clone())).collect(),
            fields: BTreeMap::new(),
        };
        repair(&mut state);
        assert_eq!(state.params.len(), Hall::TABLE.len());
        for (id, number) in Hall::parameters().filter_map(|known| Some((known.id, known.number()?))) {
            let wanted = if id == "size" { number.range.1 } else { number.default };
            assert!(
                matches!(state.params[id], ParamValue::F32(stored) if stored == number.stored(wanted)),
                "{id}: {:?}",
                state.params[id]
            );
        }
        assert!(matches!(state.params["bypass"], ParamValue::Bool(false)));
    }

    #[test]
    fn what_a_newer_version_saved_is_carried_along() {
        let params = [("decay", ParamValue::F32(1e3)), ("diffusion", ParamValue::F32(0.7))];
        let mut state = PluginState {
            version: "99.0.0".to_owned(),
            params: params.iter().map(|(id, value)| ((*id).to_owned(), value.clone())).collect(),
            fields: BTreeMap::from([("views".to_owned(), "[]".to_owned())]),
        };
        repair(&mut state);
        // The framework saves what it knows.
        state.params.remove("diffusion");
        state.fields.remove("views");
        crate::carried::VERSION.clone_into(&mut state.version);
        let carried = Carried::unpack(&mut state);
        carried.put_back(&mut state);
        assert_eq!((state.version.as_str(), state.fields["views"].as_str()), ("99.0.0", "[]"));
        for (id, value) in params {
            assert!(crate::carried::is_same(&state.params[id], &value), "{id}");
        }
    }
}
