//! No source drops what is no number: `f64::max` and `f64::min` pass over it, and a bound then holds that nothing met.
//!
//! Two numbers may be compared by them; many are by `rostra_dsp::extremes`.
//! `clippy.toml` cannot tell one from the other, so the sources are read here.

use std::fs;

use proc_macro2::{Delimiter, TokenStream, TokenTree};

use crate::supply::{root, sources};

/// Returns what drops numbers in a source: such a method handed on, one within a fold, and one that gathers in itself.
fn dropping(tokens: TokenStream) -> Vec<String> {
    let trees: Vec<TokenTree> = tokens.into_iter().collect();
    let mut found = Vec::new();
    for (at, tree) in trees.iter().enumerate() {
        let TokenTree::Ident(ident) = tree else {
            if let TokenTree::Group(group) = tree {
                found.extend(dropping(group.stream()));
            }
            continue;
        };
        let name = ident.to_string();
        let after = &trees[at + 1..];
        match name.as_str() {
            "f32" | "f64" if is_path_to_extreme(after) && !is_call(after.get(3)) => {
                found.push(format!("{name}::{} is handed on", after[2]));
            }
            "fold" | "reduce" | "try_fold" => {
                if let Some(TokenTree::Group(group)) = after.first()
                    && compares(group.stream())
                {
                    found.push(format!("{name}{group}"));
                }
            }
            _ => {
                let is_new = at > 0
                    && matches!(&trees[at - 1], TokenTree::Ident(word) if word == "let" || word == "mut");
                if !is_new && gathers(&name, after) {
                    found.push(format!("{name} = {name}.max or min"));
                }
            }
        }
    }
    found
}

fn is_extreme(tree: Option<&TokenTree>) -> bool {
    matches!(tree, Some(TokenTree::Ident(ident)) if ident == "max" || ident == "min")
}

fn is_punct(tree: Option<&TokenTree>, sign: char) -> bool {
    matches!(tree, Some(TokenTree::Punct(punct)) if punct.as_char() == sign)
}

fn is_call(tree: Option<&TokenTree>) -> bool {
    matches!(tree, Some(TokenTree::Group(group)) if group.delimiter() == Delimiter::Parenthesis)
}

/// `::max` or `::min`.
fn is_path_to_extreme(after: &[TokenTree]) -> bool {
    is_punct(after.first(), ':') && is_punct(after.get(1), ':') && is_extreme(after.get(2))
}

/// Anything `.max(...)`, `.min(...)`, `f64::max(...)` within.
fn compares(tokens: TokenStream) -> bool {
    let trees: Vec<TokenTree> = tokens.into_iter().collect();
    trees.iter().enumerate().any(|(at, tree)| match tree {
        TokenTree::Punct(punct) => {
            punct.as_char() == '.' && is_extreme(trees.get(at + 1)) && is_call(trees.get(at + 2))
        }
        TokenTree::Ident(ident) => (ident == "f32" || ident == "f64") && is_path_to_extreme(&trees[at + 1..]),
        TokenTree::Group(group) => compares(group.stream()),
        TokenTree::Literal(_) => false,
    })
}

/// `name = ... name.max(...)`, as `self.name = self.name.max(...)` is, too.
fn gathers(name: &str, after: &[TokenTree]) -> bool {
    /// Words of a path before its last: `self.part.name`.
    const LONGEST_PATH: usize = 6;
    is_punct(after.first(), '=')
        && (1..after.len().min(LONGEST_PATH)).any(|at| {
            let is_path = after[1..at].iter().all(|tree| {
                matches!(tree, TokenTree::Ident(_)) || is_punct(Some(tree), '.') || is_punct(Some(tree), '*')
            });
            is_path
                && matches!(&after[at], TokenTree::Ident(ident) if ident == name)
                && is_punct(after.get(at + 1), '.')
                && is_extreme(after.get(at + 2))
        })
}

#[test]
fn no_source_drops_what_is_no_number() {
    let root = root();
    let sources = sources(&root);
    assert!(sources.len() > 150, "{} sources", sources.len());
    let mut found = Vec::new();
    for path in &sources {
        let text = fs::read_to_string(path).unwrap();
        if !text.contains("max") && !text.contains("min") {
            continue;
        }
        let tokens: TokenStream = text.parse().unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let inside = path.strip_prefix(&root).unwrap().display();
        found.extend(dropping(tokens).into_iter().map(|what| format!("{inside}: {what}")));
    }
    assert!(found.is_empty(), "use larger, smaller, largest or least of rostra_dsp::extremes: {found:#?}");
}

/// The control: each way of dropping is seen, and what compares two numbers is not.
#[test]
fn what_drops_a_number_is_seen_and_what_compares_two_is_not() {
    let is_seen = |source: &str| !dropping(source.parse().unwrap()).is_empty();
    for source in [
        "let worst = errors.fold(0., f64::max);",
        "let worst = errors.fold(LEAST, f32::max);",
        "errors.into_iter().reduce(f64::max)",
        "fn f() { for e in errors { let least = e.iter().fold(f64::INFINITY, f64::min); } }",
        "block.iter().fold(0.0, |peak, x| peak.max(x.abs()))",
        "values.fold((0.0, 1.0), |(a, b), x| (f64::max(a, x), b))",
        "{ worst = worst.max(error); }",
        "{ *worst = worst.max(error); }",
        "{ self.loudest = self.loudest.max(x); }",
    ] {
        assert!(is_seen(source), "{source}");
    }
    for source in [
        "let gain = gain.max(0.0);",
        "let span = span.min(most - done);",
        "let worst = errors.fold(0.0, larger);",
        "let longest = lengths.fold(0, usize::max);",
        "f64::max(a, b)",
        "values.iter().map(|x| x.max(0.0)).sum::<f64>()",
        "let a = Part { most: other.most.max(1.0) };",
        "latest = usize::max(latest, at);",
        "// worst = worst.max(error);",
    ] {
        assert!(!is_seen(source), "{source}");
    }
}
