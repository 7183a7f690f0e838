//! What a saved state may hold, and how a foreign or damaged one is mended before it is loaded.

use nice_plug::params::persist::deserialize_field;
use nice_plug::plugin::ParamValue;
use nice_plug::prelude::{Enum, PluginState};
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{Family, Finish, Pair};

use crate::carried::{Carried, CarriedValue, VERSION, is_newer, is_same};
use crate::choice::{Listed, place_of_id};
use crate::editor::values::List;
use crate::parameters::NUMBERS;
use crate::platform_link::{Followed, Link, SHARED_IDS, Saved};
use crate::quantity::Number;

/// The field that holds the values of the platform that an instance stood on.
const PLATFORM: &str = "platform";

/// The fields that a state of this version has.
const FIELDS: [&str; 2] = [PLATFORM, "group"];

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
///
/// Of a state of a newer version, what is not known here is carried along.
pub fn mend(state: &mut PluginState) {
    let before = Carried::unpack(state);
    let mut saved: Saved =
        state.fields.get(PLATFORM).and_then(|field| deserialize_field(field).ok()).unwrap_or_default();
    for (id, followed) in &before.platform {
        saved.entry(id.clone()).or_insert(*followed);
    }
    for id in SHARED_IDS {
        let Some(Followed { value, own }) = saved.remove(id) else { continue };
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
            let value = match (number, shared_entry(id, value)) {
                (Some(number), _) => ParamValue::F32(number.stored(value)),
                (None, Some(entry)) => ParamValue::String(entry.to_owned()),
                (None, None) => ParamValue::I32(value as i32),
            };
            state.params.insert(id.to_owned(), value);
        }
    }
    before.put_back(state);
    let found = state.clone();
    // Always there, so that every load is told to the instance's place on the platforms, and ends there.
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
    let is_known = |id: &str| {
        NUMBERS.iter().any(|number| number.id == id)
            || List::ALL.iter().any(|list| list.id() == id)
            || ["bypass", "dry"].contains(&id)
    };
    let mut carried = not_understood(&found, state, is_known, &FIELDS);
    // The comparison is off in every version.
    carried.params.remove("dry");
    if !carried.version.is_empty() {
        carried.platform = saved;
    }
    carried.pack(state);
}

/// Returns what a newer version saved, of which `mended` is what this version makes; nothing of an older version's.
pub(crate) fn not_understood(
    found: &PluginState,
    mended: &PluginState,
    is_known: impl Fn(&str) -> bool,
    fields: &[&str],
) -> Carried {
    if !is_newer(&found.version, VERSION) {
        return Carried::default();
    }
    let carried = |(id, value): (&String, &ParamValue)| {
        let instead = if is_known(id) { mended.params.get(id).cloned() } else { None };
        let is_understood = instead.as_ref().is_some_and(|instead| is_same(value, instead));
        (!is_understood).then(|| (id.clone(), CarriedValue { value: value.clone(), instead }))
    };
    let is_unknown = |(name, _): &(&String, &String)| !fields.contains(&name.as_str());
    Carried {
        version: found.version.clone(),
        params: found.params.iter().filter_map(carried).collect(),
        platform: Saved::new(),
        fields: found
            .fields
            .iter()
            .filter(is_unknown)
            .map(|(name, field)| (name.clone(), field.clone()))
            .collect(),
    }
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
        Some(ParamValue::String(entry)) => (entries.iter().find(|known| *known == entry))
            // A place that had no entry when it was saved, and has one now.
            .or_else(|| entries.get(place_of_id(entry)?)),
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

    use nice_plug::prelude::Params as _;

    use super::*;
    use crate::parameters::{DEPTH, PLATFORM_DEPTH, PLATFORM_WIDTH, Parameters, TRIM};

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
            ("sides", ParamValue::I32(999)),
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
        // A place without an entry is one that a host can set: it comes back.
        let mut state = self::state(&[
            ("rear", ParamValue::String("place-12".to_owned())),
            ("sides", ParamValue::String("place-4".to_owned())),
            ("canopy", ParamValue::String("place-99".to_owned())),
        ]);
        mend(&mut state);
        assert_eq!(text(&state, "rear"), "place-12");
        assert_eq!(text(&state, "sides"), "brick", "it has an entry by now");
        assert_eq!(text(&state, "canopy"), "plasterboard");
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

    /// What this version saves after it has loaded a state: what it knows, and its fields.
    fn saved(mut mended: PluginState) -> PluginState {
        let known = |id: &String| Parameters::default().param_map().iter().any(|(known, ..)| known == id);
        mended.params.retain(|id, _| known(id));
        mended.fields.retain(|name, _| FIELDS.contains(&name.as_str()) || name == "newer");
        VERSION.clone_into(&mut mended.version);
        mended
    }

    /// A state of a version that has a finish, a parameter, a longer decay and a field more.
    fn newer() -> PluginState {
        let mut newer = state(&[
            ("floor", ParamValue::String("glass".to_owned())),
            ("rear", ParamValue::String("brick".to_owned())),
            ("decay", ParamValue::F32(3.25)),
            ("balcony", ParamValue::F32(0.4)),
            ("depth", ParamValue::F32(DEPTH.stored(7.0))),
        ]);
        newer.version = "99.0.0".to_owned();
        newer.fields.insert("rooms".to_owned(), "[1, 2]".to_owned());
        newer.fields.insert(PLATFORM.to_owned(), r#"{"balcony": {"value": 0.5, "own": 0.4}}"#.to_owned());
        newer
    }

    /// What a newer version finds in a state that this one saved, before it reads it.
    fn found_by_the_newer(mut state: PluginState) -> PluginState {
        let carried = Carried::unpack(&mut state);
        carried.put_back(&mut state);
        state
    }

    #[test]
    fn what_a_newer_version_saved_is_played_as_far_as_it_goes_and_found_again() {
        let mut once = newer();
        mend(&mut once);
        assert_eq!((text(&once, "floor"), text(&once, "rear")), ("timber-platform".into(), "brick".into()));
        assert_eq!((number(&once, "decay"), number(&once, "depth")), (2.0, DEPTH.stored(7.0)));
        // Saved, loaded and saved again by this version.
        let mut twice = saved(once.clone());
        mend(&mut twice);
        for state in [saved(once), saved(twice)] {
            assert!(!state.params.contains_key("balcony") && !state.fields.contains_key("rooms"));
            let carried: Carried = deserialize_field(&state.fields["newer"]).expect("it is carried");
            assert_eq!(carried.version, "99.0.0");
            assert_eq!(carried.params.keys().collect::<Vec<_>>(), ["balcony", "decay", "floor"]);
            assert_eq!(carried.platform["balcony"], Followed { value: 0.5, own: 0.4 });
            let found = found_by_the_newer(state);
            assert_eq!(found.version, "99.0.0");
            for (id, value) in newer().params {
                assert!(is_same(&found.params[&id], &value), "{id}: {:?}", found.params[&id]);
            }
            assert_eq!(found.fields["rooms"], "[1, 2]");
        }
    }

    #[test]
    fn what_is_changed_here_wins_over_what_is_carried() {
        let mut here = newer();
        mend(&mut here);
        let mut here = saved(here);
        here.params.insert("floor".to_owned(), ParamValue::String("concrete".to_owned()));
        // The group's edit is followed, and stands in the platform's field.
        here.fields.insert(PLATFORM.to_owned(), r#"{"decay": {"value": 1.5, "own": 2.0}}"#.to_owned());
        mend(&mut here);
        let found = found_by_the_newer(saved(here));
        assert_eq!((text(&found, "floor"), number(&found, "decay")), ("concrete".into(), 1.5));
        assert_eq!(number(&found, "balcony"), 0.4);
    }

    #[test]
    fn of_a_state_that_is_not_newer_nothing_is_carried() {
        for version in ["", VERSION, "0.0.1", "nonsense"] {
            let mut older = newer();
            version.clone_into(&mut older.version);
            mend(&mut older);
            assert_eq!(
                (older.fields["newer"].as_str(), text(&older, "floor")),
                ("{}", "timber-platform".into())
            );
        }
        // What this version has learnt meanwhile is no longer carried.
        let mut learnt = state(&[("floor", ParamValue::String("timber-platform".to_owned()))]);
        VERSION.clone_into(&mut learnt.version);
        let carried = r#"{"version": "0.0.2", "params": {"floor": {"value": {"string": "brick"}, "instead": {"string": "timber-platform"}}}}"#;
        learnt.fields.insert("newer".to_owned(), carried.to_owned());
        mend(&mut learnt);
        assert_eq!((learnt.fields["newer"].as_str(), text(&learnt, "floor")), ("{}", "brick".into()));
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
