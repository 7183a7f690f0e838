//! Prints what is heard, so that two processors can be compared: 32-bit floats, low byte first.
//!
//! `sound`: the engine, one case after the other; `sound CLAP`: a seat that moves, through a built plug-in.

use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;

use anyhow::{Context as _, Result};
use rostra_bench::{BlockWork, Case, Input, Instance, Movement, RATE_HZ, TailMaker};
use rostra_dsp::kernel::Noise;
use rostra_host::Library;

/// Sound of each case, s: longer than the tail of the default platform.
const SECONDS: f64 = 1.0;

/// What the engine plays: what comes in, what moves, and how many play.
const CASES: [(Input, Movement, u8); 4] = [
    (Input::Mono, Movement::Still, 1),
    (Input::Stereo, Movement::Still, 1),
    (Input::Stereo, Movement::Depth, 1),
    (Input::Mono, Movement::Depth, 8),
];

fn main() -> ExitCode {
    let heard = match std::env::args_os().nth(1) {
        Some(clap) => through(Path::new(&clap)),
        None => engine(),
    };
    let printed = heard.and_then(|heard| {
        let bytes: Vec<u8> = heard.iter().flat_map(|sample| sample.to_le_bytes()).collect();
        std::io::stdout().write_all(&bytes).context("the sound cannot be printed")
    });
    match printed {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn engine() -> Result<Vec<f32>> {
    let mut heard = Vec::new();
    for (input, movement, players) in CASES {
        let mut case = Case::new(input, movement);
        case.settings.seat.players = players;
        let spectra = TailMaker::default().make(&case.tail_spec());
        let mut instance = Instance::new(&case, spectra, 1).context("the engine does not run")?;
        for _ in 0..(SECONDS * RATE_HZ) as usize / case.block_frames {
            instance.prepare();
            instance.process();
            heard.extend(instance.output().iter().flatten());
        }
    }
    Ok(heard)
}

/// Plays a second of noise and its tail through a plug-in as it opens.
fn through(clap: &Path) -> Result<Vec<f32>> {
    let library = Library::load(clap)?;
    let mut noise = Noise::new(1);
    let mut channel = || -> Vec<f32> {
        (0..(SECONDS * RATE_HZ) as usize).map(|_| (0.1 * noise.gaussian()) as f32).collect()
    };
    let input = [channel(), channel()];
    Ok(library.seat()?.render(&input, 2, RATE_HZ as u32, &|_| {})?.concat())
}
