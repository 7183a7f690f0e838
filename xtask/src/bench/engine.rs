//! The whole engine: every rate, block, input and movement.

use std::sync::Arc;

use anyhow::{Result, anyhow};
use rostra_bench::{Case, Input, Instance, Movement, RATE_HZ, TailMaker, tail_spec};
use rostra_dsp::kernel::InstructionSet;

use super::budget;
use super::clock::{Effort, time_blocks};
use super::report::{Figure, Timed};

/// Sample rates, Hz: those that hosts offer first.
const RATES_HZ: [f64; 3] = [44_100.0, 48_000.0, 96_000.0];
/// Blocks of the host, frames.
const BLOCKS: [usize; 4] = [32, 64, 128, 512];
/// Block of the budgets, frames.
pub(super) const BLOCK: usize = 128;
/// Decay of the budgets, s.
pub(super) const DECAY_S: f64 = 0.5;

/// Measures all of it.
///
/// # Errors
/// When the engine cannot be prepared for a case.
pub(super) fn measure(effort: &Effort) -> Result<Vec<Timed>> {
    let widest = InstructionSet::widest();
    let mut rows = Vec::new();
    for rate_hz in RATES_HZ {
        let spectra = TailMaker::default().make(&tail_spec(rate_hz, DECAY_S));
        for block_frames in BLOCKS {
            for input in Input::ALL {
                for movement in Movement::ALL {
                    let case = Case { rate_hz, block_frames, ..Case::new(input, movement) };
                    let mut instance = Instance::new(&case, Arc::clone(&spectra), 1)
                        .ok_or_else(|| anyhow!("the engine cannot run at {rate_hz} Hz"))?;
                    rows.push(row(&case, &mut instance, effort));
                }
            }
        }
    }
    if !widest.is_wide() {
        return Ok(rows);
    }
    let spectra = TailMaker::default().make(&tail_spec(RATE_HZ, DECAY_S));
    for input in Input::ALL {
        for movement in Movement::ALL {
            let case = Case { set: InstructionSet::plain(), ..Case::new(input, movement) };
            let mut instance = Instance::new(&case, Arc::clone(&spectra), 1)
                .ok_or_else(|| anyhow!("the engine cannot run without AVX2"))?;
            rows.push(row(&case, &mut instance, effort));
        }
    }
    Ok(rows)
}

fn row(case: &Case, instance: &mut Instance, effort: &Effort) -> Timed {
    let is_headline = case.rate_hz == RATE_HZ && case.block_frames == BLOCK;
    instance.warm_up();
    let timing = time_blocks(instance, case.block_frames, case.block_frames, effort.of(is_headline));
    let is_wide = case.set.is_wide();
    let budget = (is_headline && case.movement == Movement::Still)
        .then(|| budget::still_ns_per_frame(case.input, is_wide));
    let what = name(case.input, case.movement, is_wide);
    Timed::new(what, (case.rate_hz, case.block_frames), 1, timing, budget)
}

/// Returns the words for a row; without AVX2 it says so, unless there is nothing else.
fn name(input: Input, movement: Movement, is_wide: bool) -> String {
    let set = if is_wide == InstructionSet::widest().is_wide() { "" } else { ", no AVX2" };
    format!("{}, {}{set}", input.name(), movement.name())
}

/// Finds the row of an input at 48 kHz.
pub(super) fn find(
    rows: &[Timed],
    input: Input,
    movement: Movement,
    is_wide: bool,
    block: usize,
) -> Option<&Timed> {
    let what = name(input, movement, is_wide);
    rows.iter().find(|row| row.what == what && row.rate_hz == RATE_HZ && row.block_frames == block)
}

/// Reads off what else the budgets bound: moving against still, and evenness.
pub(super) fn figures(rows: &[Timed]) -> Vec<Figure> {
    let mut figures = Vec::new();
    let widest = InstructionSet::widest().is_wide();
    let sets: &[bool] = if widest { &[true, false] } else { &[false] };
    for &is_wide in sets {
        for input in Input::ALL {
            let [Some(still), Some(moving)] =
                Movement::ALL.map(|movement| find(rows, input, movement, is_wide, BLOCK))
            else {
                continue;
            };
            figures.push(Figure::held(
                format!("{} / still", moving.what),
                moving.timing.least_ns_per_frame / still.timing.least_ns_per_frame,
                "times",
                budget::MOVING_TIMES,
            ));
            for row in [still, moving] {
                figures.push(Figure::held(
                    format!("{}: worst / median block, undisturbed", row.what),
                    row.timing.undisturbed.unevenness(),
                    "times",
                    budget::UNEVENNESS,
                ));
            }
        }
    }
    figures
}
