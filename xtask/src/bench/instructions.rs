//! Instructions per frame: the same from run to run, whatever else the machine does.

use std::process::Command;

use anyhow::{Context as _, Result, bail, ensure};
use serde::Serialize;

use super::memory::build_program;
use crate::workspace;

/// A case of the program `instructions`: its name, and two counts whose difference is measured.
///
/// Frames come in whole cycles of the convolver (8192); the first run is long
/// enough for the tail to be full.
const CASES: [(&str, [usize; 2]); 7] = [
    ("mono-still", [40_960, 90_112]),
    ("mono-moving", [40_960, 90_112]),
    ("stereo-still", [40_960, 90_112]),
    ("stereo-moving", [40_960, 90_112]),
    ("convolver", [40_960, 90_112]),
    ("plan", [16, 80]),
    ("tail-build", [1, 3]),
];

/// What was counted.
#[derive(Debug, Serialize)]
pub(super) struct Count {
    /// The case.
    case: &'static str,
    /// `wide` where AVX2 and FMA ran, else `plain`.
    set: String,
    /// Instructions.
    instructions: f64,
    /// For each of these.
    per: String,
}

/// Counts every case, on the widest set and, where the engine can, on the plain one.
///
/// # Errors
/// When valgrind is missing, or the program does not build or run.
pub(super) fn count() -> Result<Vec<Count>> {
    let has_valgrind =
        Command::new("valgrind").arg("--version").output().is_ok_and(|run| run.status.success());
    if !has_valgrind {
        bail!("valgrind is missing; on Debian-based systems: sudo apt-get install valgrind");
    }
    build_program("instructions")?;
    println!(
        "Instructions counted by callgrind at 48 kHz, blocks of 128; set-up cancels between two lengths."
    );
    println!("{:16} {:>6} {:>14}  per", "", "set", "instructions");
    let mut counts = Vec::new();
    for (case, [short, long]) in CASES {
        for set in ["", "plain"] {
            let (Some(fewer), Some(more)) = (run(case, short, set)?, run(case, long, set)?) else { continue };
            let instructions = (more.instructions - fewer.instructions) / (long - short) as f64;
            println!("{case:16} {:>6} {instructions:>14.1}  {}", more.set, more.per);
            counts.push(Count { case, set: more.set, instructions, per: more.per });
        }
    }
    Ok(counts)
}

/// One run of the program.
struct Run {
    instructions: f64,
    set: String,
    per: String,
}

/// Runs the program under callgrind; nothing where it says that the case cannot run so.
fn run(case: &str, count: usize, set: &str) -> Result<Option<Run>> {
    let program = workspace::target()?
        .join("release")
        .join("instructions")
        .with_extension(std::env::consts::EXE_EXTENSION);
    let output = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null", "--collect-atstart=no"])
        .arg("--toggle-collect=instructions::counted*")
        .arg(program)
        .args([case, &count.to_string()])
        .args((!set.is_empty()).then_some(set))
        .output()
        .context("valgrind cannot be run")?;
    if output.status.code() == Some(1) && set == "plain" {
        return Ok(None);
    }
    let (said, told) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    ensure!(output.status.success(), "{case}: {}\n{told}", output.status);
    let instructions =
        collected(&told).with_context(|| format!("{case}: callgrind counted nothing\n{told}"))?;
    let (set, per) = said.trim().split_once(' ').with_context(|| format!("{case}: said {said}"))?;
    Ok(Some(Run { instructions, set: set.into(), per: per.into() }))
}

/// Finds the instructions in what callgrind says at its end: `Collected : 12345`.
fn collected(told: &str) -> Option<f64> {
    let line = told.lines().find_map(|line| line.split_once("Collected :"))?.1;
    line.trim().parse().ok().filter(|&count: &f64| count > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_count_is_what_callgrind_collected() {
        let told = "==7== Events    : Ir\n==7== Collected : 123456\n==7== \n";
        assert_eq!(collected(told), Some(123_456.0));
        assert_eq!(collected("==7== Collected : 0\n"), None);
    }
}
