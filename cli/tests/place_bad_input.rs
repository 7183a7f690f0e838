//! What `place` does with files and values that it cannot use.
//!
//! These run the program itself against the built bundle: `cargo xtask bundle`
//! comes first (`cargo xtask test` sees to it).

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]

mod bundle;

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use bundle::bundle;
/// Frames of the good recordings, a quarter of a second.
const FRAMES: usize = 12_000;
const RATE_HZ: u32 = 48_000;

struct Run {
    code: Option<i32>,
    stdout: String,
    stderr: String,
}

impl Run {
    /// The lines that tell of an error.
    fn errors(&self) -> Vec<&str> {
        self.stderr.lines().filter(|line| line.starts_with("error: ")).collect()
    }

    /// Asserts that the run was refused with one line that holds every one of `words`.
    #[track_caller]
    fn is_refused_with(&self, words: &[&str]) {
        assert_eq!(self.code, Some(2), "stdout {} stderr {}", self.stdout, self.stderr);
        assert_eq!(self.errors().len(), 1, "stderr {}", self.stderr);
        for word in words {
            assert!(self.errors()[0].contains(word), "expected {word:?} in {:?}", self.errors()[0]);
        }
    }
}

fn place(folder: &Path, arguments: &[&str]) -> Run {
    let Output { status, stdout, stderr } = Command::new(env!("CARGO_BIN_EXE_rostra"))
        .arg("place")
        .arg("--plugin")
        .arg(bundle())
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap();
    Run {
        code: status.code(),
        stdout: String::from_utf8_lossy(&stdout).into_owned(),
        stderr: String::from_utf8_lossy(&stderr).into_owned(),
    }
}

/// Writes a float WAV whose samples are `value(frame)` on every channel.
fn wav(path: &Path, channels: u16, value: impl Fn(usize) -> f32) {
    let spec = hound::WavSpec {
        channels,
        sample_rate: RATE_HZ,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for frame in 0..FRAMES {
        for _ in 0..channels {
            writer.write_sample(value(frame)).unwrap();
        }
    }
    writer.finalize().unwrap();
}

fn tone(frame: usize) -> f32 {
    (frame as f32 * 0.05).sin() * 0.5
}

/// A folder with a good recording, `good.wav`.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    wav(&folder.path().join("good.wav"), 1, tone);
    folder
}

/// Names of what lies in a folder, none if there is no such folder.
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .into_iter()
        .flatten()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn a_good_recording_is_placed() {
    let folder = folder();
    let run = place(folder.path(), &["good.wav"]);
    assert_eq!(run.code, Some(0), "stderr {}", run.stderr);
    assert!(run.stdout.contains("good.wav"), "stdout {}", run.stdout);
    let placed = folder.path().join("placed/good placed.wav");
    let mut reader = hound::WavReader::open(placed).unwrap();
    assert_eq!(
        reader.spec(),
        hound::WavSpec {
            channels: 2,
            sample_rate: RATE_HZ,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float
        }
    );
    assert!(reader.duration() as usize >= FRAMES);
    let samples: Vec<f32> = reader.samples::<f32>().map(Result::unwrap).collect();
    let rms = (samples.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>() / samples.len() as f64).sqrt();
    assert!(rms > 0.01, "the output is as good as silent: rms {rms}");
}

#[test]
fn bad_recordings_are_refused_and_good_ones_still_placed() {
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    fs::write(path("empty.wav"), b"").unwrap();
    fs::write(path("letter.wav"), b"Dear conductor, the horns are too loud.").unwrap();
    wav(&path("six.wav"), 6, tone);
    wav(&path("nan.wav"), 1, |frame| if frame == 6000 { f32::NAN } else { tone(frame) });
    let whole = fs::read(path("good.wav")).unwrap();
    fs::write(path("cut.wav"), &whole[..whole.len() / 2]).unwrap();
    wav(&path("stereo.wav"), 2, tone);

    let files =
        ["missing.wav", "good.wav", "empty.wav", "letter.wav", "cut.wav", "nan.wav", "six.wav", "stereo.wav"];
    let run = place(folder.path(), &files);
    assert_eq!(run.code, Some(2));
    let errors = run.errors();
    assert_eq!(errors.len(), 6, "stderr {}", run.stderr);
    for (error, (file, what)) in errors.iter().zip([
        ("missing.wav", "no such file"),
        ("empty.wav", "is empty"),
        ("letter.wav", "is not a recording"),
        ("cut.wav", "cut off"),
        ("nan.wav", "0.125 s"),
        ("six.wav", "6 channels"),
    ]) {
        assert!(error.contains(file) && error.contains(what), "expected {file}: {what}, got {error}");
    }
    assert_eq!(names(&path("placed")), ["good placed.wav", "stereo placed.wav"]);
}

#[test]
fn nothing_is_left_where_nothing_was_placed() {
    let folder = folder();
    place(folder.path(), &["missing.wav"]).is_refused_with(&["missing.wav"]);
    assert_eq!(names(folder.path()), ["good.wav"]);
}

#[test]
fn unknown_ids_and_values_out_of_range_are_refused() {
    let folder = folder();
    for (set, words) in [
        ("deph=3", ["deph", "did you mean \"depth\""]),
        ("depth=26", ["depth", "0.50 to 25.00 m"]),
        ("depth=-1", ["depth", "0.50 to 25.00 m"]),
        ("depth=nan", ["depth", "enter 0.50 to 25.00 m"]),
        ("depth=", ["depth", "enter 0.50 to 25.00 m"]),
        ("depth", ["depth", "depth=8.5"]),
        ("depth=3 s", ["depth", "enter 0.50 to 25.00 m"]),
        ("family=rear bel", ["family", "did you mean \"rear bell\""]),
        ("close=3", ["close", "off"]),
        ("link=1", ["link", "session"]),
    ] {
        place(folder.path(), &["good.wav", "--set", set]).is_refused_with(&words);
        assert_eq!(names(folder.path()), ["good.wav"], "after {set}");
    }
}

#[test]
fn what_a_person_may_write_is_taken() {
    let folder = folder();
    for set in [
        "depth=8.5",
        "depth=8.5 m",
        "depth=850 cm",
        "family=rear bell",
        "family=Rear-Bell",
        "close=off",
        "close=0.3",
        "bypass=on",
        "decay=450 ms",
        "floor=timber platform",
    ] {
        let run = place(folder.path(), &["good.wav", "--set", set]);
        assert_eq!(run.code, Some(0), "{set}: {}", run.stderr);
    }
}

#[test]
fn a_broken_seat_stops_its_own_recording_alone() {
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    fs::copy(path("good.wav"), path("other.wav")).unwrap();
    fs::write(path("good.toml"), "name = \"x\"\ndepth = 6.0\nfamily = \"skin\"\n").unwrap();
    fs::write(path("broken.toml"), "depth = 6.0\nriser == 1\n").unwrap();
    let seats = ["good.wav", "other.wav", "--seat", "broken.toml", "--seat", "good.toml"];
    place(folder.path(), &seats).is_refused_with(&["broken.toml, line 2"]);
    assert_eq!(names(&path("placed")), ["other placed.wav"]);

    // A seat for all is told once.
    fs::write(path("unknown.toml"), "\nbearng = 3\n").unwrap();
    place(folder.path(), &["good.wav", "other.wav", "--seat", "unknown.toml"])
        .is_refused_with(&["unknown.toml, line 2", "bearing"]);
    place(folder.path(), &["good.wav", "--platform", "nowhere.toml"]).is_refused_with(&["nowhere.toml"]);
    let three = ["good.wav", "--seat", "good.toml", "--seat", "good.toml", "--seat", "good.toml"];
    place(folder.path(), &three).is_refused_with(&["1 recordings, but 3 seats"]);
}

#[test]
fn a_seat_off_the_platform_is_brought_inside_and_said() {
    let folder = folder();
    let run = place(folder.path(), &["good.wav", "--set", "depth=20"]);
    assert_eq!(run.code, Some(0), "stderr {}", run.stderr);
    assert!(run.stdout.contains("moved inside, to 11.70 m"), "stdout {}", run.stdout);
}

#[test]
fn a_folder_that_cannot_be_made_is_refused() {
    let folder = folder();
    // A file stands where the folder would have to be made, which no user may change.
    place(folder.path(), &["good.wav", "--out", "good.wav/placed"]).is_refused_with(&["good.wav/placed"]);
    place(folder.path(), &["good.wav", "--out", "good.wav"]).is_refused_with(&["good.wav"]);
    assert_eq!(names(folder.path()), ["good.wav"]);
}

#[test]
fn no_output_overwrites_a_recording_or_another_output() {
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    fs::copy(path("good.wav"), path("good placed.wav")).unwrap();
    let before = fs::read(path("good placed.wav")).unwrap();
    let run = place(folder.path(), &["good.wav", "good placed.wav", "--out", "."]);
    run.is_refused_with(&["good placed.wav", "overwrite"]);
    assert_eq!(fs::read(path("good placed.wav")).unwrap(), before);
    assert_eq!(names(folder.path()), ["good placed placed.wav", "good placed.wav", "good.wav"]);

    fs::create_dir(path("take 2")).unwrap();
    fs::copy(path("good.wav"), path("take 2/good.wav")).unwrap();
    let run = place(folder.path(), &["good.wav", "take 2/good.wav", "--out", "both"]);
    run.is_refused_with(&["take 2/good.wav", "overwrite"]);
    assert_eq!(names(&path("both")), ["good placed.wav"]);

    // Two that differ by case alone would be one file on many disks.
    fs::copy(path("good.wav"), path("GOOD.wav")).unwrap();
    let run = place(folder.path(), &["good.wav", "GOOD.wav", "--out", "case"]);
    run.is_refused_with(&["GOOD.wav", "would overwrite that of good.wav"]);
    assert_eq!(names(&path("case")), ["good placed.wav"]);
}

/// Whatever a run reads stays as it is: a refused recording, a seat, and each under any other name.
#[test]
fn no_output_touches_anything_that_is_read() {
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    let whole = fs::read(path("good.wav")).unwrap();
    let held = |bytes: &[u8], spelt: &[&str]| {
        fs::create_dir_all(path("out")).unwrap();
        fs::write(path("held"), bytes).unwrap();
        for (how, arguments) in [
            ("itself", spelt.to_vec()),
            ("hard", spelt.to_vec()),
            #[cfg(unix)]
            ("soft", spelt.to_vec()),
        ] {
            let output = path("out/good placed.wav");
            let _ = fs::remove_file(&output);
            match how {
                "itself" => fs::copy(path("held"), &output).map(drop).unwrap(),
                "hard" => fs::hard_link(path("held"), &output).unwrap(),
                #[cfg(unix)]
                _ => std::os::unix::fs::symlink(path("held"), &output).unwrap(),
                #[cfg(not(unix))]
                _ => unreachable!(),
            }
            let other = if how == "itself" { "out/../out/good placed.wav" } else { "held" };
            let arguments: Vec<&str> =
                arguments.iter().map(|word| if *word == "OTHER" { other } else { *word }).collect();
            let run = place(folder.path(), &arguments);
            assert_eq!(run.code, Some(2), "{how} {arguments:?}: {}", run.stderr);
            let is_told = |line: &&str| line.contains("would overwrite") && line.contains(other);
            assert!(run.errors().iter().any(is_told), "{how} {arguments:?}: {}", run.stderr);
            assert_eq!(fs::read(&output).unwrap(), bytes, "{how} {arguments:?}");
            assert_eq!(fs::read(path("held")).unwrap(), bytes, "{how} {arguments:?}");
        }
    };
    held(&whole, &["good.wav", "OTHER", "--out", "out"]);
    // Cut off, and so refused.
    held(&whole[..whole.len() / 2], &["good.wav", "OTHER", "--out", "out"]);
    held(b"depth = 6.0\n", &["good.wav", "--seat", "OTHER", "--out", "out"]);
}

/// The start of a recording in its session, and its marks, are those of the placed one.
#[test]
fn a_placed_recording_keeps_its_place_in_the_session() {
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    let chunk = |id: &[u8; 4], bytes: &[u8]| [id, &(bytes.len() as u32).to_le_bytes()[..], bytes].concat();
    let mut bext = vec![0; 602];
    bext[338..346].copy_from_slice(&6_000_000_000_u64.to_le_bytes());
    let mut cue = 1_u32.to_le_bytes().to_vec();
    for field in
        [&7_u32.to_le_bytes(), &480_u32.to_le_bytes(), b"data", &[0; 4], &[0; 4], &480_u32.to_le_bytes()]
    {
        cue.extend(field);
    }
    let xml = chunk(b"iXML", b"<BWFXML><TAPE>Reel 9</TAPE></BWFXML>");
    let mut wave = fs::read(path("good.wav")).unwrap();
    wave.splice(12..12, chunk(b"bext", &bext));
    wave.extend([xml, chunk(b"cue ", &cue), chunk(b"odds", b"??")].concat());
    let length = (wave.len() as u32 - 8).to_le_bytes();
    wave[4..8].copy_from_slice(&length);
    fs::write(path("good.wav"), &wave).unwrap();
    let run = place(folder.path(), &["good.wav"]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(run.stdout.contains("note: not carried over: odds\n"), "{}", run.stdout);
    let placed = fs::read(path("placed/good placed.wav")).unwrap();
    let at = |id: &[u8]| placed.windows(id.len()).position(|bytes| bytes == id).unwrap();
    let start = at(b"bext") + 8 + 338;
    assert_eq!(placed[start..start + 8], 6_000_000_000_u64.to_le_bytes());
    assert!(at(b"bext") < at(b"data") && at(b"data") < at(b"Reel 9"));
    let mark = at(b"cue ") + 8 + 4;
    assert_eq!(placed[mark..mark + 8], [7_u32.to_le_bytes(), 480_u32.to_le_bytes()].concat());
    assert!(hound::WavReader::open(path("placed/good placed.wav")).unwrap().duration() as usize >= FRAMES);
}

/// A file of any name is told of in lines of text, and nothing that a terminal would obey is among them.
#[test]
fn no_name_reaches_the_terminal_as_anything_but_text() {
    let folder = folder();
    let path = |name: &str| folder.path().join(name);
    let name = "\u{1b}[2J\u{9b}31m\u{202e}x\nerror: y.wav";
    fs::copy(path("good.wav"), path(name)).unwrap();
    fs::write(path("odd.toml"), "name = \"\\u001b[2J\"\ndepth = 3\n").unwrap();
    let odd = "\u{1b}]0;no such file.wav";
    for arguments in [
        vec![name],
        vec![odd],
        vec![name, "--out", "\u{7}\u{1b}[5m"],
        vec![name, "--seat", "\u{1b}[5m"],
        vec![name, "--set", "\u{1b}[5m=3"],
        vec![name, "--set", "depth=\u{1b}[5m"],
        vec![name, "--\u{1b}[5m"],
        vec![name, "--seat", "odd.toml"],
    ] {
        let run = place(folder.path(), &arguments);
        let all = format!("{}{}", run.stdout, run.stderr);
        let is_obeyed = |c: char| c != '\n' && (c.is_control() || ('\u{202a}'..='\u{202e}').contains(&c));
        assert!(!all.contains(is_obeyed), "{arguments:?}: {all:?}");
        assert!(!all.lines().any(|line| line == "error: y.wav"), "{arguments:?}: {all:?}");
        let is_told = ["\\u{1b}", "[5m", "unexpected argument"].iter().any(|words| all.contains(words));
        assert!(is_told, "{arguments:?}: tells of nothing: {all:?}");
    }
}

#[test]
fn more_sound_than_the_memory_holds_is_refused() {
    let folder = folder();
    place(folder.path(), &["good.wav", "--memory", "0.00001"])
        .is_refused_with(&["good.wav: is too long", "--memory"]);
    place(folder.path(), &["good.wav", "--memory", "0"]).is_refused_with(&["--memory 0"]);
    assert_eq!(place(folder.path(), &["good.wav", "--memory", "0.001"]).code, Some(0));
}

#[test]
fn mono_stays_mono_when_asked() {
    let folder = folder();
    wav(&folder.path().join("stereo.wav"), 2, tone);
    let run = place(folder.path(), &["good.wav", "stereo.wav", "--mono"]);
    run.is_refused_with(&["stereo.wav", "--mono"]);
    let placed = hound::WavReader::open(folder.path().join("placed/good placed.wav")).unwrap();
    assert_eq!(placed.spec().channels, 1);
}
