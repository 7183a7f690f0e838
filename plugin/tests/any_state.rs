//! Saved states with anything in them: repaired, so that loading one gives a sound of its own.
//!
//! `ROSTRA_FUZZ_S=600 cargo test -p rostra --test any_state` tries for ten minutes. The bundle is tried with damaged
//! bytes among the tests of hosts.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;

use nice_plug::plugin::ParamValue;
use nice_plug::prelude::{Params as _, PluginState};
use proptest::collection::{btree_map, vec};
use proptest::prelude::*;
use proptest::sample::select;
use rostra::hall::parameters::HallParameters;
use rostra::parameters::Parameters;
use rostra::platform_link::SHARED_IDS;
use rostra::stored::Stored as _;
use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::Tabled;
use rostra_fuzz::Target;

const TARGET: Target = Target { name: "mended-states", inputs: 8000 };

/// The lists of a seat and the ids of their places.
fn lists() -> Vec<(&'static str, Vec<String>)> {
    let lists = Settings::parameters().filter_map(|parameter| Some((parameter.id, parameter.list()?)));
    lists
        .map(|(id, list)| {
            let entries = list.entries.iter().map(|entry| entry.id.to_owned());
            let kept = (list.entries.len()..list.places).map(|place| format!("place-{place}"));
            (id, entries.chain(kept).collect())
        })
        .collect()
}

/// Ids of entries of today and of before.
fn entries() -> Vec<String> {
    let old = Settings::parameters().filter_map(|parameter| parameter.list()).flat_map(|list| list.entries);
    let old = old.flat_map(|entry| entry.old_ids).map(|&id| id.to_owned());
    lists().into_iter().flat_map(|(_, entries)| entries).chain(old).collect()
}

/// Any number, the awkward ones often.
fn number() -> impl Strategy<Value = f32> {
    prop_oneof![
        2 => -100.0..100.0_f32,
        1 => any::<f32>(),
        1 => prop::num::f32::ANY,
        1 => select(vec![f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, f32::MIN, -0.0, 1e-45]),
    ]
}

fn value() -> impl Strategy<Value = ParamValue> {
    prop_oneof![
        4 => number().prop_map(ParamValue::F32),
        1 => prop_oneof![any::<i32>(), -2..12].prop_map(ParamValue::I32),
        1 => any::<bool>().prop_map(ParamValue::Bool),
        2 => select(entries()).prop_map(ParamValue::String),
        1 => any::<String>().prop_map(ParamValue::String),
    ]
}

/// What an instance on a shared platform saves, with any numbers in it, or anything else.
fn platform() -> impl Strategy<Value = String> {
    let saved = btree_map(
        select(SHARED_IDS.into_iter().chain(["pickup", "pick_y", "pick_z"]).collect::<Vec<_>>()),
        (number(), number()),
        0..6,
    )
    .prop_map(|saved| {
        // What JSON cannot hold is left for the reader to refuse.
        let entries: Vec<String> = saved
            .iter()
            .map(|(id, (value, own))| format!("\"{id}\":{{\"value\":{value:e},\"own\":{own:e}}}"))
            .collect();
        format!("{{{}}}", entries.join(","))
    });
    let entry = prop_oneof![Just("\"floor\""), Just("\"depth\""), Just("\"\""), Just("\"link\"")];
    let value = prop_oneof![
        Just("{\"f32\":1e9}"),
        Just("{\"string\":\"glass\"}"),
        Just("{\"i32\":-7}"),
        Just("null"),
        Just("{\"string\":\"timber-platform\"}")
    ];
    let newer = (entry, value.clone(), value).prop_map(|(id, value, instead)| {
        format!(
            "{{\"version\":\"99.0.0\",\"params\":{{{id}:{{\"value\":{value},\"instead\":{instead}}}}},\"fields\":{{\"a\":\"b\"}}}}"
        )
    });
    prop_oneof![4 => saved, 2 => newer, 1 => any::<String>(), 1 => Just("{\"decay\":{\"value\":1e999,\"own\":0}}".to_owned())]
}

fn state() -> impl Strategy<Value = PluginState> {
    let ids = Parameters::default().param_map().into_iter().chain(HallParameters::default().param_map());
    let ids: Vec<String> = ids
        .map(|(id, ..)| id)
        .chain(["", "dep", "é", "pickup", "pick_y", "pick_z"].map(str::to_owned))
        .collect();
    let params = vec((select(ids), value()), 0..40).prop_map(|params| params.into_iter().collect());
    let fields = vec((select(vec!["platform", "group", "newer", "editor", ""]), platform()), 0..3)
        .prop_map(|fields| fields.into_iter().map(|(id, field)| (id.to_owned(), field)).collect());
    let version = prop_oneof![any::<String>(), Just("99.0.0".to_owned()), Just("0.1.0".to_owned())];
    (version, params, fields).prop_map(
        |(version, params, fields): (String, BTreeMap<_, _>, BTreeMap<_, _>)| PluginState {
            version,
            params,
            fields,
        },
    )
}

#[test]
fn any_state_is_repaired_to_values_in_range_and_once_is_enough() {
    let kept = |state: &PluginState| format!("{state:#?}").into_bytes();
    TARGET.run(&state(), kept, |state| {
        let before = bits(state);
        let mut seat = state.clone();
        rostra::state::repair(&mut seat);
        in_range::<Settings>(&seat);
        for (id, entries) in lists() {
            let Some(ParamValue::String(entry)) = seat.params.get(id) else { panic!("{id} is no entry") };
            assert!(entries.contains(entry), "{id} is {entry:?}");
        }
        for id in ["bypass", "dry"] {
            assert!(matches!(seat.params.get(id), Some(ParamValue::Bool(_))), "{id} is no switch");
        }
        assert_eq!(seat.fields.get("platform").map(String::as_str), Some("{}"));
        let once = bits(&seat);
        rostra::state::repair(&mut seat);
        assert_eq!(bits(&seat), once, "repaired twice");

        let mut hall = state.clone();
        rostra::hall::state::repair(&mut hall);
        in_range::<Hall>(&hall);
        let once_hall = bits(&hall);
        rostra::hall::state::repair(&mut hall);
        assert_eq!(bits(&hall), once_hall, "repaired twice");
        // Nothing was to be repaired but what is always set.
        before.iter().all(|(id, value)| once.get(id).is_none_or(|repaired| repaired == value))
    });
}

/// Returns every value as text that tells bits apart, not-a-number included.
fn bits(state: &PluginState) -> BTreeMap<String, String> {
    let text = |value: &ParamValue| match value {
        ParamValue::F32(number) => format!("{:08x}", number.to_bits()),
        other => format!("{other:?}"),
    };
    state.params.iter().map(|(id, value)| (id.clone(), text(value))).collect()
}

fn in_range<S: Tabled>(state: &PluginState) {
    for (id, number) in S::parameters().filter_map(|parameter| Some((parameter.id, parameter.number()?))) {
        let Some(ParamValue::F32(stored)) = state.params.get(id) else { panic!("{id} is no number") };
        let (low, high) = (number.stored(number.range.0), number.stored(number.range.1));
        assert!((low..=high).contains(stored), "{id} holds {stored}");
        assert!(number.value(*stored).is_finite(), "{id} is not finite");
        assert!(!number.shown(number.value(*stored)).is_empty());
    }
}
