//! Every fault of a file is one line that names the file, the line, what is wrong and what to do.

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

use std::fs;

use rostra_files::{Contents, Field, Kind, MOST_BYTES, PLATFORM, SEAT, Table, Value, Values, read};

fn number(id: &str, group: &str, range: (f64, f64), unit: &str, top: Option<&str>) -> Field {
    let values = Values::Numbers { range, decimals: 2, unit: unit.into(), top: top.map(str::to_owned) };
    Field::new(id, id, group, values)
}

fn names(names: &[&str]) -> Values {
    Values::Names(names.iter().map(|&name| name.to_owned()).collect())
}

/// A small plug-in, so that nothing here depends on the real one's ranges.
fn table(kind: Kind) -> Table {
    let all = [
        number("depth", "Seat", (0.5, 25.0), "m", None),
        number("bearing", "Seat", (-60.0, 60.0), "deg", None),
        Field {
            old_ids: vec!["throw".into()],
            old_names: vec![("skin".into(), 2)],
            ..Field::new("family", "Radiation", "Seat", names(&["omnidirectional", "rear bell", "drumhead"]))
        },
        number("plat_w", "Platform", (8.0, 30.0), "m", None),
        number("close", "Tone", (0.05, 2.0), "m", Some("off")),
        Field::new("link", "Platform link", "", names(&["off", "1"])),
    ];
    Table::of(kind, &all)
}

fn fault(text: &[u8]) -> String {
    let error = Contents::parse(text, "seat.toml", &table(SEAT)).unwrap_err().to_string();
    assert!(!error.contains('\n'), "more than a line: {error}");
    error
}

#[test]
fn what_a_file_sets_is_read_with_its_lines() {
    let text = "\u{feff}name = \"Horns\"\nnote = \"\"\"two\nlines\"\"\"\n\ndepth = 10.5\nbearing = -22\nfamily = \"Rear-Bell\"\nclose = \"off\"\n";
    let contents = Contents::parse(text.as_bytes(), "horns.toml", &table(SEAT)).unwrap();
    assert_eq!(contents.name.as_deref(), Some("Horns"));
    assert_eq!(contents.note.as_deref(), Some("two\nlines"));
    let entries: Vec<_> = contents.entries.iter().map(|e| (e.id.as_str(), e.value, e.line)).collect();
    assert_eq!(
        entries,
        [
            ("depth", Value::Number(10.5), 5),
            ("bearing", Value::Number(-22.0), 6),
            ("family", Value::Name(1), 7),
            ("close", Value::Number(2.0), 8),
        ]
    );
    // Nothing at all is a file, too: it sets nothing.
    assert_eq!(Contents::parse(b"", "empty.toml", &table(SEAT)).unwrap(), Contents::default());
}

#[test]
fn numbers_are_taken_as_toml_writes_them() {
    for (text, expected) in
        [("7", 7.0), ("7.25", 7.25), ("0x0a", 10.0), ("1_0.5", 10.5), ("5e-1", 0.5), ("+3", 3.0)]
    {
        let contents = Contents::parse(format!("depth = {text}").as_bytes(), "x", &table(SEAT)).unwrap();
        assert_eq!(contents.entries[0].value, Value::Number(expected), "{text}");
    }
}

#[test]
fn every_fault_names_file_line_what_and_what_to_do() {
    for (text, line, words) in [
        ("depth = 3\nriser = = 1\n", 2, &["is not valid TOML", "id = value"][..]),
        ("depth\n", 1, &["is not valid TOML"]),
        ("name = \"x\ndepth = 3\n", 1, &["is not valid TOML"]),
        ("depth = 1\n\ndepth = 2\n", 3, &["depth is set twice", "delete one"]),
        ("\ndeph = 3\n", 2, &["no parameter \"deph\"", "did you mean \"depth\""]),
        ("Depth = 3\n", 1, &["no parameter \"Depth\"", "did you mean \"depth\""]),
        ("zzz = 3\n", 1, &["no parameter \"zzz\"", "depth, bearing, family, close"]),
        ("depth = 3\ndepth_m = [1]\n", 2, &["no parameter \"depth_m\""]),
        ("plat_w = 20\n", 1, &["\"plat_w\" does not belong in a seat file", "platform file"]),
        ("link = \"1\"\n", 1, &["\"link\" belongs to the session", "delete the line"]),
        ("bearing = 0\ndepth = 26\n", 2, &["depth = 26 is out of range", "0.50 m to 25.00 m"]),
        ("depth = 0.499\n", 1, &["out of range", "0.50 m to 25.00 m"]),
        ("depth = nan\n", 1, &["depth = nan is out of range"]),
        ("depth = inf\n", 1, &["depth = inf is out of range"]),
        ("depth = -9223372036854775808\n", 1, &["out of range"]),
        ("depth = 99999999999999999999\n", 1, &["depth"]),
        ("close = 3.0\n", 1, &["close = 3.0 is out of range", "or \"off\""]),
        (
            "depth = \"8.5 m\"\n",
            1,
            &["depth cannot be \"8.5 m\", which is quoted text", "a number from 0.50 m"],
        ),
        ("close = \"near\"\n", 1, &["close cannot be \"near\", which is quoted text", "or \"off\""]),
        ("depth = true\n", 1, &["depth cannot be true", "a number"]),
        ("depth = [1, 2]\n", 1, &["depth cannot be a list", "a number"]),
        ("[depth]\nx = 1\n", 1, &["depth cannot be a table"]),
        ("depth.x = 1\n", 1, &["depth cannot be a table"]),
        ("depth = 1979-05-27\n", 1, &["depth cannot be a date"]),
        (
            "family = 1\n",
            1,
            &["family cannot be 1", "names, in quotes: omnidirectional, rear bell, drumhead"],
        ),
        (
            "family = \"rear bel\"\n",
            1,
            &["did you mean \"rear bell\"", "omnidirectional, rear bell, drumhead"],
        ),
        (
            "family = \"trumpet\"\n",
            1,
            &["family cannot be \"trumpet\"", "omnidirectional, rear bell, drumhead"],
        ),
        ("name = 3\n", 1, &["name must be quoted text"]),
        ("depth = 3\nnote = [\"a\"]\n", 2, &["note must be quoted text"]),
    ] {
        let error = fault(text.as_bytes());
        assert!(error.starts_with(&format!("seat.toml, line {line}: ")), "{text:?}: {error}");
        for word in words {
            assert!(error.contains(word), "{text:?}: expected {word:?} in {error}");
        }
    }
    // However long or odd what was written is, it is said in a line that can be read.
    for text in [
        format!("{} = 1", "k".repeat(9000)),
        "\"a\\nb\" = 1".to_owned(),
        format!("depth = \"\\n{}\"", "x".repeat(9000)),
        format!("family = \"\\n{}\"", "x".repeat(9000)),
        format!("depth = {}.5", "9".repeat(9000)),
        format!("depth = {}", "[".repeat(9000)),
    ] {
        let error = fault(text.as_bytes());
        assert!(error.len() < 300, "{} bytes: {error}", error.len());
    }
    let long = fault(format!("name = \"{}\"", "x".repeat(81)).as_bytes());
    assert!(long.starts_with("seat.toml, line 1: the name has more than 80"), "{long}");
}

#[test]
fn of_several_faults_the_first_by_line_is_told() {
    let error = fault(b"zzz = 1\nbearing = 99\ndepth = 99\nalpha = 1\n");
    assert!(error.starts_with("seat.toml, line 1:"), "{error}");
    let error = fault(b"bearing = 0\ndepth = 99\nbearing_deg = 0\n");
    assert!(error.starts_with("seat.toml, line 2:"), "{error}");
}

#[test]
fn what_is_no_text_or_too_big_is_refused() {
    let error = fault(b"depth = 3\nname = \"H\xf6rner\"\n");
    assert!(error.starts_with("seat.toml, line 2: is not UTF-8"), "{error}");
    let big = vec![b'#'; MOST_BYTES as usize + 1];
    assert!(fault(&big).starts_with("seat.toml: is larger than 65536 bytes"), "{}", fault(&big));
    assert!(Contents::parse(&big[1..], "seat.toml", &table(SEAT)).is_ok(), "the limit itself is taken");
}

#[test]
fn a_path_that_is_no_such_file_is_refused_without_waiting() {
    let folder = tempfile::tempdir().unwrap();
    let told = |name: &str| read(&folder.path().join(name), name, &table(SEAT)).unwrap_err().to_string();
    assert_eq!(told("none.toml"), "none.toml: there is no such file; check the path");
    fs::create_dir(folder.path().join("folder.toml")).unwrap();
    assert!(told("folder.toml").contains("is not a readable file"), "{}", told("folder.toml"));
    fs::write(folder.path().join("big.toml"), vec![b' '; MOST_BYTES as usize + 1]).unwrap();
    assert!(told("big.toml").contains("larger than"), "{}", told("big.toml"));
    #[cfg(unix)]
    {
        let pipe = folder.path().join("pipe.toml");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        assert!(told("pipe.toml").contains("is not a readable file"), "{}", told("pipe.toml"));
    }
}

#[test]
fn a_platform_file_takes_platform_ids_only() {
    assert!(Contents::parse(b"plat_w = 20", "p.toml", &table(PLATFORM)).is_ok());
    let error = Contents::parse(b"depth = 5", "p.toml", &table(PLATFORM)).unwrap_err().to_string();
    assert!(error.contains("\"depth\" does not belong in a platform file; put it in a seat file"), "{error}");
}
