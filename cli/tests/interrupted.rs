//! What is left when somebody interrupts a command, or the system kills it.
//!
//! These run the program itself against the built bundle: `cargo xtask bundle`
//! comes first (`cargo xtask test` sees to it).

// An `unwrap` that fails here fails the test that called it.
#![allow(clippy::unwrap_used)]
#![cfg(unix)]

mod bundle;

use std::fmt::Write as _;
use std::fs;
use std::os::unix::process::ExitStatusExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use bundle::bundle;

/// Recordings of a run: enough for some to be on their way at any time.
const FILES: usize = 6;
/// How often what is on its way is looked for, and for how long in all: a minute.
const LOOK: (Duration, usize) = (Duration::from_micros(200), 300_000);

/// A folder of recordings, 4 s each, with a plan of them.
fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut plan = String::new();
    for index in 0..FILES {
        let name = format!("{index}.wav");
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut writer = hound::WavWriter::create(folder.path().join(&name), spec).unwrap();
        for frame in 0..192_000 {
            writer.write_sample((frame as f32 * 0.01 * (index + 1) as f32).sin() * 0.2).unwrap();
        }
        writer.finalize().unwrap();
        writeln!(plan, "[[stem]]\nfile = \"{name}\"\nset = {{ depth = {} }}", index + 3).unwrap();
    }
    fs::write(folder.path().join("plan.toml"), plan).unwrap();
    folder
}

fn start(folder: &Path, arguments: &[String]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_rostra"))
        .args(arguments)
        .arg("--plugin")
        .arg(bundle())
        .current_dir(folder)
        .env("ROSTRA_FILES", folder.join("own"))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

fn place() -> Vec<String> {
    ["place".to_owned()].into_iter().chain((0..FILES).map(|index| format!("{index}.wav"))).collect()
}

fn ensemble() -> Vec<String> {
    ["ensemble", "plan.toml"].map(str::to_owned).to_vec()
}

/// Returns every file and folder below a folder.
fn tree(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    entries.flat_map(|entry| [vec![entry.path()], tree(&entry.path())].concat()).collect()
}

fn on_their_way(folder: &Path) -> Vec<PathBuf> {
    let is_part = |path: &PathBuf| path.file_name().unwrap().to_string_lossy().ends_with(".part");
    tree(folder).into_iter().filter(is_part).collect()
}

/// Sends a signal as soon as something is on its way, and waits for the end; `None` where the run came to its end before.
fn strike(folder: &Path, child: &mut Child, signal: &str) -> Option<ExitStatus> {
    for _ in 0..LOOK.1 {
        if child.try_wait().unwrap().is_some() {
            return None;
        }
        if !on_their_way(folder).is_empty() {
            let sent = Command::new("kill").args([signal, &child.id().to_string()]).status().unwrap();
            let ended = child.wait().unwrap();
            return sent.success().then_some(ended);
        }
        std::thread::sleep(LOOK.0);
    }
    let _ = child.kill();
    panic!("nothing was on its way within a minute");
}

#[test]
fn an_interrupt_leaves_nothing_half_done() {
    let folder = folder();
    let before = tree(folder.path());
    let mut struck = 0;
    for signal in ["-INT", "-TERM", "-HUP"].into_iter().cycle().take(9) {
        for arguments in [place(), ensemble()] {
            let mut child = start(folder.path(), &arguments);
            let Some(ended) = strike(folder.path(), &mut child, signal) else { continue };
            assert_eq!(on_their_way(folder.path()), Vec::<PathBuf>::new(), "{signal} {arguments:?}");
            // One that came at the very end finds the work done.
            assert!([Some(130), Some(0)].contains(&ended.code()), "{signal}: {ended}");
            struck += usize::from(ended.code() == Some(130));
            let ensemble = folder.path().join("ensemble");
            assert!(!ensemble.exists() || ensemble.join("report.html").exists(), "half an ensemble");
            // Recordings that were placed before are whole, and stay.
            for placed in tree(&folder.path().join("placed")) {
                hound::WavReader::open(&placed).unwrap().samples::<f32>().for_each(|sample| {
                    sample.unwrap();
                });
            }
            let _ = fs::remove_dir_all(folder.path().join("placed"));
            let _ = fs::remove_dir_all(ensemble);
            assert_eq!(tree(folder.path()).len(), before.len(), "something is left");
        }
    }
    assert!(struck >= 6, "only {struck} runs were interrupted: this tries nothing");
}

/// The control of the test above, and what becomes of what no program can take away itself.
#[test]
fn what_a_killed_run_leaves_the_next_one_takes_away() {
    let folder = folder();
    let mut left = 0;
    for _ in 0..3 {
        let mut child = start(folder.path(), &ensemble());
        let Some(ended) = strike(folder.path(), &mut child, "-KILL") else { continue };
        assert_eq!(ended.signal(), Some(9));
        assert!(!folder.path().join("ensemble").exists(), "half an ensemble");
        left += usize::from(!on_their_way(folder.path()).is_empty());
        assert!(start(folder.path(), &ensemble()).wait().unwrap().success());
        assert_eq!(on_their_way(folder.path()), Vec::<PathBuf>::new(), "is left from the killed run");
        fs::remove_dir_all(folder.path().join("ensemble")).unwrap();
    }
    assert!(left > 0, "nothing was left by any killed run: this tries nothing");
}

/// A folder that exists is never there half: whenever it can be seen, all of it can.
#[test]
fn an_ensemble_appears_whole() {
    let folder = folder();
    let out = folder.path().join("ensemble");
    let mut child = start(folder.path(), &ensemble());
    while !out.exists() {
        assert!(child.try_wait().unwrap().is_none_or(|ended| ended.success()), "the run failed");
        std::thread::sleep(LOOK.0);
    }
    for name in ["dry mix.wav", "placed mix.wav", "seats.png", "report.html", "placed/0 placed.wav"] {
        assert!(out.join(name).is_file(), "{name} came later than its folder");
    }
    assert!(child.wait().unwrap().success());
}

/// On a full disk what is there stays, and nothing half written is left.
#[test]
fn a_full_disk_leaves_what_was_there() {
    let folder = folder();
    fs::create_dir(folder.path().join("placed")).unwrap();
    fs::write(folder.path().join("placed/0 placed.wav"), "before").unwrap();
    let before = tree(folder.path());
    // No file may become longer than 256 kB; the signal that comes with it is ignored, so that writing fails.
    let run = Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 512; exec \"$@\"", "sh", env!("CARGO_BIN_EXE_rostra")])
        .args(["place", "0.wav", "1.wav", "--plugin"])
        .arg(bundle())
        .current_dir(folder.path())
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(2), "{told}");
    assert_eq!(told.matches("is the disk full?").count(), 2, "{told}");
    assert_eq!(tree(folder.path()), before);
    assert_eq!(fs::read(folder.path().join("placed/0 placed.wav")).unwrap(), b"before");
}
