//! The plan of one source at a pair.

use std::cell::Cell;

use divan::Bencher;
use rostra_bench::{RATE_HZ, SeatPlanner, TailMaker, seat_of, tail_spec};

fn main() {
    divan::main();
}

#[divan::bench]
fn seat(bencher: Bencher) {
    let mut planner = SeatPlanner::new(TailMaker::default().make(&tail_spec(RATE_HZ, 0.5)));
    let count = Cell::new(0);
    // Another seat each time, so that no branch is learnt by heart.
    let next = || {
        count.set(count.get() + 1);
        seat_of(count.get()).snapped()
    };
    bencher.with_inputs(next).bench_local_values(|settings| {
        divan::black_box(planner.plan(&settings));
    });
}
