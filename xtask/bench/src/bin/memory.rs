//! Counts the bytes that instances keep: the first on a platform, and further ones that share its tail spectra.
//!
//! A program of its own, since it counts every allocation. Prints JSON: by
//! input, bytes of the spectra, of the workshop that stays open while anyone may
//! want a tail, of the first instance with both, of each further instance, and the
//! most that were in use while the spectra were built.

// This program talks to `cargo xtask bench`.
#![allow(clippy::print_stdout)]

use std::collections::BTreeMap;
use std::sync::Arc;

use peak_alloc::PeakAlloc;
use rostra_bench::{BlockWork as _, Case, Input, Instance, Movement, TailMaker};
use serde::Serialize;

#[global_allocator]
static BYTES: PeakAlloc = PeakAlloc;

/// Further instances over which the mean is taken.
const FURTHER: usize = 8;

#[allow(clippy::struct_field_names, reason = "every name carries its unit")]
#[derive(Serialize)]
struct Kept {
    spectra_bytes: usize,
    workshop_bytes: usize,
    first_bytes: usize,
    further_bytes: usize,
    most_while_building_bytes: usize,
}

fn main() {
    // What a program allocates once, it has allocated after this.
    kept(Input::Mono);
    let all: BTreeMap<&str, Kept> =
        [Input::Mono, Input::Stereo].iter().map(|&input| (input.name(), kept(input))).collect();
    println!("{}", serde_json::json!(all));
}

fn kept(input: Input) -> Kept {
    let case = Case::new(input, Movement::Still);
    let spec = case.tail_spec();
    let start = BYTES.current_usage();
    BYTES.reset_peak_usage();
    let mut maker = TailMaker::default();
    let spectra = maker.make(&spec);
    let most_while_building_bytes = BYTES.peak_usage() - start;
    let with_workshop_bytes = BYTES.current_usage() - start;
    drop(maker);
    let spectra_bytes = BYTES.current_usage() - start;
    let workshop_bytes = with_workshop_bytes - spectra_bytes;
    let mut instances = Vec::with_capacity(1 + FURTHER);
    let mut add = |seed: u64| {
        // PANIC: a case of the budgets, on the set that this processor has.
        let mut instance =
            Instance::new(&case, Arc::clone(&spectra), seed).expect("the engine runs at 48 kHz");
        instance.prepare();
        instance.process();
        instances.push(instance);
    };
    add(0);
    let alone_bytes = BYTES.current_usage() - start;
    for n in 1..=FURTHER {
        add(n as u64);
    }
    let further_bytes = (BYTES.current_usage() - start - alone_bytes) / FURTHER;
    let first_bytes = alone_bytes + workshop_bytes;
    Kept { spectra_bytes, workshop_bytes, first_bytes, further_bytes, most_while_building_bytes }
}
