//! The plug-in as hosts load it: built, bundled, installed.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use rostra_terminal::tell;

use crate::{module_info, notices, patched, release, workspace};

/// The package that holds the plug-in; the bundles are called after it.
const PACKAGE: &str = "rostra";

/// A file beside the bundles that says that they were built against the framework as it is published.
const UNPATCHED: &str = "unpatched";

/// The text of licences in the user's CLAP folder, which other plug-ins share; a VST3 carries its own within.
const BESIDE_CLAP: &str = "rostra-LICENCES.txt";

/// The two bundles.
#[derive(Clone, Debug)]
pub(crate) struct Bundle {
    /// The CLAP: a library, a folder on macOS.
    pub(crate) clap: PathBuf,
    /// The VST3 folder.
    pub(crate) vst3: PathBuf,
    /// The licences of what is linked into both.
    licences: PathBuf,
}

impl Bundle {
    /// Returns where the bundles lie once they are built.
    ///
    /// # Errors
    /// When this does not run inside the checkout.
    pub(crate) fn place() -> Result<Self> {
        Ok(Self::within(&workspace::target()?.join("bundled")))
    }

    fn within(folder: &Path) -> Self {
        Self {
            clap: folder.join(format!("{PACKAGE}.clap")),
            vst3: folder.join(format!("{PACKAGE}.vst3")),
            licences: folder.join(notices::FILE),
        }
    }

    /// Builds the plug-in in release and bundles it, against a patched framework or against the published one.
    ///
    /// # Errors
    /// When it does not build, cannot be patched, or a bundle is missing afterwards.
    pub(crate) fn build(is_patched: bool) -> Result<Self> {
        let bundle = Self::place()?;
        let target = workspace::target()?;
        let from = if is_patched { patched::lay_out()? } else { workspace::root()? };
        let library = release::compile(PACKAGE, &from)?;
        // The bundler makes its bundles anew in the folder that it is given: one beside the place where they belong.
        let beside = target.join("bundling");
        remove(&beside)?;
        fs::create_dir_all(beside.join("release")).context("the target folder cannot be written to")?;
        fs::copy(&library, beside.join("release").join(release::file_name(PACKAGE)))
            .with_context(|| format!("{} cannot be copied", library.display()))?;
        nice_plug_xtask::bundle(&beside, PACKAGE, &["--release".to_owned()], false)?;
        let made = Self::within(&beside.join("bundled"));
        for path in [&made.clap, &made.vst3] {
            ensure!(path.exists(), "{} was not produced; check that the plug-in exports it", path.display());
        }
        made.complete()?;
        fs::create_dir_all(target.join("bundled")).context("the target folder cannot be written to")?;
        let mark = target.join("bundled").join(UNPATCHED);
        if !is_patched {
            fs::write(&mark, "").context("the bundles' build stamp cannot be written")?;
        }
        // Overwritten in place, a bundle that is loaded somewhere would change under that program.
        for (new, place) in
            [(&made.clap, &bundle.clap), (&made.vst3, &bundle.vst3), (&made.licences, &bundle.licences)]
        {
            swap(new, place)?;
        }
        if is_patched {
            remove(&mark)?;
        }
        remove(&beside)?;
        Ok(bundle)
    }

    /// Adds to the bundles what goes with their library: licences, and what the VST3 holds.
    fn complete(&self) -> Result<()> {
        notices::write(PACKAGE, &self.licences)?;
        module_info::write(&self.vst3, PACKAGE)?;
        let mut folders = vec![&self.vst3];
        folders.extend(self.clap.is_dir().then_some(&self.clap));
        for folder in folders {
            let resources = folder.join("Contents/Resources");
            fs::create_dir_all(&resources)?;
            fs::copy(&self.licences, resources.join(notices::FILE))?;
            // What was signed has changed.
            #[cfg(target_os = "macos")]
            nice_plug_xtask::maybe_codesign(folder, nice_plug_xtask::CompilationTarget::MacOSUniversal);
        }
        Ok(())
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
            "presets-demo/platforms",
            "presets-demo/seats",
            "xtask/src/bundle.rs",
            "xtask/src/glibc.rs",
            "xtask/src/patched.rs",
            "xtask/src/patches.rs",
            "xtask/src/patches",
            "xtask/src/module_info.rs",
            "xtask/src/release.rs",
        ]
        .map(|name| root.join(name));
        let newest = sources.iter().filter_map(|source| newest_change(source)).max();
        let why = match (library_change(&bundle), newest) {
            (None, _) => "is not built yet",
            _ if workspace::target()?.join("bundled").join(UNPATCHED).exists() => {
                "is built without the patches"
            }
            (Some(built), Some(newest)) if built < newest => "is older than its sources",
            _ => return Ok(bundle),
        };
        tell!("The plug-in {why}: building it (a few minutes the first time).");
        Self::build(true)
    }

    /// Copies the bundles and their licences to the user's plug-in folders and returns where they went.
    ///
    /// # Errors
    /// When the home folder is not known or a folder cannot be written to.
    pub(crate) fn install(&self) -> Result<Vec<PathBuf>> {
        self.install_to(&user_folders()?)
    }

    fn install_to(&self, [clap_folder, vst3_folder]: &[PathBuf; 2]) -> Result<Vec<PathBuf>> {
        let mut places = vec![
            install_as(&self.clap, &clap_folder.join(format!("{PACKAGE}.clap")))?,
            install_as(&self.vst3, &vst3_folder.join(format!("{PACKAGE}.vst3")))?,
        ];
        // A CLAP that is a folder carries them within.
        if !self.clap.is_dir() {
            places.push(install_as(&self.licences, &clap_folder.join(BESIDE_CLAP))?);
        }
        Ok(places)
    }
}

/// Returns when the older of the two built libraries was written.
fn library_change(bundle: &Bundle) -> Option<SystemTime> {
    Some(newest_change(&bundle.clap)?.min(newest_change(&bundle.vst3)?))
}

/// Returns the newest change of a file, or of any file in a folder.
pub(crate) fn newest_change(path: &Path) -> Option<SystemTime> {
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

/// Copies a bundle beside its place, then swaps it in, so that a host never loads half of it.
fn install_as(bundle: &Path, place: &Path) -> Result<PathBuf> {
    let coming = beside(place, "new")?;
    if let Some(folder) = place.parent() {
        fs::create_dir_all(folder).with_context(|| format!("{} cannot be created", folder.display()))?;
    }
    remove(&coming)?;
    if let Err(error) = copy(bundle, &coming) {
        remove(&coming)?;
        return Err(error).with_context(|| format!("{} cannot be written", coming.display()));
    }
    swap(&coming, place)?;
    Ok(place.to_path_buf())
}

/// Puts what was made into its place. What stood there stands there until then, also when this fails or is interrupted;
/// where a system cannot exchange two folders at once, it lies beside for the moment between two renames.
fn swap(coming: &Path, place: &Path) -> Result<()> {
    let what = || format!("{} cannot be replaced; does a host use it?", place.display());
    if !coming.is_dir() && !place.is_dir() {
        return fs::rename(coming, place).with_context(what);
    }
    let old = beside(place, "old")?;
    remove(&old)?;
    if fs::symlink_metadata(place).is_err() {
        return fs::rename(coming, place).with_context(what);
    }
    if exchange(coming, place) {
        return remove(coming);
    }
    fs::rename(place, &old).with_context(what)?;
    if let Err(error) = fs::rename(coming, place) {
        fs::rename(&old, place).with_context(|| format!("{} is now {}", place.display(), old.display()))?;
        return Err(error).with_context(what);
    }
    remove(&old)
}

/// Exchanges two paths at once, where the system can.
#[cfg(any(target_os = "linux", target_os = "macos"))]
fn exchange(one: &Path, other: &Path) -> bool {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    renameat_with(CWD, one, CWD, other, RenameFlags::EXCHANGE).is_ok()
}

/// Exchanges two paths at once, where the system can: it cannot.
#[cfg(not(any(target_os = "linux", target_os = "macos")))]
fn exchange(_one: &Path, _other: &Path) -> bool {
    false
}

/// Returns a hidden name in the same folder, so that a rename crosses no disk.
fn beside(place: &Path, ending: &str) -> Result<PathBuf> {
    let name = place.file_name().ok_or_else(|| anyhow!("{} has no name", place.display()))?;
    Ok(place.with_file_name(format!(".{}.{ending}", name.to_string_lossy())))
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
    use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

    use super::*;

    /// Makes a folder with files that all hold one text.
    fn folder(path: &Path, names: &[&str], text: &str) {
        fs::create_dir_all(path.join("Contents")).unwrap();
        for name in names {
            fs::write(path.join("Contents").join(name), text).unwrap();
        }
    }

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_bundle_replaces_an_older_one_whole() {
        let all = tempfile::tempdir().unwrap();
        let (bundle, plug_ins) = (all.path().join("x.vst3"), all.path().join("plug-ins"));
        let place = plug_ins.join("x.vst3");
        folder(&bundle, &["new"], "new");
        folder(&place, &["old"], "old");
        assert_eq!(install_as(&bundle, &place).unwrap(), place);
        assert_eq!(names(&place.join("Contents")), ["new"]);
        assert_eq!(names(&plug_ins), ["x.vst3"]);
        // A library over a library, and the first of all.
        for text in ["first", "second"] {
            fs::write(all.path().join("x.clap"), text).unwrap();
            let place = install_as(&all.path().join("x.clap"), &plug_ins.join("x.clap")).unwrap();
            assert_eq!(fs::read_to_string(place).unwrap(), text);
        }
        assert_eq!(names(&plug_ins), ["x.clap", "x.vst3"]);
    }

    #[test]
    fn a_bundle_that_cannot_be_copied_leaves_the_older_one_whole() {
        let all = tempfile::tempdir().unwrap();
        let (bundle, plug_ins) = (all.path().join("x.vst3"), all.path().join("plug-ins"));
        let place = plug_ins.join("x.vst3");
        folder(&bundle, &["a", "b"], "new");
        // What cannot be read, whoever asks.
        fs::create_dir(bundle.join("Contents/c")).unwrap();
        folder(&place, &["a", "old"], "old");
        #[cfg(unix)]
        std::os::unix::fs::symlink("nowhere", bundle.join("Contents/d")).unwrap();
        #[cfg(not(unix))]
        fs::remove_dir_all(&bundle).unwrap();
        assert!(install_as(&bundle, &place).is_err());
        assert_eq!(names(&place.join("Contents")), ["a", "old"]);
        assert_eq!(fs::read_to_string(place.join("Contents/a")).unwrap(), "old");
        assert_eq!(names(&plug_ins), ["x.vst3"]);
    }

    #[test]
    fn a_swap_that_fails_leaves_the_older_one_in_its_place() {
        let all = tempfile::tempdir().unwrap();
        let (missing, place) = (all.path().join("missing"), all.path().join("x.vst3"));
        folder(&place, &["old"], "old");
        assert!(swap(&missing, &place).is_err());
        assert_eq!(names(&place.join("Contents")), ["old"]);
        assert_eq!(names(all.path()), ["x.vst3"]);
    }

    /// Another thread looks all the time: whenever this program were interrupted, a bundle would stand there. Each has
    /// many files, so that taking one away file by file takes long enough to be seen. It looks twice, because a path is
    /// looked up folder by folder, and the outer one may be exchanged meanwhile.
    #[test]
    #[cfg(any(target_os = "linux", target_os = "macos"))]
    fn there_is_a_bundle_at_every_moment() {
        const FILES: usize = 300;
        let all = tempfile::tempdir().unwrap();
        let (bundle, place) = (all.path().join("x.vst3"), all.path().join("plug-ins/x.vst3"));
        let files: Vec<String> = (0..FILES).map(|n| format!("{n}")).collect();
        let files: Vec<&str> = files.iter().map(String::as_str).collect();
        folder(&bundle, &files, "new");
        install_as(&bundle, &place).unwrap();
        let (is_over, looks, gone) = (AtomicBool::new(false), AtomicUsize::new(0), AtomicUsize::new(0));
        std::thread::scope(|scope| {
            scope.spawn(|| {
                let files = [0, FILES / 2, FILES - 1].map(|n| place.join("Contents").join(n.to_string()));
                let look = || files.iter().all(|file| file.exists());
                while !is_over.load(Ordering::Relaxed) {
                    let is_there = look() || look();
                    looks.fetch_add(1, Ordering::Relaxed);
                    gone.fetch_add(usize::from(!is_there), Ordering::Relaxed);
                }
            });
            for _ in 0..20 {
                install_as(&bundle, &place).unwrap();
            }
            is_over.store(true, Ordering::Relaxed);
        });
        let (looks, gone) = (looks.into_inner(), gone.into_inner());
        assert!(looks > 20, "{looks} looks");
        assert_eq!(gone, 0, "of {looks} looks");
    }

    #[test]
    fn the_licences_go_along() {
        let all = tempfile::tempdir().unwrap();
        let bundle = Bundle::within(all.path());
        fs::write(&bundle.clap, "library").unwrap();
        folder(&bundle.vst3, &["library"], "library");
        fs::write(&bundle.licences, "licences").unwrap();
        let folders = ["clap", "vst3"].map(|name| all.path().join("user").join(name));
        let places = bundle.install_to(&folders).unwrap();
        assert_eq!(names(&folders[0]), ["rostra-LICENCES.txt", "rostra.clap"]);
        assert_eq!(fs::read_to_string(folders[0].join(BESIDE_CLAP)).unwrap(), "licences");
        assert_eq!(names(&folders[1]), ["rostra.vst3"]);
        assert_eq!(places.len(), 3);
    }
}
