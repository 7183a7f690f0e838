//! What a newer version saved and this one does not know: it is kept, and goes along into the next saved state.
//!
//! The framework writes back the parameters and fields that an instance has,
//! and nothing else. What it would lose travels in a field of its own, which
//! every version unpacks before it reads a state: so the newer one finds its
//! state as if it had saved it itself, but for what was changed meanwhile.

use std::collections::BTreeMap;
#[allow(clippy::disallowed_types, reason = "states are saved and shown on threads that may wait")]
use std::sync::{Mutex, MutexGuard, PoisonError};

use nice_plug::params::persist::{PersistentField, deserialize_field, serialize_field};
use nice_plug::plugin::ParamValue;
use nice_plug::prelude::PluginState;
use serde::{Deserialize, Serialize};

use crate::platform_link::Saved;

/// The field of a state that holds what is carried.
pub(crate) const FIELD: &str = "newer";
/// The version of this program.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");

/// What a newer version saved and this one does not know.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Carried {
    /// The newer version; empty where nothing is carried.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub version: String,
    /// Parameters that are not known here, and values that cannot be played here.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub params: BTreeMap<String, CarriedValue>,
    /// Values of a shared platform that are not known here.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub platform: Saved,
    /// Fields that are not known here.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub fields: BTreeMap<String, String>,
}

/// The value of a parameter as a newer version saved it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct CarriedValue {
    /// What was saved.
    pub value: ParamValue,
    /// What is played here instead; `None` where the parameter itself is not known.
    pub instead: Option<ParamValue>,
}

impl Carried {
    /// Takes out of a state what an older version carried in it, and puts back what that one did not know at all.
    pub(crate) fn unpack(state: &mut PluginState) -> Self {
        let packed = state.fields.remove(FIELD);
        let carried: Self = packed.and_then(|field| deserialize_field(&field).ok()).unwrap_or_default();
        for (id, carried) in carried.params.iter().filter(|(_, carried)| carried.instead.is_none()) {
            state.params.entry(id.clone()).or_insert_with(|| carried.value.clone());
        }
        for (name, field) in &carried.fields {
            state.fields.entry(name.clone()).or_insert_with(|| field.clone());
        }
        if is_newer(&carried.version, &state.version) {
            state.version.clone_from(&carried.version);
        }
        carried
    }

    /// Puts back values that the older version could not play, unless they were changed there.
    pub(crate) fn put_back(&self, state: &mut PluginState) {
        for (id, carried) in &self.params {
            let is_untouched = match (&carried.instead, state.params.get(id)) {
                (Some(instead), Some(now)) => is_same(instead, now),
                _ => false,
            };
            if is_untouched {
                state.params.insert(id.clone(), carried.value.clone());
            }
        }
    }

    /// Writes what is carried from here on into its field.
    pub(crate) fn pack(&self, state: &mut PluginState) {
        state.fields.insert(FIELD.to_owned(), serialize_field(self).unwrap_or_else(|_| "{}".to_owned()));
    }
}

/// Says whether a version comes after another: `major.minor.patch`, as numbers. What is no such version never does.
pub(crate) fn is_newer(version: &str, than: &str) -> bool {
    version_of(version).is_some_and(|version| Some(version) > version_of(than))
}

fn version_of(text: &str) -> Option<[u32; 3]> {
    // What a release's number may be followed by, as in 1.2.0-beta, does not count.
    let release = text.split(['-', '+']).next()?;
    let mut parts = release.split('.').map(|part| part.parse().ok());
    let version = [parts.next()??, parts.next()??, parts.next()??];
    parts.next().is_none().then_some(version)
}

/// Says whether two values are the same, to the bit.
pub(crate) fn is_same(one: &ParamValue, other: &ParamValue) -> bool {
    match (one, other) {
        (ParamValue::F32(one), ParamValue::F32(other)) => one.to_bits() == other.to_bits(),
        (ParamValue::I32(one), ParamValue::I32(other)) => one == other,
        (ParamValue::Bool(one), ParamValue::Bool(other)) => one == other,
        (ParamValue::String(one), ParamValue::String(other)) => one == other,
        _ => false,
    }
}

/// What an instance carries, as its state holds it.
#[derive(Debug, Default)]
#[allow(clippy::disallowed_types, reason = "states are saved and shown on threads that may wait")]
pub struct Carrier(Mutex<Carried>);

#[allow(clippy::disallowed_types, reason = "states are saved and shown on threads that may wait")]
impl Carrier {
    /// Reads what is carried.
    pub fn read<T>(&self, read: impl FnOnce(&Carried) -> T) -> T {
        read(&self.lock())
    }

    /// Carries the value of a parameter no longer, because a hand has set another.
    pub fn forget(&self, id: &str) {
        self.lock().params.remove(id);
    }

    fn lock(&self) -> MutexGuard<'_, Carried> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl PersistentField<'_, Carried> for Carrier {
    fn set(&self, carried: Carried) {
        *self.lock() = carried;
    }

    fn map<F, R>(&self, f: F) -> R
    where
        F: Fn(&Carried) -> R,
    {
        f(&self.lock())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_compared_as_numbers() {
        for (version, than) in
            [("0.2.0", "0.1.0"), ("0.10.0", "0.9.9"), ("1.0.0-beta", "0.1.0"), ("99.0.0", "")]
        {
            assert!(is_newer(version, than), "{version} after {than}");
            assert!(!is_newer(than, version), "{than} after {version}");
        }
        for text in ["", "99", "1.2", "1.2.3.4", "a.b.c", "-1.0.0", "99999999999.0.0"] {
            assert!(!is_newer(text, "0.1.0"), "{text}");
        }
        assert!(!is_newer(VERSION, VERSION) && version_of(VERSION).is_some());
    }
}
