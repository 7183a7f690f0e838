//! The tail's convolver: both parts in, left and right out, at some decays.

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_bench::{BlockWork as _, RATE_HZ, TailAlone, TailMaker, tail_spec};

/// Decays of the default platform, s.
const DECAYS_S: [f64; 3] = [0.2, 0.5, 2.0];
/// Frames of a call: the convolver's block at 48 kHz.
const BLOCK_FRAMES: usize = 128;
/// Blocks of an iteration: a whole big partition, so that each does the same work.
const BLOCKS: usize = 8;

fn main() {
    divan::main();
}

#[divan::bench(args = DECAYS_S)]
fn stereo(bencher: Bencher, decay_s: f64) {
    let spectra = TailMaker::default().make(&tail_spec(RATE_HZ, decay_s));
    let mut tail = TailAlone::new(spectra, BLOCK_FRAMES);
    tail.prepare();
    bencher.counter(ItemsCount::new(BLOCKS * BLOCK_FRAMES)).bench_local(|| {
        for _ in 0..BLOCKS {
            tail.process();
        }
    });
}
