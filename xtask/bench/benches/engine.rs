//! The whole engine, standing still and while depth is automated.

use std::cell::RefCell;

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_bench::{BlockWork as _, Case, Input, Instance, Movement, TailMaker};

/// Frames of the host's block.
const BLOCKS: [usize; 4] = [32, 64, 128, 512];

fn main() {
    divan::main();
}

#[divan::bench(args = BLOCKS, sample_size = 1, sample_count = 4096)]
fn mono_still(bencher: Bencher, block_frames: usize) {
    run(bencher, Input::Mono, Movement::Still, block_frames);
}

#[divan::bench(args = BLOCKS, sample_size = 1, sample_count = 4096)]
fn mono_moving(bencher: Bencher, block_frames: usize) {
    run(bencher, Input::Mono, Movement::Depth, block_frames);
}

#[divan::bench(args = BLOCKS, sample_size = 1, sample_count = 4096)]
fn stereo_still(bencher: Bencher, block_frames: usize) {
    run(bencher, Input::Stereo, Movement::Still, block_frames);
}

#[divan::bench(args = BLOCKS, sample_size = 1, sample_count = 4096)]
fn stereo_moving(bencher: Bencher, block_frames: usize) {
    run(bencher, Input::Stereo, Movement::Depth, block_frames);
}

fn run(bencher: Bencher, input: Input, movement: Movement, block_frames: usize) {
    let case = Case { block_frames, ..Case::new(input, movement) };
    // PANIC: the cases are those that every engine runs.
    let mut instance = Instance::new(&case, TailMaker::default().make(&case.tail_spec()), 1)
        .expect("the engine runs at 48 kHz");
    instance.warm_up();
    // One block a sample: the engine works in place, so that each needs its own input first.
    let instance = RefCell::new(instance);
    bencher
        .counter(ItemsCount::new(block_frames))
        .with_inputs(|| instance.borrow_mut().prepare())
        .bench_local_values(|()| instance.borrow_mut().process());
}
