//! What a saved state may hold, and how a foreign or damaged one is mended before it is loaded.

use nice_plug::params::persist::deserialize_field;
use nice_plug::plugin::ParamValue;
use nice_plug::prelude::{Enum, PluginState};
use rostra_dsp::Settings;
use rostra_dsp::pickup::Pair;
use rostra_dsp::radiation::Family;
use rostra_dsp::surface::Finish;

use crate::choice::Listed;
use crate::parameters::NUMBERS;
use crate::platform_link::{Followed, Link, SHARED_IDS, Saved};
use crate::quantity::Number;

/// The field that holds the values of the platform that an instance stood on.
const PLATFORM: &str = "platform";

/// Mends a state so that loading it gives one sound, whatever the instance held before.
///
/// The framework sets what a state holds and checks nothing: a number may lie
/// outside its range, a list's place outside the list (which would panic when
/// it is shown), and what is missing or of a wrong kind keeps its last value.
/// Here numbers are brought inside, everything missing, unknown or of a wrong
/// kind becomes the default, and the dry comparison is off.
///
/// An instance that stood on a shared platform saved that platform's values
/// beside its own parameters; they become its own.
pub fn mend(state: &mut PluginState) {
    let saved: Saved =
        state.fields.get(PLATFORM).and_then(|field| deserialize_field(field).ok()).unwrap_or_default();
    for id in SHARED_IDS {
        let Some(&Followed { value, own }) = saved.get(id) else { continue };
        let number = NUMBERS.iter().find(|number| number.id == id);
        // Another one than was seen is a host's, set since, and newer than what was followed.
        let is_own = match (number, state.params.get(id)) {
            (Some(number), Some(ParamValue::F32(stored))) => {
                number.shown(number.value(*stored)) == number.shown(own)
            }
            (None, Some(ParamValue::String(entry))) => Some(entry.as_str()) == shared_entry(id, own),
            _ => false,
        };
        if is_own {
            let value = match number {
                Some(number) => ParamValue::F32(number.stored(value)),
                None => ParamValue::I32(value as i32),
            };
            state.params.insert(id.to_owned(), value);
        }
    }
    // Always there, so that every load is told to the instance's place on the platforms.
    state.fields.insert(PLATFORM.to_owned(), "{}".to_owned());
    mend_numbers(state, &NUMBERS);
    let Settings { seat, platform, pickup, .. } = Settings::default();
    mend_list::<Listed<Family>>(state, "family", Listed(seat.family));
    mend_list::<Listed<Finish>>(state, "floor", Listed(platform.floor));
    mend_list::<Listed<Finish>>(state, "rear", Listed(platform.rear));
    mend_list::<Listed<Finish>>(state, "sides", Listed(platform.sides));
    mend_list::<Listed<Finish>>(state, "canopy", Listed(platform.canopy));
    mend_list::<Listed<Pair>>(state, "pickup", Listed(pickup.pair));
    mend_list::<Listed<Link>>(state, "link", Listed(Link::Off));
    if !matches!(state.params.get("bypass"), Some(ParamValue::Bool(_))) {
        state.params.insert("bypass".to_owned(), ParamValue::Bool(false));
    }
    state.params.insert("dry".to_owned(), ParamValue::Bool(false));
}

/// Brings numbers into range; what is missing, no number or of another kind becomes the default.
pub(crate) fn mend_numbers(state: &mut PluginState, numbers: &[&Number]) {
    for number in numbers {
        let stored = match state.params.get(number.id) {
            Some(ParamValue::F32(stored)) => number.stored_in_range(*stored),
            _ => number.stored(number.default),
        };
        state.params.insert(number.id.to_owned(), ParamValue::F32(stored));
    }
}

/// Returns the id of an entry of one of the shared lists.
fn shared_entry(id: &str, place: f64) -> Option<&'static str> {
    let entries = if id == "pickup" { Listed::<Pair>::ids() } else { Listed::<Finish>::ids() };
    entries.unwrap_or_default().get(place as usize).copied()
}

/// Leaves a list's known id as it is, turns a place in the list into its id, and anything else into the default's.
fn mend_list<T: Enum>(state: &mut PluginState, id: &str, default: T) {
    let entries = T::ids().unwrap_or_default();
    let entry = match state.params.get(id) {
        Some(ParamValue::String(entry)) => entries.iter().find(|known| *known == entry),
        Some(ParamValue::I32(index)) => usize::try_from(*index).ok().and_then(|index| entries.get(index)),
        _ => None,
    };
    if let Some(entry) = entry.or_else(|| entries.get(default.to_index())) {
        state.params.insert(id.to_owned(), ParamValue::String((*entry).to_owned()));
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::*;
    use crate::parameters::{DEPTH, PLATFORM_DEPTH, PLATFORM_WIDTH, TRIM};

    fn state(params: &[(&str, ParamValue)]) -> PluginState {
        PluginState {
            version: String::new(),
            params: params.iter().map(|(id, value)| ((*id).to_owned(), value.clone())).collect(),
            fields: BTreeMap::new(),
        }
    }

    fn number(state: &PluginState, id: &str) -> f32 {
        match state.params.get(id) {
            Some(ParamValue::F32(stored)) => *stored,
            other => panic!("{id} holds {other:?}"),
        }
    }

    fn text(state: &PluginState, id: &str) -> String {
        match state.params.get(id) {
            Some(ParamValue::String(entry)) => entry.clone(),
            other => panic!("{id} holds {other:?}"),
        }
    }

    #[test]
    fn an_empty_state_becomes_the_defaults() {
        let mut state = state(&[]);
        mend(&mut state);
        assert_eq!(state.params.len(), 29);
        for known in NUMBERS {
            assert_eq!(number(&state, known.id), known.stored(known.default), "{}", known.id);
        }
        assert_eq!(text(&state, "floor"), "timber-platform");
        assert_eq!(text(&state, "canopy"), "plasterboard");
        assert_eq!(text(&state, "pickup"), "near-coincident");
        assert!(matches!(state.params["bypass"], ParamValue::Bool(false)));
    }

    #[test]
    fn numbers_outside_their_range_and_no_numbers_are_mended() {
        let mut state = state(&[
            ("depth", ParamValue::F32(1e30)),
            ("trim", ParamValue::F32(f32::NAN)),
            ("law", ParamValue::F32(f32::NEG_INFINITY)),
            ("bearing", ParamValue::F32(60.1)),
            ("riser", ParamValue::String("high".to_owned())),
        ]);
        mend(&mut state);
        assert_eq!(number(&state, "depth"), DEPTH.stored(25.0));
        assert_eq!(number(&state, "trim"), TRIM.stored(0.0));
        assert_eq!(number(&state, "law"), 0.0);
        assert_eq!(number(&state, "bearing"), 60.0);
        assert_eq!(number(&state, "riser"), 0.0);
    }

    #[test]
    fn lists_take_known_ids_and_places_and_nothing_else() {
        let mut state = state(&[
            ("family", ParamValue::String("rear-bell".to_owned())),
            ("floor", ParamValue::I32(5)),
            ("rear", ParamValue::I32(-1)),
            ("sides", ParamValue::I32(99)),
            ("canopy", ParamValue::String("glass".to_owned())),
            ("pickup", ParamValue::F32(1.0)),
        ]);
        mend(&mut state);
        assert_eq!(text(&state, "family"), "rear-bell");
        assert_eq!(text(&state, "floor"), "concrete");
        assert_eq!(text(&state, "rear"), "timber");
        assert_eq!(text(&state, "sides"), "timber");
        assert_eq!(text(&state, "canopy"), "plasterboard");
        assert_eq!(text(&state, "pickup"), "near-coincident");
    }

    #[test]
    fn the_comparison_never_comes_back_on_and_bypass_does() {
        let mut state = state(&[("dry", ParamValue::Bool(true)), ("bypass", ParamValue::Bool(true))]);
        mend(&mut state);
        assert!(matches!(state.params["dry"], ParamValue::Bool(false)));
        assert!(matches!(state.params["bypass"], ParamValue::Bool(true)));
    }

    #[test]
    fn the_values_of_a_shared_platform_become_the_instances_own() {
        let mut state = state(&[
            ("decay", ParamValue::F32(0.5)),
            ("plat_w", ParamValue::F32(PLATFORM_WIDTH.stored(18.0))),
            ("plat_d", ParamValue::F32(PLATFORM_DEPTH.stored(9.0))),
            ("rear", ParamValue::String("timber".to_owned())),
            ("sides", ParamValue::String("plaster".to_owned())),
            ("pickup", ParamValue::String("near-coincident".to_owned())),
            ("link", ParamValue::String("2".to_owned())),
        ]);
        let saved = r#"{"decay": {"value": 1.25, "own": 0.5}, "rear": {"value": 4.0, "own": 1.0},
            "sides": {"value": 4.0, "own": 1.0}, "pickup": {"value": 2.0, "own": 1.0},
            "plat_w": {"value": 1e9, "own": 18.0}, "plat_d": {"value": 14.0, "own": 12.0},
            "nothing": {"value": 1.0, "own": 1.0}}"#;
        state.fields.insert(PLATFORM.to_owned(), saved.to_owned());
        mend(&mut state);
        assert_eq!(number(&state, "decay"), 1.25);
        assert_eq!(number(&state, "plat_w"), 30.0);
        assert_eq!(number(&state, "plat_d"), PLATFORM_DEPTH.stored(9.0), "set by the host since");
        assert_eq!(text(&state, "rear"), "brick");
        assert_eq!(text(&state, "sides"), "plaster", "set by the host since");
        assert_eq!(text(&state, "pickup"), "spaced-omnis");
        assert_eq!(text(&state, "link"), "2");
        assert_eq!(state.fields[PLATFORM], "{}");
        state.fields.insert(PLATFORM.to_owned(), "no JSON".to_owned());
        mend(&mut state);
        assert_eq!(number(&state, "decay"), 1.25);
    }

    #[test]
    fn what_lies_in_range_stays_to_the_bit() {
        let stored = DEPTH.stored(7.31);
        let mut state = state(&[("depth", ParamValue::F32(stored)), ("decay", ParamValue::F32(0.731))]);
        mend(&mut state);
        assert_eq!(number(&state, "depth").to_bits(), stored.to_bits());
        assert_eq!(number(&state, "decay").to_bits(), 0.731_f32.to_bits());
    }
}
