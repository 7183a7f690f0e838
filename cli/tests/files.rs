//! What `files` does with seats and platforms, and what `place` takes by name.
//!
//! These run the program itself against the built bundle: `cargo xtask bundle`
//! comes first (`cargo xtask test` sees to it).

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

mod bundle;

use std::fs;
use std::path::Path;
use std::process::Command;

use bundle::bundle;
struct Run {
    code: Option<i32>,
    stdout: String,
    errors: Vec<String>,
}

/// Runs a task with an own folder of files inside `folder`.
fn run(folder: &Path, arguments: &[&str]) -> Run {
    let output = Command::new(env!("CARGO_BIN_EXE_rostra"))
        .args(arguments)
        .env("ROSTRA_FILES", folder.join("own"))
        .current_dir(folder)
        .output()
        .unwrap();
    let stderr = String::from_utf8_lossy(&output.stderr).into_owned();
    Run {
        code: output.status.code(),
        stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
        errors: stderr.lines().filter(|line| line.starts_with("error: ")).map(str::to_owned).collect(),
    }
}

/// Runs a task that asks the plug-in.
fn ask(folder: &Path, arguments: &[&str]) -> Run {
    let bundle = bundle();
    run(folder, &[arguments, &["--plugin", bundle.to_str().unwrap()]].concat())
}

#[test]
fn what_is_saved_is_listed_and_never_written_over_by_itself() {
    let folder = tempfile::tempdir().unwrap();
    let list = run(folder.path(), &["files"]);
    assert_eq!(list.code, Some(0));
    assert!(list.stdout.contains("Horns") && list.stdout.contains("Large, plaster"), "{}", list.stdout);
    assert!(list.stdout.contains("Long cue"), "{}", list.stdout);
    let saved = ask(
        folder.path(),
        &["files", "save", "Far horns", "--seat", "horns", "--set", "depth=11.25 m", "--note", "A desk on."],
    );
    assert_eq!(saved.code, Some(0), "{:?}", saved.errors);
    let path = folder.path().join("own/seats/Far horns.toml");
    let text = fs::read_to_string(&path).unwrap();
    for line in ["name = \"Far horns\"", "note = \"A desk on.\"", "depth = 11.25", "family = \"rear bell\""] {
        assert!(text.lines().any(|of| of == line), "{line} is not in\n{text}");
    }
    assert!(run(folder.path(), &["files", "list"]).stdout.contains("Far horns"));
    let saved = ask(folder.path(), &["files", "save", "Dry", "--hall", "short cue", "--set", "decay=1.2"]);
    assert_eq!(saved.code, Some(0), "{:?}", saved.errors);
    let hall = fs::read_to_string(folder.path().join("own/halls/Dry.toml")).unwrap();
    assert!(hall.contains("\ndecay = 1.2\n") && hall.contains("\nsize = 6000.0\n"), "{hall}");

    let save = ["files", "save", "Far horns", "--set", "depth=3"];
    let again = ask(folder.path(), &save);
    assert_eq!((again.code, again.errors.len()), (Some(2), 1), "{:?}", again.errors);
    assert!(again.errors[0].contains("already have a seat") && again.errors[0].contains("--replace"));
    assert_eq!(fs::read_to_string(&path).unwrap(), text);
    assert_eq!(ask(folder.path(), &[&save[..], &["--replace"]].concat()).code, Some(0));
    assert_eq!(fs::read_to_string(&path).unwrap(), "name = \"Far horns\"\n\ndepth = 3.0\n");
}

#[test]
fn what_cannot_be_saved_is_said_in_a_line() {
    let folder = tempfile::tempdir().unwrap();
    for (arguments, said) in [
        (&["x"][..], "nothing to save"),
        (&["x", "--set", "plat_w=20", "--set", "depth=3"], "\"depth\" does not belong in a platform file"),
        (&["x", "--set", "bypass=on"], "belongs to the session"),
        (&["x", "--set", "depth=99"], "0.50 to 25.00 m"),
        (&["??", "--set", "depth=9"], "cannot be used as a file name"),
        (&["x", "--seat", "no such seat"], "there is no seat called"),
    ] {
        let refused = ask(folder.path(), &[&["files", "save"], arguments].concat());
        assert_eq!((refused.code, refused.errors.len()), (Some(2), 1), "{:?}", refused.errors);
        assert!(refused.errors[0].contains(said), "{said}: {:?}", refused.errors);
    }
    assert!(!folder.path().join("own/seats").exists(), "nothing was made");
    fs::write(folder.path().join("own"), b"in the way").unwrap();
    let refused = ask(folder.path(), &["files", "save", "x", "--set", "depth=9"]);
    assert_eq!((refused.code, refused.errors.len()), (Some(2), 1), "{:?}", refused.errors);
    assert!(refused.errors[0].contains("cannot be written"), "{:?}", refused.errors);
}

#[test]
fn each_broken_file_is_a_line_and_the_others_are_checked() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("good.toml"), "plat_w = 20\n").unwrap();
    fs::write(folder.path().join("bad.toml"), "\ndepth = 99\n").unwrap();
    fs::write(folder.path().join("worse.toml"), b"\n\nname = \"\xff\"").unwrap();
    let checked = ask(folder.path(), &["files", "check", "good.toml", "bad.toml", "worse.toml", "flute"]);
    assert_eq!(checked.code, Some(2));
    assert!(checked.stdout.contains("good.toml: a platform, sets 1 parameter\n"), "{}", checked.stdout);
    assert!(checked.stdout.contains("flute: a seat, sets 5 parameters"), "{}", checked.stdout);
    let [bad, worse] = checked.errors.as_slice() else { panic!("{:?}", checked.errors) };
    assert!(bad.contains("bad.toml, line 2: depth = 99 is out of range"), "{bad}");
    assert!(worse.contains("worse.toml, line 3: is not UTF-8"), "{worse}");

    // All at hand: what comes with the program is good, and an own one that is not is told.
    assert_eq!(ask(folder.path(), &["files", "check"]).code, Some(0));
    fs::create_dir_all(folder.path().join("own/platforms")).unwrap();
    fs::write(folder.path().join("own/platforms/Odd.toml"), "floor = \"glass\"\n").unwrap();
    let checked = ask(folder.path(), &["files", "check"]);
    assert_eq!((checked.code, checked.errors.len()), (Some(2), 1), "{:?}", checked.errors);
    assert!(
        checked.errors[0].contains("Odd.toml, line 1: floor cannot be \"glass\""),
        "{:?}",
        checked.errors
    );
}

#[test]
fn a_seat_is_placed_by_its_name_as_by_its_file() {
    let folder = tempfile::tempdir().unwrap();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(folder.path().join("a.wav"), spec).unwrap();
    for frame in 0..4800 {
        writer.write_sample((frame as f32 * 0.05).sin() * 0.5).unwrap();
    }
    writer.finalize().unwrap();
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("../presets-demo/seats/horns.toml");
    let placed = |seat: &str, out: &str| {
        let run = ask(folder.path(), &["place", "a.wav", "--seat", seat, "--out", out]);
        assert_eq!(run.code, Some(0), "{seat}: {:?}", run.errors);
        fs::read(folder.path().join(out).join("a placed.wav")).unwrap()
    };
    let by_file = placed(file.to_str().unwrap(), "file");
    assert!(placed("horns", "name") == by_file, "the name places otherwise than the file");
    assert!(placed("flute", "other") != by_file, "another seat sounds the same");
    let refused = ask(folder.path(), &["place", "a.wav", "--seat", "hornes"]);
    assert_eq!((refused.code, refused.errors.len()), (Some(2), 1), "{:?}", refused.errors);
    assert!(refused.errors[0].contains("did you mean \"Horns\""), "{:?}", refused.errors);
}
