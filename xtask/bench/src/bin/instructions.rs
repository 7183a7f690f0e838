//! Does a named piece of work a number of times, so that a tool can count its instructions.
//!
//! `instructions CASE COUNT [plain]`: prints which instruction set ran and what
//! is counted. Only what runs inside [`counted`] is meant; two runs of different
//! counts differ by the work alone.

// This program talks to `cargo xtask bench --instructions`.
#![allow(clippy::print_stdout)]

use std::hint::black_box;
use std::process::ExitCode;

use rostra_bench::{
    BlockWork, Case, Input, Instance, Movement, RATE_HZ, SeatPlanner, TailAlone, TailMaker, seat_of,
    tail_spec,
};
use rostra_dsp::kernel::InstructionSet;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (Some(case), Some(count)) =
        (arguments.first(), arguments.get(1).and_then(|count| count.parse::<usize>().ok()))
    else {
        eprintln!("usage: instructions CASE COUNT [plain]");
        return ExitCode::FAILURE;
    };
    let is_plain = arguments.get(2).is_some_and(|word| word == "plain");
    let set = if is_plain { InstructionSet::plain() } else { InstructionSet::widest() };
    let Some(unit) = run(case, count, set) else {
        eprintln!("{case}: there is no such case, or the engine cannot run it on this instruction set");
        return ExitCode::FAILURE;
    };
    println!("{} {unit}", if set.is_wide() { "wide" } else { "plain" });
    ExitCode::SUCCESS
}

/// Does the work; returns what was counted, or nothing where the case is not known or cannot run.
fn run(name: &str, count: usize, set: InstructionSet) -> Option<&'static str> {
    let playing = |players, input, movement| {
        let mut case = Case { set, ..Case::new(input, movement) };
        case.settings.seat.players = players;
        let mut instance = Instance::new(&case, TailMaker::default().make(&case.tail_spec()), 1)?;
        blocks(&mut instance, count, case.block_frames);
        Some("frame")
    };
    let engine = |input, movement| playing(1, input, movement);
    let section = |input, movement| playing(8, input, movement);
    // Only the engine can be told what to run with.
    let is_widest = set.is_wide() == InstructionSet::widest().is_wide();
    match name {
        "mono-still" => engine(Input::Mono, Movement::Still),
        "mono-moving" => engine(Input::Mono, Movement::Depth),
        "stereo-still" => engine(Input::Stereo, Movement::Still),
        "stereo-moving" => engine(Input::Stereo, Movement::Depth),
        "section-still" => section(Input::Mono, Movement::Still),
        "section-moving" => section(Input::Mono, Movement::Depth),
        "stereo-section-still" => section(Input::Stereo, Movement::Still),
        "plan" if is_widest => {
            let mut planner = SeatPlanner::new(TailMaker::default().make(&tail_spec(RATE_HZ, 0.5)));
            for n in 0..count {
                let settings = seat_of(n).snapped();
                counted(&mut || _ = black_box(planner.plan(black_box(&settings))));
            }
            Some("plan")
        }
        "tail-build" if is_widest => {
            for n in 0..count {
                // A new maker each: the cold build.
                let spec = tail_spec(RATE_HZ, 0.5 + 0.001 * n as f64);
                counted(&mut || drop(black_box(TailMaker::default().make(&spec))));
            }
            Some("build")
        }
        "convolver" if is_widest => {
            let mut tail = TailAlone::new(TailMaker::default().make(&tail_spec(RATE_HZ, 0.5)), 128);
            blocks(&mut tail, count, 128);
            Some("frame")
        }
        _ => None,
    }
}

/// Counts the frames of blocks; their input is made outside.
fn blocks(work: &mut impl BlockWork, frames: usize, block_frames: usize) {
    for _ in 0..frames / block_frames {
        work.prepare();
        counted(&mut || work.process());
    }
}

/// Does the work under a name of its own, by which the tool knows when to count.
#[inline(never)]
fn counted(work: &mut dyn FnMut()) {
    work();
}
