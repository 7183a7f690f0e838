//! `rostra`, the program for musicians: place, ensemble, demo, impulse, files, picture, live, lesson.
//!
//! It builds nothing. Recordings are placed through the built plug-in, which it finds ([`at_hand`]); what plays or is
//! drawn without a host is the plug-in's own code, linked.
//!
//! Each module imports only those above it:
//! * what is found, and what may be asked for: [`at_hand`], `interrupts`, `setting`, `seat_file`;
//! * what is measured and drawn: `paper`, `label_places`, `seats_picture`, `placed_impulse`,
//!   `impulse_picture`;
//! * the commands: `place`, `files`, `impulse`, `ensemble`, `demo`, `picture`, `live`, `lesson`.

// All that names come into is printed through `rostra-terminal`, which shows what a terminal would obey.
#![cfg_attr(not(test), warn(clippy::print_stderr))]

mod at_hand;
mod interrupts;

mod setting;

mod seat_file;

mod paper;

mod label_places;
mod seats_picture;

mod placed_impulse;

mod impulse_picture;

mod place;

mod files;

mod impulse;

mod ensemble;

mod demo;

mod picture;

mod live;

mod lesson;

use std::process::ExitCode;

use anyhow::Result;
use clap::Parser;
use rostra_recording as recording;
use rostra_terminal::tell;

use crate::at_hand::AtHand;

#[derive(Parser)]
#[command(
    name = "rostra",
    about = "Seats dry recordings on a platform; measures, draws and plays them",
    version
)]
struct Program {
    #[command(flatten)]
    at_hand: AtHand,
    #[command(subcommand)]
    task: Task,
}

#[derive(clap::Subcommand)]
enum Task {
    /// Place recordings on the platform, each as a 32-bit float WAV.
    Place(place::Arguments),
    /// Place all stems of a plan, add the hall, mix, and write a seating plan and a report.
    Ensemble(ensemble::Arguments),
    /// Render the demo ensemble and say what to listen for.
    Demo(demo::Arguments),
    /// Render the impulse response of a seat, measure it and draw it.
    Impulse(impulse::Arguments),
    /// List, check and save seat, platform and hall files.
    Files(files::Arguments),
    /// Draw the editor of a seat or a hall to a PNG file.
    Picture(picture::Arguments),
    /// Hear a change of seat without a host: the editor, a loop and your sound card.
    Live(live::Arguments),
    /// Render a lesson: a short guided comparison with measured values and a picture. Without a name, list them.
    Lesson(lesson::Arguments),
}

/// Exit code where something that was given cannot be used; the same as for a wrong option.
const REFUSED: u8 = 2;

fn main() -> ExitCode {
    let Program { at_hand, task } = rostra_terminal::arguments();
    // What only plays ends as any program, in the middle of what its sound card does; what renders asks for it itself.
    if !matches!(task, Task::Live(_))
        && let Err(error) = interrupts::abandon_half_written()
    {
        return ended(Err(error));
    }
    ended(match task {
        Task::Place(arguments) => place::run(&arguments, &at_hand),
        Task::Ensemble(arguments) => ensemble::run(&arguments, &at_hand),
        Task::Demo(arguments) => demo::run(&arguments, &at_hand),
        Task::Impulse(arguments) => impulse::run(&arguments).map(none_refused),
        Task::Files(arguments) => files::run(&arguments, &at_hand),
        Task::Picture(arguments) => picture::run(&arguments).map(none_refused),
        Task::Live(arguments) => live::run(&arguments, &at_hand).map(none_refused),
        Task::Lesson(arguments) => lesson::run(&arguments, &at_hand).map(none_refused),
    })
}

/// A command that is refused whole or not at all refuses nothing of what it was given.
fn none_refused((): ()) -> usize {
    0
}

/// Turns what became of a command into a code: how many of the things given were refused, which has been told, or an
/// error, which becomes a line on stderr.
fn ended(outcome: Result<usize>) -> ExitCode {
    match outcome {
        Ok(0) => ExitCode::SUCCESS,
        Ok(_) => ExitCode::from(REFUSED),
        Err(error) => {
            tell!("error: {error:#}");
            ExitCode::from(REFUSED)
        }
    }
}
