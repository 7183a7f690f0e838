//! The arrows between the parts of the crate: each uses those above it, and none below.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use proc_macro2::{TokenStream, TokenTree};

/// The parts in their order, and what each may use besides itself.
const PARTS: [(&str, &[&str]); 9] = [
    ("extremes", &[]),
    ("acoustics", &["extremes"]),
    ("settings", &["extremes", "acoustics"]),
    ("kernel", &["extremes"]),
    ("plan", &["extremes", "acoustics", "settings", "kernel"]),
    ("tail", &["extremes", "acoustics", "settings", "kernel", "plan"]),
    ("engine", &["extremes", "acoustics", "settings", "kernel", "plan", "tail"]),
    ("hall", &["extremes", "acoustics", "settings", "kernel", "plan", "tail", "engine"]),
    ("measure", &["extremes", "acoustics", "settings", "tail", "engine"]),
];

/// Returns the Rust files below a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("the sources can be listed") {
        let path = entry.expect("the sources can be listed").path();
        if path.is_dir() {
            found.extend(files(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found
}

/// Returns the sources without what stands there for tests alone, and the names that follow `crate::`.
fn used(tokens: TokenStream, found: &mut BTreeSet<String>) {
    let trees: Vec<TokenTree> = tokens.into_iter().collect();
    let mut at = 0;
    while at < trees.len() {
        if is_for_tests(&trees[at..]) {
            // What the attribute stands on ends with its braces or its semicolon.
            at += 2;
            while let Some(tree) = trees.get(at) {
                at += 1;
                match tree {
                    TokenTree::Group(group) if group.delimiter() == proc_macro2::Delimiter::Brace => break,
                    TokenTree::Punct(punct) if punct.as_char() == ';' => break,
                    _ => {}
                }
            }
            continue;
        }
        match &trees[at] {
            TokenTree::Group(group) => used(group.stream(), found),
            TokenTree::Ident(name) if name == "crate" => match trees.get(at + 3) {
                Some(TokenTree::Ident(part)) => {
                    found.insert(part.to_string());
                }
                Some(TokenTree::Group(parts)) => found.extend(heads(parts.stream())),
                _ => {}
            },
            // Two steps up may lead out of a part: paths from the crate's root say where they lead.
            TokenTree::Ident(name) if name == "super" => {
                if matches!(trees.get(at + 3), Some(TokenTree::Ident(next)) if next == "super") {
                    found.insert("super::super".to_owned());
                }
            }
            _ => {}
        }
        at += 1;
    }
}

/// Returns the first name of each path in a group of imports.
fn heads(group: TokenStream) -> Vec<String> {
    let mut is_first = true;
    let mut found = Vec::new();
    for tree in group {
        match tree {
            TokenTree::Ident(name) if is_first => {
                found.push(name.to_string());
                is_first = false;
            }
            TokenTree::Punct(punct) if punct.as_char() == ',' => is_first = true,
            _ => {}
        }
    }
    found
}

/// Says whether what follows is `#[cfg(test)]`.
fn is_for_tests(trees: &[TokenTree]) -> bool {
    matches!(trees, [TokenTree::Punct(hash), TokenTree::Group(group), ..]
        if hash.as_char() == '#' && group.stream().to_string().replace(' ', "") == "cfg(test)")
}

/// Returns which other parts a source uses.
fn parts_used(source: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    used(source.parse().expect("a source is made of tokens"), &mut found);
    found
}

#[test]
fn no_part_uses_one_below_it() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let (mut wrong, mut counted) = (Vec::new(), 0);
    for (part, allowed) in PARTS {
        let mut sources = vec![root.join(format!("{part}.rs"))];
        let folder = root.join(part);
        if folder.is_dir() {
            sources.extend(files(&folder));
        }
        for source in sources {
            let text = fs::read_to_string(&source).expect("a part has its file");
            counted += 1;
            for used in parts_used(&text) {
                if used != part && used != "Settings" && !allowed.contains(&used.as_str()) {
                    wrong.push(format!("{}: {part} uses {used}", source.display()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "arrows that point back:\n{}", wrong.join("\n"));
    // Every source but the crate's own file and the tests' modules is in a part.
    assert_eq!(counted + 1, files(&root).len(), "a file stands in no part");
}

/// The control: the reading sees an arrow, in an import and in a path, and passes over tests.
#[test]
fn an_arrow_is_seen() {
    let source = "use crate::engine::Engine; fn f() { crate::hall::g() } \
                  use crate::{plan::Planner, tail::{TailSpec, TailVoice}}; use super::super::kernel; \
                  #[cfg(test)] mod tests { use crate::measure::Take; } #[cfg(test)] mod oracle;";
    let expected = ["engine", "hall", "plan", "super::super", "tail"].map(str::to_owned);
    assert_eq!(parts_used(source), BTreeSet::from(expected));
}
