//! Tasks of the workspace: `cargo xtask bundle | truth | tails | bench | test`, and the program for musicians, built and run.
//!
//! `cargo xtask place` and its sisters build what is missing and run `rostra place` (package `rostra-cli`).
//!
//! Each module imports only those above it.

// All that names come into is printed through `rostra-terminal`, which shows what a terminal would obey.
#![cfg_attr(not(test), warn(clippy::print_stderr))]

mod workspace;

mod packages;

mod patches;

mod patched;

mod glibc;

mod release;

mod module_info;
mod notices;

mod bundle;

mod system_packages;

mod program;

mod arm;

// These two print figures and what they run, of this checkout alone.
#[allow(clippy::print_stdout)]
mod bench;
#[allow(clippy::print_stdout)]
mod check;
#[cfg(test)]
mod supply;

#[cfg(test)]
mod dropped;

use std::process::ExitCode;

use anyhow::Result;
use clap::Parser;
use rostra_terminal::{say, shown, tell};

use crate::bundle::Bundle;

#[derive(Parser)]
#[command(
    name = "cargo xtask",
    about = "Builds Rostra, measures, tests; builds and runs the program for musicians",
    version
)]
enum Task {
    /// Build the plug-in and bundle it as CLAP and VST3 under target/bundled.
    Bundle {
        /// Copy the bundles to your plug-in folders.
        #[arg(long)]
        install: bool,
        /// Build against the published framework, without the patches in xtask/src/patches.rs.
        #[arg(long)]
        unpatched: bool,
    },
    #[command(flatten)]
    OfProgram(program::Task),
    /// Check the sound against published values and print a table: what, value, bound, source.
    Truth {
        /// Groups of the table; all by default.
        groups: Vec<String>,
    },
    /// Build tails of platforms from the whole range and report any that are out of tolerance.
    Tails {
        /// How many.
        #[arg(default_value_t = 24_000)]
        count: usize,
        /// Number of the case to start from, as an error reports it.
        #[arg(long, default_value_t = 0)]
        first: usize,
    },
    /// Measure the real-time budget: speed, evenness, memory, growth, peers.
    Bench(bench::Arguments),
    /// Build for 64-bit ARM, run the engine's tests in an emulator, and compare the sound of engine and CLAP.
    Arm,
    /// Run everything that a change must pass.
    Test,
}

fn main() -> ExitCode {
    match rostra_terminal::arguments() {
        Task::Bundle { install, unpatched } => finish(bundle(install, !unpatched)),
        Task::OfProgram(task) => task.run(),
        Task::Truth { groups } => passed(check::truth(&groups)),
        Task::Tails { count, first } => passed(check::tails(count, first)),
        Task::Bench(arguments) => finish(bench::run(&arguments)),
        Task::Arm => finish(arm::run()),
        Task::Test => passed(check::run()),
    }
}

/// Turns whether all passed into a code.
fn passed(result: Result<bool>) -> ExitCode {
    match result {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => finish(Err(error)),
    }
}

/// Turns an error into a line on stderr and a code.
fn finish(result: Result<()>) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            tell!("error: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn bundle(is_installed: bool, is_patched: bool) -> Result<()> {
    let bundle = Bundle::build(is_patched)?;
    say!("CLAP  {}", shown(&bundle.clap));
    say!("VST3  {}", shown(&bundle.vst3));
    if is_installed {
        for place in bundle.install()? {
            say!("installed  {}", place.display());
        }
        say!("Have your host scan its plug-ins again.");
    }
    Ok(())
}
