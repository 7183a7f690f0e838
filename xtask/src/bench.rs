//! The real-time budget, measured: one table in one run, and the same as JSON.

mod budget;
mod clock;
mod engine;
mod growth;
mod halls;
mod instructions;
mod machine;
pub(crate) mod memory;
mod peers;
mod plug_in;
mod report;
mod single;
mod statistics;

use std::path::PathBuf;

use anyhow::{Context as _, Result};
use clap::Args;
use serde_json::{Map, Value, json};

use crate::workspace;
use clock::{Clock, Effort};
use rostra_terminal::shown;

/// What to measure.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// Measure the same in under a minute, less surely.
    #[arg(long)]
    quick: bool,
    /// Count instructions (needs valgrind) instead of time.
    #[arg(long, conflicts_with = "quick")]
    instructions: bool,
    /// Load the plug-in once, print the times and leave: each load that is timed is a process of its own.
    #[arg(long, hide = true)]
    load_once: bool,
}

/// Measures, prints and writes `bench.json` into the target folder.
///
/// A budget that is missed is said, and no error: speeds are those of the machine.
///
/// # Errors
/// When something that is measured does not build or run, or the JSON cannot be written.
pub(crate) fn run(arguments: &Arguments) -> Result<()> {
    if arguments.load_once {
        return plug_in::load_once();
    }
    if arguments.instructions {
        println!("{}", machine::Machine::found().sentence());
        return keep(vec![("instructions", json!(instructions::count()?))]);
    }
    // Built before anything is timed: a compiler beside it would disturb.
    memory::build()?;
    let bundle = crate::bundle::Bundle::fresh()?;
    let effort = if arguments.quick { Effort::QUICK } else { Effort::FULL };
    let machine = machine::Machine::found();
    let clock = Clock::calibrated();
    println!("{}", machine.sentence());
    println!("{}", clock.sentence(&effort));

    let engine = engine::measure(&effort)?;
    report::print_timed("The whole engine", &engine);
    let mut figures = engine::figures(&engine);
    figures.extend(single::measure(&effort));
    figures.extend(memory::measure()?);
    let growth = growth::measure(&effort)?;
    report::print_timed("Growth at 48 kHz, blocks of 128, mono, still", &growth);
    figures.extend(growth::figures(&growth));
    let halls = halls::measure(&effort)?;
    report::print_timed("The hall on its bus, stereo, still", &halls);
    let peers = peers::measure(&effort)?;
    report::print_timed("Peers: a fixed stereo response of 0.5 s from one channel, 48 kHz", &peers);
    figures.extend(peers::figures(&peers, &engine));
    let plug_in = plug_in::measure(&bundle.clap, &effort)?;
    report::print_timed("Through the CLAP, instances in one process, 48 kHz, mono, still", &plug_in.timed);
    figures.extend(plug_in.figures);
    report::print_figures(&figures);

    keep(vec![
        ("machine", json!(machine)),
        ("clock", json!(clock)),
        ("effort", json!(effort)),
        ("engine", json!(engine)),
        ("growth", json!(growth)),
        ("halls", json!(halls)),
        ("peers", json!(peers)),
        ("plug_in", json!(plug_in.timed)),
        ("figures", json!(figures)),
    ])
}

/// Writes sections into `bench.json`; the others stay as they are.
fn keep(sections: Vec<(&str, Value)>) -> Result<()> {
    let path: PathBuf = workspace::target()?.join("bench.json");
    let before = std::fs::read_to_string(&path).ok().and_then(|text| serde_json::from_str(&text).ok());
    let mut all: Map<String, Value> = before.unwrap_or_default();
    for (name, section) in sections {
        all.insert(name.into(), section);
    }
    let text = serde_json::to_string_pretty(&Value::Object(all))? + "\n";
    std::fs::write(&path, text).with_context(|| format!("{}: cannot be written", path.display()))?;
    println!();
    println!("{}", shown(&path));
    Ok(())
}
