//! A workspace beside this one in which the plug-in is built against a mended framework.
//!
//! The packages named in [`super::mends`] are copied from cargo's own store,
//! edited, and put in place of the published ones by cargo's `[patch]`. This
//! happens in a copy of the workspace in the target folder, so that neither
//! `Cargo.toml` nor `Cargo.lock` here change, and a plain `cargo build` goes on
//! to build against what is published.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail, ensure};

use crate::mends::{Edit, MENDS, Mend};
use crate::packages::{Packages, system};
use crate::workspace;

/// What the plug-in is built from, in the workspace's root; the benches of `dsp` name `xtask/measure`, the tests of the
/// plug-in name `tests/fuzz`.
const SOURCES: [&str; 8] = [
    "dsp",
    "files",
    "plugin",
    "presets-demo/halls",
    "presets-demo/platforms",
    "presets-demo/seats",
    "tests/fuzz",
    "xtask/measure",
];
/// Members that are built there.
const MEMBERS: [&str; 3] = ["dsp", "files", "plugin"];

/// Lays the workspace out and returns its folder.
///
/// # Errors
/// When cargo does not know the packages, a source is not as the mends expect, or nothing can be written.
pub(crate) fn lay_out() -> Result<PathBuf> {
    let root = workspace::root()?;
    let folder = workspace::target()?.join("mended");
    let packages = folder.join("packages");
    let beside = folder.join("workspace");
    let store = Packages::of(&root, &system()?)?;
    let mut patch = String::from("\n[patch.crates-io]\n");
    for mend in &MENDS {
        let Mend { package, version, .. } = mend;
        let published = store
            .all()
            .find(|known| known.name == *package)
            .ok_or_else(|| anyhow!("{package}: the workspace does not use it; drop its mends"))?;
        ensure!(
            published.version == *version,
            "{package} is {} now, and was looked at in {version}: look whether the mends in xtask/src/mends.rs are still needed, or build without them (--unmended)",
            published.version
        );
        let place = packages.join(format!("{package}-{version}"));
        copy(&published.folder, &place, &edited(mend, &published.folder)?)?;
        writeln!(patch, "{package} = {{ path = {:?} }}", place.display().to_string())?;
    }
    for source in SOURCES {
        copy(&root.join(source), &beside.join(source), &[])?;
    }
    let manifest = fs::read_to_string(root.join("Cargo.toml")).context("Cargo.toml cannot be read")?;
    write(&beside.join("Cargo.toml"), (narrowed(&manifest)? + &patch).as_bytes())?;
    let lock = fs::read(root.join("Cargo.lock")).context("Cargo.lock cannot be read")?;
    // Cargo takes out of its copy what the mended packages and the members left out need no more.
    if fs::read(beside.join("Cargo.lock.whole")).ok().as_deref() != Some(&lock[..]) {
        write(&beside.join("Cargo.lock"), &lock)?;
        write(&beside.join("Cargo.lock.whole"), &lock)?;
    }
    Ok(beside)
}

/// Returns the edited files of a package: path from its folder, and text.
fn edited(mend: &Mend, folder: &Path) -> Result<Vec<(PathBuf, String)>> {
    let mut files: Vec<(PathBuf, String)> = Vec::new();
    for Edit { file, was, becomes } in mend.edits {
        let place = PathBuf::from(file);
        let at = if let Some(at) = files.iter().position(|(known, _)| *known == place) {
            at
        } else {
            let text = fs::read_to_string(folder.join(file))
                .with_context(|| format!("{} {}: {file} cannot be read", mend.package, mend.version))?;
            files.push((place, text.replace("\r\n", "\n")));
            files.len() - 1
        };
        let text = &mut files[at].1;
        let found = text.matches(was).count();
        ensure!(
            found == 1,
            "{} {}, {file}: what is to be mended stands there {found} times, not once (\"{}\"); look at xtask/src/mends.rs, or build without the mends (--unmended)",
            mend.package,
            mend.version,
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
                return format!("{key} = [{}]", names(&MEMBERS));
            }
            line.to_owned()
        })
        .collect();
    if found != 2 {
        bail!("Cargo.toml: the members of the workspace do not stand on one line each");
    }
    Ok(lines.join("\n") + "\n")
}

/// Copies a folder, some of its files with other text; a file that is the same already keeps its time, so that cargo
/// does not build it again. What is no longer there goes.
fn copy(from: &Path, to: &Path, edited: &[(PathBuf, String)]) -> Result<()> {
    fs::create_dir_all(to).with_context(|| format!("{} cannot be made", to.display()))?;
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
        removed.with_context(|| format!("{} cannot be taken away", gone.display()))?;
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

    const MEND: Mend = Mend {
        package: "some-package",
        version: "1.0.0",
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
        let files = edited(&MEND, package("if one > two { three }").path()).unwrap();
        assert_eq!(files, [(PathBuf::from("src/lib.rs"), "if one >= two { four }".to_owned())]);
        for text in ["if one < two { three }", "one > two, one > two, three"] {
            let error = edited(&MEND, package(text).path()).unwrap_err().to_string();
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
    fn the_manifest_keeps_all_but_its_members() {
        let manifest =
            "[workspace]\nmembers = [\"dsp\", \"tests\"]\ndefault-members = [\"dsp\"]\n\n[profile]\nx = 1\n";
        let narrow = narrowed(manifest).unwrap();
        assert_eq!(
            narrow,
            "[workspace]\nmembers = [\"dsp\", \"files\", \"plugin\"]\ndefault-members = [\"dsp\", \"files\", \"plugin\"]\n\n[profile]\nx = 1\n"
        );
        assert!(narrowed("[workspace]\n").is_err());
    }
}
