//! What an instance keeps in memory, counted by a program of its own.

use std::collections::BTreeMap;
use std::process::Command;

use anyhow::{Context as _, Result, anyhow, ensure};
use rostra_bench::Input;
use serde::Deserialize;

use super::budget;
use super::report::Figure;
use crate::workspace;

/// What the program prints for an input.
#[allow(clippy::struct_field_names, reason = "every name carries its unit")]
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    spectra_bytes: usize,
    workshop_bytes: usize,
    first_bytes: usize,
    further_bytes: usize,
    most_while_building_bytes: usize,
}

/// Builds the program.
///
/// # Errors
/// When it does not build.
pub(super) fn build() -> Result<()> {
    build_program("memory")
}

/// Builds a program of the bench package, optimised.
///
/// # Errors
/// When it does not build.
pub(crate) fn build_program(name: &str) -> Result<()> {
    let status = Command::new("cargo")
        .args(["build", "--quiet", "--release", "--package", "rostra-bench", "--bin", name])
        .current_dir(workspace::root()?)
        .status()
        .context("cargo cannot be run")?;
    ensure!(status.success(), "the program {name} does not build: {status}");
    Ok(())
}

/// Runs the program.
///
/// # Errors
/// When it cannot be run or prints something else.
pub(super) fn measure() -> Result<Vec<Figure>> {
    let program =
        workspace::target()?.join("release").join("memory").with_extension(std::env::consts::EXE_EXTENSION);
    let output =
        Command::new(&program).output().with_context(|| format!("{} cannot be run", program.display()))?;
    ensure!(output.status.success(), "{}: {}", program.display(), output.status);
    let kept: BTreeMap<String, Kept> =
        serde_json::from_slice(&output.stdout).context("the memory program")?;
    let mib = |bytes: usize| bytes as f64 / f64::from(1 << 20);
    let mut figures = Vec::new();
    for input in [Input::Mono, Input::Stereo] {
        let name = input.name();
        let kept = kept.get(name).ok_or_else(|| anyhow!("the memory program says nothing of {name}"))?;
        figures.push(Figure::held(
            format!("memory of a further instance on a platform, {name} in"),
            mib(kept.further_bytes),
            "MiB",
            budget::further_mib(input),
        ));
        figures.push(Figure::told(
            format!("memory of the first, spectra and workshop with it, {name} in"),
            mib(kept.first_bytes),
            "MiB",
        ));
        if input == Input::Mono {
            figures.push(Figure::told("of that the spectra", mib(kept.spectra_bytes), "MiB"));
            figures.push(Figure::told("and the workshop of tails", mib(kept.workshop_bytes), "MiB"));
            figures.push(Figure::told(
                "most in use while they are built",
                mib(kept.most_while_building_bytes),
                "MiB",
            ));
        }
    }
    Ok(figures)
}
