//! The store lists, finds, reads and saves, and never loses a file.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::Path;

use rostra_files::{
    Contents, Entry, Field, FileStore, Listed, NotFound, NotSaved, Place, SEAT, Table, Value, Values,
};

fn table() -> Table {
    let values = Values::Numbers { range: (0.5, 25.0), decimals: 2, unit: "m".into(), top: None };
    let depth = Field::new("depth", "Depth", "Seat", values);
    Table::of(SEAT, &[depth])
}

fn contents(name: &str, depth_m: f64) -> Contents {
    let entries = vec![Entry { id: "depth".into(), value: Value::Number(depth_m), line: 0 }];
    Contents { name: Some(name.into()), note: None, entries }
}

fn names(store: &FileStore) -> Vec<String> {
    store.list(&SEAT).files.into_iter().map(|file| file.name).collect()
}

fn own(store: &FileStore, name: &str) -> Listed {
    store.find(&SEAT, &format!("own/{name}")).unwrap()
}

fn everything_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn without_a_folder_of_ones_own_the_built_in_ones_are_listed() {
    let folder = tempfile::tempdir().unwrap();
    let store = FileStore::at(folder.path().join("not there"));
    assert_eq!(names(&store).len(), SEAT.built_in.len());
    assert_eq!(names(&store)[0], "Flute");
    assert!(!folder.path().join("not there").exists(), "looking makes no folder");
}

#[test]
fn what_is_saved_is_listed_beside_a_built_in_one_and_read_back() {
    let folder = tempfile::tempdir().unwrap();
    let store = FileStore::at(folder.path());
    let path = store.save(&table(), &contents("Horns", 12.25), false).unwrap();
    assert_eq!(path, folder.path().join("seats/Horns.toml"));
    assert_eq!(fs::read_to_string(&path).unwrap(), "name = \"Horns\"\n\ndepth = 12.25\n");
    assert_eq!(names(&store).iter().filter(|name| *name == "Horns").count(), 2);
    assert_eq!(names(&store)[0], "Horns", "own ones come first");
    let back = store.read(&own(&store, "Horns"), &table()).unwrap();
    assert_eq!(back.entries[0].value, Value::Number(12.25));
    assert_eq!(store.find(&SEAT, "horns"), Err(NotFound::Two("horns".into())));
    assert_eq!(store.find(&SEAT, "Horns"), Err(NotFound::Two("Horns".into())));
    for name in ["a b", "a-b"] {
        store.save(&table(), &contents(name, 4.0), false).unwrap();
    }
    assert_eq!(store.find(&SEAT, "a-b").unwrap().name, "a-b");
    assert_eq!(store.find(&SEAT, "a_b"), Err(NotFound::Two("a_b".into())));
    for name in ["a b", "a-b"] {
        fs::remove_file(folder.path().join(format!("seats/{name}.toml"))).unwrap();
    }
    assert_eq!(store.find(&SEAT, "built-in/horns").unwrap().place, Place::BuiltIn(4));
    assert_eq!(store.find(&SEAT, "violins 1").unwrap().name, "Violins 1");
    let said = store.find(&SEAT, "Fluet").unwrap_err().to_string();
    assert!(said.contains("did you mean \"Flute\""), "{said}");
    let said = store.find(&SEAT, "zither").unwrap_err().to_string();
    assert!(said.contains("there are: Horns; Flute"), "{said}");
}

#[test]
fn a_second_save_under_one_name_is_refused_unless_it_is_to_replace() {
    let folder = tempfile::tempdir().unwrap();
    let store = FileStore::at(folder.path());
    let path = store.save(&table(), &contents("Far", 20.0), false).unwrap();
    let before = fs::read(&path).unwrap();
    // The same name in other letters would be the same file on some systems.
    for name in ["Far", "far", " FAR. "] {
        let refused = store.save(&table(), &contents(name, 9.0), false);
        assert_eq!(refused, Err(NotSaved::Taken { kind: "seat", name: "Far".into() }), "{name}");
        assert_eq!(fs::read(&path).unwrap(), before);
    }
    assert_eq!(store.save(&table(), &contents("far", 9.0), true).unwrap(), path);
    assert_eq!(fs::read_to_string(&path).unwrap(), "name = \"far\"\n\ndepth = 9.0\n");
    assert_eq!(everything_in(&folder.path().join("seats")), ["Far.toml"], "nothing else is left");
    assert_eq!(store.save(&table(), &contents("?!", 9.0), false), Err(NotSaved::NoName("?!".into())));
}

#[test]
fn a_folder_that_cannot_be_written_is_said_and_nothing_is_left() {
    let folder = tempfile::tempdir().unwrap();
    // A file stands where the folder would have to be made, which no user may change.
    fs::write(folder.path().join("seats"), b"in the way").unwrap();
    let store = FileStore::at(folder.path());
    let said = store.save(&table(), &contents("Far", 20.0), false).unwrap_err();
    assert!(matches!(said, NotSaved::Unwritable { .. }), "{said}");
    assert!(said.to_string().contains("ROSTRA_FILES"), "{said}");
    assert_eq!(fs::read(folder.path().join("seats")).unwrap(), b"in the way");
    let listing = store.list(&SEAT);
    assert_eq!(listing.files.len(), SEAT.built_in.len(), "the built-in ones are there all the same");
    assert!(listing.fault.is_some_and(|fault| fault.to_string().contains("seats")));
    // A folder stands where the file would have to be.
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir_all(folder.path().join("seats/Far.toml/full")).unwrap();
    let said = FileStore::at(folder.path()).save(&table(), &contents("Far", 20.0), true).unwrap_err();
    assert!(matches!(said, NotSaved::Unwritable { .. }), "{said}");
    assert_eq!(everything_in(&folder.path().join("seats")), ["Far.toml"]);
}

#[cfg(target_os = "linux")]
#[test]
fn a_file_system_that_takes_nothing_is_said() {
    // The one file system of Linux on which nobody, root included, can make a file.
    let store = FileStore::at("/proc/self");
    let said = store.save(&table(), &contents("Far", 20.0), true).unwrap_err();
    assert!(matches!(said, NotSaved::Unwritable { .. }), "{said}");
}

#[test]
fn what_is_no_toml_file_is_not_listed_and_a_broken_one_says_what_is_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let seats = folder.path().join("seats");
    fs::create_dir_all(&seats).unwrap();
    for (name, text) in [
        ("notes.txt", ""),
        (".hidden.toml", ""),
        ("Broken.toml", "\ndepth = 99\n"),
        ("Good.TOML", "depth = 3"),
    ] {
        fs::write(seats.join(name), text).unwrap();
    }
    let store = FileStore::at(folder.path());
    assert_eq!(names(&store)[..3], ["Broken", "Good", "Flute"]);
    let said = store.read(&own(&store, "broken"), &table()).unwrap_err().to_string();
    assert!(said.starts_with("Broken.toml, line 2: depth = 99 is out of range"), "{said}");
    fs::remove_file(seats.join("Good.TOML")).unwrap();
    let gone = Listed { name: "Good".into(), place: Place::Own(seats.join("Good.TOML")) };
    assert!(store.read(&gone, &table()).unwrap_err().to_string().contains("no such file"));
}

#[test]
fn what_a_person_writes_down_is_a_path_or_a_name() {
    let folder = tempfile::tempdir().unwrap();
    let store = FileStore::at(folder.path().join("own"));
    let table = table();
    let path = folder.path().join("there.toml");
    fs::write(&path, "depth = 4").unwrap();
    let depth = |written: &str| {
        store.read_written(Path::new(written), &table).map(|contents| contents.entries[0].value)
    };
    assert_eq!(depth(path.to_str().unwrap()), Ok(Value::Number(4.0)));
    store.save(&table, &contents("Far", 20.0), false).unwrap();
    assert_eq!(depth("far"), Ok(Value::Number(20.0)));
    assert_eq!(depth("own/Far"), Ok(Value::Number(20.0)));
    for (written, said) in [
        ("nowhere.toml", "nowhere.toml: there is no such file"),
        ("folder/far", "folder/far: there is no such file"),
        ("built-in/far", "there is no seat called \"built-in/far\""),
        ("farther away", "there is no seat called \"farther away\""),
    ] {
        let error = depth(written).unwrap_err().to_string();
        assert!(error.starts_with(said), "{error}");
    }
}
