//! How the library of the bundles is compiled: from the versions of the lock file, for the oldest system that is meant,
//! without symbols, and without a word of the machine that it is compiled on.
//!
//! What the machine's folders are called reaches a library through the places that panics name, and through the hashes
//! by which cargo tells packages apart. The first are replaced ([`Folders`]), the second depend on the place of a
//! package within its workspace alone, for which all that is patched lies within it.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, ensure};

use crate::packages::{Packages, system};
use crate::{glibc, patched, workspace};

/// Compiles the library of a package that lies in a workspace, looks at it, and returns its place.
///
/// # Errors
/// When it does not build, names a folder of this machine, or needs too new a system.
pub(crate) fn compile(package: &str, workspace: &Path) -> Result<PathBuf> {
    let target = workspace::target()?;
    let system = system()?;
    let folders = Folders::of(&system)?;
    let link = glibc::stand_ins(&target.join("stand-ins"))?;
    let mut command = Command::new("cargo");
    command.args(["rustc", "--locked", "--release", "--package", package, "--lib"]);
    command.arg("--target-dir").arg(&target).current_dir(workspace);
    folders.replace_in(&mut command, &system);
    command.args(["--", "-Cstrip=symbols"]).args(link);
    let status = command.status().context("cargo cannot be run")?;
    ensure!(status.success(), "the plug-in could not be built: {status}");
    let library = target.join(&system).join("release").join(file_name(package));
    check(&library, &folders)?;
    Ok(library)
}

/// Returns what the library of a package is called on this system.
pub(crate) fn file_name(package: &str) -> String {
    let (before, after) = (std::env::consts::DLL_PREFIX, std::env::consts::DLL_SUFFIX);
    format!("{before}{}{after}", package.replace('-', "_"))
}

/// Refuses a library that names a folder of this machine or needs a newer system than the oldest that is meant.
///
/// # Errors
/// When it does either, or cannot be read.
pub(crate) fn check(library: &Path, folders: &Folders) -> Result<()> {
    let shown = library.display();
    let bytes = fs::read(library).with_context(|| format!("{shown} cannot be read"))?;
    let named = folders.named_in(&bytes);
    ensure!(named.is_empty(), "{shown} names folders of this machine: {}", named.join(", "));
    let newer = glibc::newer(&bytes, glibc::OLDEST).with_context(|| format!("{shown} cannot be parsed"))?;
    let (major, minor) = glibc::OLDEST;
    ensure!(newer.is_empty(), "{shown} needs more than glibc {major}.{minor} has: {}", newer.join(", "));
    Ok(())
}

/// The folders of this machine that a compiler sees, and what shall stand for each; where one lies in another, the
/// inner one counts.
pub(crate) struct Folders(BTreeMap<PathBuf, String>);

impl Folders {
    /// Returns those of the checkout, of cargo and of the compiler.
    ///
    /// # Errors
    /// When cargo or the compiler does not say where theirs are.
    pub(crate) fn of(system: &str) -> Result<Self> {
        let root = workspace::root()?;
        let mut folders = BTreeMap::new();
        for package in Packages::of(&root, system)?.all().filter(|package| !package.is_ours) {
            if let Some(store) = package.folder.parent() {
                folders.insert(store.to_path_buf(), "crates".to_owned());
            }
        }
        // Sources of the standard library, where they are installed, under the name that they have where they are not.
        let (library, commit) = standard_library()?;
        folders.insert(library, format!("/rustc/{commit}"));
        folders.insert(workspace::target()?, "target".to_owned());
        folders.insert(root, "rostra".to_owned());
        folders.insert(patched::folder()?, "rostra".to_owned());
        Ok(Self(folders))
    }

    /// Has cargo replace them in what it compiles. What is compiled so is shared with the bundles.
    pub(crate) fn replace_in(&self, command: &mut Command, system: &str) {
        // Named though it is this one, the system gets a folder of its own, and what only runs while building, which no
        // flag of ours concerns, stays that of all other builds.
        command.args(["--target", system]).env("CARGO_ENCODED_RUSTFLAGS", self.flags().join("\x1f"));
    }

    /// Returns the compiler's flags for them. Of several that fit a path it takes the last, and a folder comes after
    /// those that it lies in.
    fn flags(&self) -> Vec<String> {
        let flag =
            |(folder, name): (&PathBuf, &String)| format!("--remap-path-prefix={}={name}", folder.display());
        self.0.iter().map(flag).collect()
    }

    /// Returns which of them are named in bytes, and whether the user's own folder is.
    pub(crate) fn named_in(&self, bytes: &[u8]) -> Vec<String> {
        let home = std::env::home_dir().filter(|home| home.components().count() > 1);
        let cargo = std::env::var_os("CARGO_HOME").map(PathBuf::from);
        let folders = self.0.keys().cloned().chain(home).chain(cargo);
        let mut named: Vec<String> = folders
            .map(|folder| folder.display().to_string())
            .filter(|folder| {
                // As a folder, and not as the beginning of a longer name.
                let inside = format!("{folder}{}", std::path::MAIN_SEPARATOR);
                bytes.windows(inside.len()).any(|window| window == inside.as_bytes())
            })
            .collect();
        named.sort();
        named.dedup();
        named
    }
}

/// Returns where the sources of the standard library lie, if they are installed, and the compiler's commit.
fn standard_library() -> Result<(PathBuf, String)> {
    let ask = |argument: &[&str]| {
        let output = Command::new("rustc").args(argument).output().context("rustc cannot be run")?;
        anyhow::Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned())
    };
    let root = ask(&["--print", "sysroot"])?;
    let said = ask(&["-vV"])?;
    let commit = said.lines().find_map(|line| line.strip_prefix("commit-hash: ")).unwrap_or("unknown");
    Ok((Path::new(&root).join("lib/rustlib/src/rust"), commit.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folders() -> Folders {
        Folders::of(&system().unwrap()).unwrap()
    }

    #[test]
    fn a_folder_of_this_machine_is_seen_in_a_library() {
        let folders = folders();
        assert!(folders.0.len() >= 4, "{:?}", folders.0);
        let root = workspace::root().unwrap();
        let text = format!("panicked at {}, and so on", root.join("dsp/src/lib.rs").display());
        assert!(folders.named_in(text.as_bytes()).contains(&root.display().to_string()));
        let text = format!("at {}-elsewhere/x.rs, at crates/x.rs", root.display());
        assert_eq!(folders.named_in(text.as_bytes()), [""; 0]);
        // This very program is compiled as all others are.
        let program = std::env::current_exe().unwrap();
        assert!(check(&program, &folders).unwrap_err().to_string().contains("names folders of this machine"));
    }

    #[test]
    fn an_inner_folder_comes_after_the_outer_one() {
        let flags = folders().flags();
        let place = |folder: &Path| {
            let flag = format!("--remap-path-prefix={}=", folder.display());
            flags.iter().position(|one| one.starts_with(&flag)).unwrap()
        };
        assert!(place(&workspace::root().unwrap()) < place(&workspace::target().unwrap()));
    }
}
