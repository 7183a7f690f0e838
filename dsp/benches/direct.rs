//! The direct sound at the farther capsule, still and on its way.

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_dsp::bands::LANES;
use rostra_dsp::direct::Direct;
use rostra_dsp::lane_ring::LaneRing;
use rostra_dsp::noise::Noise;
use rostra_dsp::segment::Segment;

/// Frames of a block.
const BLOCKS: [usize; 2] = [64, 128];
/// Frames of a grid step at 48 kHz.
const GRID_FRAMES: usize = 512;
/// Time difference of the pair, in samples: some way to the side (about 0.3 ms).
const DIFFERENCE_SAMPLES: f64 = 14.3;

fn main() {
    divan::main();
}

#[divan::bench(args = BLOCKS)]
fn still(bencher: Bencher, frames: usize) {
    run(bencher, frames, DIFFERENCE_SAMPLES);
}

#[divan::bench(args = BLOCKS)]
fn moving(bencher: Bencher, frames: usize) {
    run(bencher, frames, DIFFERENCE_SAMPLES + 0.1);
}

fn run(bencher: Bencher, frames: usize, to_samples: f64) {
    let mut noise = Noise::new(1);
    let mut ring = LaneRing::new(GRID_FRAMES, 2 * frames);
    let past: Vec<[f32; LANES]> =
        (0..GRID_FRAMES).map(|_| std::array::from_fn(|_| noise.uniform() as f32 - 0.5)).collect();
    ring.write(&past);
    let weights = std::array::from_fn(|lane| 0.5 / (1.0 + lane as f32));
    let mut direct = Direct::new(DIFFERENCE_SAMPLES, weights);
    direct.head_for(to_samples, weights);
    let segment = Segment { offset_frames: 0, grid_frames: GRID_FRAMES };
    let (mut scratch, mut output) = (vec![0.0; frames], vec![0.0; frames]);
    bencher.counter(ItemsCount::new(frames)).bench_local(|| {
        output.fill(0.0);
        direct.process(divan::black_box(&ring), &segment, &mut scratch, divan::black_box(&mut output));
    });
}
