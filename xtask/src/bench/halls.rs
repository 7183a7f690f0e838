//! The hall on the shared bus: one instance a session.

use anyhow::{Context as _, Result};
use rostra_bench::{HallBus, RATE_HZ};
use rostra_dsp::hall::Hall;
use rostra_dsp::kernel::InstructionSet;

use super::budget;
use super::clock::{Effort, time_blocks};
use super::engine::BLOCK;
use super::report::Timed;

/// Decays, s: both ends of the parameter, a short and a long cue's.
const DECAYS_S: [f64; 4] = [0.8, 1.8, 3.5, 8.0];
/// The decay of the budget, s.
const BUDGET_S: f64 = 3.5;

/// Measures it.
///
/// # Errors
/// When the hall cannot be prepared.
pub(super) fn measure(effort: &Effort) -> Result<Vec<Timed>> {
    let mut rows = Vec::new();
    for decay_s in DECAYS_S {
        rows.push(row(decay_s, InstructionSet::widest(), "", effort)?);
    }
    if InstructionSet::widest().is_wide() {
        rows.push(row(BUDGET_S, InstructionSet::plain(), ", no AVX2", effort)?);
    }
    Ok(rows)
}

fn row(decay_s: f64, set: InstructionSet, note: &str, effort: &Effort) -> Result<Timed> {
    let hall = Hall { decay_s, ..Hall::default() };
    let mut bus = HallBus::new(hall, set, BLOCK).context("the hall cannot run at 48 kHz")?;
    bus.warm_up();
    let timing = time_blocks(&mut bus, BLOCK, BLOCK, effort.of(decay_s == BUDGET_S));
    let budget = (decay_s == BUDGET_S).then_some(budget::HALL_NS_PER_FRAME);
    Ok(Timed::new(format!("hall, decay {decay_s} s{note}"), (RATE_HZ, BLOCK), 1, timing, budget))
}
