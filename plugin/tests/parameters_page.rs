//! `docs/parameters.md` is written from the tables of parameters, and is not stale.
//!
//! `ROSTRA_KEEP_DOCS=1 cargo test -p rostra --test parameters_page` writes it anew.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::{BYPASSED, Group, Kind, List, Parameter, Tabled, named};

/// Returns a number with the digits that it needs.
fn plain(value: f64) -> String {
    format!("{}", (value * 1e6).round() / 1e6)
}

/// Returns range, unit and default as a row of the page has them.
fn cells(parameter: &Parameter) -> [String; 3] {
    match &parameter.kind {
        Kind::Number(number) => {
            let (low, high) = number.range;
            let top = number.top_word.map_or_else(String::new, |word| format!(", the top is {word}"));
            let default = match number.top_word {
                Some(word) if number.default >= high => word.to_owned(),
                _ => plain(number.default),
            };
            let unit = number.unit.suffix().trim().to_owned();
            [format!("{} to {}{top}", plain(low), plain(high)), unit, default]
        }
        Kind::List(list) => {
            let range = if list.entries.iter().all(|entry| entry.note.is_empty()) {
                list.names().collect::<Vec<_>>().join(", ")
            } else {
                "a list, below".to_owned()
            };
            [range, String::new(), list.entry(list.default).name.to_owned()]
        }
        Kind::Switch => ["off, on".to_owned(), String::new(), "off".to_owned()],
    }
}

fn rows(parameters: impl Iterator<Item = &'static Parameter>) -> String {
    let head =
        "| id | name | range | unit | default | what it does to the sound |\n|---|---|---|---|---|---|\n";
    let row = |parameter: &Parameter| {
        let [range, unit, default] = cells(parameter);
        let Parameter { id, name, effect, .. } = parameter;
        format!("| `{id}` | {name} | {range} | {unit} | {default} | {effect} |\n")
    };
    head.to_owned() + &parameters.map(row).collect::<String>()
}

fn entries(list: &List) -> String {
    let row = |entry: &rostra_dsp::settings::Entry| format!("| {} | {} |\n", entry.name, entry.note);
    list.entries.iter().map(row).collect()
}

/// Says which ids and words of before are still read.
fn old_words() -> String {
    let parameters = || Settings::parameters().chain(Hall::parameters());
    let ids = parameters().flat_map(|known| known.old_ids.iter().map(move |old| (*old, known.id)));
    let all = parameters().filter_map(Parameter::list).flat_map(|list| list.entries);
    let words = all.flat_map(|entry| entry.old_ids.iter().map(move |old| (*old, entry.name)));
    let mut said: Vec<String> = ids.chain(words).map(|(old, today)| format!("`{old}` ({today})")).collect();
    said.dedup();
    said.join(", ")
}

fn page() -> String {
    let list = |id: &str| named(Settings::TABLE, id).list().unwrap();
    format!(
        "# Every parameter

This page is written from the tables of parameters by `ROSTRA_KEEP_DOCS=1 cargo test -p rostra --test parameters_page`.

Values can be typed with or without their unit: `8.5`, `8.5 m`, `8.5 metres`. Ids do not change from the first release on, since sessions depend on them.

{}
Rostra Hall has these, and the same bypass:

{}
A seat outside the platform is brought inside: 0.3 m clear of the walls, half a metre upstage of the main microphones.

| radiation | radiates |
|---|---|
{}
| recorded from | |
|---|---|
{}
| finish | |
|---|---|
{}
| main microphones | |
|---|---|
{}
Ids and words of before the first release are still read from states, files and the command line: {}.
",
        rows(Settings::parameters()),
        rows(Hall::parameters().filter(|parameter| parameter.id != BYPASSED.id)),
        entries(list("family")),
        entries(list("recorded")),
        entries(list("rear")),
        entries(list("mics")),
        old_words(),
    )
}

#[test]
fn the_page_is_that_of_the_tables() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/parameters.md");
    let page = page();
    if std::env::var_os("ROSTRA_KEEP_DOCS").is_some() {
        fs::write(&path, &page).unwrap();
    }
    let kept = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == page,
        "docs/parameters.md is stale: run ROSTRA_KEEP_DOCS=1 cargo test -p rostra --test parameters_page"
    );
}

/// What a parameter does is said in whole sentences, and briefly where there is little room.
#[test]
fn every_parameter_says_what_it_does() {
    for parameter in Settings::parameters().chain(Hall::parameters()) {
        let Parameter { id, short_name, effect, group, .. } = parameter;
        assert!(effect.ends_with('.') && !effect.contains(['|', '\n']), "{id}: {effect}");
        assert!(short_name.chars().count() <= 12, "{id}: {short_name}");
        assert_eq!(group.name().is_empty(), *group == Group::Session, "{id}");
    }
}
