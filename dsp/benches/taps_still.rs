//! The early reflections of one capsule while nothing moves.

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_bench::{RATE_HZ, SeatPlanner, TailMaker, seat_of, tail_spec};
use rostra_dsp::arrivals::ARRIVALS;
use rostra_dsp::bands::LANES;
use rostra_dsp::lane_ring::LaneRing;
use rostra_dsp::noise::Noise;
use rostra_dsp::reflector::{Reflector, Scratch};
use rostra_dsp::segment::Segment;

/// Frames of a block.
const BLOCKS: [usize; 2] = [64, 128];
/// Frames of a grid step at 48 kHz.
const GRID_FRAMES: usize = 512;
/// Frames that the ring reaches back: longer than every reflection at 48 kHz.
const PAST_FRAMES: usize = 16_000;

fn main() {
    divan::main();
}

#[divan::bench(args = BLOCKS)]
fn reflections(bencher: Bencher, frames: usize) {
    let mut ring = LaneRing::new(PAST_FRAMES, 2 * frames);
    let mut noise = Noise::new(1);
    let past: Vec<[f32; LANES]> =
        (0..PAST_FRAMES).map(|_| std::array::from_fn(|_| noise.uniform() as f32 - 0.5)).collect();
    ring.write(&past);
    let planner = SeatPlanner::new(TailMaker::default().make(&tail_spec(RATE_HZ, 0.5)));
    let plan = planner.plan(&seat_of(0)).capsules[0];
    let mut taps = Reflector::new(ARRIVALS - 1, RATE_HZ, GRID_FRAMES);
    taps.reset(&plan.delay_samples[1..], &plan.weights[1..]);
    let segment = Segment { offset_frames: 0, grid_frames: GRID_FRAMES };
    let mut scratch = Scratch::new(frames);
    let mut output = vec![0.0; frames];
    bencher.counter(ItemsCount::new(frames)).bench_local(|| {
        output.fill(0.0);
        taps.process(divan::black_box(&ring), &segment, &mut scratch, divan::black_box(&mut output));
    });
}
