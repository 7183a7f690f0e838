//! Seat and platform files against their schema, and against the parameters that they set.
//!
//! The schema is held by the crate `jsonschema`, which knows nothing of ours:
//! it takes every file that comes with the program, and refuses what the
//! reader refuses.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::{Path, PathBuf};
use std::rc::Rc;

use jsonschema::{Draft, Validator};
use proptest::prelude::*;
use rostra::editor::file_menu::{FileRequest, Filed};
use rostra::editor::filing::{Filing, contents_of, edits_among, edits_of};
use rostra::editor::hall_sheet::HallSheet;
use rostra::editor::sheet::Sheet;
use rostra::editor::values::{Edit, Values};
use rostra::file_table::table;
use rostra_dsp::Settings;
use rostra_dsp::acoustics::{CLEARANCE_M, Family, Section, Vector};
use rostra_dsp::hall::Hall;
use rostra_dsp::settings::{FAMILY, Group, Parameter, Tabled as _};
use rostra_files::{
    Contents, Entry, FileStore, HALL, KINDS, Kind, Listed as File, PLATFORM, Place, SEAT, Value,
    Values as Allowed, schema,
};

/// What the seat's plug-in takes; the hall has a plug-in of its own.
const OF_A_SEAT: [Kind; 2] = [SEAT, PLATFORM];

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../presets-demo")
}

fn validator(kind: Kind) -> Validator {
    let schema = serde_json::from_str(&schema(&table(kind))).unwrap();
    jsonschema::meta::validate(&schema).expect("the schema is one by the draft's own schema");
    jsonschema::options().with_draft(Draft::Draft202012).build(&schema).unwrap()
}

/// The text as JSON has it; `None` where it is no TOML.
fn as_json(text: &str) -> Option<serde_json::Value> {
    Some(serde_json::to_value(text.parse::<toml::Table>().ok()?).unwrap())
}

fn is_read(text: &str, kind: Kind) -> bool {
    Contents::parse(text.as_bytes(), "file.toml", &table(kind)).is_ok()
}

#[test]
fn the_schemas_of_the_checkout_are_those_of_the_parameters() {
    for kind in KINDS {
        let path = demo().join(format!("schema/{}.schema.json", kind.word));
        let kept = fs::read_to_string(&path).unwrap_or_default();
        assert!(
            kept == schema(&table(kind)),
            "{} is not up to date: run `cargo xtask files schema`",
            path.display()
        );
    }
}

/// Least distance of two players of different seats, m: a chair takes up 0.6 m at the least (from memory).
const CHAIR_M: f64 = 0.6;

#[test]
fn the_players_of_the_built_in_seats_have_room_on_the_default_platform() {
    let mut players: Vec<(&str, Vector)> = Vec::new();
    for file in SEAT.built_in {
        let contents = Contents::parse(file.text.as_bytes(), file.file, &table(SEAT)).unwrap();
        let mut values = Values::from(&Settings::default());
        for edit in edits_of(&contents) {
            values.apply(edit);
        }
        let Settings { seat, platform, microphones, .. } = values.settings();
        for &spot in Section::of(&seat).spots() {
            let place = seat.source_on(spot, &platform, &microphones).position;
            // Half a metre before the limit a place is bent inside: whoever stands there was not brought inside.
            let edge_m = platform.width_m / 2.0 - CLEARANCE_M - 0.5;
            let deep_m = microphones.depth_m + 0.5..=platform.depth_m - CLEARANCE_M;
            assert!(place.x.abs() <= edge_m && deep_m.contains(&place.y), "{}: {place:?}", file.name);
            for (other, at) in &players {
                let apart_m = (place.x - at.x).hypot(place.y - at.y);
                assert!(
                    *other == file.name || apart_m >= CHAIR_M,
                    "{} and {other}: {apart_m:.2} m apart",
                    file.name
                );
            }
            players.push((file.name, place));
        }
    }
    // 14 + 12 + 10 + 8 + 6 strings, four horns, and eight on their own.
    assert_eq!(players.len(), 62);
}

#[test]
fn every_file_that_comes_with_the_program_is_taken_by_reader_and_schema() {
    for kind in KINDS {
        let validator = validator(kind);
        for file in kind.built_in {
            let contents = Contents::parse(file.text.as_bytes(), file.file, &table(kind)).unwrap();
            assert!(!contents.entries.is_empty(), "{} sets nothing", file.file);
            let json = as_json(file.text).unwrap();
            let faults: Vec<String> = validator.iter_errors(&json).map(|fault| fault.to_string()).collect();
            assert!(faults.is_empty(), "{}: {faults:?}", file.file);
        }
    }
}

#[test]
fn the_schema_refuses_what_the_reader_refuses() {
    for (kind, text) in [
        (SEAT, "depth = 26"),
        (SEAT, "depth = 0.49"),
        (SEAT, "depth = nan"),
        (SEAT, "depth = \"8.5 m\""),
        (SEAT, "depth = true"),
        (SEAT, "depth = [3]"),
        (SEAT, "depth.x = 3"),
        (SEAT, "depth = 1979-05-27"),
        (SEAT, "deph = 3"),
        (SEAT, "plat_w = 18"),
        (SEAT, "link = \"1\""),
        (SEAT, "dry = false"),
        (SEAT, "bypass = false"),
        (SEAT, "family = \"trumpet\""),
        (SEAT, "family = 2"),
        (SEAT, "close = 2.5"),
        (SEAT, "close = \"on\""),
        (SEAT, "name = 3"),
        (SEAT, "note = []"),
        (HALL, "depth = 3"),
        (HALL, "bypass = true"),
        (HALL, "decay = 99"),
        (HALL, "size = \"12000\""),
        (PLATFORM, "depth = 3"),
        (PLATFORM, "plat_w = 31"),
        (PLATFORM, "floor = \"glass\""),
        (PLATFORM, "mics = true"),
    ] {
        assert!(!is_read(text, kind), "the reader takes {text}");
        assert!(!validator(kind).is_valid(&as_json(text).unwrap()), "the schema takes {text}");
    }
    let long = format!("name = \"{}\"", "é".repeat(81));
    let short = format!("name = \"{}\"", "é".repeat(80));
    for (text, is_good) in
        [(long.as_str(), false), (&short, true), ("close = \"off\"", true), ("depth = 3", true)]
    {
        assert_eq!(is_read(text, SEAT), is_good, "{text}");
        assert_eq!(validator(SEAT).is_valid(&as_json(text).unwrap()), is_good, "{text}");
    }
}

/// A value as somebody might write it, good or bad.
fn written() -> impl Strategy<Value = String> {
    let names: Vec<&str> = Settings::parameters()
        .filter_map(|parameter| parameter.list())
        .flat_map(rostra_dsp::settings::List::names)
        .collect();
    prop_oneof![
        4 => (-200.0..1000.0_f64).prop_map(|number| format!("{number:?}")),
        2 => (-70_i32..70).prop_map(|number| number.to_string()),
        4 => prop::sample::select(names).prop_map(|name| format!("\"{name}\"")),
        1 => prop::sample::select(vec!["true", "\"glass\"", "\"\"", "[1]", "{ a = 1 }", "inf", "nan", "1e400", "\"3\""])
            .prop_map(str::to_owned),
    ]
}

/// A key as somebody might write it, good or bad.
fn key() -> impl Strategy<Value = String> {
    let known = KINDS.iter().flat_map(|&kind| table(kind).fields).map(|field| field.id);
    let keys: Vec<String> =
        known.chain(["name", "note", "link", "dep", "Depth"].map(str::to_owned)).collect();
    prop::sample::select(keys)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2000) })]

    /// One takes what the other takes, names of lists written to the letter.
    #[test]
    fn reader_and_schema_agree_on_any_file(lines in prop::collection::btree_map(key(), written(), 1..4)) {
        let lines: Vec<String> = lines.iter().map(|(key, value)| format!("{key} = {value}\n")).collect();
        let text = lines.concat();
        for kind in KINDS {
            let Some(json) = as_json(&text) else { continue };
            let validator = validator_of(kind);
            prop_assert_eq!(is_read(&text, kind), validator.is_valid(&json), "{}:\n{}", kind.word, text);
        }
    }

    /// Any hall, written and read again, is the same.
    #[test]
    fn a_hall_comes_back(shares in prop::array::uniform9(0.0..=1.0_f64)) {
        let table = table(HALL);
        let entries: Vec<Entry> = hall_numbers()
            .zip(shares)
            .map(|(number, share)| {
                Entry { id: number.id.to_owned(), value: Value::Number(number.at_share(share)), line: 0 }
            })
            .collect();
        let text = Contents { name: None, note: None, entries: entries.clone() }.text(&table);
        let mut back = Contents::parse(text.as_bytes(), "hall.toml", &table).unwrap().entries;
        for entry in &mut back {
            entry.line = 0;
        }
        prop_assert_eq!(back, entries);
        prop_assert!(validator_of(HALL).is_valid(&as_json(&text).unwrap()), "{}", text);
    }

    /// Any hall, saved and taken into another instance, is the same again.
    #[test]
    fn a_hall_that_is_saved_and_taken_again_is_the_same(shares in prop::array::uniform9(0.0..=1.0_f64)) {
        let table = table(HALL);
        let mut values = Values::<Hall>::default();
        hall_numbers().zip(shares).for_each(|(number, share)| values.set(number, number.at_share(share)));
        let text = contents_of(&values, &table, "Any".to_owned()).text(&table);
        let contents = Contents::parse(text.as_bytes(), "any.toml", &table).unwrap();
        prop_assert_eq!(contents.entries.len(), hall_numbers().count());
        let mut again = Values::default();
        set_hall(&mut again, &edits_among::<Hall>(&contents));
        prop_assert_eq!(&again, &values);
        prop_assert_eq!(again.settings(), values.settings());
        prop_assert!(validator_of(HALL).is_valid(&as_json(&text).unwrap()), "{}", text);
    }

    /// Any values, saved as a seat and a platform and taken into another instance, are the same again.
    #[test]
    fn what_is_saved_and_taken_again_is_the_same(
        shares in prop::collection::vec(0.0..=1.0_f64, Settings::TABLE.len()),
    ) {
        let mut values = Values::from(&Settings::default());
        for (parameter, share) in Settings::parameters().zip(shares) {
            if parameter.group != Group::Session {
                values.set(parameter, parameter.at_share(share));
            }
        }
        let mut again = Values::from(&Settings::default());
        for kind in OF_A_SEAT {
            let table = table(kind);
            let text = contents_of(&values, &table, "Any".to_owned()).text(&table);
            let contents = Contents::parse(text.as_bytes(), "any.toml", &table).unwrap();
            prop_assert_eq!(contents.entries.len(), table.fields.len());
            for edit in edits_of(&contents) {
                again.apply(edit);
            }
            let validator = validator_of(kind);
            prop_assert!(validator.is_valid(&as_json(&text).unwrap()), "{}", text);
        }
        prop_assert_eq!(&again, &values);
        prop_assert_eq!(again.settings(), values.settings());
    }
}

fn hall_numbers() -> impl Iterator<Item = &'static Parameter> {
    Hall::parameters().filter(|parameter| parameter.number().is_some())
}

/// Does the edits of a file to a hall, each of which is a whole gesture on one number.
fn set_hall(values: &mut Values<Hall>, edits: &[Edit]) {
    let (gestures, rest) = edits.as_chunks::<3>();
    assert!(rest.is_empty(), "{rest:?}");
    for gesture in gestures {
        let [Edit::Begin(begun), Edit::Set(set, value), Edit::End(ended)] = gesture else {
            panic!("no gesture: {gesture:?}")
        };
        assert_eq!((begun.id, ended.id), (set.id, set.id));
        values.set(set, *value);
    }
}

thread_local! {
    static VALIDATORS: [Rc<Validator>; 3] = KINDS.map(|kind| Rc::new(validator(kind)));
}

/// Returns the validator of a kind, which is built once.
fn validator_of(kind: Kind) -> Rc<Validator> {
    let place = KINDS.iter().position(|of| *of == kind).unwrap();
    VALIDATORS.with(|validators| Rc::clone(&validators[place]))
}

#[test]
fn every_parameter_of_a_kind_has_a_place_among_the_edits() {
    for kind in OF_A_SEAT {
        for field in table(kind).fields {
            let text = match &field.values {
                Allowed::Numbers { range, .. } => format!("{} = {:?}", field.id, range.0),
                Allowed::Names(names) => format!("{} = \"{}\"", field.id, names[1]),
            };
            let contents = Contents::parse(text.as_bytes(), "one.toml", &table(kind)).unwrap();
            let edits = edits_of(&contents);
            match edits.as_slice() {
                [Edit::Begin(a), Edit::Set(b, _), Edit::End(c)] => {
                    assert!([a, b, c].iter().all(|number| number.id == field.id), "{edits:?}");
                }
                [Edit::Choose(list, 1)] => assert_eq!(list.id, field.id),
                other => panic!("{}: {other:?}", field.id),
            }
        }
    }
}

#[test]
fn a_broken_file_changes_nothing_even_where_it_begins_well() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("half.toml");
    fs::write(&path, "depth = 9.0\nfamily = \"rear bell\"\nbearing = 61\n").unwrap();
    let filing = Filing::of(FileStore::at(folder.path()));
    let values = Values::from(&Settings::default());
    let mut sheet = Sheet::default();
    let half = File { name: "half".into(), place: Place::Own(path.clone()) };
    assert!(filing.answer(FileRequest::Take(Filed::Seat, half.clone()), &mut sheet, &values).is_empty());
    // The control: repaired, it is taken.
    fs::write(&path, "depth = 9.0\nfamily = \"rear bell\"\nbearing = 60\n").unwrap();
    let edits = filing.answer(FileRequest::Take(Filed::Seat, half), &mut sheet, &values);
    let mut after = values.clone();
    for edit in edits {
        after.apply(edit);
    }
    let seat = after.settings().seat;
    assert_eq!((seat.depth_m, seat.bearing_deg, seat.family), (9.0, 60.0, Family::RearBell));
    assert_eq!(after.chosen(FAMILY), Family::RearBell as usize);
}

#[test]
fn every_number_of_the_hall_has_a_place_among_the_edits() {
    for number in hall_numbers() {
        let low = number.range().0;
        let text = format!("{} = {low:?}", number.id);
        let contents = Contents::parse(text.as_bytes(), "one.toml", &table(HALL)).unwrap();
        let mut values = Values::default();
        set_hall(&mut values, &edits_among::<Hall>(&contents));
        let mut expected = Values::<Hall>::default();
        expected.set(number, low);
        assert_eq!(values, expected, "{text} sets its number and nothing else");
    }
}

#[test]
fn a_broken_hall_changes_nothing_even_where_it_begins_well() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("half.toml");
    let filing = Filing::of(FileStore::at(folder.path()));
    let values = Values::default();
    let mut sheet = HallSheet::default();
    let half = File { name: "half".into(), place: Place::Own(path.clone()) };
    // The last ones are of the seat's plug-in: 8 m is a source width, 100 % a width of the hall.
    for broken in ["decay = 2.2\nsize = 1", "decay = 2.2\ndepth = 9.0", "decay = 2.2\nwidth = \"8 m\""] {
        fs::write(&path, broken).unwrap();
        assert!(filing.answer(FileRequest::Take(Filed::Hall, half.clone()), &mut sheet, &values).is_empty());
    }
    // The control: repaired, it is taken.
    fs::write(&path, "decay = 2.2\nsize = 9000\nwidth = 90").unwrap();
    let mut after = values.clone();
    set_hall(&mut after, &filing.answer(FileRequest::Take(Filed::Hall, half), &mut sheet, &values));
    let hall = after.settings();
    assert_eq!((hall.decay_s, hall.volume_m3, hall.width_pct), (2.2, 9000.0, 90.0));
}
