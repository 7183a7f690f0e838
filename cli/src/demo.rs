//! The demo: the plan of an invented ensemble, rendered, and what to listen for in it.

use std::path::PathBuf;

use anyhow::Result;
use rostra_terminal::say;

use crate::at_hand::AtHand;
use crate::ensemble::{self, Plan};
use crate::place::Memory;

/// Place the demo's ensemble.
#[derive(clap::Args, Clone, Debug)]
pub(crate) struct Arguments {
    /// Folder for placed stems, mixes, seating plan and report.
    #[arg(long, value_name = "DIR", default_value = "demo", overrides_with = "out")]
    out: PathBuf,
    #[command(flatten)]
    memory: Memory,
}

/// Renders the demo's plan and says what to listen for; returns how many faults the plan has.
///
/// # Errors
/// When the plug-in or the demo is not found, the plan cannot be read, or nothing can be written.
pub(crate) fn run(arguments: &Arguments, at_hand: &AtHand) -> Result<usize> {
    let Arguments { out, memory } = arguments.clone();
    let plan = at_hand.presets()?.join("ensemble.toml");
    let faults = ensemble::run(&ensemble::Arguments { plan: plan.clone(), out, memory }, at_hand)?;
    say!();
    say!("Start at a low level. Listen for:");
    for line in Plan::read(&plan)?.listen {
        say!("  - {line}");
    }
    Ok(faults)
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::*;

    #[test]
    fn the_ensemble_of_this_checkout_is_whole() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../presets-demo");
        let plan = Plan::read(&folder.join("ensemble.toml")).unwrap();
        assert!(plan.faults.is_empty(), "{:?}", plan.faults);
        assert!(plan.stems.len() >= 8);
        for stem in &plan.stems {
            assert!(stem.file.is_file(), "{} is missing", stem.file.display());
            let seat = stem.seat.as_ref().unwrap();
            assert!(seat.is_file(), "{} is missing", seat.display());
        }
        for entry in fs::read_dir(folder.join("stems")).unwrap() {
            let path = entry.unwrap().path();
            assert!(plan.stems.iter().any(|stem| stem.file == path), "{} has no seat", path.display());
        }
        for file in [plan.platform.unwrap(), plan.hall.unwrap().0] {
            assert!(file.is_file(), "{} is missing", file.display());
        }
    }
}
