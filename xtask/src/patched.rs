//! A workspace beside this one in which the plug-in is built against a patched framework.
//!
//! The packages named in [`super::patches`] are copied from cargo's own store,
//! held against the hash of the sources that were looked at, edited, and put
//! in place of the published ones by cargo's `[patch]`. This happens in a copy
//! of the workspace in the target folder, so that neither `Cargo.toml` nor
//! `Cargo.lock` here change, and a plain `cargo build` goes on to build against
//! what is published. The lock file there holds the versions of that here.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail, ensure};
use serde::Deserialize;
use sha2::{Digest as _, Sha256};

use crate::packages::{self, Packages, system};
use crate::patches::{Edit, PATCHES, Patch};
use crate::workspace;

/// What the plug-in is built from, in the workspace's root; the tests of the plug-in name
/// `tests/fuzz`.
const SOURCES: [&str; 7] = [
    "dsp",
    "files",
    "plugin",
    "presets-demo/halls",
    "presets-demo/platforms",
    "presets-demo/seats",
    "tests/fuzz",
];
/// Members that are built there.
const MEMBERS: [&str; 3] = ["dsp", "files", "plugin"];
/// The folder of patched packages, within the workspace: cargo tells packages outside by their whole path, and what it
/// tells them by goes into the library.
const PACKAGES: &str = "packages";

/// Lays the workspace out and returns its folder.
///
/// # Errors
/// When cargo does not know the packages, a source is not as the patches expect, or nothing can be written.
pub(crate) fn lay_out() -> Result<PathBuf> {
    let root = workspace::root()?;
    let beside = folder()?;
    let store = Packages::of(&root, &system()?)?;
    let mut replaced = String::from("\n[patch.crates-io]\n");
    for patch in &PATCHES {
        let Patch { package, version, sources, .. } = patch;
        let published = store
            .all()
            .find(|known| known.name == *package)
            .ok_or_else(|| anyhow!("{package}: the workspace does not use it; drop its patches"))?;
        ensure!(
            published.version == *version,
            "{package} is now {}, but its patches were made for {version}: check whether those in xtask/src/patches.rs are still needed, or build without them (--unpatched)",
            published.version
        );
        hold_sources(package, &published.folder, sources)?;
        let place = format!("{PACKAGES}/{package}-{version}");
        copy(&published.folder, &beside.join(&place), &edited(patch, &published.folder)?)?;
        writeln!(replaced, "{package} = {{ path = \"{place}\" }}")?;
    }
    for source in SOURCES {
        copy(&root.join(source), &beside.join(source), &[])?;
    }
    let manifest = fs::read_to_string(root.join("Cargo.toml")).context("Cargo.toml cannot be read")?;
    let manifest = narrowed(&manifest)? + &replaced;
    let whole = fs::read_to_string(root.join("Cargo.lock")).context("Cargo.lock cannot be read")?;
    let lock = beside.join("Cargo.lock");
    let is_laid_out =
        |name: &str, text: &str| fs::read(beside.join(name)).is_ok_and(|known| known == text.as_bytes());
    if !(is_laid_out("Cargo.toml", &manifest) && is_laid_out("Cargo.lock.whole", &whole) && lock.exists()) {
        write(&beside.join("Cargo.toml"), manifest.as_bytes())?;
        write(&lock, whole.as_bytes())?;
        // Cargo takes out of its copy what the patched packages and the members left out need no more.
        packages::narrow_lock(&beside)?;
        write(&beside.join("Cargo.lock.whole"), whole.as_bytes())?;
    }
    let narrow =
        fs::read_to_string(&lock).context("the lock file of the patched workspace cannot be read")?;
    hold_versions(&narrow, &whole)?;
    Ok(beside)
}

/// Returns the folder of the workspace.
///
/// # Errors
/// When this does not run inside the checkout.
pub(crate) fn folder() -> Result<PathBuf> {
    Ok(workspace::target()?.join("patched"))
}

/// Refuses sources other than those that were looked at.
fn hold_sources(package: &str, folder: &Path, expected: &str) -> Result<()> {
    let found = hash(folder)?;
    ensure!(
        found == expected,
        "{package}: the sources in {} are not those that the patches were made for (SHA-256 {found}, not {expected}). Delete that folder, so that cargo fetches it again; if that does not help, check the patches in xtask/src/patches.rs, or build without them (--unpatched)",
        folder.display()
    );
    Ok(())
}

/// Returns the SHA-256 of a package's files, in hexadecimal digits: of each, in the order of their paths, the path from
/// the folder with strokes, a zero, the length as eight bytes (lowest first), and what stands in it. What cargo adds
/// (names that begin with a dot) and the manifest as it was written are left out: nothing is built from them.
fn hash(folder: &Path) -> Result<String> {
    fn list(folder: &Path, before: &str, files: &mut Vec<(String, PathBuf)>) -> Result<()> {
        for entry in fs::read_dir(folder).with_context(|| format!("{} cannot be read", folder.display()))? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let path = format!("{before}{name}");
            if entry.file_type()?.is_dir() {
                list(&entry.path(), &format!("{path}/"), files)?;
            } else if !name.starts_with('.') && name != "Cargo.toml.orig" {
                files.push((path, entry.path()));
            }
        }
        Ok(())
    }
    let mut files = Vec::new();
    list(folder, "", &mut files)?;
    files.sort();
    let mut hash = Sha256::new();
    for (path, place) in files {
        let bytes = fs::read(&place).with_context(|| format!("{} cannot be read", place.display()))?;
        hash.update(path.as_bytes());
        hash.update([0]);
        hash.update((bytes.len() as u64).to_le_bytes());
        hash.update(&bytes);
    }
    Ok(format!("{:x}", hash.finalize()))
}

/// A lock file.
#[derive(Deserialize)]
struct Lock {
    package: Vec<Locked>,
}

/// A package in it; what lies here has no source.
#[derive(Clone, Debug, Deserialize, Eq, Ord, PartialEq, PartialOrd)]
struct Locked {
    name: String,
    version: String,
    source: Option<String>,
    checksum: Option<String>,
}

/// Refuses a lock file that holds anything but what the checkout's holds, or a patched package of its version.
fn hold_versions(narrow: &str, whole: &str) -> Result<()> {
    let read = |text: &str| {
        anyhow::Ok(toml::from_str::<Lock>(text).context("a lock file is not valid TOML")?.package)
    };
    let known: BTreeSet<Locked> = read(whole)?.into_iter().collect();
    let is_patched = |package: &Locked| {
        package.source.is_none()
            && PATCHES.iter().any(|patch| patch.package == package.name && patch.version == package.version)
    };
    let strange: Vec<String> = read(narrow)?
        .into_iter()
        .filter(|package| !known.contains(package) && !is_patched(package))
        .map(|package| format!("{} {}", package.name, package.version))
        .collect();
    ensure!(
        strange.is_empty(),
        "the bundles would use packages that Cargo.lock does not have: {}; delete target/patched and try again",
        strange.join(", ")
    );
    Ok(())
}

/// Returns the edited files of a package: path from its folder, and text.
fn edited(patch: &Patch, folder: &Path) -> Result<Vec<(PathBuf, String)>> {
    let mut files: Vec<(PathBuf, String)> = Vec::new();
    for Edit { file, was, becomes } in patch.edits {
        let place = PathBuf::from(file);
        let at = if let Some(at) = files.iter().position(|(known, _)| *known == place) {
            at
        } else {
            let text = fs::read_to_string(folder.join(file))
                .with_context(|| format!("{} {}: {file} cannot be read", patch.package, patch.version))?;
            files.push((place, text.replace("\r\n", "\n")));
            files.len() - 1
        };
        let text = &mut files[at].1;
        let found = text.matches(was).count();
        ensure!(
            found == 1,
            "{} {}, {file}: the code to be patched was found {found} times, not once (\"{}\"); check xtask/src/patches.rs, or build without the patches (--unpatched)",
            patch.package,
            patch.version,
            was.lines().next().unwrap_or_default().trim()
        );
        *text = text.replacen(was, becomes, 1);
    }
    Ok(files)
}

/// Returns the workspace's manifest with the members that are built here.
fn narrowed(manifest: &str) -> Result<String> {
    let names =
        |members: &[&str]| members.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ");
    let mut found = 0;
    let lines: Vec<String> = manifest
        .lines()
        .map(|line| {
            if line.starts_with("members = [") || line.starts_with("default-members = [") {
                found += 1;
                let key = line.split(' ').next().unwrap_or_default();
                // Whatever lies within a workspace is a member unless it is left out.
                let left_out =
                    if key == "members" { format!("\nexclude = [\"{PACKAGES}\"]") } else { String::new() };
                return format!("{key} = [{}]{left_out}", names(&MEMBERS));
            }
            line.to_owned()
        })
        .collect();
    if found != 2 {
        bail!("Cargo.toml: the workspace members must be on one line each");
    }
    Ok(lines.join("\n") + "\n")
}

/// Copies a folder, some of its files with other text; a file that is the same already keeps its time, so that cargo
/// does not build it again. What is no longer there goes.
fn copy(from: &Path, to: &Path, edited: &[(PathBuf, String)]) -> Result<()> {
    fs::create_dir_all(to).with_context(|| format!("{} cannot be created", to.display()))?;
    let mut kept = Vec::new();
    for entry in fs::read_dir(from).with_context(|| format!("{} cannot be read", from.display()))? {
        let entry = entry?;
        let name = entry.file_name();
        let (source, place) = (entry.path(), to.join(&name));
        if entry.file_type()?.is_dir() {
            if name == "target" {
                continue;
            }
            let inside: Vec<(PathBuf, String)> = edited
                .iter()
                .filter_map(|(path, text)| Some((path.strip_prefix(&name).ok()?.to_path_buf(), text.clone())))
                .collect();
            copy(&source, &place, &inside)?;
        } else {
            let bytes = if let Some((_, text)) = edited.iter().find(|(path, _)| path.as_os_str() == name) {
                text.as_bytes().to_vec()
            } else {
                fs::read(&source).with_context(|| format!("{} cannot be read", source.display()))?
            };
            write(&place, &bytes)?;
        }
        kept.push(name);
    }
    for entry in fs::read_dir(to)?.flatten().filter(|entry| !kept.contains(&entry.file_name())) {
        let gone = entry.path();
        let removed = if gone.is_dir() { fs::remove_dir_all(&gone) } else { fs::remove_file(&gone) };
        removed.with_context(|| format!("{} cannot be deleted", gone.display()))?;
    }
    Ok(())
}

/// Writes a file unless it is the same already.
fn write(path: &Path, bytes: &[u8]) -> Result<()> {
    if fs::read(path).is_ok_and(|known| known == bytes) {
        return Ok(());
    }
    fs::write(path, bytes).with_context(|| format!("{} cannot be written", path.display()))
}

#[cfg(test)]
mod tests {
    use super::*;

    const PATCH: Patch = Patch {
        package: "some-package",
        version: "1.0.0",
        sources: "",
        edits: &[
            Edit { file: "src/lib.rs", was: "one > two", becomes: "one >= two" },
            Edit { file: "src/lib.rs", was: "three", becomes: "four" },
        ],
    };

    fn package(text: &str) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("src")).unwrap();
        fs::write(folder.path().join("src/lib.rs"), text).unwrap();
        folder
    }

    #[test]
    fn an_edit_is_made_where_its_text_stands_once_and_refused_elsewhere() {
        let files = edited(&PATCH, package("if one > two { three }").path()).unwrap();
        assert_eq!(files, [(PathBuf::from("src/lib.rs"), "if one >= two { four }".to_owned())]);
        for text in ["if one < two { three }", "one > two, one > two, three"] {
            let error = edited(&PATCH, package(text).path()).unwrap_err().to_string();
            assert!(
                error.contains("some-package 1.0.0, src/lib.rs") && error.contains("not once"),
                "{error}"
            );
        }
    }

    #[test]
    fn what_is_the_same_keeps_its_time_and_what_is_gone_goes() {
        let from = package("old");
        let to = tempfile::tempdir().unwrap();
        fs::write(to.path().join("gone.rs"), "x").unwrap();
        copy(from.path(), to.path(), &[]).unwrap();
        let time = || fs::metadata(to.path().join("src/lib.rs")).unwrap().modified().unwrap();
        let before = time();
        std::thread::sleep(std::time::Duration::from_millis(20));
        copy(from.path(), to.path(), &[]).unwrap();
        assert_eq!(time(), before);
        assert!(!to.path().join("gone.rs").exists());
        copy(from.path(), to.path(), &[(PathBuf::from("src/lib.rs"), "new".to_owned())]).unwrap();
        assert_eq!(fs::read_to_string(to.path().join("src/lib.rs")).unwrap(), "new");
    }

    #[test]
    fn the_sources_that_the_patches_were_made_for_are_told_from_others() {
        let store = Packages::of(&workspace::root().unwrap(), &system().unwrap()).unwrap();
        for patch in &PATCHES {
            let published = store.all().find(|known| known.name == patch.package).unwrap();
            hold_sources(patch.package, &published.folder, patch.sources).unwrap();
        }
        let package = package("one");
        let lib = package.path().join("src/lib.rs");
        // sha-256 of the file's path, a zero, its length and its text, by another program.
        let expected = "128eacfa32831359bf4d9be777b157bc7952fe43e24cd3401c80ca17e7dac31a";
        hold_sources("some-package", package.path(), expected).unwrap();
        // What cargo leaves beside them is none of them.
        fs::write(package.path().join(".cargo-ok"), "x").unwrap();
        hold_sources("some-package", package.path(), expected).unwrap();
        let refused = || {
            let error = hold_sources("some-package", package.path(), expected).unwrap_err().to_string();
            assert!(error.contains("some-package") && error.contains("Delete that folder"), "{error}");
        };
        fs::write(&lib, "two").unwrap();
        refused();
        fs::write(&lib, "one").unwrap();
        fs::write(package.path().join("src/more.rs"), "").unwrap();
        refused();
    }

    #[test]
    fn a_lock_file_with_anything_else_is_refused() {
        let known = "[[package]]\nname = \"one\"\nversion = \"1.0.0\"\nsource = \"s\"\nchecksum = \"c\"\n";
        let patched =
            format!("[[package]]\nname = \"{}\"\nversion = \"{}\"\n", PATCHES[0].package, PATCHES[0].version);
        let more = "[[package]]\nname = \"two\"\nversion = \"1.0.0\"\nsource = \"s\"\n";
        let whole = format!("{known}{more}");
        hold_versions(&format!("{known}{patched}"), &whole).unwrap();
        let newer = patched.replace(PATCHES[0].version, "99.0.0");
        for other in [
            known.replace("1.0.0", "1.0.1"),
            known.replace("\"c\"", "\"d\""),
            known.replace("\"s\"", "\"t\""),
            newer,
        ] {
            let error = hold_versions(&other, &whole).unwrap_err().to_string();
            assert!(error.contains("packages that Cargo.lock does not have"), "{error}");
        }
    }

    #[test]
    fn the_manifest_keeps_all_but_its_members() {
        let manifest =
            "[workspace]\nmembers = [\"dsp\", \"tests\"]\ndefault-members = [\"dsp\"]\n\n[profile]\nx = 1\n";
        let narrow = narrowed(manifest).unwrap();
        assert_eq!(
            narrow,
            "[workspace]\nmembers = [\"dsp\", \"files\", \"plugin\"]\nexclude = [\"packages\"]\ndefault-members = [\"dsp\", \"files\", \"plugin\"]\n\n[profile]\nx = 1\n"
        );
        assert!(narrowed("[workspace]\n").is_err());
    }
}
