//! Building the spectra of a tail.

use std::cell::Cell;

use divan::Bencher;
use rostra_bench::{RATE_HZ, TailMaker, tail_spec};

/// Decays of the default platform, s.
const DECAYS_S: [f64; 3] = [0.2, 0.5, 2.0];

fn main() {
    divan::main();
}

/// The first tail of a maker.
#[divan::bench(args = DECAYS_S)]
fn cold(bencher: Bencher, decay_s: f64) {
    let spec = tail_spec(RATE_HZ, decay_s);
    bencher.bench_local(|| TailMaker::default().make(divan::black_box(&spec)));
}

/// A tail of another decay, from a maker that has built one before.
#[divan::bench(args = DECAYS_S)]
fn warm(bencher: Bencher, decay_s: f64) {
    let mut maker = TailMaker::default();
    maker.make(&tail_spec(RATE_HZ, decay_s));
    let count = Cell::new(0_u32);
    let next = || {
        count.set(count.get() + 1);
        tail_spec(RATE_HZ, decay_s + 0.001 * f64::from(count.get() % 50))
    };
    bencher.with_inputs(next).bench_local_values(|spec| maker.make(&spec));
}
