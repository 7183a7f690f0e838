//! Seat, platform and hall files with anything in them: taken or refused in a line, never a panic.
//!
//! `ROSTRA_FUZZ_S=600 cargo test -p rostra --test any_file` tries for ten minutes.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;
use rostra::editor::filing::{edits_among, edits_of};
use rostra::editor::values::{Edit, Values};
use rostra::file_table::table;
use rostra_dsp::Settings;
use rostra_dsp::hall::Hall;
use rostra_files::{Contents, HALL, KINDS, Kind, LONGEST_NAME, Table, Value, Values as Allowed};
use rostra_fuzz::{Target, damaged};

const TARGET: Target = Target { name: "files", inputs: 40_000 };

/// Called so in what is said of it.
const CALLED: &str = "any.toml";

/// What TOML is made of, and what our files are.
const WORDS: [&str; 24] = [
    "\"",
    "'''",
    "\"\"\"",
    "[",
    "]",
    "[[x]]\n",
    "{",
    "}",
    " = ",
    "\n",
    "\r\n",
    "#",
    ".",
    "\\u0000",
    "\\n",
    "nan",
    "-inf",
    "1e999",
    "0x10",
    "1979-05-27",
    "name = ",
    "depth = ",
    "off",
    "\u{feff}",
];

#[test]
fn any_file_is_taken_or_refused_in_a_line() {
    for (name, bytes) in TARGET.corpus() {
        eprintln!("corpus: {name}");
        check(&bytes);
    }
    let good: Vec<Vec<u8>> = KINDS
        .iter()
        .flat_map(|kind| kind.built_in.iter().map(|file| file.text.as_bytes().to_vec()))
        .chain(TARGET.corpus().into_iter().map(|(_, bytes)| bytes))
        .collect();
    let inputs = prop_oneof![made_up(), damaged(good, &WORDS)];
    TARGET.run(&inputs, Clone::clone, |bytes| check(bytes));
}

/// Lines as somebody might write them, good and bad, or several times the same.
fn made_up() -> impl Strategy<Value = Vec<u8>> {
    let known = KINDS.iter().flat_map(|&kind| table(kind).fields);
    let keys: Vec<String> = known
        .clone()
        .map(|field| field.id)
        .chain(["name", "note", "link", "dep", "a.b", "\"a\\nb\"", "\"\"", "[depth]", "é"].map(str::to_owned))
        .collect();
    let names: Vec<String> = known
        .flat_map(|field| match field.values {
            Allowed::Names(names) => names,
            Allowed::Numbers { range, top, .. } => {
                vec![top.unwrap_or_default(), format!("{:?}", range.0), format!("{:?}", range.1)]
            }
        })
        .collect();
    let value = prop_oneof![
        3 => (-100.0..1000.0_f64).prop_map(|number| format!("{number:?}")),
        2 => any::<f64>().prop_map(|number| format!("{number:?}")),
        2 => any::<i64>().prop_map(|number| number.to_string()),
        2 => (-70_i32..70).prop_map(|number| number.to_string()),
        4 => select(names.clone()).prop_map(|name| format!("\"{name}\"")),
        2 => select(names),
        2 => any::<String>().prop_map(|text| format!("{text:?}")),
        1 => select(vec!["[1, [2]]", "{ a = 1 }", "true", "+nan", "-0.0", "0b1", "1_0", "07:32:00"]).prop_map(str::to_owned),
    ];
    let line = (select(keys), value).prop_map(|(key, value)| format!("{key} = {value}\n"));
    vec(line, 0..5).prop_map(|lines| lines.concat().into_bytes())
}

/// Reads a file as each kind; says whether one of them takes it.
fn check(bytes: &[u8]) -> bool {
    KINDS.map(|kind| is_taken(bytes, kind)).contains(&true)
}

fn is_taken(bytes: &[u8], kind: Kind) -> bool {
    thread_local! { static TABLES: [Table; 3] = KINDS.map(table); }
    TABLES.with(|tables| {
        let table = tables.iter().find(|table| table.kind == kind).unwrap();
        match Contents::parse(bytes, CALLED, table) {
            Ok(contents) => {
                is_sound(&contents, table);
                true
            }
            Err(fault) => {
                is_clear(&fault.to_string());
                false
            }
        }
    })
}

/// Holds a fault against the rule: one line that names the file and says what to do.
fn is_clear(fault: &str) {
    assert!(fault.starts_with(CALLED), "does not name the file: {fault:?}");
    assert!(!fault.chars().any(char::is_control), "more than a line: {fault:?}");
    let to_do = ["write ", "save it", "delete ", "put ", "must be ", "did you mean", "may set"];
    assert!(to_do.iter().any(|words| fault.contains(words)), "does not say what to do: {fault:?}");
    // Our choice: the line is to be read, and none of ours comes near this.
    assert!(fault.chars().count() < 600, "is no line for people: {fault:?}");
}

/// Holds what was taken against the ranges, against itself written and read again, and against the editor.
fn is_sound(contents: &Contents, table: &Table) {
    assert!(contents.name.as_ref().is_none_or(|name| name.chars().count() <= LONGEST_NAME));
    for entry in &contents.entries {
        match (&table.field(&entry.id).unwrap().values, entry.value) {
            (Allowed::Numbers { range, .. }, Value::Number(number)) => {
                assert!((range.0..=range.1).contains(&number), "{} = {number}", entry.id);
            }
            (Allowed::Names(names), Value::Name(place)) => assert!(place < names.len(), "{}", entry.id),
            _ => panic!("{} has a value of another kind", entry.id),
        }
    }
    let text = contents.text(table);
    let again =
        Contents::parse(text.as_bytes(), CALLED, table).unwrap_or_else(|fault| panic!("{fault}\n{text}"));
    assert_eq!((&again.name, &again.note), (&contents.name, &contents.note));
    assert_eq!(again.entries.len(), contents.entries.len());
    for entry in &contents.entries {
        let same = again.entries.iter().find(|same| same.id == entry.id).unwrap();
        match (&table.field(&entry.id).unwrap().values, entry.value, same.value) {
            // Written with the digits that count.
            (Allowed::Numbers { decimals, .. }, Value::Number(number), Value::Number(same)) => {
                let half_step = 0.5 * 0.1_f64.powi(*decimals as i32);
                assert!(
                    (number - same).abs() <= half_step * (1.0 + 1e-9),
                    "{} = {number}, then {same}",
                    entry.id
                );
            }
            (_, value, same) => assert_eq!(value, same, "{}", entry.id),
        }
    }
    assert_eq!(again.text(table), text, "written once more");
    if table.kind == HALL {
        edits_among::<Hall>(contents);
    } else {
        let mut values = Values::from(&Settings::default());
        for edit in edits_of(contents) {
            if let Edit::Set(number, value) = edit {
                let (low, high) = number.range();
                assert!((low..=high).contains(&value), "{} is set to {value}", number.id);
            }
            values.apply(edit);
        }
        // Settings that a plan can be made of: the engine snaps them, which panics at nothing.
        let settings = values.settings();
        assert!(settings.seat.depth_m.is_finite() && settings.platform.width_m.is_finite());
    }
}
