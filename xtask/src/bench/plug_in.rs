//! The built CLAP, as a host plays it live.

use std::path::Path;
use std::process::Command;

use anyhow::{Context as _, Result, anyhow, ensure};
use rostra_bench::{BlockWork, RATE_HZ, noise_into, seat_of};
use rostra_dsp::kernel::Noise;
use rostra_host::{Instance, Library, Session, Start};
use serde::{Deserialize, Serialize};

use super::budget;
use super::clock::{Effort, time_blocks, timed};
use super::engine::BLOCK;
use super::growth::{INSTANCES, RoundRobin};
use super::report::{Figure, Timed};
use super::statistics::{least, median};
use crate::bundle::Bundle;

/// Sound that goes in before anything is timed, s: longer than the tail and its convolver hold.
const WARM_UP_S: f64 = 1.5;
/// When, after the input ended, only a tail can still sound, s: past the last reflection of the default platform.
const TAIL_ALONE_S: f64 = 0.3;
/// Mono in, stereo out, in real time.
const START: Start =
    Start { inputs: 1, outputs: 2, rate_hz: RATE_HZ as u32, block_frames: BLOCK, is_offline: false };

/// What was found out.
pub(super) struct PlugIn {
    /// Blocks of one and many instances.
    pub(super) timed: Vec<Timed>,
    /// Times and memory.
    pub(super) figures: Vec<Figure>,
}

/// Measures it.
///
/// # Errors
/// When the bundle cannot be loaded, or an instance fails or plays no tail.
pub(super) fn measure(clap: &Path, effort: &Effort) -> Result<PlugIn> {
    let mut figures = loads(effort)?;
    let library = Library::load(clap)?;
    figures.push(latency(&library)?);
    let mut rows = Vec::new();
    // The most first: memory that fewer had left behind would hide what they take.
    for count in INSTANCES.into_iter().rev() {
        let before = resident_bytes();
        let mut players = RoundRobin(Vec::with_capacity(count));
        for n in 0..count {
            let mut instance = library.seat()?;
            take_seat(&mut instance, n)?;
            let session = instance.play(START)?;
            players.0.push(Player { session, noise: Noise::new(n as u64), is_fed: true, failure: None });
        }
        warm_up(&mut players)?;
        if rows.is_empty()
            && let (Some(before), Some(after)) = (before, resident_bytes())
        {
            figures.push(Figure::told(
                format!("resident memory of each of {count} instances of the CLAP, parameters and all"),
                (after - before) / count as f64 / f64::from(1 << 20),
                "MiB",
            ));
        }
        let timing = time_blocks(&mut players, BLOCK, count * BLOCK, effort.of(false));
        let what = if count == 1 { "1 instance".into() } else { format!("{count} instances") };
        rows.push(Timed::new(what, (RATE_HZ, BLOCK), count, timing, None));
        for player in players.0 {
            if let Some(failure) = player.failure {
                return Err(failure);
            }
            player.session.stop();
        }
    }
    rows.reverse();
    Ok(PlugIn { timed: rows, figures })
}

/// The frame of the click: past the start, and at no edge of a block.
const CLICK: usize = 8 * BLOCK + 37;
/// Blocks in which it must be heard: longer than the way of any sound over the platform.
const CLICK_BLOCKS: usize = 64;

/// Plays silence with a click in one frame, and returns the frame of the first sound.
fn first_sound(session: &mut Session, click: usize) -> Result<usize> {
    let mut first = None;
    for block in 0..click / BLOCK + CLICK_BLOCKS {
        for input in session.inputs() {
            input.fill(0.0);
            if block == click / BLOCK {
                input[click % BLOCK] = 1.0;
            }
        }
        session.process()?;
        let sounds = |&frame: &usize| session.outputs().iter().any(|channel| channel[frame] != 0.0);
        first = first.or_else(|| (0..BLOCK).find(sounds).map(|frame| block * BLOCK + frame));
    }
    first.ok_or_else(|| anyhow!("the plug-in plays nothing of a click"))
}

/// Returns by how many frames the plug-in sounds later than what it is given.
fn latency(library: &Library) -> Result<Figure> {
    let mut session = library.seat()?.play(START)?;
    let first = first_sound(&mut session, CLICK)?;
    session.stop();
    ensure!(first >= CLICK, "the plug-in sounds before it is given anything");
    let frames = (first - CLICK) as f64;
    Ok(Figure::held("latency, a click through the CLAP", frames, "frames", budget::LATENCY_FRAMES))
}

/// Gives an instance the seat of the n-th of many players: instances in different seats do their long transforms in turn.
fn take_seat(instance: &mut Instance, n: usize) -> Result<()> {
    let seat = seat_of(n).seat;
    let known = instance.parameters()?;
    for (name, text) in
        [("Depth", format!("{:.3}", seat.depth_m)), ("Bearing", format!("{:.1}", seat.bearing_deg))]
    {
        let id = known.iter().find(|known| known.name == name).map(|known| known.id);
        let id = id.with_context(|| format!("the plug-in has no parameter \"{name}\""))?;
        let value = instance.value_of(id, &text).with_context(|| format!("{name} cannot be {text}"))?;
        instance.set(&[(id, value)])?;
    }
    Ok(())
}

/// One instance of the plug-in with its input.
struct Player {
    session: Session,
    noise: Noise,
    is_fed: bool,
    failure: Option<anyhow::Error>,
}

impl BlockWork for Player {
    fn prepare(&mut self) {
        for input in self.session.inputs() {
            if self.is_fed {
                noise_into(&mut self.noise, input);
            } else {
                input.fill(0.0);
            }
        }
    }

    fn process(&mut self) {
        if let Err(error) = self.session.process() {
            self.failure.get_or_insert(error);
        }
    }
}

/// Sounds until every instance plays its tail, and makes sure that it does.
fn warm_up(players: &mut RoundRobin<Player>) -> Result<()> {
    let mut sound = |is_fed: bool, seconds: f64| {
        players.0.iter_mut().for_each(|player| player.is_fed = is_fed);
        for _ in 0..(seconds * RATE_HZ) as usize / BLOCK {
            players.prepare();
            players.process();
        }
        players.0.iter().all(|player| player.session.outputs().iter().flatten().any(|x| x.abs() > 1e-6))
    };
    sound(true, WARM_UP_S);
    let have_tails = sound(false, TAIL_ALONE_S);
    sound(true, WARM_UP_S);
    ensure!(have_tails, "an instance of the plug-in plays no tail {TAIL_ALONE_S} s after its input ended");
    Ok(())
}

/// Times of a process that loads the plug-in once, ns.
#[derive(Debug, Deserialize, Serialize)]
struct Load {
    load_ns: f64,
    make_ns: f64,
}

/// Loads the bundle, makes and starts an instance, plays its first block, and prints how long that took.
///
/// # Errors
/// When it cannot be loaded or does not play.
pub(super) fn load_once() -> Result<()> {
    let clap = Bundle::place()?.clap;
    let mut library = None;
    let load = timed(|| library = Some(Library::load(&clap)));
    let library = library.ok_or_else(|| anyhow!("nothing was loaded"))??;
    let mut session = None;
    let make = timed(|| {
        session = Some(library.seat().and_then(|instance| instance.play(START)));
    });
    let mut session = session.ok_or_else(|| anyhow!("nothing was made"))??;
    session.process()?;
    session.stop();
    let load = Load { load_ns: load.as_nanos() as f64, make_ns: make.as_nanos() as f64 };
    println!("{}", serde_json::to_string(&load)?);
    Ok(())
}

/// Times loading, each time in a process of its own; the file itself is in the system's cache.
fn loads(effort: &Effort) -> Result<Vec<Figure>> {
    let program = std::env::current_exe().context("this program has no place")?;
    let mut loads = Vec::new();
    for _ in 0..effort.passes {
        let output = Command::new(&program).args(["bench", "--load-once"]).output()?;
        ensure!(output.status.success(), "loading: {}", String::from_utf8_lossy(&output.stderr));
        loads.push(serde_json::from_slice::<Load>(&output.stdout).context("the process that loads")?);
    }
    let ms = |of: &dyn Fn(&Load) -> f64| -> Vec<f64> { loads.iter().map(|load| of(load) / 1e6).collect() };
    let (load, make, both) =
        (ms(&|load| load.load_ns), ms(&|load| load.make_ns), ms(&|load| load.load_ns + load.make_ns));
    Ok(vec![
        Figure::told("loading the CLAP in a new process, least of runs", least(&load), "ms"),
        Figure::told("making and starting the first instance, its tail included, least", least(&make), "ms"),
        Figure::held("both together, least of runs", least(&both), "ms", budget::LOAD_MS),
        Figure::told("both together, median of runs", median(&both), "ms"),
    ])
}

/// Returns what this process has in memory, where the system says so.
///
/// # Source
/// proc(5): the second field of /proc/self/statm, in pages of 4 KiB on x86-64.
fn resident_bytes() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/self/statm").ok()?;
    let pages: f64 = text.split_whitespace().nth(1)?.parse().ok()?;
    Some(pages * 4096.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_click_is_heard_in_its_frame_and_a_later_one_later() {
        let library =
            Library::load(&Bundle::place().unwrap().clap).expect("the bundle, by `cargo xtask bundle`");
        for click in [CLICK, CLICK + 1, CLICK + BLOCK] {
            let mut session = library.seat().unwrap().play(START).unwrap();
            assert_eq!(first_sound(&mut session, click).unwrap(), click);
            session.stop();
        }
        assert_eq!(latency(&library).unwrap().holds, Some(true));
    }
}
