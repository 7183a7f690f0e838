//! What the bundles and the tasks are made of: licences, versions, sources, and where unsafe code is.
//!
//! `tests/deny.toml` and `tests/unsafe.toml` say what is allowed, and why. The
//! first is cargo-deny's, too; here it is held without that program, so that
//! nothing has to be installed for it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use proc_macro2::{TokenStream, TokenTree};
use serde::Deserialize;
use spdx::{Expression, ParseMode};

use crate::packages::{Package, Packages};
use crate::workspace;

/// What the bundles are made from.
const PLUG_IN: &str = "rostra";
/// A library that all others share their registry with; which one that is, cargo-deny holds (`unknown-registry`), and
/// what comes from it the check sums of the lock file.
const FROM_THE_REGISTRY: &str = "serde";
/// How cargo begins the source of what a registry gave, and not a repository or a folder.
const REGISTRY: &str = "registry+";

/// The part of cargo-deny's configuration that is held here.
#[derive(Deserialize)]
struct Deny {
    graph: Graph,
    licenses: Licences,
    bans: Bans,
}

#[derive(Deserialize)]
struct Graph {
    targets: Vec<String>,
}

#[derive(Deserialize)]
struct Licences {
    allow: Vec<String>,
    exceptions: Vec<Exception>,
}

#[derive(Deserialize)]
struct Exception {
    #[serde(rename = "crate")]
    name: String,
    allow: Vec<String>,
}

#[derive(Deserialize)]
struct Bans {
    skip: Vec<Skip>,
}

#[derive(Deserialize)]
struct Skip {
    #[serde(rename = "crate")]
    called: String,
    reason: String,
}

pub(crate) fn root() -> PathBuf {
    workspace::root().unwrap()
}

fn deny() -> Deny {
    toml::from_str(&fs::read_to_string(root().join("tests/deny.toml")).unwrap()).unwrap()
}

/// Every system that is asked for; that cargo answers with `--locked` says that the lock file holds all that is needed.
static SYSTEMS: LazyLock<Vec<Packages>> = LazyLock::new(|| {
    deny().graph.targets.iter().map(|system| Packages::of(&root(), system).unwrap()).collect()
});

fn called(package: &Package) -> String {
    format!("{}@{}", package.name, package.version)
}

/// Says why a package may not be used under these licences, if so.
fn refusal(package: &Package, allowed: &[&str]) -> Option<String> {
    let Some(licence) = &package.licence else {
        return Some(format!("{} names no licence", called(package)));
    };
    let expression = match Expression::parse_mode(licence, ParseMode::LAX) {
        Ok(expression) => expression,
        Err(error) => return Some(format!("{}: \"{licence}\": {}", called(package), error.reason)),
    };
    let is_met = expression.evaluate(|wanted| {
        wanted.addition.is_none() && wanted.license.id().is_some_and(|id| allowed.contains(&id.name))
    });
    (!is_met).then(|| format!("{}: \"{licence}\" is not allowed", called(package)))
}

#[test]
fn every_licence_is_allowed_and_the_bundles_hold_no_exception() {
    let deny = deny();
    let allow: Vec<&str> = deny.licenses.allow.iter().map(String::as_str).collect();
    for (packages, system) in SYSTEMS.iter().zip(&deny.graph.targets) {
        let linked = packages.linked_into(PLUG_IN).unwrap();
        // The control: a tree without the framework would be no tree of the bundles.
        assert!(linked.iter().any(|package| package.name == "nice-plug"), "{system}: no framework");
        let refused: Vec<String> = linked.iter().filter_map(|package| refusal(package, &allow)).collect();
        assert!(refused.is_empty(), "{system}, in the bundles: {refused:#?}");
        let refused: Vec<String> = packages
            .built()
            .unwrap()
            .into_iter()
            .filter_map(|package| {
                let exceptions = deny.licenses.exceptions.iter().filter(|except| except.name == package.name);
                let mut allowed = allow.clone();
                allowed.extend(exceptions.flat_map(|except| &except.allow).map(String::as_str));
                refusal(package, &allowed)
            })
            .collect();
        assert!(
            refused.is_empty(),
            "{system}: {refused:#?}; allow it in tests/deny.toml with its reason, or do without"
        );
    }
}

#[test]
fn a_licence_that_is_not_allowed_is_seen() {
    let any = SYSTEMS[0].all().next().unwrap();
    let package = |licence: Option<&str>| Package { licence: licence.map(str::to_owned), ..any.clone() };
    let is_refused = |licence| refusal(&package(licence), &["MIT", "Apache-2.0"]).is_some();
    for licence in ["MIT", "MIT/Apache-2.0", "GPL-3.0-only OR MIT", "Apache-2.0 AND MIT"] {
        assert!(!is_refused(Some(licence)), "{licence}");
    }
    for licence in ["GPL-3.0-only", "MIT AND MPL-2.0", "Apache-2.0 WITH LLVM-exception", "whatever"] {
        assert!(is_refused(Some(licence)), "{licence}");
    }
    assert!(is_refused(None));
}

#[test]
fn every_library_that_comes_in_two_versions_is_listed_with_its_reason() {
    let deny = deny();
    let mut versions: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for package in SYSTEMS.iter().flat_map(|packages| packages.built().unwrap()) {
        versions.entry(package.name.clone()).or_default().insert(package.version.clone());
    }
    for Skip { called, reason } in &deny.bans.skip {
        assert!(!reason.trim().is_empty(), "{called} has no reason");
        let (name, version) = called.split_once('@').unwrap();
        let known = versions
            .get_mut(name)
            .unwrap_or_else(|| panic!("{name} is not used; take it out of tests/deny.toml"));
        assert!(known.remove(version), "{called} is not used; take it out of tests/deny.toml");
        assert!(!known.is_empty(), "{called} is no double; take it out of tests/deny.toml");
    }
    let double: Vec<_> = versions.iter().filter(|(_, versions)| versions.len() > 1).collect();
    assert!(double.is_empty(), "in several versions, and not in tests/deny.toml: {double:?}");
}

#[test]
fn every_library_comes_from_the_registry_and_builds_with_the_oldest_compiler_that_we_name() {
    let number = |version: &str| -> (u32, u32) {
        let mut parts = version.split('.').map(|part| part.parse().unwrap());
        (parts.next().unwrap(), parts.next().unwrap_or(0))
    };
    let mut wanted = BTreeSet::new();
    for packages in SYSTEMS.iter() {
        let source = packages
            .all()
            .find(|package| package.name == FROM_THE_REGISTRY)
            .and_then(|package| package.source.clone())
            .expect("the files are read with it");
        assert!(source.starts_with(REGISTRY), "{source}");
        for package in packages.all() {
            let is_inside = package.is_ours && package.source.is_none() && package.folder.starts_with(root());
            assert!(
                is_inside || package.source.as_ref() == Some(&source),
                "{}: {:?}",
                called(package),
                package.source
            );
            if package.is_ours {
                wanted.insert(package.rust_version.clone().expect("ours say what they need"));
            }
        }
        let ours = number(wanted.first().unwrap());
        let newer: Vec<String> = packages
            .all()
            .filter(|package| package.rust_version.as_deref().is_some_and(|version| number(version) > ours))
            .map(called)
            .collect();
        assert!(newer.is_empty(), "need a newer compiler than {wanted:?}: {newer:?}");
    }
    assert_eq!(wanted.len(), 1, "ours name several compilers: {wanted:?}");
}

/// A file that holds unsafe code.
#[derive(Deserialize)]
struct Unsafe {
    path: String,
    count: usize,
    reason: String,
}

/// Returns how often a word stands in a source; comments and texts are none.
fn count(tokens: TokenStream, word: &str) -> usize {
    tokens
        .into_iter()
        .map(|tree| match tree {
            TokenTree::Ident(ident) => usize::from(ident == word),
            TokenTree::Group(group) => count(group.stream(), word),
            TokenTree::Punct(_) | TokenTree::Literal(_) => 0,
        })
        .sum()
}

/// Returns every source below a folder.
pub(crate) fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        let name = entry.file_name();
        if path.is_dir() && name != "target" && !name.to_string_lossy().starts_with('.') {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
    found
}

#[test]
fn unsafe_code_stands_where_it_is_listed_and_nowhere_else() {
    let root = root();
    let listed: BTreeMap<String, Vec<Unsafe>> =
        toml::from_str(&fs::read_to_string(root.join("tests/unsafe.toml")).unwrap()).unwrap();
    let listed = &listed["file"];
    assert!(listed.iter().all(|file| !file.reason.trim().is_empty()), "a file without a reason");
    let listed: BTreeMap<&str, usize> = listed.iter().map(|file| (file.path.as_str(), file.count)).collect();
    let mut found = BTreeMap::new();
    let sources = sources(&root);
    // The control: the walk went through the checkout.
    assert!(sources.len() > 150, "{} sources", sources.len());
    for path in &sources {
        let text = fs::read_to_string(path).unwrap();
        if !text.contains("unsafe") {
            continue;
        }
        let tokens: TokenStream =
            text.parse().unwrap_or_else(|error| panic!("{} is no source: {error}", path.display()));
        let uses = count(tokens.clone(), "unsafe");
        // An allowance that nothing uses is one too many, too.
        let allowances = count(tokens, "unsafe_code");
        if uses + allowances > 0 {
            assert!(uses > 0, "{} allows unsafe code and has none", path.display());
            let inside = path.strip_prefix(&root).unwrap();
            let parts: Vec<_> = inside.iter().map(|part| part.to_string_lossy()).collect();
            found.insert(parts.join("/"), uses);
        }
    }
    let found: BTreeMap<&str, usize> = found.iter().map(|(path, count)| (path.as_str(), *count)).collect();
    assert_eq!(found, listed, "found, and listed in tests/unsafe.toml");
}
