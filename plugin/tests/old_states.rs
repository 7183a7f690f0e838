//! States that a host kept from version 0.1.0, under the CLAP ids and parameter ids of then: every value is found again.
//!
//! What they sound like is held among the tests of hosts (`kept_states`).

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

use nice_plug::plugin::ParamValue;
use nice_plug::prelude::PluginState;
use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::Tabled;

/// Says whether a value of then is today's: to the bit, or by the entry's new id.
fn is_kept<S: Tabled>(id: &str, old: &ParamValue, today: &ParamValue) -> bool {
    match (old, today) {
        (ParamValue::F32(old), ParamValue::F32(today)) => old.to_bits() == today.to_bits(),
        (ParamValue::Bool(old), ParamValue::Bool(today)) => old == today,
        (ParamValue::String(old), ParamValue::String(today)) => {
            let list = S::by_id(id).unwrap().list().unwrap();
            let [old, entry] = [old, today].map(|entry| list.place_of_id(entry).unwrap());
            old == entry && list.entries[entry].id == today
        }
        _ => false,
    }
}

fn hold<S: Tabled>(kept: &PluginState, repair: fn(&mut PluginState)) {
    let mut repaired = kept.clone();
    repair(&mut repaired);
    // Those of then, and what came since.
    assert_eq!(repaired.params.len(), S::TABLE.len());
    for (id, old) in &kept.params {
        let today = S::by_id(id).unwrap_or_else(|| panic!("{id} is not known any more")).id;
        assert!(
            is_kept::<S>(id, old, &repaired.params[today]),
            "{id}: {old:?}, now {:?}",
            repaired.params[today]
        );
    }
}

#[test]
fn every_value_of_a_state_of_before_is_found_again() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/states");
    let mut count = 0;
    for path in fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if !name.starts_with("0.1.0 ") || path.extension().is_none_or(|ending| ending != "state") {
            continue;
        }
        // The framework writes the length in front.
        let kept: PluginState = serde_json::from_slice(&fs::read(&path).unwrap()[8..]).unwrap();
        if name.contains("hall") {
            hold::<Hall>(&kept, rostra::hall::state::repair);
        } else {
            hold::<Settings>(&kept, rostra::state::repair);
        }
        count += 1;
    }
    assert!(count >= 8, "{count} states");
}
