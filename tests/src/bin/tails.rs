//! Synthesises the tails of platforms from the whole range and says what is wrong with them.
#![allow(clippy::print_stdout, reason = "printing is what this program is for")]

use std::process::ExitCode;

use rostra_tests::platform_grid::{DECAY_TOLERANCE, PAIRS, try_cases};

/// Faults that are told one by one.
const TOLD: usize = 20;

fn main() -> ExitCode {
    let mut numbers = std::env::args().skip(1).map(|argument| argument.parse::<usize>());
    let (count, first) = match (numbers.next(), numbers.next()) {
        (Some(Ok(count)), None) => (count, 0),
        (Some(Ok(count)), Some(Ok(first))) => (count, first),
        _ => {
            println!("tails: give a number of tails, and the case to begin with");
            return ExitCode::FAILURE;
        }
    };
    let found = try_cases(first..first + count);
    for fault in found.faults.iter().take(TOLD) {
        println!("{fault}");
    }
    if found.faults.len() > TOLD {
        println!("and {} more", found.faults.len() - TOLD);
    }
    println!("{:8} tails synthesised; cases 0 to {} are all pairs of finishes", found.tails, PAIRS - 1);
    println!("{:8} panicked", found.panicked);
    println!("{:8} not finite", found.not_finite);
    println!("{:8} silent octaves of {}", found.silent, found.octaves);
    println!(
        "         worst energy of an octave {:.2} dB off: {}",
        found.worst_energy.off, found.worst_energy.at
    );
    println!(
        "{:8} decays more than {:.0} % off of {} that can be measured; {} cannot",
        found.off,
        100.0 * DECAY_TOLERANCE,
        found.measured,
        found.unmeasurable
    );
    println!("         worst decay {:.2} % off: {}", 100.0 * found.worst_decay.off, found.worst_decay.at);
    if found.all_hold() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
