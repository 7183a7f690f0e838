//! Tasks of the workspace: `cargo xtask bundle | place | files | impulse | ensemble | demo | picture | live | lesson | truth | tails | bench | test`.

// All that names come into is printed through `rostra-terminal`, which shows what a terminal would obey.
#![cfg_attr(not(test), warn(clippy::print_stderr))]

mod workspace;

mod bundle;
mod glibc;
mod module_info;
mod notices;
mod packages;
mod parameter;
mod patched;
mod patches;
mod release;

mod offline_host;
mod seat_file;
mod sitting;

mod place;

mod files;

mod picture;

mod impulse;
mod impulse_picture;

mod loudness;

mod ensemble;
mod label_places;
mod seats_picture;

mod demo;

mod editor_picture;

mod live;

// These two print figures and what they run, of this checkout alone.
#[allow(clippy::print_stdout)]
mod bench;
#[allow(clippy::print_stdout)]
mod check;
#[cfg(test)]
mod dropped;
#[cfg(test)]
mod supply;

use std::process::ExitCode;

use anyhow::Result;
use clap::Parser;
use rostra_recording as recording;
use rostra_terminal::{say, tell};

use crate::bundle::Bundle;
use crate::workspace::shown;

#[derive(Parser)]
#[command(name = "cargo xtask", about = "Builds Rostra, places recordings, measures, tests", version)]
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
    /// Place recordings on the platform, each as a 32-bit float WAV.
    Place(place::Arguments),
    /// List, check and save seat, platform and hall files.
    Files(files::Arguments),
    /// Render the impulse response of a seat, measure it and draw it.
    Impulse(impulse::Arguments),
    /// Place all stems of a plan, add the hall, mix, and write a seating plan and a report.
    Ensemble(ensemble::Arguments),
    /// Render the demo ensemble and say what to listen for.
    Demo,
    /// Draw the editor of a seat or a hall to a PNG file.
    Picture(editor_picture::Arguments),
    /// Hear a change of seat without a host: the editor, a loop and your sound card (`live --help`).
    #[command(disable_help_flag = true)]
    Live(live::Passed),
    /// Render a lesson: a short guided comparison with measured values and a picture. Without a name, list them.
    Lesson(live::Lesson),
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
    /// Run everything that a change must pass.
    Test,
}

/// Exit code where something that was given cannot be used; the same as for a wrong option.
const REFUSED: u8 = 2;

fn main() -> ExitCode {
    let task = rostra_terminal::arguments();
    if let Err(error) = ctrlc::set_handler(interrupted) {
        return finish(Err(anyhow::Error::new(error).context("interrupts cannot be waited for")), 1);
    }
    match task {
        Task::Bundle { install, unpatched } => finish(bundle(install, !unpatched), 1),
        Task::Place(arguments) => refuse_some(place::run(&arguments)),
        Task::Files(arguments) => refuse_some(files::run(&arguments)),
        Task::Impulse(arguments) => finish(impulse::run(&arguments), REFUSED),
        Task::Ensemble(arguments) => refuse_some(ensemble::run(&arguments)),
        Task::Demo => refuse_some(demo::run()),
        Task::Picture(arguments) => finish(editor_picture::run(&arguments), REFUSED),
        Task::Live(passed) => live::run(&passed),
        Task::Lesson(lesson) => refuse_some(live::lesson(&lesson)),
        Task::Truth { groups } => passed(check::truth(&groups)),
        Task::Tails { count, first } => passed(check::tails(count, first)),
        Task::Bench(arguments) => finish(bench::run(&arguments), 1),
        Task::Test => passed(check::run()),
    }
}

/// Takes away what is half written, and ends.
fn interrupted() {
    rostra_files::abandon();
    // 128 and the number of the interrupt, as shells count.
    std::process::exit(130);
}

/// Turns whether all passed into a code.
fn passed(result: Result<bool>) -> ExitCode {
    match result {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => finish(Err(error), 1),
    }
}

/// Turns an error into a line on stderr and a code.
fn finish(result: Result<()>, code: u8) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            tell!("error: {error:#}");
            ExitCode::from(code)
        }
    }
}

/// As [`finish`]; some refused count as an error that was already told.
fn refuse_some(refused: Result<usize>) -> ExitCode {
    match refused {
        Ok(0) => ExitCode::SUCCESS,
        Ok(_) => ExitCode::from(REFUSED),
        Err(error) => finish(Err(error), REFUSED),
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
