//! The plug-in as hosts load it: built, bundled, installed.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use rostra_terminal::tell;

use crate::{mended, notices, workspace};

/// The package that holds the plug-in; the bundles are called after it.
const PACKAGE: &str = "rostra";

/// A file beside the bundles that says that they were built against the framework as it is published.
const UNMENDED: &str = "unmended";

/// The two bundles.
#[derive(Clone, Debug)]
pub(crate) struct Bundle {
    /// The CLAP: a library, a folder on macOS.
    pub(crate) clap: PathBuf,
    /// The VST3 folder.
    pub(crate) vst3: PathBuf,
}

impl Bundle {
    /// Returns where the bundles lie once they are built.
    ///
    /// # Errors
    /// When this does not run inside the checkout.
    pub(crate) fn place() -> Result<Self> {
        let folder = workspace::target()?.join("bundled");
        Ok(Self {
            clap: folder.join(format!("{PACKAGE}.clap")),
            vst3: folder.join(format!("{PACKAGE}.vst3")),
        })
    }

    /// Builds the plug-in in release and bundles it, against a mended framework or against the published one.
    ///
    /// # Errors
    /// When it does not build, cannot be mended, or a bundle is missing afterwards.
    pub(crate) fn build(is_mended: bool) -> Result<Self> {
        let bundle = Self::place()?;
        let target = workspace::target()?;
        let from = if is_mended { mended::lay_out()? } else { workspace::root()? };
        let here = std::env::current_dir().context("the current folder is gone")?;
        // Cargo and the bundler look for their files in the current folder.
        std::env::set_current_dir(from)?;
        // Libraries that are not mended are built once for both.
        let arguments = ["--release".to_owned(), "--target-dir".to_owned(), target.display().to_string()];
        let built = nice_plug_xtask::build(&[PACKAGE.to_owned()], &arguments)
            // Overwritten in place, a bundle that is loaded somewhere would change under that program.
            .and_then(|()| remove(&bundle.clap).and_then(|()| remove(&bundle.vst3)))
            .and_then(|()| nice_plug_xtask::bundle(&target, PACKAGE, &arguments, false));
        std::env::set_current_dir(here)?;
        built.context("the plug-in could not be built")?;
        let mark = target.join("bundled").join(UNMENDED);
        if is_mended {
            remove(&mark)?;
        } else {
            fs::write(&mark, "").context("the bundles cannot be marked")?;
        }
        for made in [&bundle.clap, &bundle.vst3] {
            ensure!(made.exists(), "{} was not made: does the plug-in export it?", made.display());
        }
        notices::write(PACKAGE, &target.join("bundled"))?;
        Ok(bundle)
    }

    /// Returns the bundles, built first where they are missing or older than a source.
    ///
    /// # Errors
    /// As [`Bundle::build`].
    pub(crate) fn fresh() -> Result<Self> {
        let bundle = Self::place()?;
        let root = workspace::root()?;
        let sources = [
            "Cargo.toml",
            "Cargo.lock",
            "dsp",
            "files",
            "plugin",
            "presets-demo/halls",
            "xtask/src/mended.rs",
            "xtask/src/mends.rs",
            "presets-demo/platforms",
            "presets-demo/seats",
        ]
        .map(|name| root.join(name));
        let newest = sources.iter().filter_map(|source| newest_change(source)).max();
        let why = match (library_change(&bundle), newest) {
            (None, _) => "is not built yet",
            _ if workspace::target()?.join("bundled").join(UNMENDED).exists() => "is built without the mends",
            (Some(built), Some(newest)) if built < newest => "is older than its sources",
            _ => return Ok(bundle),
        };
        tell!("The plug-in {why}: building it (a few minutes the first time).");
        Self::build(true)
    }

    /// Copies the bundles to the user's plug-in folders and returns where they went.
    ///
    /// # Errors
    /// When the home folder is not known or a folder cannot be written to.
    pub(crate) fn install(&self) -> Result<[PathBuf; 2]> {
        let [clap_folder, vst3_folder] = user_folders()?;
        Ok([install_into(&self.clap, &clap_folder)?, install_into(&self.vst3, &vst3_folder)?])
    }
}

/// Returns when the older of the two built libraries was written.
fn library_change(bundle: &Bundle) -> Option<SystemTime> {
    Some(newest_change(&bundle.clap)?.min(newest_change(&bundle.vst3)?))
}

/// Returns the newest change of a file, or of any file in a folder.
fn newest_change(path: &Path) -> Option<SystemTime> {
    let metadata = fs::metadata(path).ok()?;
    if metadata.is_file() {
        return metadata.modified().ok();
    }
    fs::read_dir(path).ok()?.flatten().filter_map(|entry| newest_change(&entry.path())).max()
}

/// Returns the user's CLAP and VST3 folders.
///
/// # Source
/// CLAP 1.2, `entry.h`; VST 3 documentation, "Plug-in locations".
fn user_folders() -> Result<[PathBuf; 2]> {
    let variable = |name: &str| {
        std::env::var_os(name)
            .map(PathBuf::from)
            .ok_or_else(|| anyhow!("the environment does not say {name}: copy the bundles by hand"))
    };
    if cfg!(target_os = "windows") {
        let common = variable("LOCALAPPDATA")?.join("Programs").join("Common");
        Ok([common.join("CLAP"), common.join("VST3")])
    } else if cfg!(target_os = "macos") {
        let plug_ins = variable("HOME")?.join("Library/Audio/Plug-Ins");
        Ok([plug_ins.join("CLAP"), plug_ins.join("VST3")])
    } else if cfg!(target_os = "linux") {
        let home = variable("HOME")?;
        Ok([home.join(".clap"), home.join(".vst3")])
    } else {
        bail!("this system has no known plug-in folders: copy the bundles by hand")
    }
}

/// Copies a bundle beside its place, then renames it, so that a host never loads half of it.
fn install_into(bundle: &Path, folder: &Path) -> Result<PathBuf> {
    let name = bundle.file_name().ok_or_else(|| anyhow!("{} has no name", bundle.display()))?;
    let place = folder.join(name);
    let coming = folder.join(format!(".{}.new", name.to_string_lossy()));
    fs::create_dir_all(folder).with_context(|| format!("{} cannot be made", folder.display()))?;
    remove(&coming)?;
    copy(bundle, &coming).with_context(|| format!("{} cannot be written", coming.display()))?;
    remove(&place)?;
    fs::rename(&coming, &place).with_context(|| format!("{} cannot be written", place.display()))?;
    Ok(place)
}

fn remove(path: &Path) -> Result<()> {
    let removed = match fs::symlink_metadata(path) {
        Err(_) => return Ok(()),
        Ok(metadata) if metadata.is_dir() => fs::remove_dir_all(path),
        Ok(_) => fs::remove_file(path),
    };
    removed.with_context(|| format!("{} cannot be replaced; does a host use it?", path.display()))
}

fn copy(from: &Path, to: &Path) -> std::io::Result<()> {
    if !from.is_dir() {
        return fs::copy(from, to).map(drop);
    }
    fs::create_dir_all(to)?;
    for entry in fs::read_dir(from)? {
        let entry = entry?;
        copy(&entry.path(), &to.join(entry.file_name()))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bundle_replaces_an_older_one_whole() {
        let folder = tempfile::tempdir().unwrap();
        let bundle = folder.path().join("x.vst3");
        fs::create_dir_all(bundle.join("Contents")).unwrap();
        fs::write(bundle.join("Contents/new"), "new").unwrap();
        let plug_ins = folder.path().join("plug-ins");
        fs::create_dir_all(plug_ins.join("x.vst3")).unwrap();
        fs::write(plug_ins.join("x.vst3/old"), "old").unwrap();
        let place = install_into(&bundle, &plug_ins).unwrap();
        assert_eq!(fs::read_to_string(place.join("Contents/new")).unwrap(), "new");
        assert!(!place.join("old").exists());
        assert_eq!(fs::read_dir(&plug_ins).unwrap().count(), 1);
    }
}
