//! The licences of everything that is linked into the bundles, in one text that goes with them.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow};

use crate::packages::{Package, Packages, system};
use crate::workspace;

/// What the text is called, beside the bundles.
pub(crate) const FILE: &str = "LICENCES.txt";

/// Beginnings of the names of files that hold a licence or a notice, in capitals.
const BEGINNINGS: [&str; 8] =
    ["LICENSE", "LICENCE", "COPYING", "COPYRIGHT", "NOTICE", "UNLICENSE", "OFL", "UFL"];
/// What else they have in their names, in capitals: texts beside a typeface.
const WITHIN: [&str; 3] = ["-LICENSE", "HACK-REGULAR.TXT", "EGUI-ICONS.TXT"];
/// Folders within a package in which they lie.
const FOLDERS: [&str; 5] = ["", "fonts", "LICENSES", "licenses", "license"];
/// Endings of what is no text.
const NO_TEXT: [&str; 3] = [".rs", ".ttf", ".png"];

/// The width of a rule between texts, characters. Our choice.
const RULE: usize = 80;

/// Writes the licences of what is linked into the plug-in for this system.
///
/// # Errors
/// When cargo does not tell what that is, a source cannot be read, or the text cannot be written.
pub(crate) fn write(package: &str, path: &Path) -> Result<()> {
    let root = workspace::root()?;
    let packages = Packages::of(&root, &system()?)?;
    let text = text(&packages.linked_into(package)?, &root)?;
    fs::write(path, text).with_context(|| format!("{} cannot be written", path.display()))
}

/// A text and who carries it.
struct Notice {
    text: String,
    carriers: Vec<String>,
}

/// Returns the whole text: every package with its licence, then each different text once.
fn text(linked: &[&Package], root: &Path) -> Result<String> {
    let mut notices: Vec<Notice> = Vec::new();
    let mut list = String::new();
    for package in linked {
        let called = format!("{} {}", package.name, package.version);
        let licence = package.licence.as_deref();
        let licence = licence
            .with_context(|| format!("{called} states no licence; check whether it may be redistributed"))?;
        let mut texts = texts_of(if package.is_ours { root } else { &package.folder })?;
        let authors = package.authors.join(", ");
        if texts.is_empty() {
            let by = if authors.is_empty() { "its authors" } else { &authors };
            texts = vec![standard_text(&called, licence, by)?];
        }
        let numbers: Vec<String> = texts
            .into_iter()
            .map(|text| {
                let known = notices.iter().position(|notice| is_same(&notice.text, &text));
                let at = known.unwrap_or_else(|| {
                    notices.push(Notice { text, carriers: Vec::new() });
                    notices.len() - 1
                });
                notices[at].carriers.push(called.clone());
                format!("[{}]", at + 1)
            })
            .collect();
        let by = if authors.is_empty() { String::new() } else { format!(", by {authors}") };
        writeln!(list, "{called}: {licence}{by}  {}", numbers.join(" "))?;
    }
    let mut whole = String::from(
        "What is linked into these plug-ins, under which licence, and where its text stands below.\n\
         The plug-ins also hold the Rust standard library, by the Rust project's contributors: MIT OR Apache-2.0.\n\n",
    );
    whole += &list;
    for (at, Notice { text, carriers }) in notices.iter().enumerate() {
        write!(
            whole,
            "\n{}\n[{}] {}\n\n{}\n",
            "-".repeat(RULE),
            at + 1,
            carriers.join(", "),
            text.trim_end()
        )?;
    }
    Ok(whole)
}

/// Returns the licences and notices that lie in a package, in the order of their names.
fn texts_of(folder: &Path) -> Result<Vec<String>> {
    let mut paths = Vec::new();
    for inner in FOLDERS {
        for entry in fs::read_dir(folder.join(inner)).into_iter().flatten().flatten() {
            let name = entry.file_name().to_string_lossy().to_uppercase();
            let is_text = !NO_TEXT.iter().any(|ending| name.ends_with(&ending.to_uppercase()));
            let is_notice = BEGINNINGS.iter().any(|beginning| name.starts_with(beginning))
                || WITHIN.iter().any(|part| name.contains(part));
            if is_text && is_notice && entry.path().is_file() {
                paths.push(entry.path());
            }
        }
    }
    paths.sort();
    // A file system that takes capitals for small letters shows a folder twice.
    paths.dedup();
    let read = |path: PathBuf| {
        let bytes = fs::read(&path).with_context(|| format!("{} cannot be read", path.display()))?;
        Ok(String::from_utf8_lossy(&bytes).replace("\r\n", "\n"))
    };
    paths.into_iter().map(read).collect()
}

/// Returns the text of the first licence that a package may be taken under, for a package that carries none.
fn standard_text(called: &str, licence: &str, by: &str) -> Result<String> {
    let expression = spdx::Expression::parse_mode(licence, spdx::ParseMode::LAX).map_err(|error| {
        anyhow!("{called}: \"{licence}\" is not a valid licence expression ({})", error.reason)
    })?;
    let text = expression.requirements().find_map(|wanted| Some(wanted.req.license.id()?.text()));
    let text = text.with_context(|| format!("{called}: the text of {licence} is not known"))?;
    Ok(format!(
        "The package carries no text of its own; this is the licence's, and the copyright is with {by}.\n\n{text}"
    ))
}

/// Says whether two texts are the same but for spaces and line ends.
fn is_same(one: &str, other: &str) -> bool {
    one.split_whitespace().eq(other.split_whitespace())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn notices() -> String {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(FILE);
        write("rostra", &path).unwrap();
        fs::read_to_string(path).unwrap()
    }

    #[test]
    fn everything_that_is_linked_is_named_with_its_licence_and_its_text() {
        let text = notices();
        let (list, texts) = text.split_once(&"-".repeat(RULE)).unwrap();
        let line = |name: &str| {
            let start = format!("{name} ");
            list.lines()
                .find(|line| line.starts_with(&start))
                .unwrap_or_else(|| panic!("{name} is not named"))
        };
        for (name, licence) in [
            ("rostra", "MIT OR Apache-2.0"),
            ("rostra-dsp", "MIT OR Apache-2.0"),
            ("egui", "MIT OR Apache-2.0"),
            ("realfft", "MIT"),
            ("nice-plug", "ISC"),
            ("vst3", "MIT OR Apache-2.0"),
            ("epaint_default_fonts", "(MIT OR Apache-2.0) AND OFL-1.1 AND Ubuntu-font-1.0"),
        ] {
            assert!(line(name).contains(&format!(": {licence}")), "{}", line(name));
            assert!(line(name).ends_with(']'), "no text: {}", line(name));
        }
        // What only builds or tests need goes into no bundle.
        for name in ["proptest", "syn", "serde_derive", "clack-host", "symphonia", "xtask"] {
            assert!(!list.lines().any(|line| line.starts_with(&format!("{name} "))), "{name} is not linked");
        }
        // Phrases of the licences themselves, from their published texts.
        for phrase in [
            "Permission is hereby granted, free of charge",
            "Version 2.0, January 2004",
            "Permission to use, copy, modify, and/or distribute this software",
            "SIL OPEN FONT LICENSE",
            "UBUNTU FONT LICENCE",
        ] {
            let plain = texts.split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(plain.to_uppercase().contains(&phrase.to_uppercase()), "no \"{phrase}\"");
        }
    }

    #[test]
    fn the_text_is_the_same_again_and_names_no_folder_of_this_machine() {
        let text = notices();
        assert_eq!(text, notices());
        let root = workspace::root().unwrap();
        let home = std::env::home_dir().unwrap_or_default();
        for folder in [root.as_path(), &root.join("target"), &home.join(".cargo")] {
            assert!(!text.contains(&folder.display().to_string()), "{} stands in it", folder.display());
        }
        assert!(!text.contains("/registry/src/"), "cargo's store stands in it");
        // Each different text once: the longest of them would make it ten times as long.
        assert!(text.len() < 600_000, "{} bytes", text.len());
    }
}
