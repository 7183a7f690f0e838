//! The band split: seven low-passes side by side.

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_bench::{RATE_HZ, noise_into};
use rostra_dsp::bands::{LANES, Split, SplitDesign};
use rostra_dsp::noise::Noise;

/// Frames of a block.
const BLOCKS: [usize; 3] = [16, 64, 128];

fn main() {
    divan::main();
}

#[divan::bench(args = BLOCKS)]
fn split(bencher: Bencher, frames: usize) {
    let design = SplitDesign::new(RATE_HZ);
    let mut split = Split::default();
    let mut input = vec![0.0; frames];
    let mut lanes = vec![[0.0; LANES]; frames];
    noise_into(&mut Noise::new(1), &mut input);
    bencher.counter(ItemsCount::new(frames)).bench_local(|| {
        split.process(&design, divan::black_box(&input), divan::black_box(&mut lanes));
    });
}
