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
    let Output { status, stdout, stderr } = Command::new(env!("CARGO_BIN_EXE_xtask"))
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
        ("depth=26", ["depth", "0.50 m to 25.00 m"]),
        ("depth=-1", ["depth", "0.50 m to 25.00 m"]),
        ("depth=nan", ["depth", "write a number"]),
        ("depth=", ["depth", "write a number"]),
        ("depth", ["depth", "depth=8.5"]),
        ("depth=3 s", ["depth", "in m"]),
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
    assert!(run.stdout.contains("brought inside, to 11.70 m"), "stdout {}", run.stdout);
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
