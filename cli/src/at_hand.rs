//! Where the plug-in and the demo lie: named, beside the program, or where such things are looked for.
//!
//! Nothing is built here, and no folder of the machine that built the program is known.

use std::path::{Path, PathBuf};

use anyhow::{Result, anyhow, ensure};
use rostra_host::Library;
use rostra_terminal::shown;

/// What the plug-in's file is called.
const PLUG_IN: &str = "rostra.clap";
/// What the demo's folder is called.
const DEMO: &str = "presets-demo";

/// What a command finds instead of looking for it.
#[derive(clap::Args, Clone, Debug, Default)]
pub(crate) struct AtHand {
    /// The plug-in to use; by default the one beside this program or where hosts look.
    #[arg(long, global = true, value_name = "FILE.clap", overrides_with = "plugin")]
    plugin: Option<PathBuf>,
    /// The demo's folder, with stems, seats and lessons; by default the one beside this program or above it.
    #[arg(long, global = true, value_name = "DIR", overrides_with = "presets")]
    presets: Option<PathBuf>,
}

/// The plug-in, found and loaded.
pub(crate) struct PlugIn {
    /// Where it lies.
    pub(crate) path: PathBuf,
    /// What was loaded.
    pub(crate) library: Library,
}

impl AtHand {
    /// Finds and loads the plug-in.
    ///
    /// # Errors
    /// When there is none in any of the places, which are named, or it cannot be loaded.
    pub(crate) fn plug_in(&self) -> Result<PlugIn> {
        let path = match &self.plugin {
            Some(path) => path.clone(),
            None => first(&plug_in_places(), Path::exists).map_err(|looked| {
                anyhow!(
                    "the plug-in was not found; looked for {looked}. Give it with --plugin FILE.clap, put it beside this program, or install it (in a checkout: cargo xtask bundle --install)"
                )
            })?,
        };
        Ok(PlugIn { library: Library::load(&path)?, path })
    }

    /// Finds the demo's folder.
    ///
    /// # Errors
    /// When there is none in any of the places, which are named.
    pub(crate) fn presets(&self) -> Result<PathBuf> {
        if let Some(folder) = &self.presets {
            ensure!(
                folder.is_dir(),
                "--presets {}: is not a folder; give the one called {DEMO}",
                folder.display()
            );
            return Ok(folder.clone());
        }
        first(&demo_places(), Path::is_dir).map_err(|looked| {
            anyhow!(
                "the demo's folder was not found; looked for {looked}. Give it with --presets DIR, or put it beside this program"
            )
        })
    }
}

/// Returns the first of some places that is as asked; else all of them, as a person would write them.
fn first(places: &[PathBuf], is_so: impl Fn(&Path) -> bool) -> Result<PathBuf, String> {
    let found = places.iter().find(|place| is_so(place)).cloned();
    found.ok_or_else(|| places.iter().map(|place| shown(place)).collect::<Vec<_>>().join(", "))
}

/// Returns the folder of this program, where the system tells it.
fn own_folder() -> Option<PathBuf> {
    // A link in a folder of programs leads to where the program lies, and what belongs to it beside it.
    let program = std::env::current_exe().and_then(|program| program.canonicalize()).ok()?;
    program.parent().map(Path::to_path_buf)
}

/// Returns where the plug-in may lie, what comes first counts.
///
/// # Source
/// CLAP 1.2, `entry.h`: the folders of each system, and those that `CLAP_PATH` lists.
fn plug_in_places() -> Vec<PathBuf> {
    let variable = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let listed = std::env::var_os("CLAP_PATH").unwrap_or_default();
    let below = |name: &str, inner: &str| variable(name).map(|folder| folder.join(inner));
    let of_system = if cfg!(target_os = "windows") {
        [below("LOCALAPPDATA", "Programs/Common/CLAP"), below("COMMONPROGRAMFILES", "CLAP")]
    } else if cfg!(target_os = "macos") {
        [below("HOME", "Library/Audio/Plug-Ins/CLAP"), Some("/Library/Audio/Plug-Ins/CLAP".into())]
    } else {
        [below("HOME", ".clap"), Some("/usr/lib/clap".into())]
    };
    own_folder()
        .into_iter()
        .chain(std::env::split_paths(&listed).filter(|folder| !folder.as_os_str().is_empty()))
        .chain(of_system.into_iter().flatten())
        .map(|folder| folder.join(PLUG_IN))
        .collect()
}

/// Returns where the demo's folder may lie: beside this program, and in each folder above.
fn demo_places() -> Vec<PathBuf> {
    let beside = own_folder().unwrap_or_default();
    beside.ancestors().map(|folder| folder.join(DEMO)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_place_that_is_there_counts_and_all_are_named_where_none_is() {
        let folder = tempfile::tempdir().unwrap();
        let places = ["a", "b", "c"].map(|name| folder.path().join(name));
        let looked = first(&places, Path::exists).unwrap_err();
        assert!(places.iter().all(|place| looked.contains(&place.display().to_string())), "{looked}");
        std::fs::write(&places[1], "").unwrap();
        std::fs::write(&places[2], "").unwrap();
        assert_eq!(first(&places, Path::exists).unwrap(), places[1]);
    }

    #[test]
    fn the_demo_is_found_above_the_program() {
        // This test runs in the target folder of the checkout, unless that is elsewhere.
        if std::env::var_os("CARGO_TARGET_DIR").is_none() {
            assert!(AtHand::default().presets().unwrap().join("ensemble.toml").is_file());
        }
        let named = AtHand { presets: Some("nowhere at all".into()), ..AtHand::default() };
        assert!(named.presets().unwrap_err().to_string().contains("nowhere at all"));
    }
}
