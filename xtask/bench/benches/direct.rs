//! The direct sound at both capsules, still and on its way.

use divan::Bencher;
use divan::counter::ItemsCount;
use rostra_bench::noisy_line;
use rostra_dsp::engine::parts::{BUSES, DelayLine, Direct, Segment};
use rostra_dsp::kernel::{Eight, EightKernel, InstructionSet};
use rostra_dsp::plan::{BRANCHES, BranchFrame};

/// Frames of a run.
const RUNS: [usize; 2] = [64, 128];
/// Frames of a grid step at 48 kHz.
const GRID_FRAMES: usize = 512;
/// Time difference of the pair, in samples: some way to the side (about 0.3 ms).
const DIFFERENCE_SAMPLES: f64 = 14.3;

fn main() {
    divan::main();
}

#[divan::bench(args = RUNS)]
fn still(bencher: Bencher, frames: usize) {
    run(bencher, frames, DIFFERENCE_SAMPLES);
}

#[divan::bench(args = RUNS)]
fn moving(bencher: Bencher, frames: usize) {
    run(bencher, frames, DIFFERENCE_SAMPLES + 0.1);
}

fn run(bencher: Bencher, frames: usize, to_samples: f64) {
    let set = InstructionSet::widest();
    let line = noisy_line(GRID_FRAMES, frames);
    let weights = std::array::from_fn(|branch| 0.5 / (1.0 + branch as f32));
    let mut direct = Direct::new([0.0, DIFFERENCE_SAMPLES], [weights; 2]);
    direct.glide_to([0.0, to_samples], [&weights; 2]);
    let segment = Segment { offset_frames: 0, grid_frames: GRID_FRAMES };
    let mut heard = vec![[0.0; 2]; frames];
    let mut buses = vec![[[0.0; BRANCHES]; BUSES]; frames];
    bencher.counter(ItemsCount::new(frames)).bench_local(|| {
        buses.fill([[0.0; BRANCHES]; BUSES]);
        let (line, buses) = (divan::black_box(&line), divan::black_box(&mut buses[..]));
        set.run_eight(Read { direct: &mut direct, line, segment, heard: &mut heard, buses });
    });
}

struct Read<'a> {
    direct: &'a mut Direct,
    line: &'a DelayLine,
    segment: Segment,
    heard: &'a mut [[f32; 2]],
    buses: &'a mut [[BranchFrame; BUSES]],
}

impl EightKernel for Read<'_> {
    type Output = ();

    #[inline(always)]
    fn run<E: Eight>(self, eight: E) {
        self.direct.process(eight, self.line, &self.segment, self.heard, self.buses);
    }
}
