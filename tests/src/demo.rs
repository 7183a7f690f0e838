//! The demo's seats, platform, halls and dry stems.

use std::fs;
use std::path::{Path, PathBuf};

use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::{Tabled, read};
use rostra_recording::Recording;
use toml::{Table, Value};

/// A player of the demo.
#[derive(Clone, Debug)]
pub struct Player {
    /// Name of the seat's file, without its end.
    pub name: String,
    /// Seat and platform.
    pub settings: Settings,
    stem: PathBuf,
}

impl Player {
    /// Reads the dry stem: one channel and its rate.
    pub fn stem(&self) -> (Vec<f32>, u32) {
        let mut recording = Recording::read(&self.stem).expect("the demo's stems can be read");
        assert_eq!(recording.channels.len(), 1, "the demo's stems are mono");
        (recording.channels.swap_remove(0), recording.rate_hz)
    }
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../presets-demo")
}

fn table(path: &Path) -> Table {
    let text = fs::read_to_string(path).expect("the demo's files can be read");
    text.parse().expect("the demo's files are TOML")
}

/// Sets what a file holds; a name and a note are no settings.
fn take<S: Tabled>(settings: &mut S, file: &str) {
    for (id, value) in table(&folder().join(file)) {
        let text = match value {
            Value::String(text) => text,
            other => other.to_string(),
        };
        if ["name", "note"].contains(&id.as_str()) {
            continue;
        }
        let (parameter, value) = read::<S>(&id, &text).expect("the demo's files hold settings");
        settings.put(parameter, value);
    }
}

/// Returns every player of the demo on its platform, in the order of its plan.
pub fn players() -> Vec<Player> {
    let plan = table(&folder().join("ensemble.toml"));
    let word = |table: &Table, key: &str| -> String {
        table[key].as_str().expect("the plan names files").to_owned()
    };
    let stems = plan["stem"].as_array().expect("the plan has stems");
    stems
        .iter()
        .filter_map(Value::as_table)
        .map(|stem| {
            let seat = word(stem, "seat");
            let mut settings = Settings::default();
            take(&mut settings, &word(&plan, "platform"));
            take(&mut settings, &seat);
            let name = Path::new(&seat).file_stem().and_then(|name| name.to_str());
            Player {
                name: name.expect("the plan names seats").to_owned(),
                settings: settings.snapped(),
                stem: folder().join(word(stem, "file")),
            }
        })
        .collect()
}

/// Returns one player of the demo.
pub fn player(name: &str) -> Player {
    players().into_iter().find(|player| player.name == name).expect("the demo has this player")
}

/// Returns the level at which the demo's plan has the hall, dB.
pub fn hall_level_db() -> f64 {
    table(&folder().join("ensemble.toml"))["hall_level_db"].as_float().expect("the plan has a level")
}

/// Returns the demo's halls by the names of their files.
pub fn halls() -> Vec<(&'static str, Hall)> {
    ["short-cue", "long-cue"]
        .map(|name| {
            let mut hall = Hall::default();
            take(&mut hall, &format!("halls/{name}.toml"));
            (name, hall.snapped())
        })
        .to_vec()
}
