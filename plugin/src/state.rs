//! What a saved state may hold, and how a foreign or damaged one is repaired before it is loaded.

use std::collections::BTreeMap;

use nice_plug::params::persist::deserialize_field;
use nice_plug::plugin::ParamValue;
use nice_plug::prelude::PluginState;
use rostra_dsp::Settings;
use rostra_dsp::settings::{DRY, Kind, Parameter, Tabled};

use crate::carried::{Carried, CarriedValue, VERSION, is_newer, is_same};
use crate::choice::{id_of, place_of_id};
use crate::platform_link::{Followed, Saved};
use crate::stored::Stored as _;

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
/// kind becomes the default, and the dry comparison is off. Ids of before
/// become those of today.
///
/// An instance that stood on a shared platform saved that platform's values
/// beside its own parameters; they become its own.
///
/// Of a state of a newer version, what is not known here is carried along.
pub fn repair(state: &mut PluginState) {
    let before = unpack::<Settings>(state);
    let mut saved: Saved =
        state.fields.get(PLATFORM).and_then(|field| deserialize_field(field).ok()).unwrap_or_default();
    rename_keys::<Settings, _>(&mut saved);
    for (id, followed) in &before.platform {
        saved.entry(id.clone()).or_insert(*followed);
    }
    for parameter in Settings::parameters().filter(|parameter| parameter.group.is_shared()) {
        let Some(Followed { value, own }) = saved.remove(parameter.id) else { continue };
        // Another one than was seen is a host's, set since, and newer than what was followed.
        let is_own = match (&parameter.kind, state.params.get(parameter.id)) {
            (Kind::Number(number), Some(ParamValue::F32(stored))) => {
                number.shown(number.value(*stored)) == number.shown(own)
            }
            (Kind::List(list), Some(ParamValue::String(entry))) => {
                Some(entry) == id_of(list, own as usize).as_ref()
            }
            _ => false,
        };
        if is_own {
            state.params.insert(parameter.id.to_owned(), saved_value(parameter, value));
        }
    }
    before.put_back(state);
    let found = state.clone();
    // Always there, so that every load is told to the instance's place on the platforms, and ends there.
    state.fields.insert(PLATFORM.to_owned(), "{}".to_owned());
    mend_values::<Settings>(state);
    state.params.insert(DRY.id.to_owned(), ParamValue::Bool(false));
    let mut carried = not_understood::<Settings>(&found, state, &FIELDS);
    // The comparison is off in every version.
    carried.params.remove(DRY.id);
    if !carried.version.is_empty() {
        carried.platform = saved;
    }
    carried.pack(state);
}

/// Takes out of a state what an older version carried in it; ids and entries of before become those of today.
pub(crate) fn unpack<S: Tabled>(state: &mut PluginState) -> Carried {
    let mut carried = Carried::unpack(state);
    rename_keys::<S, _>(&mut state.params);
    rename_keys::<S, _>(&mut carried.params);
    rename_keys::<S, _>(&mut carried.platform);
    for (id, value) in &mut state.params {
        rename_entry::<S>(id, value);
    }
    for (id, CarriedValue { value, instead }) in &mut carried.params {
        rename_entry::<S>(id, value);
        if let Some(instead) = instead {
            rename_entry::<S>(id, instead);
        }
    }
    carried
}

/// Puts what stands under an old id under today's, unless something stands there.
fn rename_keys<S: Tabled, V>(values: &mut BTreeMap<String, V>) {
    for parameter in S::parameters() {
        for old_id in parameter.old_ids {
            if let Some(value) = values.remove(*old_id) {
                values.entry(parameter.id.to_owned()).or_insert(value);
            }
        }
    }
}

/// Gives an entry of a list that had another id before the one of today.
fn rename_entry<S: Tabled>(id: &str, value: &mut ParamValue) {
    let list = S::by_id(id).and_then(Parameter::list);
    if let (Some(list), ParamValue::String(entry)) = (list, value)
        && let Some(today) = list.place_of_id(entry).and_then(|place| id_of(list, place))
    {
        *entry = today;
    }
}

/// Returns what a state holds for a value of a parameter.
fn saved_value(parameter: &Parameter, value: f64) -> ParamValue {
    match &parameter.kind {
        Kind::Number(number) => ParamValue::F32(number.stored(value)),
        Kind::List(list) => match id_of(list, value as usize) {
            Some(entry) => ParamValue::String(entry),
            None => ParamValue::I32(value as i32),
        },
        Kind::Switch => ParamValue::Bool(value >= 0.5),
    }
}

/// Returns what a newer version saved, of which `repaired` is what this version makes; nothing of an older version's.
pub(crate) fn not_understood<S: Tabled>(
    found: &PluginState,
    repaired: &PluginState,
    fields: &[&str],
) -> Carried {
    if !is_newer(&found.version, VERSION) {
        return Carried::default();
    }
    let carried = |(id, value): (&String, &ParamValue)| {
        let instead = S::by_id(id).and_then(|known| repaired.params.get(known.id).cloned());
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

/// Brings every value of a table inside; what is missing or of another kind becomes the default.
///
/// A list's known id stays as it is, and a place in the list becomes its id.
pub(crate) fn mend_values<S: Tabled>(state: &mut PluginState) {
    for parameter in S::parameters() {
        let found = state.params.get(parameter.id);
        let repaired = match (&parameter.kind, found) {
            (Kind::Number(number), Some(ParamValue::F32(stored))) => {
                Some(ParamValue::F32(number.stored_in_range(*stored)))
            }
            (Kind::List(list), Some(ParamValue::String(entry))) => {
                // A place that had no entry when it was saved may have one now.
                place_of_id(list, entry).and_then(|place| id_of(list, place)).map(ParamValue::String)
            }
            (Kind::List(list), Some(ParamValue::I32(place))) => {
                usize::try_from(*place).ok().and_then(|place| id_of(list, place)).map(ParamValue::String)
            }
            (Kind::Switch, Some(ParamValue::Bool(is_on))) => Some(ParamValue::Bool(*is_on)),
            _ => None,
        };
        let value = repaired.unwrap_or_else(|| saved_value(parameter, parameter.default()));
        state.params.insert(parameter.id.to_owned(), value);
    }
}

#[cfg(test)]
mod tests {
    use nice_plug::prelude::Params as _;

    use super::*;
    use crate::parameters::Parameters;

    fn state(params: &[(&str, ParamValue)]) -> PluginState {
        PluginState {
            version: String::new(),
            params: params.iter().map(|(id, value)| ((*id).to_owned(), value.clone())).collect(),
            fields: BTreeMap::new(),
        }
    }

    fn stored(id: &str, value: f64) -> f32 {
        Settings::by_id(id).and_then(Parameter::number).expect("a number").stored(value)
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
        repair(&mut state);
        assert_eq!(state.params.len(), Settings::TABLE.len());
        for (id, known) in Settings::parameters().filter_map(|known| Some((known.id, known.number()?))) {
            assert_eq!(number(&state, id), known.stored(known.default), "{id}");
        }
        assert_eq!(text(&state, "floor"), "timber-platform");
        assert_eq!(text(&state, "canopy"), "plasterboard");
        assert_eq!(text(&state, "mics"), "near-coincident");
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
        repair(&mut state);
        assert_eq!(number(&state, "depth"), stored("depth", 25.0));
        assert_eq!(number(&state, "trim"), stored("trim", 0.0));
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
        repair(&mut state);
        assert_eq!(text(&state, "family"), "rear-bell");
        assert_eq!(text(&state, "floor"), "concrete");
        assert_eq!(text(&state, "rear"), "timber");
        assert_eq!(text(&state, "sides"), "timber");
        assert_eq!(text(&state, "canopy"), "plasterboard");
        assert_eq!(text(&state, "mics"), "near-coincident");
        // A place without an entry is one that a host can set: it comes back.
        let mut state = self::state(&[
            ("rear", ParamValue::String("place-12".to_owned())),
            ("sides", ParamValue::String("place-4".to_owned())),
            ("canopy", ParamValue::String("place-99".to_owned())),
        ]);
        repair(&mut state);
        assert_eq!(text(&state, "rear"), "place-12");
        assert_eq!(text(&state, "sides"), "brick", "it has an entry by now");
        assert_eq!(text(&state, "canopy"), "plasterboard");
    }

    #[test]
    fn the_comparison_never_comes_back_on_and_bypass_does() {
        let mut state = state(&[("dry", ParamValue::Bool(true)), ("bypass", ParamValue::Bool(true))]);
        repair(&mut state);
        assert!(matches!(state.params["dry"], ParamValue::Bool(false)));
        assert!(matches!(state.params["bypass"], ParamValue::Bool(true)));
    }

    #[test]
    fn the_values_of_a_shared_platform_become_the_instances_own() {
        let mut state = state(&[
            ("decay", ParamValue::F32(0.5)),
            ("plat_w", ParamValue::F32(stored("plat_w", 18.0))),
            ("plat_d", ParamValue::F32(stored("plat_d", 9.0))),
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
        repair(&mut state);
        assert_eq!(number(&state, "decay"), 1.25);
        assert_eq!(number(&state, "plat_w"), 30.0);
        assert_eq!(number(&state, "plat_d"), stored("plat_d", 9.0), "set by the host since");
        assert_eq!(text(&state, "rear"), "brick");
        assert_eq!(text(&state, "sides"), "plaster", "set by the host since");
        assert_eq!(text(&state, "mics"), "spaced-omnis");
        assert_eq!(text(&state, "link"), "2");
        assert_eq!(state.fields[PLATFORM], "{}");
        state.fields.insert(PLATFORM.to_owned(), "no JSON".to_owned());
        repair(&mut state);
        assert_eq!(number(&state, "decay"), 1.25);
    }

    #[test]
    fn ids_and_entries_of_before_become_those_of_today() {
        let text_of = |text: &str| ParamValue::String(text.to_owned());
        for (old, today, other) in [
            ("even", "omnidirectional", "rear-bell"),
            ("skin", "drumhead", "tone-holes"),
            ("drumhead", "drumhead", "skin"),
        ] {
            let mut state = state(&[
                ("family", text_of(old)),
                ("pickup", text_of("spaced-omnis")),
                ("pick_y", ParamValue::F32(1.25)),
                ("pick_z", ParamValue::F32(4.5)),
                ("other", text_of(other)),
            ]);
            repair(&mut state);
            assert_eq!((text(&state, "family"), text(&state, "mics")), (today.into(), "spaced-omnis".into()));
            assert_eq!((number(&state, "mics_y"), number(&state, "mics_z")), (1.25, 4.5));
            assert!(["pickup", "pick_y", "pick_z"].iter().all(|old| !state.params.contains_key(*old)));
        }
        // Where both stand, today's counts.
        let mut both = state(&[("pick_y", ParamValue::F32(1.0)), ("mics_y", ParamValue::F32(2.0))]);
        repair(&mut both);
        assert_eq!(number(&both, "mics_y"), 2.0);
        // On a shared platform.
        let mut shared = state(&[("pickup", text_of("near-coincident")), ("pick_z", ParamValue::F32(3.0))]);
        let saved = r#"{"pickup": {"value": 2.0, "own": 1.0}, "pick_z": {"value": 4.0, "own": 3.0}}"#;
        shared.fields.insert(PLATFORM.to_owned(), saved.to_owned());
        repair(&mut shared);
        assert_eq!((text(&shared, "mics"), number(&shared, "mics_z")), ("spaced-omnis".into(), 4.0));
    }

    #[test]
    fn what_was_carried_under_an_id_of_before_is_found_again() {
        let mut state = state(&[("pickup", ParamValue::String("near-coincident".to_owned()))]);
        VERSION.clone_into(&mut state.version);
        let carried = r#"{"version": "99.0.0", "params": {"pickup": {"value": {"string": "tree"}, "instead": {"string": "near-coincident"}}}}"#;
        state.fields.insert("newer".to_owned(), carried.to_owned());
        repair(&mut state);
        assert_eq!(text(&state, "mics"), "near-coincident");
        let carried: Carried = deserialize_field(&state.fields["newer"]).expect("it is carried");
        assert!(is_same(&carried.params["mics"].value, &ParamValue::String("tree".to_owned())));
    }

    /// What this version saves after it has loaded a state: what it knows, and its fields.
    fn saved(mut repaired: PluginState) -> PluginState {
        let known = |id: &String| Parameters::default().param_map().iter().any(|(known, ..)| known == id);
        repaired.params.retain(|id, _| known(id));
        repaired.fields.retain(|name, _| FIELDS.contains(&name.as_str()) || name == "newer");
        VERSION.clone_into(&mut repaired.version);
        repaired
    }

    /// A state of a version that has a finish, a parameter, a longer decay and a field more.
    fn newer() -> PluginState {
        let mut newer = state(&[
            ("floor", ParamValue::String("glass".to_owned())),
            ("rear", ParamValue::String("brick".to_owned())),
            ("decay", ParamValue::F32(3.25)),
            ("balcony", ParamValue::F32(0.4)),
            ("depth", ParamValue::F32(stored("depth", 7.0))),
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
        repair(&mut once);
        assert_eq!((text(&once, "floor"), text(&once, "rear")), ("timber-platform".into(), "brick".into()));
        assert_eq!((number(&once, "decay"), number(&once, "depth")), (2.0, stored("depth", 7.0)));
        // Saved, loaded and saved again by this version.
        let mut twice = saved(once.clone());
        repair(&mut twice);
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
        repair(&mut here);
        let mut here = saved(here);
        here.params.insert("floor".to_owned(), ParamValue::String("concrete".to_owned()));
        // The group's edit is followed, and stands in the platform's field.
        here.fields.insert(PLATFORM.to_owned(), r#"{"decay": {"value": 1.5, "own": 2.0}}"#.to_owned());
        repair(&mut here);
        let found = found_by_the_newer(saved(here));
        assert_eq!((text(&found, "floor"), number(&found, "decay")), ("concrete".into(), 1.5));
        assert_eq!(number(&found, "balcony"), 0.4);
    }

    #[test]
    fn of_a_state_that_is_not_newer_nothing_is_carried() {
        for version in ["", VERSION, "0.0.1", "nonsense"] {
            let mut older = newer();
            version.clone_into(&mut older.version);
            repair(&mut older);
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
        repair(&mut learnt);
        assert_eq!((learnt.fields["newer"].as_str(), text(&learnt, "floor")), ("{}", "brick".into()));
    }

    #[test]
    fn what_lies_in_range_stays_to_the_bit() {
        let stored = stored("depth", 7.31);
        let mut state = state(&[("depth", ParamValue::F32(stored)), ("decay", ParamValue::F32(0.731))]);
        repair(&mut state);
        assert_eq!(number(&state, "depth").to_bits(), stored.to_bits());
        assert_eq!(number(&state, "decay").to_bits(), 0.731_f32.to_bits());
    }
}
