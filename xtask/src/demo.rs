//! The demo: the plan of an invented ensemble, rendered, and what to listen for in it.

use anyhow::Result;
use rostra_terminal::say;

use crate::ensemble::{self, Arguments, Plan};
use crate::place::Memory;
use crate::workspace;

/// Renders the demo's plan and says what to listen for; returns how many faults the plan has.
///
/// # Errors
/// When the plug-in does not build, the plan cannot be read, or nothing can be written.
pub(crate) fn run() -> Result<usize> {
    let plan = workspace::root()?.join("presets-demo/ensemble.toml");
    let faults = ensemble::run(&Arguments {
        plan: plan.clone(),
        out: workspace::target()?.join("demo"),
        plugin: None,
        memory: Memory::default(),
    })?;
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

    use super::*;

    #[test]
    fn the_ensemble_of_this_checkout_is_whole() {
        let folder = workspace::root().unwrap().join("presets-demo");
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
