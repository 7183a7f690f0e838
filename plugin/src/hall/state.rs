//! What a saved hall may hold, and how a foreign or damaged one is mended before it is loaded.

use nice_plug::plugin::ParamValue;
use nice_plug::prelude::PluginState;

use super::parameters::HALL_NUMBERS;
use crate::state::mend_numbers;

/// Mends a state so that loading it gives one sound, whatever the instance held before: numbers are brought inside, and
/// everything missing, unknown or of a wrong kind becomes the default.
pub fn mend(state: &mut PluginState) {
    mend_numbers(state, &HALL_NUMBERS);
    if !matches!(state.params.get("bypass"), Some(ParamValue::Bool(_))) {
        state.params.insert("bypass".to_owned(), ParamValue::Bool(false));
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;

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
        mend(&mut state);
        assert_eq!(state.params.len(), HALL_NUMBERS.len() + 1);
        for number in HALL_NUMBERS {
            let wanted = if number.id == "size" { number.range.1 } else { number.default };
            assert!(
                matches!(state.params[number.id], ParamValue::F32(stored) if stored == number.stored(wanted)),
                "{}: {:?}",
                number.id,
                state.params[number.id]
            );
        }
        assert!(matches!(state.params["bypass"], ParamValue::Bool(false)));
    }
}
