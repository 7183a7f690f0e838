//! The packages that the workspace is made of, as cargo knows them.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, ensure};
use serde_json::Value;

/// A package as cargo has stored it.
#[derive(Clone, Debug)]
pub(crate) struct Package {
    /// Its name.
    pub(crate) name: String,
    /// Its version.
    pub(crate) version: String,
    /// Where its sources lie.
    pub(crate) folder: PathBuf,
    /// Its licence, as it says itself.
    pub(crate) licence: Option<String>,
    /// Who wrote it, as it says itself.
    pub(crate) authors: Vec<String>,
    /// Whether it belongs to the workspace.
    pub(crate) is_ours: bool,
    #[cfg(test)]
    pub(crate) source: Option<String>,
    #[cfg(test)]
    pub(crate) rust_version: Option<String>,
}

/// The packages that one system needs.
#[derive(Clone, Debug)]
pub(crate) struct Packages {
    root: PathBuf,
    system: String,
    known: Vec<Package>,
}

impl Packages {
    /// Asks cargo what the lock file holds for a system; what cargo has not stored yet is fetched.
    ///
    /// # Errors
    /// When cargo cannot be run, or refuses: the lock file does not fit the manifests, or nothing can be fetched.
    pub(crate) fn of(root: &Path, system: &str) -> Result<Self> {
        // What other systems need is not fetched.
        let told =
            cargo(root, &["metadata", "--format-version", "1", "--locked", "--filter-platform", system])?;
        let told: Value = serde_json::from_slice(&told).context("cargo's answer is not JSON")?;
        let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
        let text = |value: &Value, key: &str| value[key].as_str().map(str::to_owned);
        let ours: BTreeSet<String> =
            list(&told["workspace_members"]).iter().filter_map(|id| id.as_str().map(str::to_owned)).collect();
        let package = |package: &Value| {
            let manifest = PathBuf::from(text(package, "manifest_path")?);
            Some(Package {
                name: text(package, "name")?,
                version: text(package, "version")?,
                folder: manifest.parent()?.to_path_buf(),
                licence: text(package, "license"),
                authors: list(&package["authors"])
                    .iter()
                    .filter_map(|author| author.as_str().map(str::to_owned))
                    .collect(),
                is_ours: ours.contains(package["id"].as_str()?),
                #[cfg(test)]
                source: text(package, "source"),
                #[cfg(test)]
                rust_version: text(package, "rust_version"),
            })
        };
        let known = list(&told["packages"]).iter().filter_map(package).collect();
        Ok(Self { root: root.to_path_buf(), system: system.to_owned(), known })
    }

    /// Returns all that the lock file holds for the system, those for building and testing, too.
    pub(crate) fn all(&self) -> impl Iterator<Item = &Package> {
        self.known.iter()
    }

    /// Returns what is linked into a package of the workspace, itself first, then by name and version.
    ///
    /// # Errors
    /// When the workspace has no such package.
    pub(crate) fn linked_into(&self, name: &str) -> Result<Vec<&Package>> {
        let mut linked = self.used(&["--package", name, "--edges", "normal,no-proc-macro"])?;
        linked.sort_by_key(|package| (package.name != name, package.name.clone(), package.version.clone()));
        Ok(linked)
    }

    /// Returns what a tree holds: what is built with the features that are on, while the lock file holds more.
    fn used(&self, tree: &[&str]) -> Result<Vec<&Package>> {
        let always = ["tree", "--locked", "--prefix", "none", "--format", "{p}", "--target", &self.system];
        let told = cargo(&self.root, &[&always, tree].concat())?;
        let told = String::from_utf8_lossy(&told);
        // A line holds the name, the version after a "v", and more where there is more to say.
        let used: BTreeSet<(&str, &str)> = told
            .lines()
            .filter_map(|line| {
                let mut words = line.split(' ');
                Some((words.next()?, words.next()?.strip_prefix('v')?))
            })
            .collect();
        ensure!(!used.is_empty(), "cargo gives no dependency tree of {} for {}", tree.join(" "), self.system);
        Ok(self.known.iter().filter(|known| used.contains(&(known.name.as_str(), &known.version))).collect())
    }

    /// Returns what the whole workspace is built and tested with.
    ///
    /// # Errors
    /// When cargo cannot be run.
    #[cfg(test)]
    pub(crate) fn built(&self) -> Result<Vec<&Package>> {
        self.used(&["--workspace", "--edges", "normal,build,dev"])
    }
}

/// Takes out of a workspace's lock file what it does not need; what it needs keeps its version.
///
/// # Errors
/// When cargo cannot be run, or refuses.
pub(crate) fn narrow_lock(root: &Path) -> Result<()> {
    cargo(root, &["metadata", "--format-version", "1", "--filter-platform", &system()?]).map(drop)
}

/// Returns what cargo says.
fn cargo(root: &Path, arguments: &[&str]) -> Result<Vec<u8>> {
    let output =
        Command::new("cargo").current_dir(root).args(arguments).output().context("cargo cannot be run")?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(output.status.success(), "cargo {}: {}", arguments.join(" "), said.trim());
    Ok(output.stdout)
}

/// Returns the system that is built for, as cargo names it.
///
/// # Errors
/// When the compiler cannot be run.
pub(crate) fn system() -> Result<String> {
    let output = Command::new("rustc").arg("-vV").output().context("rustc cannot be run")?;
    let said = String::from_utf8_lossy(&output.stdout);
    let host = said.lines().find_map(|line| line.strip_prefix("host: "));
    host.map(str::to_owned).context("rustc does not name its target")
}
