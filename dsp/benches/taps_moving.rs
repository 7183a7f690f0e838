//! The early reflections of one capsule on their way between two seats.

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_bench::{RATE_HZ, SeatPlanner, TailMaker, seat_of, tail_spec};
use rostra_dsp::arrivals::ARRIVALS;
use rostra_dsp::bands::LANES;
use rostra_dsp::lane_ring::LaneRing;
use rostra_dsp::noise::Noise;
use rostra_dsp::reflector::{Reflector, Scratch};
use rostra_dsp::segment::{STEPS, Segment};

/// Frames of a grid step at 48 kHz; a run while something moves is an eighth of it.
const GRID_FRAMES: usize = 512;
/// Frames that the ring reaches back: longer than every reflection at 48 kHz.
const PAST_FRAMES: usize = 16_000;
/// How far the seat is moved, m: what 2 m/s covers in a grid step.
const MOVE_M: f64 = 2.0 * GRID_FRAMES as f64 / RATE_HZ;

fn main() {
    divan::main();
}

#[divan::bench]
fn reflections(bencher: Bencher) {
    let frames = GRID_FRAMES / STEPS;
    let mut ring = LaneRing::new(PAST_FRAMES, 2 * frames);
    let mut noise = Noise::new(1);
    let past: Vec<[f32; LANES]> =
        (0..PAST_FRAMES).map(|_| std::array::from_fn(|_| noise.uniform() as f32 - 0.5)).collect();
    ring.write(&past);
    let planner = SeatPlanner::new(TailMaker::default().make(&tail_spec(RATE_HZ, 0.5)));
    let from = seat_of(0);
    let mut to = from;
    to.seat.depth_m += MOVE_M;
    let (from, to) = (planner.plan(&from).capsules[0], planner.plan(&to).capsules[0]);
    let mut taps = Reflector::new(ARRIVALS - 1, RATE_HZ, GRID_FRAMES);
    taps.reset(&from.delay_samples[1..], &from.weights[1..]);
    // Under way for the whole measurement: the controls differ until a next plan.
    taps.head_for(&to.delay_samples[1..], &to.weights[1..], true);
    let segment = Segment { offset_frames: GRID_FRAMES / 2, grid_frames: GRID_FRAMES };
    let mut scratch = Scratch::new(frames);
    let mut output = vec![0.0; frames];
    bencher.counter(ItemsCount::new(frames)).bench_local(|| {
        output.fill(0.0);
        taps.process(divan::black_box(&ring), &segment, &mut scratch, divan::black_box(&mut output));
    });
}
