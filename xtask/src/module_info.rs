//! What the VST3 holds, as a file that a host reads without loading it.

use std::fs;
use std::path::Path;

use anyhow::{Context as _, Result};
use serde_json::{Value, json};

/// Where it lies in the bundle.
///
/// # Source
/// VST 3 SDK, "Technical Documentation", "ModuleInfo": in the resources since 3.7.8.
const PLACE: &str = "Contents/Resources/moduleinfo.json";

/// Who makes them.
const VENDOR: &str = "Rostra";
/// Which version of the interfaces the framework says that it follows.
const SDK: &str = "VST 3.6.14";
/// `kSimpleModeSupported` of the VST 3 interfaces, which the framework sets.
const CLASS_FLAGS: u32 = 2;
/// `kManyInstances` of the VST 3 interfaces.
const MANY_INSTANCES: i32 = i32::MAX;

/// The plug-ins: class id as text, name, kinds.
const CLASSES: [(&[u8; 16], &str, [&str; 2]); 2] = [
    (b"RostraSeatPlace1", "Rostra Seat", ["Fx", "Spatial"]),
    (b"RostraHallBus001", "Rostra Hall", ["Fx", "Reverb"]),
];

/// Writes it into the bundle; `name` is that of the bundle. A test of hosts holds it against what the library says.
///
/// # Errors
/// When it cannot be written.
pub(crate) fn write(bundle: &Path, name: &str) -> Result<()> {
    let place = bundle.join(PLACE);
    let text = serde_json::to_string_pretty(&contents(name))? + "\n";
    if let Some(folder) = place.parent() {
        fs::create_dir_all(folder).with_context(|| format!("{} cannot be created", folder.display()))?;
    }
    fs::write(&place, text).with_context(|| format!("{} cannot be written", place.display()))
}

/// Returns what stands in it; all versions are that of the workspace.
fn contents(name: &str) -> Value {
    let version = env!("CARGO_PKG_VERSION");
    let classes = CLASSES.map(|(id, name, kinds)| {
        let id = format!("{:032X}", u128::from_be_bytes(*id));
        json!({
            "CID": id,
            "Category": "Audio Module Class",
            "Name": name,
            "Vendor": VENDOR,
            "Version": version,
            "SDKVersion": SDK,
            "Sub Categories": kinds,
            "Class Flags": CLASS_FLAGS,
            "Cardinality": MANY_INSTANCES,
            "Snapshots": [],
        })
    });
    json!({
        "Name": name,
        "Version": version,
        "Factory Info": {
            "Vendor": VENDOR,
            // As in the library: there is neither a page nor an address that could be given. The format wants both
            // keys, and takes an empty text.
            "URL": "",
            "E-Mail": "",
            "Flags": {
                "Unicode": true,
                "Classes Discardable": false,
                "Component Non Discardable": false,
            },
        },
        "Compatibility": [],
        "Classes": classes,
    })
}
