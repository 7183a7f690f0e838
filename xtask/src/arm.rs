//! 64-bit ARM, tried without one: what is built for it here runs in an emulator.

use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, ensure};
use rostra_dsp::extremes::{larger, largest};
use rostra_terminal::say;

use crate::bench::memory;
use crate::bundle::Bundle;
use crate::system_packages::{ARM_EMULATOR, ARM_LINKER};
use crate::workspace;

/// What the compiler calls it.
const SYSTEM: &str = "aarch64-unknown-linux-gnu";
/// What runs it.
const EMULATOR: &str = "qemu-aarch64";
/// Where Debian keeps its C library.
const LIBRARIES: &str = "/usr/aarch64-linux-gnu";
/// Most that a sample may differ from this processor's: that of a kept state on another processor, full scale 1.
const MOST_DIFFERENT: f32 = 1e-5;
/// Loudest sample under which what came out counts as silence: -40 dBFS, as in all comparisons of two sounds.
const LEAST_PEAK: f32 = 0.01;

/// Says why it cannot be tried here, if so; brings the compiler's part first where rustup does it.
pub(crate) fn why_not() -> Option<String> {
    if !cfg!(target_os = "linux") {
        return Some("tried on Linux only".into());
    }
    let has_library = || {
        let asked = Command::new("rustc").args(["--print", "target-libdir", "--target", SYSTEM]).output();
        asked.is_ok_and(|said| Path::new(String::from_utf8_lossy(&said.stdout).trim()).is_dir())
    };
    let is_brought = || {
        let rustup = Command::new("rustup").args(["target", "add", SYSTEM]).output();
        rustup.is_ok_and(|rustup| rustup.status.success())
    };
    let missing = ARM_LINKER.missing().or_else(|| ARM_EMULATOR.missing());
    missing.or_else(|| {
        let is_there = has_library() || is_brought();
        (!is_there).then(|| format!("Rust's library for it is missing: rustup target add {SYSTEM}"))
    })
}

/// Runs the engine's tests in the emulator, and holds the sound of engine and CLAP against this processor's.
///
/// # Errors
/// When something does not build or run, or sounds otherwise.
pub(crate) fn run() -> Result<()> {
    if let Some(why) = why_not() {
        say!("Skipped: {why}");
        return Ok(());
    }
    // No plug-in is hosted: two at a time are as good as one, and one of them takes as long as all others.
    cross(&["test", "--package", "rostra-dsp", "--lib", "--", "--test-threads", "2"])?;
    cross(&["build", "--package", "rostra-bench", "--bin", "sound"])?;
    cross(&["build", "--package", "rostra", "--lib"])?;
    memory::build_program("sound")?;
    let target = workspace::target()?;
    let (here, there) = (target.join("release"), folder()?.join(SYSTEM).join("release"));
    let claps = [Bundle::fresh()?.clap, there.join("librostra.so")];
    for (what, [clap_here, clap_there]) in [("engine", [None, None]), ("CLAP", claps.each_ref().map(Some))] {
        let here = sound_of(Command::new(here.join("sound")).args(clap_here))?;
        let mut emulated = Command::new(EMULATOR);
        emulated.args(["-L", LIBRARIES]).arg(there.join("sound")).args(clap_there);
        let there = sound_of(&mut emulated)?;
        let peak = largest(here.iter().map(|x| x.abs()));
        ensure!(peak > LEAST_PEAK, "{what}: silence came out");
        let different = difference(&here, &there)?;
        ensure!(
            different <= MOST_DIFFERENT,
            "{what}: differs by {different:.1e}, at most {MOST_DIFFERENT:.0e}"
        );
        say!("{what}: {} samples differ by {different:.1e} at most (bound {MOST_DIFFERENT:.0e})", here.len());
    }
    Ok(())
}

/// Returns the largest difference of two sounds.
fn difference(here: &[f32], there: &[f32]) -> Result<f32> {
    ensure!(here.len() == there.len(), "{} samples here, {} there", here.len(), there.len());
    let mut most = 0.0_f32;
    for (a, b) in here.iter().zip(there) {
        let apart = (a - b).abs();
        ensure!(apart.is_finite(), "what is no number came out");
        most = larger(most, apart);
    }
    Ok(most)
}

/// Returns what a program printed as samples.
fn sound_of(command: &mut Command) -> Result<Vec<f32>> {
    let output = command.output().with_context(|| format!("{command:?} cannot be run"))?;
    ensure!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    Ok(output.stdout.as_chunks().0.iter().map(|&bytes| f32::from_le_bytes(bytes)).collect())
}

/// Has cargo do something for it, in release.
fn cross(arguments: &[&str]) -> Result<()> {
    let mut command = Command::new("cargo");
    let (verb, rest) = arguments.split_first().context("cargo is told what to do")?;
    command.arg(verb).args(["--release", "--target", SYSTEM]).current_dir(workspace::root()?);
    // Nothing is shipped of it: it is built fast.
    command.env("CARGO_PROFILE_RELEASE_LTO", "off").arg("--target-dir").arg(folder()?).args(rest);
    command.env("CARGO_TARGET_AARCH64_UNKNOWN_LINUX_GNU_LINKER", "aarch64-linux-gnu-gcc");
    command.env("CARGO_TARGET_AARCH64_UNKNOWN_LINUX_GNU_RUNNER", format!("{EMULATOR} -L {LIBRARIES}"));
    let status = command.status().context("cargo cannot be run")?;
    ensure!(status.success(), "cargo {}: {status}", arguments.join(" "));
    Ok(())
}

/// Returns the folder of these builds, apart from all others: they are optimised otherwise.
fn folder() -> Result<PathBuf> {
    Ok(workspace::target()?.join("arm"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_is_the_largest_and_what_is_no_number_is_none() {
        assert_eq!(difference(&[0.5, -0.25], &[0.5, -0.5]).unwrap(), 0.25);
        assert!(difference(&[0.5], &[0.5, 0.5]).is_err());
        assert!(difference(&[0.5], &[f32::NAN]).is_err());
    }
}
