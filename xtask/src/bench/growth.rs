//! How the cost grows: with the decay, with instances and with players, and how it shrinks in silence.

use std::sync::Arc;

use anyhow::{Context as _, Result};
use rostra_bench::{BlockWork, Case, Input, Instance, Movement, RATE_HZ, TailMaker, seat_of, tail_spec};

use super::budget;
use super::clock::{Effort, time_blocks};
use super::engine::{BLOCK, DECAY_S};
use super::report::{Figure, Timed};

/// Decays of the default platform, s: the range of the parameter.
const DECAYS_S: [f64; 4] = [0.2, 0.5, 1.0, 2.0];
/// Instances in one thread.
pub(super) const INSTANCES: [usize; 4] = [1, 10, 40, 100];
/// The number of instances that the budget names.
const MANY: usize = 100;
/// The number of instances whose callbacks are looked at one by one.
const SEVERAL: usize = 40;

/// Players of a section.
const PLAYERS: u8 = 8;

/// The rows in silence and in sound.
const SILENT: &str = "silence, after the tail rang out";

/// Instances that a host calls one after the other, a block each.
#[derive(Debug)]
pub(super) struct RoundRobin<W>(pub(super) Vec<W>);

impl<W: BlockWork> BlockWork for RoundRobin<W> {
    fn restart(&mut self) {
        self.0.iter_mut().for_each(BlockWork::restart);
    }

    fn prepare(&mut self) {
        self.0.iter_mut().for_each(BlockWork::prepare);
    }

    fn process(&mut self) {
        self.0.iter_mut().for_each(BlockWork::process);
    }
}

/// Measures it.
///
/// # Errors
/// When the engine cannot be prepared.
pub(super) fn measure(effort: &Effort) -> Result<Vec<Timed>> {
    let mut rows = Vec::new();
    for decay_s in DECAYS_S {
        let spectra = TailMaker::default().make(&tail_spec(RATE_HZ, decay_s));
        let mut case = Case::new(Input::Mono, Movement::Still);
        case.settings.platform.decay_s = decay_s;
        let mut instance = Instance::new(&case, spectra, 1).context("the engine cannot run at 48 kHz")?;
        instance.warm_up();
        let timing = time_blocks(&mut instance, BLOCK, BLOCK, effort.of(false));
        rows.push(Timed::new(format!("decay {decay_s} s"), (RATE_HZ, BLOCK), 1, timing, None));
    }
    let spectra = TailMaker::default().make(&tail_spec(RATE_HZ, DECAY_S));
    let together = |count: usize, players: u8| -> Result<RoundRobin<Instance>> {
        let mut instances = RoundRobin(Vec::with_capacity(count));
        for n in 0..count {
            let mut case = Case { settings: seat_of(n), ..Case::new(Input::Mono, Movement::Still) };
            case.settings.seat.players = players;
            let mut instance = Instance::new(&case, Arc::clone(&spectra), n as u64)
                .context("the engine cannot run at 48 kHz")?;
            instance.warm_up();
            instances.0.push(instance);
        }
        Ok(instances)
    };
    for count in INSTANCES {
        let effort = effort.of(count >= SEVERAL);
        let timing = time_blocks(&mut together(count, 1)?, BLOCK, count * BLOCK, effort);
        let budget = (count == MANY).then_some(budget::HUNDRED_NS_PER_FRAME);
        rows.push(Timed::new(instances_name(count), (RATE_HZ, BLOCK), count, timing, budget));
    }
    for count in [1, MANY] {
        let effort = effort.of(count >= SEVERAL);
        let timing = time_blocks(&mut together(count, PLAYERS)?, BLOCK, count * BLOCK, effort);
        rows.push(Timed::new(sections_name(count), (RATE_HZ, BLOCK), count, timing, None));
    }
    let case = Case::new(Input::Mono, Movement::Still);
    let mut instance = Instance::new(&case, spectra, 1).context("the engine cannot run at 48 kHz")?;
    instance.warm_up();
    instance.fall_silent();
    instance.warm_up();
    let timing = time_blocks(&mut instance, BLOCK, BLOCK, effort.of(false));
    rows.push(Timed::new(SILENT, (RATE_HZ, BLOCK), 1, timing, None));
    Ok(rows)
}

/// Returns the words for a row of instances.
pub(super) fn instances_name(count: usize) -> String {
    if count == 1 { "1 instance".into() } else { format!("{count} instances, spectra shared") }
}

/// Returns the words for a row of sections.
fn sections_name(count: usize) -> String {
    format!("{count} of {PLAYERS} players")
}

/// Reads off the ratios.
pub(super) fn figures(rows: &[Timed]) -> Vec<Figure> {
    let find = |what: &str| rows.iter().find(|row| row.what == what);
    let mut figures = Vec::new();
    if let (Some(silent), Some(sounding)) = (find(SILENT), find(&instances_name(1))) {
        figures.push(Figure::told(
            "silence after the tail rang out / sound",
            silent.timing.least_ns_per_frame / sounding.timing.least_ns_per_frame,
            "times",
        ));
    }
    if let (Some(many), Some(one)) = (find(&instances_name(MANY)), find(&instances_name(1))) {
        figures.push(Figure::told(
            format!("each of {MANY} instances in one thread / one alone"),
            many.timing.least_ns_per_frame / one.timing.least_ns_per_frame,
            "times",
        ));
    }
    for count in [1, MANY] {
        if let (Some(sections), Some(ones)) = (find(&sections_name(count)), find(&instances_name(count))) {
            figures.push(Figure::held(
                format!("{count} of {PLAYERS} players / {count} of one"),
                sections.timing.least_ns_per_frame / ones.timing.least_ns_per_frame,
                "times",
                budget::SECTION_TIMES,
            ));
        }
    }
    if let Some(several) = find(&instances_name(SEVERAL)) {
        figures.push(Figure::told(
            format!("{SEVERAL} instances: worst / median callback over all of them, undisturbed"),
            several.timing.undisturbed.unevenness(),
            "times",
        ));
        figures.push(Figure::told(
            format!("{SEVERAL} instances: worst / median callback, in the least pass"),
            several.timing.least_pass.unevenness(),
            "times",
        ));
    }
    figures
}
